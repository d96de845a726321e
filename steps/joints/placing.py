"""From the contacts of a situation to the joints of every pair that repeats it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.fit import TURNS
from steps.joints.contact import Contact
from steps.model import KIND_ORDER, Array, IntArray, Joint, Model, Touch, TouchKind

Placed = tuple[int, int, Joint]  #: rows of the two parts, and their joint, not yet numbered
#: What a joint of a kind comes to, by its touches, how many contacts they are, whether it moves, the weight
#: of the lighter part (N) and the scale: as :func:`steps.joints.judging.judged` says.
Judge = Callable[[TouchKind, Sequence[Touch], int, bool, float, float], Mapping[str, object]]

#: A squeeze of less, mm at the file's own size, is none that anybody drew: drawings give hundredths, and
#: meshes are rounded, or mended, to less (a proposal).
DRAWN_MM = 0.005
#: Axes whose sum is no longer than this push against each other, and have no middle.
OPPOSED = 1e-6


def place(
    model: Model, pairs: IntArray, contacts: Sequence[Contact], weight_n: float, judge: Judge
) -> list[Placed]:
    """One joint per pair that repeats a situation; ``weight_n`` is that of the lighter of the two parts."""
    poses = model.poses[pairs[:, 0]]
    turn, shift = poses[:, :3, :3], poses[:, :3, 3]
    spots = np.vstack([np.vstack([c.point, c.points]) for c in contacts])
    ways = np.vstack([np.vstack([c.axis, c.normals]) for c in contacts])
    spots = np.einsum("pij,kj->pki", turn, spots) + shift[:, None]
    ways = np.einsum("pij,kj->pki", turn, ways)
    pattern = _pattern(model, pairs[0], contacts, spots[0], ways[0], weight_n, judge)
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
            axis=_axis(touches, touches[self.strongest]),
            touches=tuple(touches),
            **self.values,  # type: ignore[arg-type]
        )


def _axis(touches: Sequence[Touch], strongest: Touch) -> Array:
    """The strongest touch's axis; of parts that touch at points or lines alone the middle of all theirs:
    there each is the way of one place, by chance."""
    if strongest.kind != "rest" or strongest.area_mm2 > 0:
        return strongest.axis
    places = [each for each in touches if each.kind == "rest" and not each.area_mm2 > 0]
    middle: Array = np.sum(
        [each.axis * (1 if each.carrier == strongest.carrier else -1) for each in places], axis=0
    )
    length = float(np.linalg.norm(middle))
    return middle / length if length > OPPOSED else strongest.axis


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
        widths_mm=c.widths,
        faces=c.faces,
        backings=c.backings,
        bore_mm=c.bore,
        slope=c.slope,
        slides=c.slides,
        fit=c.fit,
    )


def _pattern(
    model: Model,
    pair: IntArray,
    contacts: Sequence[Contact],
    spots: Array,
    ways: Array,
    weight_n: float,
    judge: Judge,
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
    moves, count = _moves(kind, chosen, contacts, model.scale), _count(kind, chosen)
    values: dict[str, object] = {
        "kind": kind,
        "contacts": count,
        "gap_mm": float(min(c.gap for c in chosen)) + 0.0,
        "depth_mm": max(c.depth for c in chosen),
        "snap_mm": max(c.snap for c in chosen),
        "moves": moves,
        "glue_area_mm2": 0.0 if moves else sum(c.area for c in contacts),
        **judge(kind, touches, count, moves, weight_n, model.scale),
    }
    fits = values.pop("fits")
    contacts = tuple(replace(c, fit=fit) for c, fit in zip(contacts, fits, strict=True))  # type: ignore[call-overload]
    return _Pattern(contacts, carrier, strongest, values)


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


def _moves(kind: TouchKind, chosen: Sequence[Contact], contacts: Sequence[Contact], scale: float) -> bool:
    """Balls and hinges; a single round peg that turns freely, or goes right through, or that nothing else
    stops; a prism that nothing stops along its axis.

    What was drawn to move at the file's own size is meant to, whatever the scale makes of its gap; one drawn
    to be squeezed is not.
    """
    if kind in ("ball", "hinge"):
        return True
    own = min(c.gap for c in chosen) / scale
    squeezed = own < -DRAWN_MM
    if kind == "peg" and all(c.slides for c in chosen):
        return not squeezed
    if kind != "peg" or not chosen[0].all_round:
        return False
    if not all(_coaxial(c, chosen[0]) for c in chosen[1:]):
        return False
    unstopped = len(contacts) == len(chosen) or all(c.through for c in chosen)
    return own > TURNS[0] - DRAWN_MM or (not squeezed and unstopped)
