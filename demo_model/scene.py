"""A placed model: distinct solids, and where each copy of them stands in which colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_model.solids import Bulk

KnownKind = Literal["stud", "peg", "ball"]
#: (name of the part with the stud, peg or ball; name of the part that holds it; kind; how many engage)
KnownJoint = tuple[str, str, KnownKind, int]


@dataclass(frozen=True, eq=False)
class Placed:
    """One copy of a solid. ``pose`` (4, 4) takes solid coordinates to model coordinates, mm."""

    name: str
    solid_key: str
    colour: str  #: "#rrggbb"
    pose: NDArray[np.float64]

    def __post_init__(self) -> None:
        pose = np.array(self.pose, dtype=np.float64)
        if pose.shape != (4, 4):
            raise ValueError(f"{self.name}: pose has shape {pose.shape}, expected (4, 4)")
        pose.setflags(write=False)
        object.__setattr__(self, "pose", pose)


@dataclass(frozen=True, eq=False)
class Cluster:
    """A run of parts that belong together, placed once or several times by ``poses``.

    ``copies`` names the parts of each copy in corresponding order, ``members`` what they are called
    in any copy: this is what the 3MF writer turns into a component object.
    """

    name: str
    members: tuple[str, ...]
    copies: tuple[tuple[str, ...], ...]
    poses: tuple[NDArray[np.float64], ...]


@dataclass(frozen=True, eq=False)
class DemoModel:
    """Solids by key, placed parts in building order from the table up, and joints known by construction.

    ``known_joints`` lists what grips (studs, pegs, balls), not what merely rests.
    """

    name: str
    solids: Mapping[str, Bulk]
    placed: tuple[Placed, ...]
    known_joints: tuple[KnownJoint, ...] = ()
    groups: tuple[Cluster, ...] = field(default=())

    def __post_init__(self) -> None:
        names = [part.name for part in self.placed]
        if len(set(names)) != len(names):
            raise ValueError(f"{self.name}: part names repeat")
        missing = {part.solid_key for part in self.placed} - set(self.solids)
        if missing:
            raise ValueError(f"{self.name}: no solid for {sorted(missing)}")


def shift(x: float, y: float, z: float) -> NDArray[np.float64]:
    """(4, 4) pose that moves by (x, y, z)."""
    pose = np.eye(4)
    pose[:3, 3] = (x, y, z)
    return pose


def turn(axis: ArrayLike, degrees: float) -> NDArray[np.float64]:
    """(4, 4) right-handed rotation about a line through the origin; quarter turns are exact."""
    unit = np.asarray(axis, dtype=np.float64)
    unit = unit / np.linalg.norm(unit)
    x, y, z = unit
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    quarters, rest = divmod(degrees, 90.0)
    sine, cosine = np.sin(np.radians(degrees)), np.cos(np.radians(degrees))
    if rest == 0.0:
        sine, cosine = ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0))[int(quarters) % 4]
    pose = np.eye(4)
    pose[:3, :3] = cosine * np.eye(3) + sine * cross + (1 - cosine) * np.outer(unit, unit)
    return pose
