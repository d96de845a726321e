"""What the generator hands out: a placed model, the truth about it, and moves that build it.

All is known by construction and owes nothing to the code under test. Lengths in mm, z up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_model.scene import DemoModel, Placed
from demo_model.solids import Bulk

Array = NDArray[np.float64]

DOWN, UP = (0.0, 0.0, -1.0), (0.0, 0.0, 1.0)


def _fixed(values: ArrayLike, shape: tuple[int, ...]) -> Array:
    array = np.array(values, dtype=np.float64).reshape(shape)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Slide:
    """A straight leg. ``way`` (3,) in mm; the first leg of a move is preceded by an approach along it."""

    way: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "way", _fixed(self.way, (3,)))

    def turned(self, pose: Array) -> Slide:
        return Slide(pose[:3, :3] @ self.way)


@dataclass(frozen=True, eq=False)
class Turn:
    """A leg that turns by ``degrees``, right-handed, about the line through ``point`` along ``axis``."""

    axis: Array  #: (3,) unit
    point: Array  #: (3,) mm
    degrees: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "axis", _fixed(self.axis, (3,)))
        object.__setattr__(self, "point", _fixed(self.point, (3,)))

    def turned(self, pose: Array) -> Turn:
        return Turn(pose[:3, :3] @ self.axis, pose[:3, :3] @ self.point + pose[:3, 3], self.degrees)


Leg = Slide | Turn


@dataclass(frozen=True)
class Put:
    """One move of a pair of hands: ``moving`` comes to what stands on a bench.

    On each bench the parts stand as they will stand in the finished model; the bench named "" ends up with
    all of it. Several parts that move together have been put together on another bench, and were all that
    stood there. ``snaps`` says that something must give on the way (a ball past its lip).
    """

    moving: tuple[str, ...]
    legs: tuple[Leg, ...] = (Slide(np.array(DOWN)),)
    bench: str = ""
    snaps: bool = False


@dataclass(frozen=True)
class TrueJoint:
    """Two parts that touch. ``a`` carries the stud, peg or ball.

    ``kinds`` are the names that may be given to it: more than one where the geometry is honestly both, a
    dovetail in its rail say. ``contacts`` counts studs, pegs or balls; None where counting has no meaning.
    ``free`` must never be glued: it turns, slides, or is shut in loose.
    """

    a: str
    b: str
    kinds: tuple[str, ...]
    contacts: int | None
    free: bool = False


@dataclass(frozen=True, eq=False)
class Made:
    """A placed model, its true joints, and moves that build it.

    ``locked`` is empty for what can be built; else it holds the sets that cannot, each minimal by
    inclusion: any one part left out of a set, the rest comes apart. ``heaps`` counts the separate things
    that stand on one table.
    """

    name: str
    solids: Mapping[str, Bulk]
    placed: tuple[Placed, ...]
    joints: tuple[TrueJoint, ...]
    moves: tuple[Put, ...]
    family: str = ""
    locked: tuple[frozenset[str], ...] = ()
    heaps: int = 1
    touch_mm: float = 0.0  #: joined parts are this close or closer, all others further apart
    shells: Mapping[str, Callable[[], Any]] = field(default_factory=dict)  #: of blocks: lattice.Shells
    notes: tuple[str, ...] = ()  #: what was done to it: "turned by 37 degrees", "raw: flipped faces"

    def __post_init__(self) -> None:
        names = [part.name for part in self.placed]
        if len(set(names)) != len(names):
            raise ValueError(f"{self.name}: part names repeat")

    @cached_property
    def part_by_name(self) -> Mapping[str, Placed]:
        return {part.name: part for part in self.placed}

    @property
    def free(self) -> frozenset[tuple[str, str]]:
        """Pairs that must never be glued."""
        return frozenset((joint.a, joint.b) for joint in self.joints if joint.free)

    @property
    def demo(self) -> DemoModel:
        """As the writers of ``demo_model`` take it."""
        return DemoModel(self.name, self.solids, self.placed)


def moved(made: Made, pose: Array, note: str = "") -> Made:
    """The same model placed by ``pose`` (4, 4) as a whole, moves included."""
    placed = tuple(replace(part, pose=pose @ part.pose) for part in made.placed)
    moves = tuple(replace(put, legs=tuple(leg.turned(pose) for leg in put.legs)) for put in made.moves)
    return replace(made, placed=placed, moves=moves, notes=(*made.notes, *([note] if note else [])))


def shuffled(made: Made, random: np.random.Generator) -> Made:
    """The same model with its parts in another order, so that the file does not give the order away."""
    order = random.permutation(len(made.placed))
    return replace(made, placed=tuple(made.placed[row] for row in order))


def slide(*way: float) -> Slide:
    """A straight leg along (x, y, z)."""
    return Slide(np.array(way, dtype=np.float64))


def neighbours(joints: Iterable[TrueJoint]) -> dict[str, list[str]]:
    """Names of the parts that each part touches."""
    found: dict[str, list[str]] = {}
    for joint in joints:
        found.setdefault(joint.a, []).append(joint.b)
        found.setdefault(joint.b, []).append(joint.a)
    return found
