"""What every family builds with: measures and blocks of one module, chance, and a site to build on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from manifold3d import Manifold as Body

from demo_model.scene import shift
from demo_model.solids import Bulk, Module, box, to_solid
from tests.models.lattice import COLOURS, Pieces, Site
from tests.models.proportions import proportions
from tests.models.value import Array

#: No part that grows with their number is longer, mm: four times as large it is 2 m, and a longer one is not
#: believed to be printed.
LONGEST_MM = 500.0


@dataclass
class Kit:
    """Chance and measures of one model. Lengths asked for are mm at the module's scale."""

    random: np.random.Generator
    module: Module
    pieces: Pieces = field(init=False)

    def __post_init__(self) -> None:
        self.pieces = Pieces(self.module)

    @staticmethod
    def of(random: np.random.Generator, scale: float = 1.0) -> Kit:
        return Kit(random, proportions(random, scale))

    @property
    def m(self) -> Module:
        """The module at scale."""
        return self.module.scaled

    @property
    def most_columns(self) -> int:
        """Of one long part."""
        return int(LONGEST_MM / self.m.pitch)

    def site(self, name: str) -> Site:
        return Site(name, self.module)

    def colour(self) -> str:
        return COLOURS[int(self.random.integers(len(COLOURS)))]

    def between(self, low: float, high: float) -> float:
        return float(self.random.uniform(low, high))

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""
        return int(self.random.integers(low, high + 1))

    def either(self, *choices: object) -> object:
        return choices[int(self.random.integers(len(choices)))]


def at(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Array:
    """(4, 4) pose that only moves."""
    return shift(x, y, z)


def cuboid(size: Sequence[float], at: Sequence[float] = (0.0, 0.0, 0.0)) -> Body:
    """A box by its size and least corner, mm."""
    return box(list(at), [a + s for a, s in zip(at, size, strict=True)])


def rod(radius: float, height: float, facets: int, at: Sequence[float] = (0.0, 0.0, 0.0)) -> Body:
    """A round about z, rising from ``at``."""
    return Body.cylinder(height, radius, radius, facets).translate(list(at))


def prism(outline: Sequence[tuple[float, float]], length: float) -> Body:
    """An outline (x, z) drawn out along y from 0 to ``length``."""
    from manifold3d import CrossSection, FillRule

    section = CrossSection([list(outline)], FillRule.NonZero)
    return Body.extrude(section, length).rotate([90, 0, 0]).translate([0, length, 0])


def made_of(name: str, body: Body) -> Bulk:
    return to_solid(name, body)
