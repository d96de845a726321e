"""Names say what a shape measures, whatever it was called in the file."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from demo_model import solids, specials
from demo_model.solids import Bulk, Module
from steps.features.naming import told_by_hand
from tests.joint_cases import Solid as Plain
from tests.joint_cases import box, measures_of, placed, plate, rod, shift, turn
from tests.joint_cases import solid as solid_of

M = Module()
WEDGE = np.array([(x, y, z) for y in (0, 20) for x, z in ((0, 0), (20, 0), (0, 12), (20, 4))], dtype=float)
TWO_STUDS = plate(2, 1)  # gives the model a pitch


def name_of(thing: object, pose: np.ndarray | None = None) -> str:
    items = [(thing, np.eye(4) if pose is None else pose), (TWO_STUDS, shift(100, 0, 0))]
    return str(measures_of(placed(items)).by_shape["S1"].name)  # type: ignore[arg-type]


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
        (specials.drum(M), "round part 14 x 13 mm"),
        (specials.ball_slab(M), "slab 2 x 2, with ball"),
    ],
)
def test_names(solid: Bulk, want: str) -> None:
    assert name_of(solid) == want


@pytest.mark.parametrize(
    ("solid", "want"),
    [
        (solids.block(1, 1, M), "block 1 x 1"),
        (solids.slab(1, 4, M, smooth=True), "smooth slab 1 x 4"),
        (solids.slab(2, 2, M, smooth=True), "smooth slab 2 x 2"),
        (specials.centre_stud_slab(M), "slab 2 x 2, 1 stud"),
        (specials.post(M), "round block 1 x 1"),
        (specials.tyre(M), "smooth round slab 1 x 1"),
        (solid_of(Manifold.hull_points(WEDGE)), "wedge 2 x 2"),
    ],
)
@pytest.mark.parametrize(
    ("axis", "degrees"), [((0, 0, 1), 30), ((1, 0, 0), 25), ((1, 2, 3), 77), ((1, 0, 0), 180)]
)
def test_a_mesh_that_lies_tilted_in_its_file_has_the_same_name(
    solid: Bulk | Plain, want: str, axis: tuple[int, int, int], degrees: float
) -> None:
    """Bodies of an STL stand in their places, tilted where the model is; without two studs only the faces
    tell how a shape lies."""
    lying = Plain(solid.vertices @ turn(axis, degrees)[:3, :3].T, solid.faces)
    found = measures_of(placed([(lying, np.eye(4)), (TWO_STUDS, shift(100, 0, 0))])).by_shape["S1"]
    upright = measures_of(
        placed([(Plain(solid.vertices, solid.faces), np.eye(4)), (TWO_STUDS, shift(100, 0, 0))])
    ).by_shape["S1"]
    assert str(found.name) == want
    assert found.size_mm == pytest.approx(upright.size_mm, abs=0.1)


@pytest.mark.parametrize("scale", [0.5, 4.0])
def test_names_do_not_depend_on_scale(scale: float) -> None:
    block = solids.slab(2, 3, Module(scale=scale))
    found = measures_of(placed([(block, turn((1, 2, 3), 77))]))
    assert str(found.by_shape["S1"].name) == "slab 2 x 3"


def test_a_slope_is_a_wedge() -> None:
    wedge = box((0, 0, 0), (20, 20, 10)) - box((0, -1, 0), (40, 21, 20)).rotate([0, -30, 0]).translate(
        [12, 0, 0]
    )
    wedge += rod(3, 3, (5, 5, 9)) + rod(3, 3, (5, 15, 9))
    assert name_of(wedge) == "wedge 2 x 2, 2 studs"


def test_different_shapes_have_different_names() -> None:
    coarse, fine = solids.block(2, 2, Module(facets=16)), solids.block(2, 2, Module(facets=64))
    found = measures_of(placed([(coarse, np.eye(4)), (fine, shift(50, 0, 0))]))
    assert [str(m.name) for m in found.by_shape.values()] == ["block 2 x 2", "block 2 x 2, 2nd kind"]


def _trapezium(cut: float) -> np.ndarray:
    """Corners of a slab 2 x 4, a corner of it cut away: at the far left seen from above, x to the right and
    the slighter end away; lengths in mm, pitch 10."""
    flat = [(0.0, 0.0), (20.0, 0.0), (20.0, 40.0), (cut, 40.0), (0.0, 14.0)]
    return np.array([(x, y, z) for z in (0.0, 4.0) for x, y in flat])


@pytest.mark.parametrize(
    ("axis", "degrees"), [((0, 0, 1), 0), ((0, 0, 1), 117), ((1, 0, 0), 180), ((1, 2, 3), 77)]
)
def test_mirror_images_are_a_left_one_and_a_right_one(axis: tuple[int, int, int], degrees: float) -> None:
    """Cut away on its left when the slighter end points away: the left one, in whatever order and however
    they lie in the file."""
    corners = _trapezium(8.0)
    left = solid_of(Manifold.hull_points(corners) + rod(2.4, 2, (15, 10, 3.5)))
    right = solid_of(Manifold.hull_points(corners * (-1, 1, 1)) + rod(2.4, 2, (-15, 10, 3.5)))
    lying = Plain(right.vertices @ turn(axis, degrees)[:3, :3].T, right.faces)
    for pair in ((left, lying), (lying, left)):
        items = [(pair[0], np.eye(4)), (pair[1], shift(100, 0, 0)), (TWO_STUDS, shift(200, 0, 0))]
        found = measures_of(placed(items)).by_shape
        names = {key: str(found[key].name) for key in ("S1", "S2")}
        first, second = ("left", "right") if pair[0] is left else ("right", "left")
        assert names["S1"].endswith(f", {first}") and names["S2"].endswith(f", {second}")
        assert told_by_hand(found["S1"].name) and not told_by_hand(found["S3"].name)


def test_what_is_its_own_mirror_image_has_no_hand() -> None:
    """Two tapered slabs that differ in how they taper, each the same on both sides."""
    ends = [_trapezium(cut) * (1, 1, 1) for cut in (4.0, 8.0)]
    even = [np.concatenate([end, (20.0, 0.0, 0.0) + end * (-1, 1, 1)]) for end in ends]
    items = [(Manifold.hull_points(each), shift(100 * row, 0, 0)) for row, each in enumerate(even)]
    found = measures_of(placed([*items, (TWO_STUDS, shift(300, 0, 0))])).by_shape
    assert not any(told_by_hand(found[key].name) for key in ("S1", "S2"))
