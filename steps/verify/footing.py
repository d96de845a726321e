"""What holds the parts of a model to each other, as struts, and whether what is built stands by them.

Where faces lie on each other is found from the meshes; where studs and pegs sit, where what lies loose comes
to lie on an edge, how hard they hold, and what is glued is taken from the plan. A stud keeps its part from
moving sideways, a lone peg at both ends of its engaged length, and holds along its axis with its share of
the joint's hold: the likely one while it is built, the low end of its band when it is done. A ball, hinge or
turning peg that cannot slip out stays where it is put.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import trimesh
from scipy.optimize import nnls
from scipy.spatial import ConvexHull, QhullError, cKDTree

from steps.materials import material
from steps.model import Array, IntArray, Model
from steps.planfile import JointEntry, PlanFile, TouchEntry
from steps.verify.balance import GROUND, Carried, Rig, Struts, pyramid, share_carried, weights
from steps.verify.faces import Shared, long_faces, shared_faces
from steps.verify.motion import room_below_mm
from steps.verify.solids import Solids
from steps.verify.standing import Stander

#: Faces this close lie on each other, as a share of the motion tolerance: seated blocks overlap by up to
#: 0.1 mm in a spacing of 8, a third of it.
FACE_SHARE = 0.5
#: Shared faces nowhere longer than this many times the motion tolerance carry nothing: facets of studs.
LEAST_FACES = 6.0
#: A face carries upwards when its normal is within 8 degrees of up (cosine).
UPWARDS = 0.99
#: A face lies along an axis when its normal is within 8 degrees of square to it (cosine).
ACROSS = 0.14
#: What a bond holds, MPa: half of the weakest lap shear of a structural adhesive with factor 2 (from
#: memory: epoxy and polyurethane on plastics, 2 MPa and up).
BOND_MPA = 0.5
#: A stud's wall is no further from its axis than this share of the stud spacing.
STUD_REACH = 0.45
#: With so many studs or fewer each holds at four points of its rim; with more each at its middle.
FEW_STUDS = 2
#: So much of the load must be carried: holds are estimates, and two readings of one differ by less.
ENOUGH = 0.8
#: A point this far outside an area still lies over it, mm: rounding of coordinates.
ON_EDGE_MM = 1e-3
#: What turns on an axis hangs below it in balance, and is not turned by rounding: its middle lies on the axis
#: within this, mm, as four times the 0.005 mm to which shapes are told apart.
ON_AXIS_MM = 0.02
#: Axes within this of each other are one (sine): rounding.
SAME_AXIS = 1e-4
#: So many balances are tried again: of a build while it is pressed on, at rest, and with its glue still wet.
REMEMBERED = 3
#: Relative poses that agree to this many decimals are one situation.
SAME_DIGITS = 4


def at_places(joint: JointEntry) -> list[TouchEntry]:
    """Where a plan says that two parts meet at points or along edges."""
    return [touch for touch in joint.touches if touch.kind == "rest" and not touch.area_mm2 > 0]


def let_down(joint: JointEntry) -> bool:
    """Whether one part comes to lie there on the other once it is let go: it is free to move, or a loose peg
    lets it down so far."""
    return (joint.kind != "rest" or joint.moves) and bool(at_places(joint))


@dataclass(eq=False)
class Footing:
    """Masses and struts of a whole model."""

    model: Model
    plan: PlanFile
    stander: Stander
    solids: Solids
    tolerance_mm: float
    programmes: int = 0
    _shared: dict[tuple[object, ...], Shared] = field(default_factory=dict)
    _long: dict[str, Array] = field(default_factory=dict)
    _feet: dict[tuple[object, ...], Struts] = field(default_factory=dict)
    _marks: int = 0  #: how many struts are known so far
    #: N on each in the balances found last
    _forces: deque[Array] = field(default_factory=lambda: deque(maxlen=REMEMBERED))

    def __post_init__(self) -> None:
        self.row = self.model.index_of
        names = [part.id for part in self.model.parts]
        self.mass = np.array([self.stander.mass[name] for name in names])
        self.centre = np.array([self.stander.centre[name] for name in names]).reshape(-1, 3)
        self.friction = material(_material_of(self.plan)).friction[0]
        self._hang_on_axes()
        self._find_faces()
        self._rig_joints()

    # ------------------------------------------------------------------ faces

    def _find_faces(self) -> None:
        """Where any two parts whose boxes meet lie on each other."""
        self._apart = self._wider_apart()
        found, one, two = [], [], []
        self.faces_of: dict[frozenset[int], Shared] = {}
        for a, b in self._near_pairs():
            shared = self._faces(a, b)
            if not len(shared.points):
                shared = self._edges(a, b)
            if len(shared.points):
                self.faces_of[frozenset((a, b))] = shared
                found.append(shared)
                one += [a] * len(shared.points)
                two += [b] * len(shared.points)
        self.face_one, self.face_two = np.array(one, dtype=np.int64), np.array(two, dtype=np.int64)
        self.face_points = np.concatenate([np.empty((0, 3)), *(each.points for each in found)])
        self.face_normals = np.concatenate([np.empty((0, 3)), *(each.normals for each in found)])
        rig = Rig()
        if len(one):
            least, most, new = np.zeros(len(one)), np.full(len(one), np.inf), np.full(len(one), -1)
            for edge in pyramid(self.face_normals, self.friction):
                ends = self.face_one, self.face_two
                rig.sets.append(Struts(*ends, self.face_points, edge, least, most, new))
        self.face_struts = self._known(rig)
        self._faces_at = _rows_by(np.concatenate([self.face_one, self.face_two]), len(self.mass))

    def _wider_apart(self) -> dict[frozenset[int], float]:
        """mm that faces of two parts may be apart and count as touching, where these are not the usual: what
        lies loose comes to lie on what is under it, and a lone peg against the walls of its hole."""
        usual, found = FACE_SHARE * self.tolerance_mm, {}
        self._lying: dict[frozenset[int], list[TouchEntry]] = {}  # where what lies loose comes to lie
        for joint in self.plan.joints:
            pair = frozenset((self.row[joint.a], self.row[joint.b]))
            if joint.id in self._line_of:
                found[pair] = usual + max(usual, joint.gap_mm)
            self._lying.setdefault(pair, []).extend(at_places(joint))
            if let_down(joint):
                found[pair] = max(found.get(pair, usual), room_below_mm(self.plan, self.model, joint))
        return found

    def _near_pairs(self) -> list[tuple[int, int]]:
        boxes = self.model.part_bounds
        slack = max([FACE_SHARE * self.tolerance_mm, *self._apart.values()])
        middle, half = boxes.mean(axis=1), (boxes[:, 1] - boxes[:, 0]) / 2
        reach = np.linalg.norm(half, axis=1)
        tree, furthest = cKDTree(middle), float(reach.max(initial=0.0))
        pairs = []
        for a in range(len(boxes)):
            near = np.array(tree.query_ball_point(middle[a], reach[a] + furthest + slack), dtype=np.int64)
            near = np.sort(near[near > a])
            meets = np.all(np.abs(middle[near] - middle[a]) <= half[near] + half[a] + slack, axis=1)
            pairs += [(a, int(b)) for b in near[meets]]
        return pairs

    def _faces(self, a: int, b: int) -> Shared:
        one, two = self.model.parts[a], self.model.parts[b]
        turn = two.pose[:3, :3]
        relative = turn.T @ one.pose[:3, :3]
        shift = turn.T @ (one.pose[:3, 3] - two.pose[:3, 3])
        apart = self._apart.get(frozenset((a, b)), FACE_SHARE * self.tolerance_mm)
        key = (
            round(apart, SAME_DIGITS),
            one.shape,
            two.shape,
            *(np.round([*relative.ravel(), *shift], SAME_DIGITS) + 0.0),
        )
        if key not in self._shared:
            self._shared[key] = shared_faces(
                self._triangles(one.shape) @ relative.T + shift,
                self._triangles(two.shape),
                apart,
                LEAST_FACES * self.tolerance_mm,
            )
        there = self._shared[key]
        return Shared(there.points @ turn.T + two.pose[:3, 3], there.normals @ turn.T)

    def _edges(self, a: int, b: int) -> Shared:
        """Where the plan says that what lies loose comes to lie with an edge on another: such of its places
        as both meshes come near, each with faces that can push the other way there."""
        told = self._lying.get(frozenset((a, b)), [])
        ways = [np.array(touch.axis) * (-1.0 if self.row[touch.carrier] == a else 1.0) for touch in told]
        near = [
            (touch.point, way)
            for touch, way in zip(told, ways, strict=True)
            if self._pushes(b, a, np.array(touch.point), way)
            and self._pushes(a, b, np.array(touch.point), -way)
        ]
        if not near:
            return Shared.nothing()
        return Shared(*(np.array(each) for each in zip(*near, strict=True)))

    def _pushes(self, row: int, other: int, point: Array, way: Array) -> bool:
        """Whether a part can push another along ``way`` at a place: its surface comes near, and the way is a
        sum of normals of its faces there."""
        part = self.model.parts[row]
        surface, turn = self.solids.surface(part.shape), part.pose[:3, :3]
        at, along = turn.T @ (point - part.pose[:3, 3]), turn.T @ way
        triangles = surface.vertices[surface.faces]
        nearest = trimesh.triangles.closest_point(triangles, np.broadcast_to(at, (len(triangles), 3)))
        apart = self._apart.get(frozenset((row, other)), FACE_SHARE * self.tolerance_mm)
        near = np.linalg.norm(nearest - at, axis=1) <= apart
        normals = surface.normals[near]
        normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
        return len(normals) > 0 and float(nnls(normals.T, along)[1]) <= ACROSS

    def _triangles(self, shape: str) -> Array:
        if shape not in self._long:
            surface = self.solids.surface(shape)
            least = LEAST_FACES * self.tolerance_mm
            self._long[shape] = long_faces(surface.vertices[surface.faces], least)
        return self._long[shape]

    # ------------------------------------------------------------------ joints

    def _rig_joints(self) -> None:
        """The struts of every joint bare and, where it may be glued, as a bond."""
        self.bare: dict[str, Struts] = {}
        self.relied: dict[str, Struts] = {}
        self.bonded: dict[str, Struts] = {}
        self.bonds: dict[str, Struts] = {}  #: of a bond of 1 N alone
        self.joints_of: dict[str, list[JointEntry]] = {}
        for joint in self.plan.joints:
            self.bare[joint.id] = self._bare(joint, joint.hold_n)
            low = joint.hold_n if joint.moves or joint.hold_low_n is None else joint.hold_low_n
            known = self.bare[joint.id]
            self.relied[joint.id] = known if low == joint.hold_n else self._bare(joint, low)
            if joint.mark == "glue":
                self.bonds[joint.id] = self._known(self._bond(joint))
                area = sum(bond.area_mm2 for bond in joint.bonds) or joint.glue_area_mm2
                self.bonded[joint.id] = self._of_strength(joint.id, BOND_MPA * area, self.bare)
            for end in (joint.a, joint.b):
                self.joints_of.setdefault(end, []).append(joint)
        self.ends = {joint.id: (self.row[joint.a], self.row[joint.b]) for joint in self.plan.joints}

    def _hang_on_axes(self) -> None:
        """Lays the axes of lone pegs, and the middles of what turns on them, in one line where only rounding
        keeps them out of it: a loose peg bears no moment about its axis."""
        self._line_of: dict[str, tuple[Array, Array]] = {}
        known: dict[str, list[tuple[Array, Array]]] = {}
        for joint in self.plan.joints:
            gripping = _gripping(joint)
            if len(gripping) != 1 or gripping[0].kind != "peg" or _stiff(joint):
                continue
            own = np.array(gripping[0].point), np.array(gripping[0].axis)
            beside = [known.setdefault(end, []) for end in (joint.a, joint.b)]
            line = next((each for lines in beside for each in lines if _on_one_line(each, own)), own)
            for lines in beside:
                lines.append(line)
            self._line_of[joint.id] = line
            for row in (self.row[joint.a], self.row[joint.b]):
                foot = _foot_on(line, self.centre[row])
                if np.linalg.norm(self.centre[row] - foot) <= ON_AXIS_MM:
                    self.centre[row] = foot

    def _bare(self, joint: JointEntry, hold_n: float) -> Struts:
        """A joint without glue that holds so much along its axis."""
        rig = Rig()
        gripping, stiff = _gripping(joint), _stiff(joint)
        if len(gripping) > 1 and not stiff:
            self._pin(rig, joint, gripping)
        for touch in gripping:
            carrier, other = self.row[touch.carrier], self.row[_other(joint, touch.carrier)]
            axis, middle, share = np.array(touch.axis), np.array(touch.point), hold_n / len(gripping)
            if stiff:
                for way in np.eye(3):
                    rig.lock(other, carrier, self._rim(touch), way)
                continue
            if len(gripping) == 1:
                for way in _across(axis):
                    rig.lock(other, carrier, self._held_at(joint, touch), way)
            carried = self._carried(carrier, other, axis)
            if carried and not share > 0:
                continue
            points = self._rim(touch) if len(gripping) <= FEW_STUDS else middle[None]
            rig.add(other, carrier, points, -axis, share / len(points), 0.0 if carried else -np.inf)
            if len(gripping) == 1 and share > 0:
                rig.lock(
                    other, carrier, points, np.cross(axis, _outward(points, middle)), share / len(points)
                )
        return self._known(rig)

    def _held_at(self, joint: JointEntry, touch: TouchEntry) -> Array:
        """(k, 3) where a lone stud or peg is kept from moving sideways: at its middle, a peg at both ends of
        its engaged length."""
        middle = np.array(touch.point)
        if joint.id not in self._line_of:
            return middle[None]
        line = self._line_of[joint.id]
        return _foot_on(line, middle) + touch.depth_mm / 2 * np.outer((-1.0, 1.0), line[1])

    def _pin(self, rig: Rig, joint: JointEntry, gripping: Sequence[TouchEntry]) -> None:
        """What several studs keep from slipping: of those that stand alike in one plane two do, the second
        only across the line between them, as the others would do nothing more."""
        for some in _in_planes(gripping):
            carrier, axis = some[0].carrier, np.array(some[0].axis)
            ends = self.row[_other(joint, carrier)], self.row[carrier]
            points = np.array([touch.point for touch in some])
            for way in _across(axis):
                rig.lock(*ends, points[0], way)
            away = points - points[0]
            far = int(np.argmax(np.linalg.norm(away, axis=1).round(6)))
            if far:
                rig.lock(*ends, points[far], _outward(np.cross(axis, away[far])[None], np.zeros(3)))

    def _bond(self, joint: JointEntry) -> Rig:
        """A bond of 1 N holds evenly over the area in which the two lie on each other; pressed on, it bears
        anything. Across its axis it holds as much, but where several studs do so already. Nothing where
        they lie nowhere on each other."""
        rig = Rig()
        a, b = self.row[joint.a], self.row[joint.b]
        axis = np.array(joint.axis)
        faces = self.faces_of.get(frozenset((a, b)))
        lying = np.empty((0, 3))
        if faces is not None:
            lying = faces.points[np.abs(faces.normals @ axis) > UPWARDS]
        if len(lying) < 3:
            lying = np.concatenate([lying, *(self._rim(touch) for touch in joint.touches)])
        if len(lying):
            places, shares = _evenly(lying, axis)
            rig.add(b, a, places, -axis, shares, -np.inf)
            for way in () if _pinned(joint) else _across(axis):
                rig.lock(b, a, places, way, shares)
        return rig

    def _of_strength(self, joint: str, newtons: float, bare: Mapping[str, Struts]) -> Struts:
        """A joint whose bond holds so much, beside what it holds without."""
        if not newtons > 0 or joint not in self.bonds:
            return bare[joint]
        bond = self.bonds[joint]
        strong = replace(bond, least=newtons * bond.least, most=newtons * bond.most)
        return Struts.join([strong, bare[joint]])

    def _carried(self, carrier: int, other: int, axis: Array) -> bool:
        """Whether faces across the axis carry what the stud would else carry along it."""
        faces = self.faces_of.get(frozenset((carrier, other)))
        return faces is not None and bool(np.any(np.abs(faces.normals @ axis) > UPWARDS))

    def _rim(self, touch: TouchEntry) -> Array:
        """(4, 3) points round the stud amid its engaged length."""
        axis, middle = np.array(touch.axis), np.array(touch.point)
        part = self.model.part_by_id[touch.carrier]
        vertices = self.solids.surface(part.shape).vertices @ part.pose[:3, :3].T + part.pose[:3, 3] - middle
        along = vertices @ axis
        out = np.linalg.norm(vertices - along[:, None] * axis, axis=1)
        reach = STUD_REACH * self.plan.pitch_mm if self.plan.pitch_mm else np.inf
        near = (np.abs(along) <= 0.8 * max(touch.depth_mm, self.tolerance_mm)) & (out <= reach)
        radius = float(out[near].max()) if near.any() else self.tolerance_mm
        return middle + radius * np.array([sign * way for way in _across(axis) for sign in (1.0, -1.0)])

    # ------------------------------------------------------------------ questions

    def carries(
        self,
        parts: Sequence[str],
        up: Array,
        level: float,
        cured: Set[str],
        held: Iterable[str] = (),
        press: Array | None = None,
        relied: bool = False,
    ) -> Carried:
        """The share of its weight (or, with ``press`` (n, 6), of that load on top of it) that what is built
        carries on a table at ``level``, the joints in ``cured`` being bonds and the parts ``held`` fixed.

        While hands are at it each joint counts with what it likely holds; ``relied`` with the low end of its
        band, as when it stands for years.
        """
        bare = self.relied if relied else self.bare
        rows = np.array(sorted(self.row[part] for part in parts), dtype=np.int64)
        count = len(self.mass)
        there = np.zeros(count, dtype=bool)
        there[rows] = True
        joints = [
            self.bonded[name] if name in cured and name in self.bonded else bare[name]
            for name, (a, b) in self.ends.items()
            if there[a] and there[b]
        ]
        struts = Struts.join([self.face_struts, *joints, self._table(parts, up, level)]).between(rows, count)
        own = weights(self.mass[rows], up)
        fixed = np.array(
            [
                int(np.searchsorted(rows, self.row[name]))
                for name in held
                if name in self.row and there[self.row[name]]
            ]
        )
        self.programmes += 1
        load, always = (own, None) if press is None else (press[rows], own)
        earlier = [np.append(each, np.zeros(self._marks))[struts.mark] for each in self._forces]
        found = share_carried(self.centre[rows], struts, load, always, fixed.astype(np.int64), earlier)
        if found.share >= ENOUGH:
            forces = np.zeros(self._marks)
            forces[struts.mark] = found.force
            self._forces.append(forces)
        return found

    def bears(
        self,
        parts: Sequence[str],
        loads: Array,
        held: Iterable[str],
        strength: Mapping[str, float],
        on_table: Array | None = None,
    ) -> Carried:
        """The share, at most 1, of ``loads`` (n, 6) that parts carry while some are ``held``, off the table
        or on it with that way up; each joint with what it may be relied on to hold, glued ones with the
        ``strength`` (N) of their bonds. Only faces that a joint tells of push on each other: others have
        room between them, and would have to give before they met."""
        rows = np.array(sorted(self.row[part] for part in parts), dtype=np.int64)
        there = np.zeros(len(self.mass), dtype=bool)
        there[rows] = True
        joints = [
            self._of_strength(name, strength.get(name, 0.0), self.relied)
            for name, (a, b) in self.ends.items()
            if there[a] and there[b]
        ]
        if on_table is not None:
            joints.append(self._table(parts, on_table, self.stander.lowest(parts, on_table)))
        struts = Struts.join([self._told_faces, *joints]).between(rows, len(self.mass))
        fixed = np.searchsorted(rows, sorted(self.row[name] for name in held)).astype(np.int64)
        self.programmes += 1
        earlier = [np.append(each, np.zeros(self._marks))[struts.mark] for each in self._forces]
        found = share_carried(self.centre[rows], struts, loads[rows], None, fixed, earlier)
        if found.share >= ENOUGH:
            forces = np.zeros(self._marks)
            forces[struts.mark] = found.force
            self._forces.append(forces)
        return found

    @cached_property
    def _told_faces(self) -> Struts:
        """The faces of which a joint tells that they lie on each other, the same one on the other; they rub
        where no two studs keep them from slipping. The flanks of a stud are not among them: it stands for
        these itself. Those of a lone peg are, where they keep it from turning, but do not rub: a pinch that
        nothing exerts would hold anything."""
        told: dict[tuple[int, int], list[Array]] = {}  #: out of the first of two parts, towards the second
        flanks: dict[tuple[int, int], JointEntry] = {}  #: of a lone peg
        rubs: dict[tuple[int, int], bool] = {}
        for joint in self.plan.joints:
            a, b = sorted(self.ends[joint.id])
            if joint.id in self._line_of:
                flanks[a, b] = joint
            told[a, b] = [
                np.array(touch.axis) * (1.0 if self.row[touch.carrier] == a else -1.0)
                for touch in joint.touches
                if touch.kind == "rest"
            ]
            rubs[a, b] = not _pinned(joint)
        pairs = [(min(a, b), max(a, b)) for a, b in zip(self.face_one, self.face_two, strict=True)]
        # the normals of faces are what pushes on the one
        signs = np.where(np.array(self.face_one) > np.array(self.face_two), 1.0, -1.0)
        lies = np.array(
            [
                any(sign * normal @ axis > UPWARDS for axis in told.get(pair, ()))
                for pair, sign, normal in zip(pairs, signs, self.face_normals, strict=True)
            ],
            dtype=bool,
        )
        beside = np.array(
            [
                pair in flanks and self._keeps_from_turning(flanks[pair], point, normal)
                for pair, point, normal in zip(pairs, self.face_points, self.face_normals, strict=True)
            ],
            dtype=bool,
        )
        rough = np.array([rubs.get(pair, False) for pair in pairs], dtype=bool)
        rig = Rig()
        for at in (beside | (lies & ~rough)).nonzero()[0]:
            ends = int(self.face_one[at]), int(self.face_two[at])
            rig.add(*ends, self.face_points[at], self.face_normals[at])
        edges = len(self.face_struts) // max(len(lies), 1)
        return Struts.join([self.face_struts.where(np.tile(lies & rough, edges)), self._known(rig)])

    def _keeps_from_turning(self, joint: JointEntry, point: Array, normal: Array) -> bool:
        """Whether a flank of a lone peg does so at a point: a peg whose corners reach out of the middle of
        its flanks by less than its play goes round within its hole."""
        line = self._line_of[joint.id]
        out = point - _foot_on(line, point)
        corner = float(np.linalg.norm(out)) - abs(float(out @ normal))
        return abs(float(normal @ line[1])) < ACROSS and corner > max(joint.gap_mm, 0.0) + ON_AXIS_MM

    def _known(self, rig: Rig) -> Struts:
        """The struts, from now on known by numbers of their own."""
        struts = rig.struts().numbered(self._marks)
        self._marks += len(struts)
        return struts

    def _table(self, parts: Sequence[str], up: Array, level: float) -> Struts:
        return Struts.join(self._foot(name, up) for name in self.stander.on_table(parts, up, level))

    def _foot(self, name: str, up: Array) -> Struts:
        """What carries a part that stands on the table."""
        key = (name, *np.round(up, SAME_DIGITS).tolist())
        if key not in self._feet:
            rig, points = Rig(), _spread(self.stander.low_points(name, up), up)
            rig.carry(self.row[name], GROUND, points, np.tile(up, (len(points), 1)), self.friction)
            self._feet[key] = self._known(rig)
        return self._feet[key]

    def press_of(
        self, group: Sequence[str], standing: Set[str], way: Array
    ) -> tuple[Array, dict[int, Array]]:
        """(n, 6) what standing parts feel when a group is pressed home along ``way``, and where (rows)."""
        load = np.zeros((len(self.mass), 6))
        spots: dict[int, Array] = {}
        inner = set(group)
        closing = [
            (joint, end)
            for name in group
            for joint in self.joints_of.get(name, ())
            if joint.push_n > 0 and (end := _other(joint, name)) in standing and end not in inner
        ]
        for joint, end in closing:
            row = self.row[end]
            spot = self._spot(joint)
            force = joint.push_n * way
            load[row] += np.concatenate([force, np.cross(spot - self.centre[row], force)])
            spots[row] = spot if row not in spots else (spots[row] + spot) / 2
        return load, spots

    def _spot(self, joint: JointEntry) -> Array:
        """(3,) where a joint resists being closed: amid what grips, else amid its faces or its two parts."""
        gripping = _gripping(joint) or list(joint.touches)
        if gripping:
            return np.mean([touch.point for touch in gripping], axis=0)
        a, b = self.ends[joint.id]
        faces = self.faces_of.get(frozenset((a, b)))
        return self.centre[[a, b]].mean(axis=0) if faces is None else faces.points.mean(axis=0)

    def faces_at(self, row: int) -> IntArray:
        """Rows of the shared faces of one part."""
        return self._faces_at[row] % max(len(self.face_one), 1)


@dataclass(eq=False)
class Ground:
    """One build as it grows on the table: which parts surely carry straight down what is put on them.

    A push that goes straight down from face to face to the table can be added to any balance without
    upsetting it; so a step whose new parts all lie well on such faces leaves standing what stood.
    """

    footing: Footing
    up: Array
    sound: bool = True  #: what is built is known to stand by itself
    #: part row -> (k, 3) sides of the area, seen along up, over which it is surely carried; None: nowhere
    _under: dict[int, Array | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._frame = _across(self.up)

    def put(self, parts: Sequence[str], level: float) -> bool:
        """Put parts on; whether each of them is surely carried straight down."""
        rows = sorted((self.footing.row[part] for part in parts), key=self._height)
        good = True
        for row in rows:
            self._under[row] = _sides(self._carried_at(row, level) @ self._frame.T)
            good &= self.bears(row, self.footing.centre[row])
        return good

    def bears(self, row: int, point: Array) -> bool:
        """Whether a push straight down at a point of a part surely goes to the table."""
        sides = self._under.get(row)
        if sides is None:
            return False
        return bool(np.all(sides[:, :2] @ (self._frame @ point) + sides[:, 2] <= ON_EDGE_MM))

    def _height(self, row: int) -> tuple[float, int]:
        return float(self.footing.centre[row] @ self.up), row

    def _carried_at(self, row: int, level: float) -> Array:
        footing = self.footing
        name = footing.model.parts[row].id
        found = [np.empty((0, 3))]
        if footing.stander.on_table([name], self.up, level):
            found.append(footing.stander.low_points(name, self.up))
        for at in footing.faces_at(row):
            is_one = footing.face_one[at] == row
            other = int(footing.face_two[at] if is_one else footing.face_one[at])
            normal = footing.face_normals[at] * (1.0 if is_one else -1.0)
            if normal @ self.up > UPWARDS and self.bears(other, footing.face_points[at]):
                found.append(footing.face_points[at][None])
        return np.concatenate(found)


def _sides(points: Array) -> Array | None:
    """(k, 3) the sides of the hull of points (m, 2), negative inside; None where it has no area."""
    try:
        return np.asarray(ConvexHull(points).equations)
    except (QhullError, ValueError):
        return None


def _material_of(plan: PlanFile) -> str:
    return str(plan.settings.get("material", "pla"))


def _in_planes(touches: Iterable[TouchEntry]) -> Iterable[list[TouchEntry]]:
    """Studs of one part, side by side in one plane across their axis."""
    alike: dict[tuple[object, ...], list[TouchEntry]] = {}
    for touch in touches:
        height = float(np.dot(touch.axis, touch.point))
        alike.setdefault((touch.carrier, *np.round([*touch.axis, height], 2)), []).append(touch)
    return alike.values()


def _pinned(joint: JointEntry) -> bool:
    """Whether two studs side by side keep a joint from slipping and turning across their axis."""
    return any(len(some) > 1 for some in _in_planes(_gripping(joint)))


def _gripping(joint: JointEntry) -> list[TouchEntry]:
    return [touch for touch in joint.touches if touch.kind != "rest"]


def _stiff(joint: JointEntry) -> bool:
    """Whether it moves, and stays where it is put."""
    return joint.moves and (joint.snap_mm > 0 or joint.hold_n > 0 or joint.kind == "hinge")


def _foot_on(line: tuple[Array, Array], place: Array) -> Array:
    """(3,) the point of a line, by a point of it and its way, nearest to a place."""
    point, way = line
    return np.asarray(point + float((place - point) @ way) * way)


def _on_one_line(one: tuple[Array, Array], other: tuple[Array, Array]) -> bool:
    off = float(np.linalg.norm(other[0] - _foot_on(one, other[0])))
    return off <= ON_AXIS_MM and float(np.linalg.norm(np.cross(one[1], other[1]))) <= SAME_AXIS


def _other(joint: JointEntry, part: str) -> str:
    return joint.b if part == joint.a else joint.a


def _across(axis: Array) -> Array:
    """(2, 3) unit vectors across an axis."""
    return np.linalg.svd(np.asarray(axis, dtype=float)[None])[2][1:]


def _outward(points: Array, middle: Array) -> Array:
    away = points - middle
    return away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-12)


def _evenly(points: Array, axis: Array) -> tuple[Array, Array]:
    """Points (k, 3) and shares (k,) of one that stand for a load spread evenly over the outline of some
    points, seen along an axis: its corners and its middle, a third of each triangle between them."""
    flat = points @ _across(axis).T
    try:
        corners = ConvexHull(flat).vertices  # in turn round the outline
    except (QhullError, ValueError):
        return points, np.full(len(points), 1.0 / len(points))
    round_, after = flat[corners], np.roll(flat[corners], -1, axis=0)
    twice = round_[:, 0] * after[:, 1] - round_[:, 1] * after[:, 0]
    middle = ((round_ + after) * twice[:, None]).sum(axis=0) / (3.0 * twice.sum())
    one, two = round_ - middle, after - middle
    area = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    third = area / (3.0 * area.sum())
    height = points[corners].mean(axis=0) @ axis * axis
    places = np.concatenate([points[corners], [middle @ _across(axis) + height]])
    return places, np.append(third + np.roll(third, 1), third.sum())


def _spread(points: Array, up: Array) -> Array:
    """The outermost of some points of a plane, in eight directions."""
    angles = np.pi / 4 * (np.arange(8) + 0.5)
    reach = points @ _across(up).T @ np.stack([np.cos(angles), np.sin(angles)])
    return points[np.unique(np.argmax(reach.round(6), axis=0))]


def _rows_by(values: IntArray, count: int) -> list[IntArray]:
    """For each value 0..count-1 the positions where it stands."""
    order = np.argsort(values, kind="stable")
    bounds = np.searchsorted(values[order], np.arange(count + 1))
    return [order[bounds[row] : bounds[row + 1]] for row in range(count)]
