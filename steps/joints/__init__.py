"""Find every joint of a placed model: what touches what, how, by how many millimetres.

Each distinct situation (shape, shape, relative pose) is measured once and looked up for every pair
that repeats it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from renderer.topology import connected
from steps.features import BALL_SHARE, is_stud, stud_radii
from steps.features.anatomy import Anatomy, anatomy
from steps.features.patches import Cylinder, Sphere
from steps.features.roles import Round
from steps.joints.balls import ball_contacts
from steps.joints.contact import Contact, invert
from steps.joints.flats import APART_SHARE, INTO_SHARE, rest_contacts
from steps.joints.grip import REACH_SHARE, Plugs, holds_all_round, plug_contacts
from steps.joints.leaning import leaning_contacts
from steps.joints.loose import RUNS_IN, freed, held_by_form, let_down, runners
from steps.joints.overlap import Overlap, drawn_points, overlap
from steps.joints.placing import Judge, Placed, place
from steps.joints.prisms import prism_contacts
from steps.joints.problems import placed_problems
from steps.joints.readings import misread
from steps.joints.situations import Situations, relative_pose, situations
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Array, IntArray, Joints, Measures, Model, Touch, TouchKind
from steps.motion.blocking import typical_length
from steps.progress import over, ticking
from steps.remembered import remembered
from steps.settings import Settings

#: Standard gravity, N per kg.
GRAVITY = 9.81
#: Vertices lie within a plug's radius up to this share of it.
AXIAL = 1e-3
#: What has more room round it than this share of the unit length (2.5 mm at a pitch of 10) lies in a hollow
#: and is no peg of it, however wide: a tin within a tin.
ROOM_SHARE = 0.25
#: Without studs the unit length is this share of the median part's longest extent.
UNIT_SHARE = 0.25


def find_joints(model: Model, measures: Measures, settings: Settings) -> Joints:
    """Every pair of parts that touch, as one joint each, sorted by the rows of the two parts.

    Problems are those of :func:`steps.joints.problems.placed_problems` and
    :func:`steps.joints.readings.misread`. Raises BeyondLimit where too many parts lie at one place.
    """
    from steps.joints.judging import judged  # with all that tells forces

    found = _found(model, measures, partial(judged, settings=settings), settings.limits)
    running = freed(found.joints, runners(model, measures, found.joints), RUNS_IN)
    joints = freed(running, held_by_form(model, measures, running))
    return Joints(joints, (*found.problems, *misread(model, measures, settings)))


def touching(model: Model, measures: Measures) -> Joints:
    """As :func:`find_joints`, for who asks only what engages what and how far: fits and forces are not told,
    nor what is held by form alone."""
    return _found(model, measures, None)


def _unjudged(
    kind: TouchKind, touches: Sequence[Touch], contacts: int, moves: bool, weight_n: float, scale: float
) -> Mapping[str, object]:
    bare = {"hold_n": 0.0, "hold_range_n": (0.0, 0.0), "push_n": 0.0, "why": ""}
    return {"fit": "none", "fits": ("none",) * len(touches), **bare}


def _found(model: Model, measures: Measures, judge: Judge | None, limits: Limits = LIMITS) -> Joints:
    if len(model.parts) < 2 or not model.placed:
        return Joints((), ())
    unit = unit_length(model, measures)
    found = situations(model, unit, APART_SHARE * unit, limits)
    bodies = [anatomy(shape) for shape in model.shapes]
    radii = stud_radii({shape.id: body for shape, body in zip(model.shapes, bodies, strict=True)})
    into = _told_in_file(INTO_SHARE * typical_length(model, measures))
    kit = _Kit(bodies, [_carried(body, radii) for body in bodies], unit, into, judge is not None)
    joints: list[Placed] = []
    overlaps: list[tuple[int, int, Overlap]] = []
    ways = 0
    for pairs in _repeats(found.pairs, found.situation, over):
        contacts, deep = kit.measured(model, pairs[0])
        if deep is not None:
            ways += 1
            told = f"{model.file}: parts stand in each other in {ways:,} different ways or more"
            refuse_more(told, ways, "overlaps", limits)
            overlaps.extend((int(a), int(b), deep) for a, b in pairs)
        if contacts:
            weight = lighter_n(model, measures, pairs[0])
            joints.extend(place(model, pairs, contacts, weight, judge or _unjudged))
    joints.extend(_leaning(model, found, joints, bodies, unit, judge or _unjudged))
    joints = let_down(model, measures, joints, bodies, unit, judge or _unjudged)
    joints.sort(key=lambda item: item[:2])
    numbered = tuple(replace(joint, id=f"J{n}") for n, (_, _, joint) in enumerate(joints, start=1))
    overlaps.sort(key=lambda item: item[:2])
    return Joints(numbered, placed_problems(model, measures, numbered, overlaps, unit))


def lighter_n(model: Model, measures: Measures, pair: IntArray) -> float:
    """Newtons that the lighter of two parts weighs, printed."""
    return GRAVITY * min(measures.by_shape[model.parts[row].shape].printed_g for row in pair) / 1000


def _repeats(
    pairs: IntArray, situation: IntArray, told: Callable[[range], Iterator[int]]
) -> Iterator[IntArray]:
    """The pairs of each situation, in the order of the situations."""
    order = np.argsort(situation, kind="stable")
    starts = np.flatnonzero(np.diff(situation[order], prepend=-1, append=-1))
    for at in told(range(len(starts) - 1)):
        yield pairs[order[starts[at] : starts[at + 1]]]


def _leaning(
    model: Model,
    found: Situations,
    joints: Sequence[Placed],
    bodies: Sequence[Anatomy],
    unit: float,
    judge: Judge,
) -> Iterator[Placed]:
    """Joints of parts that would hang in the air, were it not for points and lines that touch."""
    tied = np.array([pair[:2] for pair in joints], dtype=np.int64).reshape(-1, 2)
    group = connected(len(model.parts), tied)
    across = group[found.pairs[:, 0]] != group[found.pairs[:, 1]]
    for pairs in _repeats(found.pairs[across], found.situation[across], ticking):
        a, b = (int(row) for row in model.shape_index[pairs[0]])
        pose = relative_pose(model, pairs[0])
        one, other = bodies[a].mesh, bodies[b].mesh
        basis = (one, other, pose, unit)
        contacts = remembered("leaning", basis, partial(leaning_contacts, one, other, pose, unit))
        if contacts:
            yield from place(model, pairs, contacts, 0.0, judge)


def unit_length(model: Model, measures: Measures) -> float:
    """The length against which tolerances of place are measured: the pitch, or a share of the parts."""
    if measures.pitch_mm is not None:
        return _told_in_file(measures.pitch_mm)
    longest = np.array([measures.by_shape[part.shape].size_mm.max() for part in model.parts])
    return _told_in_file(max(float(np.median(longest)) * UNIT_SHARE, 1e-6))


def _told_in_file(length: float) -> float:
    """A length without the digits that a mesh file (32 bits a coordinate) cannot tell: one part more does not
    change it."""
    return float(f"{length:.6g}")


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
    tips = tuple(_tip(body, plug) if kind == "peg" else 0.0 for plug, kind in zip(rounds, kinds, strict=True))
    return _Carried(Plugs(tuple(rounds), tuple(kinds), tips), balls)


def _tip(body: Anatomy, plug: Round) -> float:
    """How far a body goes on along a plug's axis within its radius, mm from its start."""
    off = body.mesh.vertices - plug.cylinder.start
    along = off @ plug.cylinder.axis
    across = np.linalg.norm(off - along[:, None] * plug.cylinder.axis, axis=1)
    return float(along[across <= (1 + AXIAL) * plug.cylinder.radius].max(initial=0.0))


# ------------------------------------------------------------------------- one situation


@dataclass(eq=False)
class _Kit:
    """What the situations of a model are measured with: its shapes taken apart, and what each can put into
    another."""

    bodies: Sequence[Anatomy]
    carried: Sequence[_Carried]
    unit: float
    into: float  #: mm that what rests on each other may be drawn into each other
    backed: bool  #: what stands behind contacts is measured too, as forces need it
    points: dict[int, Array] = field(default_factory=dict)  #: within each shape, as asked for

    def measured(self, model: Model, pair: IntArray) -> tuple[list[Contact], Overlap | None]:
        """All contacts of one situation, in the coordinates of the pair's first part, and its overlap."""
        a, b = (int(model.shape_index[row]) for row in pair)
        to_first = relative_pose(model, pair)
        basis = (
            *(self.bodies[a].mesh, self.carried[a], self.bodies[b].mesh, self.carried[b]),
            *(to_first, self.unit, self.into, self.backed),
        )
        return remembered("contacts", basis, lambda: self._measured(a, b, to_first))

    def _measured(self, a: int, b: int, to_first: Array) -> tuple[list[Contact], Overlap | None]:
        ours, theirs, unit = self.bodies[a], self.bodies[b], self.unit
        to_second = invert(to_first)
        mine, others = self._met(a, to_second, theirs), self._met(b, to_first, ours)
        contacts = _gripping([c.moved(to_first) for c in mine])
        contacts += [replace(c, carrier=1) for c in _gripping(others)]
        slack = max((_sag(ours, c.radius) + _sag(theirs, c.radius) for c in contacts), default=0.0)
        prisms = prism_contacts(ours, theirs, to_first, unit)
        resting = rest_contacts(ours, theirs, to_first, unit, into_mm=self.into, without=prisms.taken)
        contacts += [*prisms.contacts, *resting]
        points = (self._points(a), self._points(b))
        return contacts, overlap(ours, theirs, points, to_first, to_second, unit, slack)

    def _met(self, shape: int, pose: Array, other: Anatomy) -> list[Contact]:
        """What a shape's plugs and balls meet in another, in the other's coordinates."""
        own = self.carried[shape]
        plugged = plug_contacts(own.plugs, pose, other, self.backed)
        near = [contact for contact in plugged if contact.gap <= ROOM_SHARE * self.unit]
        return near + ball_contacts(own.balls, pose, other)

    def _points(self, shape: int) -> Array:
        if shape not in self.points:
            self.points[shape] = drawn_points(self.bodies[shape], self.unit)
        return self.points[shape]


def _sag(body: Anatomy, radius: float) -> float:
    """How far the facets of a body's round surfaces of about this radius fall short of their circle."""
    surfaces: list[Cylinder | Sphere] = [r.cylinder for r in body.rounds]
    surfaces.extend(body.spheres)
    near = [s.sag for s in surfaces if abs(s.radius - radius) <= REACH_SHARE * radius]
    return max(near, default=0.0)


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
