"""Find every joint of a placed model: what touches what, how, by how many millimetres.

Each distinct situation (shape, shape, relative pose) is measured once and looked up for every pair
that repeats it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.features import BALL_SHARE, is_stud, stud_radii
from steps.features.anatomy import Anatomy, anatomy
from steps.features.mesh import components
from steps.features.patches import Sphere
from steps.features.roles import Round
from steps.fit import TURNS, by_calliper, classify, effective_gap, explain
from steps.hold import Hold, hold_of
from steps.joints.balls import ball_contacts
from steps.joints.contact import Contact, invert
from steps.joints.flats import APART_SHARE, rest_contacts
from steps.joints.grip import Plugs, holds_all_round, plug_contacts
from steps.joints.leaning import leaning_contact
from steps.joints.overlap import Overlap, drawn_points, overlap
from steps.joints.problems import placed_problems
from steps.joints.situations import Situations, relative_poses, situations
from steps.model import KIND_ORDER, Array, Fit, IntArray, Joint, Joints, Measures, Model, Touch, TouchKind
from steps.settings import Settings

#: Without studs the unit length is this share of the median part's longest extent.
UNIT_SHARE = 0.25


def find_joints(model: Model, measures: Measures, settings: Settings) -> Joints:
    """Every pair of parts that touch, as one joint each, sorted by the rows of the two parts.

    Problems are those of :func:`steps.joints.problems.placed_problems`. Raises nothing.
    """
    if len(model.parts) < 2 or not model.placed:
        return Joints((), ())
    unit = unit_length(model, measures)
    found = situations(model, unit, APART_SHARE * unit)
    bodies = [anatomy(shape) for shape in model.shapes]
    radii = stud_radii({shape.id: body for shape, body in zip(model.shapes, bodies, strict=True)}, {})
    carried = [_carried(body, radii) for body in bodies]
    points = [drawn_points(body, unit) for body in bodies]
    joints: list[_Placed] = []
    overlaps: list[tuple[int, int, Overlap]] = []
    for pairs in _repeats(found.pairs, found.situation):
        contacts, deep = _measure(model, pairs[0], bodies, carried, points, unit)
        if deep is not None:
            overlaps.extend((int(a), int(b), deep) for a, b in pairs)
        if contacts:
            joints.extend(_place(model, pairs, contacts, settings))
    joints.extend(_leaning(model, found, joints, bodies, unit, settings))
    joints.sort(key=lambda item: item[:2])
    numbered = tuple(replace(joint, id=f"J{n}") for n, (_, _, joint) in enumerate(joints, start=1))
    overlaps.sort(key=lambda item: item[:2])
    return Joints(numbered, placed_problems(model, measures, numbered, overlaps, unit))


_Placed = tuple[int, int, Joint]  #: rows of the two parts, and their joint


def _repeats(pairs: IntArray, situation: IntArray) -> Iterator[IntArray]:
    """The pairs of each situation, in the order of the situations."""
    order = np.argsort(situation, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(situation[order])) + 1):
        if len(rows):
            yield pairs[rows]


def _leaning(
    model: Model,
    found: Situations,
    joints: Sequence[_Placed],
    bodies: Sequence[Anatomy],
    unit: float,
    settings: Settings,
) -> Iterator[_Placed]:
    """Joints of parts that would hang in the air, were it not for points and lines that touch."""
    tied = np.array([pair[:2] for pair in joints], dtype=np.int64).reshape(-1, 2)
    group = components(len(model.parts), tied)
    across = group[found.pairs[:, 0]] != group[found.pairs[:, 1]]
    for pairs in _repeats(found.pairs[across], found.situation[across]):
        a, b = (int(row) for row in model.shape_index[pairs[0]])
        pose = relative_poses(model.poses[pairs[0][:1]], model.poses[pairs[0][1:]])[0]
        contact = leaning_contact(bodies[a], bodies[b], pose, unit)
        if contact is not None:
            yield from _place(model, pairs, [contact], settings)


def unit_length(model: Model, measures: Measures) -> float:
    """The length against which tolerances of place are measured: the pitch, or a share of the parts."""
    if measures.pitch_mm is not None:
        return measures.pitch_mm
    longest = np.array([measures.by_shape[part.shape].size_mm.max() for part in model.parts])
    return max(float(np.median(longest)) * UNIT_SHARE, 1e-6)


@dataclass(frozen=True, eq=False)
class _Carried:
    """What a shape can put into another: plugs and balls."""

    plugs: Plugs
    balls: tuple[Sphere, ...]


def _carried(body: Anatomy, radii: Sequence[float]) -> _Carried:
    rounds: list[Round] = []
    kinds: list[TouchKind] = []
    for plug in body.plugs:
        stud = plug.role in ("boss", "sunk") and is_stud(plug, radii)
        if plug.role == "sunk" and not stud:
            continue
        rounds.append(plug)
        kinds.append("hinge" if plug.role == "pin" else "stud" if stud else "peg")
    balls = tuple(s for s in body.spheres if s.convex and s.share > BALL_SHARE)
    return _Carried(Plugs(tuple(rounds), tuple(kinds)), balls)


# ------------------------------------------------------------------------- one situation


def _measure(
    model: Model,
    pair: IntArray,
    bodies: Sequence[Anatomy],
    carried: Sequence[_Carried],
    points: Sequence[Array],
    unit: float,
) -> tuple[list[Contact], Overlap | None]:
    """All contacts of one situation, in the coordinates of the pair's first part, and its overlap."""
    a, b = (int(model.shape_index[row]) for row in pair)
    to_first = relative_poses(model.poses[pair[:1]], model.poses[pair[1:]])[0]
    to_second = invert(to_first)
    ours = plug_contacts(carried[a].plugs, to_second, bodies[b])
    ours += ball_contacts(carried[a].balls, to_second, bodies[b])
    theirs = plug_contacts(carried[b].plugs, to_first, bodies[a])
    theirs += ball_contacts(carried[b].balls, to_first, bodies[a])
    contacts = _gripping([c.moved(to_first) for c in ours])
    contacts += [replace(c, carrier=1) for c in _gripping(theirs)]
    contacts += rest_contacts(bodies[a], bodies[b], to_first, unit)
    deep = overlap(bodies[a], bodies[b], (points[a], points[b]), to_first, to_second, unit)
    return contacts, deep


def _gripping(contacts: Sequence[Contact]) -> list[Contact]:
    """Contacts whose lines, all those of one axis together, hold from every side."""
    kept: list[Contact] = []
    left = list(contacts)
    while left:
        axis = left[0].axis
        group = [c for c in left if abs(c.axis @ axis) > 0.999]
        left = [c for c in left if abs(c.axis @ axis) <= 0.999]
        if group[0].kind == "ball" or holds_all_round(np.vstack([c.normals for c in group]), axis):
            kept.extend(group)
    return kept


# ---------------------------------------------------------------------- placed in the model


def _place(
    model: Model, pairs: IntArray, contacts: Sequence[Contact], settings: Settings
) -> list[tuple[int, int, Joint]]:
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
    judged = effective_gap(gap, settings) if kind == "stud" else gap
    hold = hold_of(touches, settings)
    fit: Fit = "none" if kind == "rest" else classify(judged, settings)
    moves = _moves(kind, chosen, contacts)
    values: dict[str, object] = {
        "kind": kind,
        "contacts": 0 if kind == "rest" else len(chosen),
        "gap_mm": float(gap),
        "depth_mm": max(c.depth for c in chosen),
        "snap_mm": max(c.snap for c in chosen),
        "fit": fit,
        "moves": moves,
        "hold_n": hold.hold_n,
        "hold_range_n": hold.range_n,
        "push_n": hold.push_n,
        "glue_area_mm2": 0.0 if moves else sum(c.area for c in contacts),
        "why": _why(kind, chosen, judged, fit, hold, moves, model.scale, settings),
    }
    return _Pattern(tuple(contacts), carrier, strongest, values)


def _moves(kind: TouchKind, chosen: Sequence[Contact], contacts: Sequence[Contact]) -> bool:
    """Balls and hinges; a single round peg that turns freely or has nothing else to stop it."""
    if kind in ("ball", "hinge"):
        return True
    if kind != "peg" or not chosen[0].all_round:
        return False
    axis, point = chosen[0].axis, chosen[0].point
    for c in chosen[1:]:
        off = c.point - point
        if np.linalg.norm(off - (off @ axis) * axis) > 0.1 * chosen[0].radius or abs(c.axis @ axis) < 0.999:
            return False
    gap = min(c.gap for c in chosen)
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
    count = f"{len(chosen)} {noun}{'' if len(chosen) == 1 else 's'}"
    text = f"{count}, {explain(gap, fit, scale, settings, kind == 'stud' and by_calliper(settings))}"
    text += _motion(kind, chosen, gap, moves)
    return f"{text}; holds about {_newtons(hold.hold_n)}, {hold.source}" if hold.hold_n > 0 else text


def _motion(kind: TouchKind, chosen: Sequence[Contact], gap: float, moves: bool) -> str:
    """What a joint that moves or snaps is meant to do."""
    snap = max(c.snap for c in chosen)
    text = f"; snaps past {snap:.2f} mm" if snap > 0 else ""
    if not moves or kind == "ball":
        return text
    low, high = TURNS
    way = "stiffly" if gap < low else "well" if gap <= high else "with play"
    return f"{text}; turns {way} ({low:g} to {high:g} mm is meant)"


def _newtons(force: float) -> str:
    return f"{force:.0f} N" if force >= 10 else f"{force:.1f} N"
