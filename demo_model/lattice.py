"""Building on a square lattice: cells for places, slabs for heights, joints counted cell by cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_model import solids
from demo_model.scene import DemoModel, Group, KnownJoint, Placed, shift, turn
from demo_model.solids import Module, Solid

Cell = tuple[int, int]


@dataclass(frozen=True, eq=False)
class Piece:
    """A solid that fits the lattice: its footprint in cells, height in slabs, and which cells engage."""

    key: str
    solid: Solid
    columns: int
    rows: int
    slabs: int
    studs: tuple[Cell, ...]  #: cells with a stud on top
    sockets: tuple[Cell, ...]  #: cells that hold a stud from below


def cells(columns: int, rows: int) -> tuple[Cell, ...]:
    """All cells of a footprint."""
    return tuple((i, j) for j in range(rows) for i in range(columns))


def block_piece(columns: int, rows: int, module: Module, slabs: int = 2, *, smooth: bool = False) -> Piece:
    """A plain block (two slabs high unless told otherwise), slab, or smooth slab."""
    if slabs == 1:
        solid = solids.slab(columns, rows, module, smooth=smooth)
    else:
        solid = solids.block(columns, rows, module, slabs * module.slab, smooth=smooth)
    every = cells(columns, rows)
    return Piece(solid.name, solid, columns, rows, slabs, () if smooth else every, every)


@dataclass
class Builder:
    """Collects placed parts. Places are in cells and slabs; ``frame`` turns the lattice as a whole."""

    name: str
    module: Module
    frame: NDArray[np.float64] = field(default_factory=lambda: np.eye(4))
    solids: dict[str, Solid] = field(default_factory=dict)
    placed: list[Placed] = field(default_factory=list)
    joints: list[KnownJoint] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    _studs: dict[tuple[int, int, int], str] = field(default_factory=dict)
    _sockets: dict[tuple[int, int, int], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.module.block != 2 * self.module.slab:
            raise ValueError("the lattice counts in slabs: a block must be two slabs high")

    def add(
        self, name: str, piece: Piece, colour: str, column: int, row: int, level: int, quarters: int = 0
    ) -> str:
        """Place a piece with its footprint's least corner at (column, row), its underside at ``level``.

        ``quarters`` turns it counter-clockwise by quarter turns about z. Returns the name.
        """
        m = self.module.scaled
        wide, deep = (piece.columns, piece.rows) if quarters % 2 == 0 else (piece.rows, piece.columns)
        back = ((0, 0), (wide, 0), (wide, deep), (0, deep))[quarters % 4]
        corner = shift((column + back[0]) * m.pitch, (row + back[1]) * m.pitch, level * m.slab)
        self.put(name, piece.solid, piece.key, colour, corner @ turn((0, 0, 1), 90.0 * quarters))
        for cell in piece.studs:
            x, y = _turned(cell, piece, quarters)
            self._studs[column + x, row + y, level + piece.slabs] = name
        for cell in piece.sockets:
            x, y = _turned(cell, piece, quarters)
            self._sockets[column + x, row + y, level] = name
        return name

    def put(self, name: str, solid: Solid, key: str, colour: str, pose: NDArray[np.float64]) -> str:
        """Place a solid anywhere; ``pose`` is in the lattice's frame. Its joints are told by ``join``."""
        self.solids.setdefault(key, solid)
        self.placed.append(Placed(name, key, colour, self.frame @ pose))
        return name

    def join(self, carrier: str, holder: str, kind: str, contacts: int) -> None:
        """Tell of a joint that the lattice does not show."""
        self.joints.append((carrier, holder, kind, contacts))  # type: ignore[arg-type]

    def lattice_joints(self) -> list[KnownJoint]:
        """Joints of studs and sockets that meet in a cell, in order of placing."""
        met = self._studs.keys() & self._sockets.keys()
        counts = Counter((self._studs[at], self._sockets[at]) for at in met)
        row = {part.name: index for index, part in enumerate(self.placed)}
        pairs = sorted(counts, key=lambda pair: (row[pair[0]], row[pair[1]]))
        return [(stud, socket, "stud", counts[stud, socket]) for stud, socket in pairs]

    def model(self) -> DemoModel:
        """What has been built so far."""
        joints = tuple(self.lattice_joints()) + tuple(self.joints)
        return DemoModel(self.name, dict(self.solids), tuple(self.placed), joints, tuple(self.groups))


def _turned(cell: Cell, piece: Piece, quarters: int) -> Cell:
    i, j = cell
    last_i, last_j = piece.columns - 1, piece.rows - 1
    return ((i, j), (last_j - j, i), (last_i - i, last_j - j), (j, last_i - i))[quarters % 4]


def pieces(sizes: Iterable[tuple[int, int]], module: Module, slabs: int = 2) -> dict[tuple[int, int], Piece]:
    """Plain pieces of one height by (columns, rows)."""
    return {size: block_piece(*size, module, slabs) for size in sizes}
