"""Any made model with its meshes drawn carelessly, in every way of :mod:`tests.models.raw`."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np
from manifold3d import Manifold as Body

from demo_model.solids import Bulk, union
from tests.models.raw import FAULTS, RawPart
from tests.models.value import Made

#: Faults that draw a block's walls, studs and tubes each by itself: what is no block is cut in two instead.
BY_SHELLS = frozenset(("shells", "hidden_left_out", "inside_out", "everything"))
#: Faults that need to know where a block's cavity is: what is no block stays clean.
OF_BLOCKS = frozenset(("self_crossing", "partitions"))
#: How far two halves of a solid overlap, as a share of its height.
OVERLAP = 0.05


def spoiled(made: Made, fault: str, random: np.random.Generator) -> Made:
    """The same model, the same truth, every mesh with one fault (or with all: "everything")."""
    solids = {
        key: _soup(key, FAULTS[fault](_raw_part(made, key, fault, random), random))
        if fault not in OF_BLOCKS or key in made.shells
        else solid
        for key, solid in made.solids.items()
    }
    return replace(made, solids=solids, shells={}, notes=(*made.notes, f"raw: {fault}"))


def _raw_part(made: Made, key: str, fault: str, random: np.random.Generator) -> RawPart:
    if key not in made.shells:
        whole = body_of(made.solids[key])
        return RawPart(tuple(halves_of(whole)) if fault in BY_SHELLS else (whole,), (), ())
    shells = made.shells[key]()
    walls = fault in BY_SHELLS and random.random() < 0.5
    body = shells.body if walls else (union(shells.body),)
    return RawPart(body, shells.studs, shells.grips)


def halves_of(whole: Body) -> list[Body]:
    """Two closed bodies that overlap in the middle and unite to the whole."""
    low, high = np.array(whole.bounding_box()).reshape(2, 3)
    axis = int((high - low).argmax())
    normal = np.eye(3)[axis]
    middle, lap = (low[axis] + high[axis]) / 2, OVERLAP * (high[axis] - low[axis])
    upper = whole.trim_by_plane(normal.tolist(), middle - lap)
    lower = whole.trim_by_plane((-normal).tolist(), -middle - lap)
    return [lower, upper]


def body_of(solid: Bulk) -> Body:
    """The exact body of a clean mesh."""
    return m3.Manifold(m3.Mesh64(solid.vertices.copy(), np.array(solid.faces, np.uint64, order="C")))


def _soup(key: str, soup: np.ndarray) -> Bulk:
    return Bulk(key, soup.reshape(-1, 3), np.arange(soup.size // 3).reshape(-1, 3))
