"""Prints: ways up, bridges, bed, filament, corners, repair and names, against shapes of known answers."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from steps.features import printed_mass
from steps.model import Feature, Measure, Mending, MendKind, Shape, Unsure
from steps.prints.bed import bed_fit, consumption, ear_corners
from steps.prints.bridges import BRIDGE_MM, hanging
from steps.prints.labels import label_of, plain, stem_of
from steps.prints.lie import MeshToLay, best_lie
from steps.prints.mending import done, left
from steps.settings import PrinterSettings, Settings

UP = np.array([0.0, 0, 1])
LAYER = 0.2


def box(*size: float, at: tuple[float, float, float] = (0, 0, 0)) -> trimesh.Trimesh:
    mesh = trimesh.creation.box(size)
    return mesh.apply_translation(np.array(size) / 2 + at)


def union(*bodies: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(bodies, engine="manifold")


def table(span: float, wide: float = 10) -> trimesh.Trimesh:
    """Two legs ``span`` apart and a plate across them."""
    leg, far = box(5, wide, 20), box(5, wide, 20, at=(5 + span, 0, 0))
    return union(leg, far, box(10 + span, wide, 5, at=(0, 0, 20)))


def measure_of(mesh: trimesh.Trimesh, studs: bool = False) -> Measure:
    stud = Feature("stud", np.zeros(3), UP, 3.0, 2.0, 48, 0.0, 0.0)
    return Measure(
        "S1", "part", UP, np.ones(3), mesh.volume, mesh.area, mesh.center_mass, 1.0, (stud,) if studs else ()
    )


# ---------------------------------------------------------------------------- bridges


@pytest.mark.parametrize("span", [8.0, 30.0, BRIDGE_MM - 1])
def test_a_table_is_bridged_from_leg_to_leg(span: float) -> None:
    found = hanging(table(span), UP, LAYER)
    assert found.bridge_mm == pytest.approx(span, abs=0.01)
    assert found.support_mm2 == 0
    assert found.contact_mm2 == pytest.approx(100)
    assert found.height_mm == pytest.approx(25)


def alcove(open_side: int) -> trimesh.Trimesh:
    """A block with a room of 20 x 40 under its roof, open at one side: 0 a short one, 1 a long one."""
    corner, size = ((10, 20, 0), (20, 40, 10)) if open_side == 0 else ((20, 10, 0), (20, 40, 10))
    return trimesh.boolean.difference([box(40, 60, 15), box(*size, at=corner)], engine="manifold")


def test_a_room_open_at_one_side_is_bridged_from_wall_to_wall() -> None:
    """Its ceilings have the same area and as many walls; which wall is missing decides."""
    assert hanging(alcove(0), UP, LAYER).bridge_mm == pytest.approx(20, abs=0.01)
    assert hanging(alcove(1), UP, LAYER).bridge_mm == pytest.approx(40, abs=0.01)
    both = trimesh.util.concatenate([alcove(0), alcove(1).apply_translation((100, 0, 0))])
    assert hanging(both, UP, LAYER).bridge_mm == pytest.approx(40, abs=0.01)


def test_a_span_too_long_for_a_bridge_is_supported() -> None:
    span = BRIDGE_MM + 1
    found = hanging(table(span), UP, LAYER)
    assert found.bridge_mm == 0 and found.support_mm2 == pytest.approx(span * 10)


def test_a_cavity_is_bridged_across_its_short_side() -> None:
    lid = trimesh.boolean.difference([box(60, 24, 12), box(56, 20, 10, at=(2, 2, 0))], engine="manifold")
    assert hanging(lid, UP, LAYER).bridge_mm == pytest.approx(20, abs=0.01)
    assert hanging(lid, -UP, LAYER).bridge_mm == 0


@pytest.mark.parametrize("by", [0.5, 1.0, 3.0])
def test_a_larger_body_hangs_as_if_it_were_drawn_so(by: float) -> None:
    """What was found at another scale is not taken for what is bridged at this one."""
    known: dict[tuple[bytes, bytes], float | None] = {}
    for mesh in (table(20), alcove(1)):
        hanging(mesh, UP, LAYER, 2.0, known)
        larger = mesh.copy()
        larger.apply_scale(by)
        told, drawn = hanging(mesh, UP, LAYER, by, known), hanging(larger, UP, LAYER)
        assert [told.support_mm2, told.bridge_mm, told.contact_mm2, told.height_mm] == pytest.approx(
            [drawn.support_mm2, drawn.bridge_mm, drawn.contact_mm2, drawn.height_mm]
        )


def test_what_sticks_out_freely_cannot_be_bridged() -> None:
    shelf = union(box(10, 10, 30), box(40, 10, 5, at=(0, 0, 25)))
    assert hanging(shelf, UP, LAYER).support_mm2 == pytest.approx(300)


@pytest.mark.parametrize(("lean", "supported"), [(40, False), (50, True)])
def test_overhang_begins_at_forty_five_degrees_from_upright(lean: float, supported: bool) -> None:
    """A prism whose one side leans out by ``lean``: the supported area is that side's shadow."""
    out = 20 * math.tan(math.radians(lean))
    profile = np.array([(0, 0), (40, 0), (40 + out, 20), (0, 20)])
    corners = np.array([(x, y, z) for y in (0, 10) for x, z in profile])
    found = hanging(trimesh.convex.convex_hull(corners), UP, LAYER)
    assert found.support_mm2 == pytest.approx(out * 10 if supported else 0)


# ------------------------------------------------------------------------------ lying


def test_studs_stay_up_when_nothing_is_gained() -> None:
    lie = best_lie(MeshToLay(table(30)), measure_of(table(30), studs=True), LAYER)
    assert lie.studs_up and np.array_equal(lie.turn, np.eye(3))
    assert "studs up" in str(lie.reason) and "30 mm" in str(lie.reason)


def test_another_face_is_chosen_when_it_needs_much_less_support() -> None:
    mushroom = union(box(10, 10, 30, at=(15, 15, 0)), box(40, 40, 5, at=(0, 0, 30)))
    lie = best_lie(MeshToLay(mushroom), measure_of(mushroom, studs=True), LAYER)
    assert not lie.studs_up
    np.testing.assert_allclose(lie.up, -UP, atol=1e-9)
    np.testing.assert_allclose(lie.turn @ -UP, UP, atol=1e-9)
    assert lie.hanging.support_mm2 == 0 and "1500 mm²" in str(lie.reason)


def test_a_ball_below_is_no_foot() -> None:
    ball = trimesh.creation.icosphere(3, 8).apply_translation([20, 20, -8])
    mesh = union(box(40, 40, 8), ball)
    lie = best_lie(MeshToLay(mesh), measure_of(mesh, studs=True), LAYER)
    assert lie.up @ UP < 0.5 and "no foot" in str(lie.reason)


@hypothesis_settings(max_examples=20, deadline=None)
@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_a_lie_is_a_rotation_that_brings_its_way_up(x: float, y: float, z: float) -> None:
    if abs(x) + abs(y) + abs(z) < 0.1:
        return
    up = np.array([x, y, z]) / np.linalg.norm([x, y, z])
    turn = trimesh.geometry.align_vectors(UP, up)
    mesh = box(30, 20, 10).apply_transform(turn)
    lie = best_lie(MeshToLay(mesh), replace(measure_of(mesh), up=up), LAYER)
    np.testing.assert_allclose(lie.turn @ lie.turn.T, np.eye(3), atol=1e-9)
    assert np.linalg.det(lie.turn) == pytest.approx(1)
    assert np.ptp(mesh.vertices @ lie.turn[2]) == pytest.approx(10)  # flat on its largest face


# -------------------------------------------------------------------------------- bed


@pytest.mark.parametrize(
    ("size", "fits", "largest"),
    [
        ((200, 100, 50), True, 4 * 2.2 / 2),  # by the bed's 220 across, corner to corner aside
        ((100, 100, 260), False, 4 * 250 / 260),
        ((250, 10, 10), True, None),  # only slantwise: 220 sqrt 2 - 10
        ((320, 10, 10), False, None),
    ],
)
def test_bed_fit_and_the_largest_scale(
    size: tuple[float, float, float], fits: bool, largest: float | None
) -> None:
    printer = PrinterSettings(bed_mm=(220, 220, 250))
    mesh = box(*size)
    found = bed_fit(mesh.vertices, 4.0, printer)
    assert found.fits is fits
    if largest is not None and size[2] > 200:
        assert found.largest_scale == pytest.approx(largest)
    for factor, expected in ((0.999, True), (1.001, False)):
        scaled = mesh.copy().apply_scale(found.largest_scale / 4.0 * factor)
        assert bed_fit(scaled.vertices, 4.0, printer).fits is expected
    turned = mesh.copy().apply_transform(
        trimesh.transformations.rotation_matrix(math.radians(found.turn_degrees), UP)
    )
    assert bool((turned.extents <= printer.bed_mm).all()) is fits


@pytest.mark.parametrize(
    ("size", "turn"), [((240, 100, 10), 90.0), ((100, 240, 10), 0.0), ((205, 100, 10), 0.0)]
)
def test_a_bed_that_is_deeper_than_wide_turns_what_is_long(
    size: tuple[float, float, float], turn: float
) -> None:
    printer = PrinterSettings(bed_mm=(210, 250, 200))
    found = bed_fit(box(*size).vertices, 1.0, printer)
    assert found.fits and found.turn_degrees == turn


def test_filament_of_the_reference_example() -> None:
    """80 x 40 x 38 mm, walls 1.2, infill 0.15, density 1.24: Vs 18.62 cm3, 42.2 g; 1 m is 2.405 cm3
    (worked by hand)."""
    volume, area = 80 * 40 * 38, 2 * (80 * 40 + 80 * 38 + 40 * 38)
    settings = Settings()
    grams = printed_mass(volume, area, settings)
    density = 1.25  # PLA in data/materials.toml, Processes 2025 13:2733
    assert grams * 1.24 / density == pytest.approx(42.2, abs=0.05)
    use = consumption(grams, 0.0, 38.0, 0.0, settings)
    assert use.metres == pytest.approx(grams / density / 2.405, rel=1e-3)
    assert use.support_g == 0 and use.minutes > 60


def test_supports_and_layers_take_filament_and_time() -> None:
    settings = Settings()
    bare = consumption(50, 0, 40, 20, settings)
    held = consumption(50, 1000, 40, 20, settings)
    assert held.support_g == pytest.approx(1000 * 20 * 0.15 * 1.25 / 1000)
    assert held.metres > bare.metres and held.minutes > bare.minutes
    fine = consumption(50, 0, 40, 20, Settings(printer=PrinterSettings(layer_mm=0.1)))
    assert fine.minutes > 1.5 * bare.minutes
    fast = consumption(50, 0, 40, 20, Settings(printer=PrinterSettings(speed_mm_s=120)))
    # 50 g of PLA at 1.25 g/cm3 through 0.4 x 0.2 mm: 40 cm3 take 8333 s at 60 mm/s, half of it at 120
    assert bare.minutes - fast.minutes == pytest.approx(40_000 / (60 * 0.08) / 60 / 2)


def test_ears_at_the_outer_corners_of_long_prints_only() -> None:
    lid = trimesh.boolean.difference([box(80, 40, 12), box(76, 36, 10, at=(2, 2, 0))], engine="manifold")
    corners = {(round(x), round(y)) for x, y in ear_corners(lid, LAYER)}
    assert corners == {(0, 0), (80, 0), (0, 40), (80, 40)}
    assert len(ear_corners(box(40, 40, 10), LAYER)) == 0
    assert len(ear_corners(trimesh.creation.cylinder(50, 10, sections=64), LAYER)) == 0


# ------------------------------------------------------------------------------ mending


def test_every_kind_of_fault_put_right_has_its_words() -> None:
    for n in (1, 3):
        told = [str(each) for each in done(Mending(dict.fromkeys(get_args(MendKind), n), 0.0123))]
        assert len(set(told)) == len(get_args(MendKind))
        assert all(each.startswith(f"{n} ") or each.startswith("turned") for each in told)
        assert any("up to 0.012 mm apart" in each for each in told)


def test_what_is_left_unsure_is_told() -> None:
    place = Unsure("face", [0, 0, 0], [0, 0, -1], 9.0)
    mesh = box(10, 10, 10)
    shape = Shape("S1", mesh.vertices, mesh.faces, False, mending=Mending({}, 0.0, (place, place)))
    assert [*map(str, left(shape))] == ["2 wide holes closed by guess", "not watertight"]
    assert left(Shape("S1", mesh.vertices, mesh.faces, True)) == ()


# ------------------------------------------------------------------------------- names


def test_a_file_is_named_by_label_name_colour_and_count() -> None:
    assert stem_of("S7", "block 2 x 4", "slate blue", 12) == "S07 block-2x4 slate-blue 12-off"
    assert label_of("S123") == "S123"


@pytest.mark.parametrize(
    "text", ["", "🚢🚢", "שלום", "...", "CON", "nul", "../../etc/passwd", "a" * 300, "<b>&amp;"]
)
def test_names_are_safe_on_every_file_system(text: str) -> None:
    stem = stem_of("S1", text, text, 1)
    assert re.fullmatch(r"S01 [a-z0-9][a-z0-9.-]* [a-z0-9][a-z0-9.-]* 1-off", stem)
    assert len(stem.encode()) < 150 and ".." not in stem.strip(".")


@given(st.text(max_size=400), st.integers(1, 100))
def test_plain_names_hold_for_any_text(text: str, longest: int) -> None:
    name = plain(text, longest)
    assert re.fullmatch(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?", name) and len(name) <= max(longest, 4)
