"""Building from blocks on a square lattice of cells, with heights in mm and joints counted cell by cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from manifold3d import Manifold as Body

from demo_model import solids
from demo_model.scene import Placed, shift, turn
from demo_model.solids import Bulk, Module
from tests.models.value import Array, Leg, Made, Put, TrueJoint, slide

Cell = tuple[int, int]
#: Heights that differ by less are one height; far above rounding, far below any gap (mm at 1x).
SAME_HEIGHT_MM = 1e-4

#: Parts that are joined are closer than this many clearances; bodies side by side are two apart.
TOUCH_SHARE = 1.6

COLOURS = (
    "#8d9297", "#c9b48a", "#5f6b75", "#ece9df", "#b5472f", "#e8a628", "#3f7a5c", "#4d6fa3",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Shells:
    """Closed bodies, pushed into each other, whose union is a block."""

    body: tuple[Body, ...]  #: roof and walls
    studs: tuple[Body, ...]
    grips: tuple[Body, ...]  #: tubes, pins and ribs under the roof


def shells_of(columns: int, rows: int, height: float, module: Module, *, smooth: bool) -> Shells:
    """As :func:`demo_model.solids.block` builds it; ``height`` is mm at 1x."""
    m, high = module.scaled, height * module.scale
    long, wide, c, w = columns * m.pitch, rows * m.pitch, m.clearance, m.clearance + m.wall
    roof = solids.box([c, c, high - m.roof], [long - c, wide - c, high])
    top = high - m.roof / 2
    walls = [
        solids.box([c, c, 0], [long - c, w, top]),
        solids.box([c, wide - w, 0], [long - c, wide - c, top]),
        solids.box([c, c, 0], [w, wide - c, top]),
        solids.box([long - w, c, 0], [long - c, wide - c, top]),
    ]
    stud = solids.cylinder(m.stud_radius, m.stud_height + m.roof / 2, m)
    places = () if smooth else solids.cell_middles(columns, rows, m)
    studs = [stud.translate([x, y, high - m.roof / 2]) for x, y in places]
    return Shells((roof, *walls), tuple(studs), tuple(solids.grips(columns, rows, high, m)))


@dataclass(frozen=True, eq=False)
class Piece:
    """A solid that fits the lattice. Cells count from its footprint's least corner."""

    solid: Bulk
    columns: int
    rows: int
    height: float  #: without studs, mm at scale
    studs: frozenset[Cell]
    sockets: frozenset[Cell]  #: cells that hold a stud from below
    tops: frozenset[Cell]  #: cells with a flat top, studded or not
    feet: frozenset[Cell]  #: cells that rest on what lies below
    shells: Callable[[], Shells] | None = None  #: what the solid was united from, where that is known


def cells(columns: int, rows: int) -> frozenset[Cell]:
    """All cells of a footprint."""
    return frozenset((i, j) for j in range(rows) for i in range(columns))


class Pieces:
    """Pieces of one module, each made once."""

    def __init__(self, module: Module) -> None:
        self.module = module
        self._known: dict[tuple[object, ...], Piece] = {}

    def block(self, columns: int, rows: int, *, smooth: bool = False) -> Piece:
        """A block; longest side along x by name and mesh, so that equal blocks are one shape."""
        return self._plain(columns, rows, self.module.block, "block", smooth)

    def slab(self, columns: int, rows: int, *, smooth: bool = False) -> Piece:
        return self._plain(columns, rows, self.module.slab, "slab", smooth)

    def of_height(self, columns: int, rows: int, height: float, *, smooth: bool = False) -> Piece:
        """A block of any height, mm at 1x."""
        return self._plain(columns, rows, height, f"block of {height:g}", smooth)

    def _plain(self, columns: int, rows: int, height: float, kind: str, smooth: bool) -> Piece:
        key = (kind, columns, rows, smooth)
        if key not in self._known:
            name = f"{'smooth ' if smooth else ''}{kind} {columns} x {rows}"
            solid = solids.block(columns, rows, self.module, height, smooth=smooth, name=name)
            every = cells(columns, rows)
            studs = frozenset() if smooth else every
            high = height * self.module.scale
            shells = partial(shells_of, columns, rows, height, self.module, smooth=smooth)
            self._known[key] = Piece(solid, columns, rows, high, studs, every, every, every, shells)
        return self._known[key]

    def studded(self, columns: int, rows: int, height: float, studs: Iterable[Cell], name: str) -> Piece:
        """A block with studs in some cells only; ``height`` is mm at 1x."""
        m, high = self.module.scaled, height * self.module.scale
        chosen = frozenset(studs)
        places = [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for i, j in sorted(chosen)]
        body = solids.shell(columns, rows, high, m)
        if places:
            body += solids.studs(places, high, m)
        every = cells(columns, rows)
        solid = solids.to_solid(name, body)
        return Piece(solid, columns, rows, high, chosen, every, every, every)


@dataclass
class Site:
    """Collects placed parts, their joints and the moves that build them, in the order of adding.

    Places are in cells, heights in mm at scale. ``frame`` turns the lattice as a whole.
    """

    name: str
    module: Module
    frame: Array = field(default_factory=lambda: np.eye(4))
    lattice: int = 0
    lattices: int = 0
    bench: str = ""  #: where the next moves go
    solids: dict[str, Bulk] = field(default_factory=dict)
    placed: list[Placed] = field(default_factory=list)
    others: list[TrueJoint] = field(default_factory=list)
    moves: list[Put] = field(default_factory=list)
    shells: dict[str, Callable[[], Shells]] = field(default_factory=dict)
    _tops: dict[tuple[int, int, int, int], tuple[str, bool]] = field(default_factory=dict)
    _feet: dict[tuple[int, int, int, int], tuple[str, bool]] = field(default_factory=dict)

    def on(self, frame: Array) -> Site:
        """A site of the same model on another lattice, placed by ``frame`` (4, 4) in model coordinates."""
        self.lattices += 1
        return replace(self, frame=frame, lattice=self.lattices)

    def add(
        self,
        name: str,
        piece: Piece,
        colour: str,
        column: int,
        row: int,
        z: float,
        *,
        quarters: int = 0,
        legs: Sequence[Leg] | None = (slide(0, 0, -1),),
    ) -> None:
        """Place a piece, its footprint's least corner at (column, row), its underside at ``z``.

        ``quarters`` turns it counter-clockwise about z. It goes in by ``legs`` (in the lattice's frame);
        None: its move is told by the caller.
        """
        pitch = self.module.scaled.pitch
        wide, deep = (piece.columns, piece.rows) if quarters % 2 == 0 else (piece.rows, piece.columns)
        back = ((0, 0), (wide, 0), (wide, deep), (0, deep))[quarters % 4]
        corner = shift((column + back[0]) * pitch, (row + back[1]) * pitch, z)
        foot, top = self._level(z), self._level(z + piece.height)
        for cell in piece.tops:
            x, y = _turned(cell, piece, quarters)
            key = (self.lattice, column + x, row + y, top)
            self._once(self._tops, key, name)
            self._tops[key] = (name, cell in piece.studs)
        for cell in piece.feet:
            x, y = _turned(cell, piece, quarters)
            key = (self.lattice, column + x, row + y, foot)
            self._once(self._feet, key, name)
            self._feet[key] = (name, cell in piece.sockets)
        if piece.shells is not None:
            self.shells[piece.solid.name] = piece.shells
        self.put(name, piece.solid, colour, corner @ turn((0, 0, 1), 90.0 * quarters))
        if legs is not None:
            self.go([name], legs)

    def put(self, name: str, solid: Bulk, colour: str, pose: Array) -> None:
        """Place a solid anywhere; ``pose`` is in the lattice's frame. Joints and move are told apart."""
        self.solids.setdefault(solid.name, solid)
        self.placed.append(Placed(name, solid.name, colour, self.frame @ pose))

    def go(self, moving: Sequence[str], legs: Sequence[Leg], snaps: bool = False) -> None:
        """Tell of a move to the present bench, its legs in the lattice's frame."""
        turned = tuple(leg.turned(self.frame) for leg in legs)
        self.moves.append(Put(tuple(moving), turned, self.bench, snaps))

    def join(
        self, a: str, b: str, kinds: str | Sequence[str], contacts: int | None, free: bool = False
    ) -> None:
        """Tell of a joint that the lattice does not show."""
        names = (kinds,) if isinstance(kinds, str) else tuple(kinds)
        self.others.append(TrueJoint(a, b, names, contacts, free))

    def made(self, family: str = "", **more: object) -> Made:
        """What has been built so far."""
        joints = (*self._lattice_joints(), *self.others)
        touch = TOUCH_SHARE * self.module.scaled.clearance
        told = (self.name, dict(self.solids), tuple(self.placed), joints, tuple(self.moves), family)
        return Made(*told, **{"touch_mm": touch, "shells": dict(self.shells), **more})  # type: ignore[arg-type]

    def _lattice_joints(self) -> list[TrueJoint]:
        studs: Counter[tuple[str, str]] = Counter()
        rests: dict[tuple[str, str], None] = {}
        for key, (below, stud) in self._tops.items():
            if key not in self._feet:
                continue
            above, socket = self._feet[key]
            if stud and not socket:
                raise ValueError(f"{self.name}: a stud of {below} runs into {above}")
            if stud:
                studs[below, above] += 1
            else:
                rests[below, above] = None
        found = [TrueJoint(a, b, ("stud",), count) for (a, b), count in studs.items()]
        found += [TrueJoint(a, b, ("rest",), 0) for a, b in rests if (a, b) not in studs]
        row = {part.name: number for number, part in enumerate(self.placed)}
        return sorted(found, key=lambda joint: (row[joint.a], row[joint.b]))

    def _level(self, z: float) -> int:
        return round(z / self.module.scale / SAME_HEIGHT_MM)

    def _once(self, table: dict[tuple[int, int, int, int], tuple[str, bool]], key: object, name: str) -> None:
        if key in table:
            raise ValueError(f"{self.name}: {name} and {table[key][0]} share a cell")  # type: ignore[index]


def _turned(cell: Cell, piece: Piece, quarters: int) -> Cell:
    i, j = cell
    last_i, last_j = piece.columns - 1, piece.rows - 1
    return ((i, j), (last_j - j, i), (last_i - i, last_j - j), (j, last_i - i))[quarters % 4]
