"""From the contacts of a situation to the joints of every pair that repeats it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from steps.fit import GAP_DIGITS, TURNS, by_calliper, classify, explain, judged_gap
from steps.hold import Hold, hold_of
from steps.joints.contact import Contact
from steps.model import KIND_ORDER, Array, Fit, IntArray, Joint, Model, Touch, TouchKind
from steps.settings import Settings

Placed = tuple[int, int, Joint]  #: rows of the two parts, and their joint, not yet numbered


def place(model: Model, pairs: IntArray, contacts: Sequence[Contact], settings: Settings) -> list[Placed]:
    """One joint per pair that repeats a situation."""
    poses = model.poses[pairs[:, 0]]
    turn, shift = poses[:, :3, :3], poses[:, :3, 3]
    spots = np.vstack([np.vstack([c.point, c.points]) for c in contacts])
    ways = np.vstack([np.vstack([c.axis, c.normals]) for c in contacts])
    spots = np.einsum("pij,kj->pki", turn, spots) + shift[:, None]
    ways = np.einsum("pij,kj->pki", turn, ways)
    pattern = _pattern(model, pairs[0], contacts, spots[0], ways[0], settings)
    joints = []
    for row, (first, second) in enumerate(pairs):
        ids = (model.parts[first].id, model.parts[second].id)
        joints.append((int(first), int(second), pattern.joint(ids, spots[row], ways[row])))
    return joints


@dataclass(frozen=True, eq=False)
class _Pattern:
    """The joint of a situation, to be filled with places and part ids."""

    contacts: tuple[Contact, ...]
    carrier: int  #: row of the part that is the joint's ``a``
    strongest: int
    values: Mapping[str, object]

    def joint(self, ids: tuple[str, str], spots: Array, ways: Array) -> Joint:
        touches, at = [], 0
        for c in self.contacts:
            end = at + 1 + len(c.points)
            touches.append(_touch(c, ids[c.carrier], spots[at:end], ways[at:end]))
            at = end
        a, b = ids[self.carrier], ids[1 - self.carrier]
        return Joint(
            id="",
            a=a,
            b=b,
            axis=touches[self.strongest].axis,
            touches=tuple(touches),
            **self.values,  # type: ignore[arg-type]
        )


def _touch(c: Contact, carrier: str, spots: Array, ways: Array) -> Touch:
    return Touch(
        c.kind,
        carrier,
        spots[0],
        ways[0],
        float(c.gap),
        float(c.mean_gap),
        float(c.depth),
        float(c.area),
        spots[1:],
        ways[1:],
        radius_mm=float(c.radius),
        snap_mm=c.snap,
        bond_gap_mm=c.bond_gap,
        height_mm=c.height,
        gaps_mm=c.gaps,
        lengths_mm=c.lengths,
        faces=c.faces,
        backings=c.backings,
        bore_mm=c.bore,
        slope=c.slope,
    )


def _pattern(
    model: Model, pair: IntArray, contacts: Sequence[Contact], spots: Array, ways: Array, settings: Settings
) -> _Pattern:
    kind = min((c.kind for c in contacts), key=KIND_ORDER.index)
    chosen = [c for c in contacts if c.kind == kind]
    strongest = max(range(len(contacts)), key=lambda i: (contacts[i].kind == kind, contacts[i].area, -i))
    carrier = contacts[strongest].carrier
    ids = (model.parts[pair[0]].id, model.parts[pair[1]].id)
    touches, at = [], 0
    for c in contacts:
        end = at + 1 + len(c.points)
        touches.append(_touch(c, ids[c.carrier], spots[at:end], ways[at:end]))
        at = end
    gap = min(c.gap for c in chosen)
    judged = judged_gap(gap, kind, settings)
    hold = hold_of(touches, settings)
    fit: Fit = "none" if kind == "rest" else classify(judged, settings, kind)
    moves = _moves(kind, chosen, contacts, fit)
    values: dict[str, object] = {
        "kind": kind,
        "contacts": _count(kind, chosen),
        "gap_mm": float(gap),
        "depth_mm": max(c.depth for c in chosen),
        "snap_mm": max(c.snap for c in chosen),
        "fit": fit,
        "moves": moves,
        "hold_n": hold.hold_n,
        "hold_range_n": hold.range_n,
        "push_n": hold.push_n,
        "estimated": hold.estimated,
        "hold_low_n": hold.range_n[0],
        "hold_high_n": hold.range_n[1],
        "glue_area_mm2": 0.0 if moves else sum(c.area for c in contacts),
        "why": _why(kind, chosen, judged, fit, hold, moves, model.scale, settings),
    }
    return _Pattern(tuple(contacts), carrier, strongest, values)


def _count(kind: TouchKind, chosen: Sequence[Contact]) -> int:
    """Engaged studs, pegs, balls or hinge pins. A peg with a flange or a collar meets its hole with each
    of its cylinders and is one peg all the same."""
    if kind == "rest":
        return 0
    if kind not in ("peg", "hinge"):
        return len(chosen)
    lines: list[Contact] = []
    for c in chosen:
        if not any(c.carrier == other.carrier and _coaxial(c, other) for other in lines):
            lines.append(c)
    return len(lines)


def _coaxial(one: Contact, other: Contact) -> bool:
    """Whether two contacts lie on one axis."""
    off = one.point - other.point
    across = off - (off @ other.axis) * other.axis
    return bool(np.linalg.norm(across) <= 0.1 * other.radius and abs(one.axis @ other.axis) >= 0.999)


def _moves(kind: TouchKind, chosen: Sequence[Contact], contacts: Sequence[Contact], fit: Fit) -> bool:
    """Balls and hinges; a single round peg that turns freely or has nothing else to stop it; a prism that
    nothing stops along its axis, with room enough to slide."""
    if kind in ("ball", "hinge"):
        return True
    if kind == "peg" and all(c.slides for c in chosen):
        return fit in ("slide", "loose")
    if kind != "peg" or not chosen[0].all_round:
        return False
    if not all(_coaxial(c, chosen[0]) for c in chosen[1:]):
        return False
    gap = round(min(c.gap for c in chosen), GAP_DIGITS)
    return TURNS[0] <= gap <= TURNS[1] or len(contacts) == len(chosen)


def _why(
    kind: TouchKind,
    chosen: Sequence[Contact],
    gap: float,
    fit: Fit,
    hold: Hold,
    moves: bool,
    scale: float,
    settings: Settings,
) -> str:
    """One sentence with the numbers: what engages, the gap and its class, the hold and where it is from."""
    if kind == "rest":
        area = sum(c.area for c in chosen)
        if area == 0:
            return "they touch at points or a line; nothing grips"
        return f"flat faces rest on each other over {area:.0f} mm²; nothing grips"
    noun = {"stud": "stud", "peg": "peg", "ball": "ball", "hinge": "hinge pin"}[kind]
    number = _count(kind, chosen)
    count = f"{number} {noun}{'' if number == 1 else 's'}"
    text = f"{count}, {explain(gap, fit, scale, settings, kind == 'stud' and by_calliper(settings), kind)}"
    text += _motion(kind, chosen, gap, moves)
    return f"{text}; holds about {_newtons(hold.hold_n)}, {hold.source}" if hold.hold_n > 0 else text


def _motion(kind: TouchKind, chosen: Sequence[Contact], gap: float, moves: bool) -> str:
    """What a joint that moves or snaps is meant to do."""
    snap = max(c.snap for c in chosen)
    text = f"; snaps past {snap:.2f} mm" if snap > 0 else ""
    if not moves or kind == "ball":
        return text
    if chosen[0].slides:
        return f"{text}; slides along it"
    low, high = TURNS
    gap = round(gap, GAP_DIGITS)
    way = "stiffly" if gap < low else "well" if gap <= high else "with play"
    return f"{text}; turns {way} ({low:g} to {high:g} mm is meant)"


def _newtons(force: float) -> str:
    return f"{force:.0f} N" if force >= 10 else f"{force:.1f} N"
