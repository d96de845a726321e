"""Building on a square lattice: cells for places, slabs for heights, joints counted cell by cell."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from demo_model import solids
from demo_model.scene import Cluster, DemoModel, KnownJoint, KnownKind, Placed, shift, turn
from demo_model.solids import Bulk, Module

Cell = tuple[int, int]


@dataclass(frozen=True, eq=False)
class Piece:
    """A solid that fits the lattice: its footprint in cells, height in slabs, and which cells engage."""

    solid: Bulk
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
    return Piece(solid, columns, rows, slabs, () if smooth else every, every)


Socket = tuple[int, int, int, int]  # lattice number, column, row, level


@dataclass
class Builder:
    """Collects placed parts. Places are in cells and slabs; ``frame`` turns the lattice as a whole."""

    name: str
    module: Module
    frame: NDArray[np.float64] = field(default_factory=lambda: np.eye(4))
    lattice: int = 0
    solids: dict[str, Bulk] = field(default_factory=dict)
    placed: list[Placed] = field(default_factory=list)
    joints: list[KnownJoint] = field(default_factory=list)
    groups: list[Cluster] = field(default_factory=list)
    poses: dict[str, NDArray[np.float64]] = field(default_factory=dict)  #: by name, in the part's own lattice
    _studs: dict[Socket, str] = field(default_factory=dict)
    _sockets: dict[Socket, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.module.block != 2 * self.module.slab:
            raise ValueError("the lattice counts in slabs: a block must be two slabs high")

    def on(self, frame: NDArray[np.float64]) -> Builder:
        """A builder of the same model on another lattice, placed by ``frame`` (4, 4) in model coordinates."""
        return replace(self, frame=frame, lattice=self.lattice + 1)

    def add(
        self, name: str, piece: Piece, colour: str, column: int, row: int, level: int, quarters: int = 0
    ) -> NDArray[np.float64]:
        """Place a piece with its footprint's least corner at (column, row), its underside at ``level``.

        ``quarters`` turns it counter-clockwise by quarter turns about z. Returns the pose in the
        lattice's frame.
        """
        m = self.module.scaled
        wide, deep = (piece.columns, piece.rows) if quarters % 2 == 0 else (piece.rows, piece.columns)
        back = ((0, 0), (wide, 0), (wide, deep), (0, deep))[quarters % 4]
        corner = shift((column + back[0]) * m.pitch, (row + back[1]) * m.pitch, level * m.slab)
        for cell in piece.studs:
            x, y = _turned(cell, piece, quarters)
            self._studs[self.lattice, column + x, row + y, level + piece.slabs] = name
        for cell in piece.sockets:
            x, y = _turned(cell, piece, quarters)
            self._sockets[self.lattice, column + x, row + y, level] = name
        return self.put(name, piece.solid, colour, corner @ turn((0, 0, 1), 90.0 * quarters))

    def put(self, name: str, solid: Bulk, colour: str, pose: NDArray[np.float64]) -> NDArray[np.float64]:
        """Place a solid anywhere; ``pose`` is in the lattice's frame. Its joints are told by ``join``."""
        self.solids.setdefault(solid.name, solid)
        self.poses[name] = pose
        self.placed.append(Placed(name, solid.name, colour, self.frame @ pose))
        return pose

    def pose_of(self, name: str) -> NDArray[np.float64]:
        """Pose of a placed part in the frame of the lattice it was placed on."""
        return self.poses[name]

    def join(self, carrier: str, holder: str, kind: KnownKind, contacts: int) -> None:
        """Tell of a joint that the lattice does not show."""
        self.joints.append((carrier, holder, kind, contacts))

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
