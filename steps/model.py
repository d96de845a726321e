"""The values that pass from stage to stage. All are frozen; all arrays are copies and read-only.

Units: millimetres at print scale, newtons, grams, radians; z points up. A *pose* is a rigid 4x4
matrix (determinant +1) that takes shape coordinates to model coordinates, scale already applied.

Glossary (DEVELOPERS.md has the whole of it): a *shape* is one distinct mesh, "the same print"; a
*part* is one placed copy of a shape in one colour; a *touch* is one contact that the geometry
shows; a *joint* is all that holds two parts together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from renderer.spatial import hull
from steps.letters import unsteered
from steps.progress import tick, ticking
from steps.remembered import remembered
from steps.wording import Wording

if TYPE_CHECKING:
    from steps.sequence import BuildSequence

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
Mask = NDArray[np.bool_]

TouchKind = Literal["stud", "peg", "ball", "hinge", "rest"]
FeatureKind = Literal["stud", "peg", "hole", "ball", "cup", "hinge pin", "hinge hole"]
Fit = Literal["tight", "press", "slide", "loose", "none"]
Mark = Literal["press", "glue", "free", "rest"]
#: Against a load, with the safety factor: the low end of the band suffices; the high end does not; between.
Sure = Literal["holds", "try", "falls"]
#: Who can press a whole joint home; "none": it would crack first.
ClosesBy = Literal["child", "helper", "adult", "clamp", "none"]
Reader = Literal["child", "helper", "adult"]
Aim = Literal["one-piece", "display", "handled"]
Severity = Literal["error", "warning", "note"]

#: Strongest first: the kind of a joint is the first of these among its touches.
KIND_ORDER: tuple[TouchKind, ...] = ("stud", "peg", "ball", "hinge", "rest")


def frozen_array(values: ArrayLike, shape: tuple[int | None, ...], name: str = "array") -> Array:
    """Copy ``values`` to a read-only float64 array after checking its shape (None: any length)."""
    array = np.array(values, dtype=np.float64)
    if array.ndim != len(shape) or any(
        want is not None and got != want for got, want in zip(array.shape, shape, strict=True)
    ):
        raise ValueError(f"{name}: expected shape {shape}, got {array.shape}")
    array.setflags(write=False)
    return array


def frozen_indices(values: ArrayLike, shape: tuple[int | None, ...], name: str = "indices") -> IntArray:
    """As :func:`frozen_array`, for int64."""
    checked = frozen_array(values, shape, name)
    array = checked.astype(np.int64)
    array.setflags(write=False)
    return array


@dataclass(frozen=True)
class Problem:
    """Something found wrong or worth knowing. ``code`` is stable, kebab-case: 'floating-part'.

    The text says which part, what was measured against what limit, and what to do next.
    """

    code: str
    severity: Severity
    parts: tuple[str, ...]
    text: str
    joints: tuple[str, ...] = ()  #: ids of the joints it is about
    step: int = 0  #: number of the step it is about; 0 where it is about none
    sides: tuple[str, ...] = ()  #: of the model, where the parts come off: "front", "back right", "top"

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", unsteered(self.text))  # names of files and parts stand in it


def outermost(points: Array) -> Array:
    """(k, 3) those of the points that lie on their convex hull, as given; all where there is none."""
    tick()
    round_ = hull(points)
    return points if round_ is None else points[np.sort(round_.vertices)]


def quarter_turn(quarters: int) -> Array:
    """(3, 3) exact: a turn about z by so many quarters, +x towards +y."""
    cosine, sine = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarters % 4]
    return np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1]], dtype=np.float64)


# ---------------------------------------------------------------------------------- read


MendKind = Literal[
    "inside out",
    "corners joined",
    "corners set",
    "empty faces",
    "doubled faces",
    "sides split",
    "faces turned",
    "rims closed",
    "faces within",
    "sheets",
    "specks",
    "shells united",
    "shells crossing",
]


@dataclass(frozen=True, eq=False)
class Unsure:
    """A place of a mended shape where the file does not say what is there: ``face`` closed by a guess,
    ``apart`` solids that do not touch, ``lost`` faces that enclose nothing."""

    what: Literal["face", "apart", "lost"]
    point: Array  #: (3,) shape coordinates, mm
    normal: Array  #: (3,) unit, out of the material where that is known, else zero
    span_mm: float  #: greatest extent of the place

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen_array(self.point, (3,), "point"))
        object.__setattr__(self, "normal", frozen_array(self.normal, (3,), "normal"))


@dataclass(frozen=True, eq=False)
class Mending:
    """What was wrong with a mesh as read and was put right, by kind and number; what that leaves unsure."""

    found: Mapping[MendKind, int] = field(default_factory=dict)
    reach_mm: float = 0.0  #: corners up to so far apart were made one; how far they were off by chance
    unsure: tuple[Unsure, ...] = ()
    raw: Array | None = None  #: (m, 3, 3) corners of the faces as read, shape coordinates, mm; None as read
    lids: Array = field(default_factory=lambda: np.zeros((0, 3, 3)))  #: (k, 3, 3) faces that closed openings

    def __post_init__(self) -> None:
        object.__setattr__(self, "lids", frozen_array(self.lids, (None, 3, 3), "lids"))
        if self.raw is not None:
            object.__setattr__(self, "raw", frozen_array(self.raw, (None, 3, 3), "raw"))

    def moved(self, by: Array) -> Mending:
        """The same of a mesh that was moved by (3,) mm."""
        unsure = tuple(replace(place, point=place.point + by) for place in self.unsure)
        raw = None if self.raw is None else self.raw + by
        return replace(self, unsure=unsure, raw=raw, lids=self.lids + by)

    def turned(self, turn: Array) -> Mending:
        """The same of a mesh that was turned by (3, 3)."""
        unsure = tuple(
            replace(place, point=turn @ place.point, normal=turn @ place.normal) for place in self.unsure
        )
        raw = None if self.raw is None else self.raw @ turn.T
        return replace(self, unsure=unsure, raw=raw, lids=self.lids @ turn.T)

    @property
    def mended(self) -> bool:
        return bool(self.found or self.unsure)


@dataclass(frozen=True, eq=False)
class Change:
    """Features of one kind on one shape, moved outwards by ``delta_mm`` a side (negative: inwards)."""

    shape: str
    name: Wording | str
    kind: FeatureKind
    features: tuple[Feature, ...]  #: as they were before
    delta_mm: float
    gap_before_mm: tuple[float, float]  #: least and greatest of its joints
    gap_after_mm: tuple[float, float]

    @property
    def count(self) -> int:
        return len(self.features)

    def __str__(self) -> str:
        low, high = (round(gap, 2) + 0.0 for gap in self.gap_after_mm)
        return (
            f"{self.shape} {self.name}: {self.count} {self.kind}{'s' if self.count > 1 else ''} moved by "
            f"{self.delta_mm:+.2f} mm a side; gaps now {low:.2f} to {high:.2f} mm"
        )


@dataclass(frozen=True, eq=False)
class Shape:
    """One distinct mesh, in its own coordinates, at print scale."""

    id: str  #: "S1", "S2", ... in order of first appearance
    vertices: Array  #: (n, 3) mm
    faces: IntArray  #: (m, 3) indices into vertices, counter-clockwise seen from outside
    watertight: bool
    source: str = ""  #: name of the mesh in the file, as a hint for a person
    mending: Mending = Mending()  #: what its mesh was before
    changes: tuple[Change, ...] = ()  #: what a refit moved on it since

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", frozen_array(self.vertices, (None, 3), "vertices"))
        object.__setattr__(self, "faces", frozen_indices(self.faces, (None, 3), "faces"))

    @cached_property
    def bounds(self) -> Array:
        """(2, 3) least and greatest corner, mm."""
        return frozen_array([self.vertices.min(axis=0), self.vertices.max(axis=0)], (2, 3))

    @cached_property
    def outermost(self) -> Array:
        """(k, 3) the vertices on the convex hull: enough for boxes and reach in any direction."""
        own = remembered("outermost", self.vertices, lambda: outermost(self.vertices))
        return frozen_array(own, (None, 3))

    @property
    def size_mm(self) -> Array:
        """(3,) extents along the shape's own axes, mm."""
        return self.bounds[1] - self.bounds[0]


@dataclass(frozen=True, eq=False)
class Part:
    """One placed copy of a shape in one colour."""

    id: str  #: "P1", "P2", ... in file order
    source: str  #: its name in the model file, made unique with #2, #3
    shape: str  #: id of its shape
    colour: str  #: "#rrggbb"
    colour_name: Wording | str  #: plain words, one name per distinct colour
    pose: Array  #: (4, 4)
    called: str = ""  #: the maker's own name for the print, of loose parts

    def __post_init__(self) -> None:
        object.__setattr__(self, "pose", frozen_array(self.pose, (4, 4), "pose"))


@dataclass(frozen=True)
class Listed:
    """One print of a folder of loose parts as it was understood, and what said so."""

    file: str  #: relative to the folder
    name: str  #: the maker's own
    count: int
    colour: str  #: "#rrggbb"
    colour_word: str  #: as written, else empty
    count_by: str  #: "parts.csv", "file name", "part name", "file", or empty: nothing says it
    colour_by: str
    questions: tuple[str, ...] = ()  #: what may have been meant and was not taken


@dataclass(frozen=True, eq=False)
class Model:
    """What the file says, and no more: shapes, placed parts, and what was odd about the file."""

    name: str  #: title for people, from the file's metadata or its stem
    file: str  #: file name without folders
    sha256: str
    scale: float  #: the factor applied on reading
    shapes: tuple[Shape, ...]
    parts: tuple[Part, ...]
    placed: bool = True  #: False for a folder of loose parts without placements
    problems: tuple[Problem, ...] = ()
    listed: tuple[Listed, ...] = ()  #: of loose parts: what was taken from where
    quarters: int = 0  #: quarter turns about z, +x towards +y, from the file's axes to these

    def from_file(self, way: Array) -> Array:
        """(3,) a direction in the file as it is along the model's axes here."""
        return quarter_turn(self.quarters) @ way

    def to_file(self, way: Array) -> Array:
        """(3,) a direction along the model's axes here as it is in the file."""
        return quarter_turn(-self.quarters) @ way

    @cached_property
    def shape_by_id(self) -> Mapping[str, Shape]:
        return {shape.id: shape for shape in self.shapes}

    @cached_property
    def part_by_id(self) -> Mapping[str, Part]:
        return {part.id: part for part in self.parts}

    @cached_property
    def index_of(self) -> Mapping[str, int]:
        """Row of each part id in :attr:`poses` and :attr:`shape_index`."""
        return {part.id: row for row, part in enumerate(self.parts)}

    @cached_property
    def poses(self) -> Array:
        """(parts, 4, 4)."""
        return frozen_array(np.array([part.pose for part in self.parts]).reshape(-1, 4, 4), (None, 4, 4))

    @cached_property
    def shape_index(self) -> IntArray:
        """(parts,) row of each part's shape in :attr:`shapes`."""
        rows = {shape.id: row for row, shape in enumerate(self.shapes)}
        return frozen_indices([rows[part.shape] for part in self.parts], (None,))

    @cached_property
    def part_bounds(self) -> Array:
        """(parts, 2, 3) axis-aligned box of each placed part, mm."""
        boxes = np.empty((len(self.parts), 2, 3))
        for row, shape in enumerate(ticking(self.shapes)):
            of_shape = np.flatnonzero(self.shape_index == row)
            if not len(of_shape):
                continue
            corners = shape.outermost
            for chunk in np.array_split(of_shape, max(1, len(of_shape) * len(corners) // 2_000_000)):
                reach = self.poses[chunk, :3, :3] @ corners.T  # (parts, 3, corners)
                boxes[chunk, 0] = reach.min(axis=2) + self.poses[chunk, :3, 3]
                boxes[chunk, 1] = reach.max(axis=2) + self.poses[chunk, :3, 3]
        return frozen_array(boxes, (None, 2, 3))

    @cached_property
    def bounds(self) -> Array:
        """(2, 3) box of the whole model, mm."""
        return frozen_array([self.part_bounds[:, 0].min(axis=0), self.part_bounds[:, 1].max(axis=0)], (2, 3))


# ------------------------------------------------------------------------------- measure


@dataclass(frozen=True, eq=False)
class Feature:
    """A stud, peg, hole, ball or cup of one shape, in the shape's own coordinates.

    The radius is that of the circle (sphere) through the vertices; ``sag_mm`` is how far the flat
    facets fall short of it, r (1 - cos(pi / n)).
    """

    kind: FeatureKind
    point: Array  #: (3,) foot of a stud or peg on its axis; mouth of a hole; centre of a ball or cup
    axis: Array  #: (3,) unit, out of the material for studs and pegs, out of the mouth for holes
    radius_mm: float
    height_mm: float  #: stud or peg height, hole depth; 0 for balls
    facets: int
    sag_mm: float
    roundness_mm: float  #: largest distance of a vertex from the fitted circle
    bore_mm: float = 0.0  #: radius of the bore of a hollow stud, 0 when solid
    through: bool = False  #: holes only

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen_array(self.point, (3,), "point"))
        object.__setattr__(self, "axis", frozen_array(self.axis, (3,), "axis"))


@dataclass(frozen=True, eq=False)
class Measure:
    """What one shape's mesh alone tells."""

    shape: str
    name: Wording | str  #: "block 2 x 4", "slab 1 x 6", else by size: "part 120 x 40 x 38 mm"
    up: Array  #: (3,) the way its studs point, else the shape's own z
    size_mm: Array  #: (3,) long, wide, high: along the shape's natural axes (high along ``up``)
    volume_mm3: float
    area_mm2: float
    centroid: Array  #: (3,) of the volume, shape coordinates
    printed_g: float  #: shells and infill, by the settings' material
    features: tuple[Feature, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "up", frozen_array(self.up, (3,), "up"))
        object.__setattr__(self, "size_mm", frozen_array(self.size_mm, (3,), "size_mm"))
        object.__setattr__(self, "centroid", frozen_array(self.centroid, (3,), "centroid"))

    @cached_property
    def studs(self) -> tuple[Feature, ...]:
        return tuple(feature for feature in self.features if feature.kind == "stud")


@dataclass(frozen=True, eq=False)
class Measures:
    """One :class:`Measure` per shape, in the model's shape order, and what repeats over them."""

    by_shape: Mapping[str, Measure]
    pitch_mm: float | None  #: measured stud spacing; None when no shape has two studs near each other
    problems: tuple[Problem, ...] = ()
    up: Array = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))  #: (3,) way up, said or found

    def __post_init__(self) -> None:
        object.__setattr__(self, "up", frozen_array(self.up, (3,), "up"))


# ---------------------------------------------------------------------------------- join


@dataclass(frozen=True)
class Backing:
    """What stands behind one contact line and gives way under it, measured on the mesh; lengths in mm.

    A wall is seen from the stud, along it from left to right: ``ends`` (n + 1) from the line, rising, and the
    thickness of each of the n stretches between them, ribs and all; ``clamped`` says which end is a corner or
    a cross wall. A tube or pin hangs from the roof, ``thickness_mm`` its wall (its radius when solid). Round
    a hole ``thickness_mm`` is its thinnest wall. A cup's mouth is a whole lip, or petals where it is slotted:
    those are ``far_mm`` wide together and ``height_mm`` long.
    """

    kind: Literal["wall", "tube", "pin", "hole", "lip", "petals"]
    thickness_mm: float
    height_mm: float  #: from the roof to the free edge at the mouth
    far_mm: float  #: below the roof, where the line ends towards the mouth
    near_mm: float  #: below the roof, where it ends towards the roof: the stud's tip
    roof: bool = True  #: False: open above too
    radius_mm: float = 0.0  #: outside of a tube or pin, inside of a hole or lip
    ends: tuple[float, ...] = ()
    stretches: tuple[float, ...] = ()
    clamped: tuple[bool, bool] = (True, True)

    def scaled(self, by: float) -> Backing:
        """The same at another scale."""
        lengths = ("thickness_mm", "height_mm", "far_mm", "near_mm", "radius_mm")
        return replace(
            self,
            **{name: by * getattr(self, name) for name in lengths},
            ends=tuple(by * end for end in self.ends),
            stretches=tuple(by * thickness for thickness in self.stretches),
        )


@dataclass(frozen=True, eq=False)
class Touch:
    """One contact between two parts, in model coordinates.

    ``points`` and ``normals`` say where the parts press on each other and which way the carrier
    pushes the other part: mid-points of the contact lines round a stud, peg or ball; corners of the
    shared area for a rest.
    """

    kind: TouchKind
    carrier: str  #: id of the part that has the stud, peg or ball ("from" in the plan file)
    point: Array  #: (3,) middle of the engaged length on the axis; centre of a ball; middle of a rest area
    axis: Array  #: (3,) unit, out of the stud; for a rest the normal out of the carrier
    gap_mm: float  #: smallest radial gap per side, negative for interference; 0 for rest
    mean_gap_mm: float
    depth_mm: float  #: engaged length along the axis
    area_mm2: float  #: surface an adhesive could bond
    points: Array  #: (k, 3)
    normals: Array  #: (k, 3) unit
    radius_mm: float = 0.0
    snap_mm: float = 0.0  #: how far a lip must give to let a ball or collar by
    grips: bool = True  #: False where the contact lines do not hold from every side
    bond_gap_mm: float = 0.0  #: gap of the faces an adhesive would bond, per side
    height_mm: float = 0.0  #: full height of the stud or peg, to tell a half-seated part
    fit: Fit = "none"  #: what fingers feel at this one contact, by its whole profile
    gaps_mm: Array = field(default_factory=lambda: np.zeros(0))  #: (k,) of each contact line
    lengths_mm: Array = field(default_factory=lambda: np.zeros(0))  #: (k,) engaged length of each line
    widths_mm: Array = field(default_factory=lambda: np.zeros(0))  #: (k,) of the flat it is on; 0 on a round
    faces: tuple[str, ...] = ()  #: of each line, what it meets: "boss", "hole" or "flat"
    backings: tuple[Backing, ...] = ()  #: of each line; of a ball the one of its cup's lip
    bore_mm: float = 0.0  #: radius of the bore of a hollow stud or peg
    slides: bool = False  #: a prism that nothing stops either way along its axis
    slope: float = 0.0  #: of the chamfer that leads it in, radians from its axis; 0 for a square edge

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen_array(self.point, (3,), "point"))
        object.__setattr__(self, "axis", frozen_array(self.axis, (3,), "axis"))
        object.__setattr__(self, "points", frozen_array(self.points, (None, 3), "points"))
        object.__setattr__(self, "normals", frozen_array(self.normals, (None, 3), "normals"))
        object.__setattr__(self, "gaps_mm", frozen_array(self.gaps_mm, (None,), "gaps"))
        object.__setattr__(self, "lengths_mm", frozen_array(self.lengths_mm, (None,), "lengths"))
        object.__setattr__(self, "widths_mm", frozen_array(self.widths_mm, (None,), "widths"))

    def scaled(self, by: float) -> Touch:
        """The same at another scale."""
        lengths = (
            "gap_mm",
            "mean_gap_mm",
            "depth_mm",
            "radius_mm",
            "snap_mm",
            "bond_gap_mm",
            "height_mm",
            "bore_mm",
        )
        return replace(
            self,
            **{
                name: by * getattr(self, name)
                for name in (*lengths, "point", "points", "gaps_mm", "lengths_mm", "widths_mm")
            },
            area_mm2=by**2 * self.area_mm2,
            backings=tuple(backing.scaled(by) for backing in self.backings),
        )


@dataclass(frozen=True, eq=False)
class Joint:
    """All contacts between two parts, resolved. ``a`` carries the stud, peg or ball."""

    id: str  #: "J1", ... sorted by the rows of the two parts
    kind: TouchKind
    a: str
    b: str
    axis: Array  #: (3,) of the strongest contact, out of the stud, model coordinates
    contacts: int  #: engaged studs, pegs or balls; 0 for a rest
    gap_mm: float
    depth_mm: float
    snap_mm: float
    fit: Fit
    moves: bool  #: balls, hinges and turning pegs: must stay free, never glued
    hold_n: float  #: likely, pulled apart along the axis, aged: what a month leaves of the grip
    hold_range_n: tuple[float, float]  #: (hold_low_n, hold_high_n)
    push_n: float  #: likely, to press home, fresh
    glue_area_mm2: float
    why: str  #: one sentence a person understands, with the numbers
    touches: tuple[Touch, ...]
    hold_low_n: float = 0.0  #: 10th percentile of the aged hold: what may be relied on
    hold_high_n: float = 0.0  #: 90th percentile
    push_low_n: float = 0.0
    push_high_n: float = 0.0
    sure: Sure = "try"  #: against the weight of the lighter part; loads are known only once glue is chosen
    closes_by: ClosesBy = "adult"  #: who can close the whole joint
    estimated: bool = False  #: hold and push are reckoned from the geometry, not measured
    share_n: float = 0.0  #: what each contact has to hold: the weight of the lighter part over the contacts

    def __post_init__(self) -> None:
        object.__setattr__(self, "axis", frozen_array(self.axis, (3,), "axis"))

    def other(self, part: str) -> str:
        """The id of the part across the joint from ``part``."""
        return self.b if part == self.a else self.a


@dataclass(frozen=True, eq=False)
class Joints:
    """Every joint of the model, and what is wrong with how it hangs together."""

    joints: tuple[Joint, ...]
    problems: tuple[Problem, ...] = ()

    @cached_property
    def by_id(self) -> Mapping[str, Joint]:
        return {joint.id: joint for joint in self.joints}

    @cached_property
    def row_of(self) -> Mapping[str, int]:
        return {joint.id: row for row, joint in enumerate(self.joints)}

    @cached_property
    def of_part(self) -> Mapping[str, tuple[Joint, ...]]:
        """Joints of each part that has any."""
        found: dict[str, list[Joint]] = {}
        for joint in self.joints:
            found.setdefault(joint.a, []).append(joint)
            found.setdefault(joint.b, []).append(joint)
        return {part: tuple(joints) for part, joints in found.items()}


# --------------------------------------------------------------------------------- order


@dataclass(frozen=True, eq=False)
class Rotation:
    """A turn about a line, right-handed: what brings a part home after the legs of its move."""

    axis: Array  #: (3,) unit, model coordinates
    point: Array  #: (3,) on the line, mm
    degrees: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "axis", frozen_array(self.axis, (3,), "axis"))
        object.__setattr__(self, "point", frozen_array(self.point, (3,), "point"))

    def pose(self, degrees: float | None = None) -> Array:
        """(4, 4) the turn, or another one by ``degrees`` about the same line."""
        angle = np.radians(self.degrees if degrees is None else degrees)
        cross = np.cross(np.eye(3), self.axis)
        turn = np.eye(4)
        turn[:3, :3] += np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
        turn[:3, 3] = self.point - turn[:3, :3] @ self.point
        return turn

    @property
    def begin(self) -> Array:
        """(4, 4) from where it is home to where it stands before it is turned."""
        return self.pose(-self.degrees)


@dataclass(frozen=True, eq=False)
class Move:
    """How a part or sub-assembly goes in, model coordinates.

    One leg of length 1 is a straight move from far away. Several legs are vectors in mm travelled
    in turn, the last ending in place, the first preceded by a straight approach along it. With a ``turn``
    the legs end where :attr:`Rotation.begin` says, and the turn brings it home.
    """

    legs: Array  #: (k, 3)
    turn: Rotation | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "legs", frozen_array(self.legs, (None, 3), "legs"))

    @property
    def straight(self) -> bool:
        return len(self.legs) == 1


@dataclass(frozen=True)
class Assembly:
    """Parts built apart and then attached as one; the last to be finished is the whole model.

    Every copy lists all its parts, nested ones included; the k-th part of each copy is alike.
    """

    id: str  #: "A1", ...
    name: Wording | str  #: what it is, and of what: "tower, amber, 12 parts"; a str is the user's own
    copies: tuple[tuple[str, ...], ...]
    short_name: Wording | str = ""  #: the name without its number of parts


@dataclass(frozen=True, eq=False)
class Attach:
    """A finished sub-assembly joined to the build as one."""

    assembly: str
    copy: int
    move: Move


@dataclass(frozen=True, eq=False)
class Step:
    """What is added between two pictures."""

    number: int  #: 1, 2, ... through the whole booklet
    assembly: str
    adds: tuple[str, ...]  #: part ids (of the first copy), in the order they go in
    moves: Mapping[str, Move]
    attaches: tuple[Attach, ...]
    closes: tuple[str, ...]  #: joint ids that this step first closes
    up: Array  #: (3,) the model direction that points up on the table
    doubtful: tuple[Wording, ...] = ()  #: why the step is doubtful (only with --anyway)
    note: str = ""  #: the user's note
    needs_push_n: float = 0.0  #: greatest force to press home in this step
    dry: tuple[str, ...] = ()  #: joints closed without glue, which a later step opens again and glues
    reopens: tuple[int, ...] = ()  #: numbers of the steps whose things it takes off again and puts back

    def __post_init__(self) -> None:
        object.__setattr__(self, "up", frozen_array(self.up, (3,), "up"))


@dataclass(frozen=True, eq=False)
class Order:
    """Sub-assemblies in the order they are begun, and every step."""

    assemblies: tuple[Assembly, ...]
    steps: tuple[Step, ...]
    problems: tuple[Problem, ...] = ()
    facts: Mapping[str, float] = field(default_factory=dict)  #: figures for people and benchmarks
    up: Array = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))  #: (3,) what points up when finished

    def __post_init__(self) -> None:
        object.__setattr__(self, "up", frozen_array(self.up, (3,), "up"))

    @cached_property
    def assembly_by_id(self) -> Mapping[str, Assembly]:
        return {assembly.id: assembly for assembly in self.assemblies}


# ---------------------------------------------------------------------------------- glue


@dataclass(frozen=True)
class Adhesive:
    """The chosen family and how much of it; family 'none' when nothing is glued."""

    family: str = "none"
    volume_ml: float = 0.0
    open_min: float = 0.0
    fixture_min: float = 0.0
    cure_min: float = 0.0
    reasons: tuple[str, ...] = ()
    drop_ml: float = 0.0  #: of its usual nozzle


@dataclass(frozen=True, eq=False)
class GlueFace:
    """A face of a joint that is glued. ``outline`` (k, 3) are corners round it in model coordinates: of a
    flat face its convex outline, of a stud or peg a ring amid its engaged length."""

    kind: TouchKind
    carrier: str  #: id of the part whose face it is
    area_mm2: float
    gap_mm: float  #: what the glue must bridge, per side
    outline: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen_array(self.outline, (None, 3), "outline"))


@dataclass(frozen=True)
class Tried:
    """A load case as the plan was tried in it: the parts ``held`` (ids), in how many ``ways`` (directions,
    parts that are pulled at), in how many of them it ``fails`` whatever is glued, and in how many that could
    not be told. Of the worst failure: how many ``times`` what holds is asked of it, None where no strength
    would do, and the ``joint`` that gives way first, "" where none does; ``at_least`` so many times where it
    was not worked out of all of them."""

    kind: str
    step: int  #: number of the step before which it is turned; 0 for the finished model
    held: tuple[str, ...]
    ways: int
    fails: int = 0
    unknown: int = 0
    times: float | None = None
    joint: str = ""
    at_least: bool = False
    thing: str = ""  #: the sub-assembly (id) that is turned into its place


@dataclass(frozen=True, eq=False)
class Gluing:
    """The mark of every joint and the adhesive."""

    marks: Mapping[str, Mark]  #: joint id -> mark
    whys: Mapping[str, str]  #: joint id -> why it is glued (or why not), where there is more to say
    loads_n: Mapping[str, float]  #: joint id -> greatest load over the load cases
    adhesive: Adhesive
    problems: tuple[Problem, ...] = ()
    cases: Mapping[str, str] = field(
        default_factory=dict
    )  #: glued joint -> kind of the case that loads it most
    loads_by_kind: Mapping[str, Mapping[str, float]] = field(
        default_factory=dict
    )  #: kind of load case -> joint id -> greatest load, N
    lumps: int = 1  #: pieces that the finished model is, what moves or comes off counted apart
    drops: Mapping[str, int] = field(default_factory=dict)  #: glued joint -> drops of the adhesive
    faces: Mapping[str, tuple[GlueFace, ...]] = field(default_factory=dict)  #: glued joint -> its glued faces
    early_n: Mapping[str, float] = field(
        default_factory=dict
    )  #: glued joint -> what it bears until it has its full strength, once it holds by itself, N
    facts: Mapping[str, float] = field(default_factory=dict)
    instead: Mapping[str, str] = field(
        default_factory=dict
    )  #: glued joint -> the next best one, which would tie in its place
    tried: tuple[Tried, ...] = ()  #: every load case; none where it is not glued as they ask
    #: the turns, each by the step before which, and the sub-assembly ("" what is built), that are borne as
    #: soon as the glue holds by itself
    turns_early: frozenset[tuple[int, str]] = frozenset()

    @property
    def glued(self) -> frozenset[str]:
        """Ids of the glued joints."""
        return frozenset(joint for joint, mark in self.marks.items() if mark == "glue")


# -------------------------------------------------------------------------------- settle


@dataclass(frozen=True)
class StepWork:
    """What one step asks of hands and clock once the glue is chosen, by step number."""

    number: int
    glues: tuple[str, ...] = ()
    sitting: int | None = None
    needs_cured: tuple[str, ...] = ()
    by: Reader = "child"
    people: int = 1
    wait_min: float = 0.0
    hold: tuple[str, ...] = ()  #: parts a hand must hold
    lags_min: tuple[float, ...] = ()  #: of each of ``needs_cured``: how long after it was glued
    #: of each thing that is glued in, by its first part: what has to be printed again where that went wrong
    #: and the glue is hard; nothing where hard glue comes off
    again: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Work:
    """Every step's work, and what is too hard for hands."""

    steps: tuple[StepWork, ...]
    problems: tuple[Problem, ...] = ()
    facts: Mapping[str, float] = field(default_factory=dict)
    lift_min: float = 0.0  #: from the last glue until the model may be lifted and shown

    @cached_property
    def step_by_number(self) -> Mapping[int, StepWork]:
        return {step.number: step for step in self.steps}


# ---------------------------------------------------------------------------------- draw


@dataclass(frozen=True)
class View:
    """A parallel view: azimuth from +x towards +y and elevation above the table, radians."""

    azimuth: float
    elevation: float


@dataclass(frozen=True)
class Closer:
    """A closer look at one thing of a step, by whatever view shows best where it goes."""

    parts: tuple[str, ...]  #: of the thing
    view: View
    away: tuple[str, ...]  #: parts in place that are left out, since they stand before it
    sites: float  #: share of where it goes that shows
    seen: float = 1.0  #: of the thing itself


@dataclass(frozen=True)
class Sight:
    """How one step is looked at, and how much of each new part is seen (share 0 to 1).

    What goes in as one is named by its first part.
    """

    number: int
    view: View
    seen: Mapping[str, float]
    lift: float = 1.0  #: how far things are lifted, in usual clear gaps
    sites: Mapping[str, float] = field(default_factory=dict)  #: of each lifted thing, of where it goes
    lifts: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)  #: of each thing, mm
    closer: tuple[Closer, ...] = ()


# ---------------------------------------------------------------------------------- plan


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything but pixels and pages."""

    model: Model
    measures: Measures
    joints: Joints
    order: Order
    gluing: Gluing
    work: Work
    sights: tuple[Sight, ...] = ()

    @property
    def sequence(self) -> BuildSequence:
        """The build told step by step."""
        from steps.sequence import BuildSequence

        return BuildSequence.of(self.model, self.order)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Problems of all stages, in stage order."""
        found: list[Problem] = []
        for stage in (self.model, self.measures, self.joints, self.order, self.gluing, self.work):
            found.extend(stage.problems)
        return tuple(found)
