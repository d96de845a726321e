"""Names say what a shape measures, whatever it was called in the file."""

from __future__ import annotations

import numpy as np
import pytest

from demo_model import solids, specials
from demo_model.solids import Module, Solid
from tests.joint_cases import box, measures_of, placed, plate, rod, shift, turn

M = Module()
TWO_STUDS = plate(2, 1)  # gives the model a pitch


def name_of(thing: object, pose: np.ndarray | None = None) -> str:
    items = [(thing, np.eye(4) if pose is None else pose), (TWO_STUDS, shift(100, 0, 0))]
    return measures_of(placed(items)).by_shape["S1"].name  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("solid", "want"),
    [
        (solids.block(2, 4, M), "block 2 x 4"),
        (solids.block(4, 2, M), "block 2 x 4"),
        (solids.slab(1, 6, M), "slab 1 x 6"),
        (solids.slab(1, 1, M), "slab 1 x 1"),
        (solids.slab(4, 2, M, smooth=True), "smooth slab 2 x 4"),
        (solids.block(4, 1, M, side_studs=True), "block 1 x 4, 4 side studs"),
        (specials.post(M), "round block 1 x 1"),
        (specials.tyre(M), "smooth round slab 1 x 1"),
        (specials.centre_stud_slab(M), "slab 2 x 2, 1 stud"),
        (specials.arch(M), "block 1 x 4, arched"),
        (specials.drum(M), "round part 14 x 12 mm"),
        (specials.ball_slab(M), "slab 2 x 2, with ball"),
    ],
)
def test_names(solid: Solid, want: str) -> None:
    assert name_of(solid) == want


@pytest.mark.parametrize("scale", [0.5, 4.0])
def test_names_do_not_depend_on_scale(scale: float) -> None:
    block = solids.slab(2, 3, Module(scale=scale))
    found = measures_of(placed([(block, turn((1, 2, 3), 77))]))
    assert found.by_shape["S1"].name == "slab 2 x 3"


def test_a_slope_is_a_wedge() -> None:
    wedge = box((0, 0, 0), (20, 20, 10)) - box((0, -1, 0), (40, 21, 20)).rotate([0, -30, 0]).translate(
        [12, 0, 0]
    )
    wedge += rod(3, 3, (5, 5, 9)) + rod(3, 3, (5, 15, 9))
    assert name_of(wedge) == "wedge 2 x 2, 2 studs"


def test_different_shapes_have_different_names() -> None:
    coarse, fine = solids.block(2, 2, Module(facets=16)), solids.block(2, 2, Module(facets=64))
    found = measures_of(placed([(coarse, np.eye(4)), (fine, shift(50, 0, 0))]))
    assert [m.name for m in found.by_shape.values()] == ["block 2 x 2", "block 2 x 2, 2nd kind"]
