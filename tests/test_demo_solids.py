"""Demo solids: volumes against closed forms, watertightness, and the clearance they promise."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model import specials
from demo_model.lattice import cells
from demo_model.solids import Bulk, Module, block, slab
from tests.joint_cases import polygon_area

SPECIALS = {
    "post": specials.post,
    "tyre": specials.tyre,
    "drum": specials.drum,
    "funnel cap": specials.funnel_cap,
    "centre stud": specials.centre_stud_slab,
    "arch": specials.arch,
    "bow": lambda m: specials.bow(m, 2, front_studs=True),
    "bow slab": lambda m: specials.bow(m, 1, front_studs=False),
    "cup": specials.cup_block,
    "ball": specials.ball_slab,
    "wedge": lambda m: specials.wedge(m, 25),
    "flat wedge": lambda m: specials.wedge(m, 5),
}


def mesh_of(solid: Bulk) -> trimesh.Trimesh:
    return trimesh.Trimesh(solid.vertices, solid.faces, process=False)


def circle(radius: float, m: Module) -> float:
    return polygon_area(radius, m.facets)


def grips_volume(columns: int, rows: int, depth: float, m: Module) -> float:
    """Closed form: tubes or pins between cells, ribs of rectangular section along the walls."""
    face = m.pitch / 2 - m.stud_radius - m.clearance
    ribs = 2 * (columns + rows) * (face - m.clearance - m.wall) * m.wall
    if min(columns, rows) == 1:
        return depth * (ribs + (max(columns, rows) - 1) * circle(m.pin_radius, m))
    tube = circle(m.tube_radius, m) - circle(m.tube_radius - m.wall, m)
    return depth * (ribs + (columns - 1) * (rows - 1) * tube)


def shell_volume(columns: int, rows: int, high: float, m: Module) -> float:
    """Closed form: outer box less the cavity, and what holds studs in it."""
    long, wide, thick = columns * m.pitch - 2 * m.clearance, rows * m.pitch - 2 * m.clearance, 2 * m.wall
    depth = high - m.roof
    return (
        long * wide * high - (long - thick) * (wide - thick) * depth + grips_volume(columns, rows, depth, m)
    )


def stud_volume(m: Module) -> float:
    return circle(m.stud_radius, m) * m.stud_height


@pytest.mark.parametrize("facets", [8, 13, 48, 96])
@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (4, 1), (1, 3), (2, 2), (4, 2), (4, 4), (3, 5)])
def test_block_and_slab_volumes_are_the_closed_form(columns: int, rows: int, facets: int) -> None:
    m = Module(facets=facets)
    studs = columns * rows * stud_volume(m)
    assert block(columns, rows, m).volume == pytest.approx(
        shell_volume(columns, rows, m.block, m) + studs, rel=1e-6
    )
    assert slab(columns, rows, m).volume == pytest.approx(
        shell_volume(columns, rows, m.slab, m) + studs, rel=1e-6
    )
    assert slab(columns, rows, m, smooth=True).volume == pytest.approx(
        shell_volume(columns, rows, m.slab, m), rel=1e-6
    )
    assert block(columns, rows, m, side_studs=True).volume == pytest.approx(
        shell_volume(columns, rows, m.block, m) + studs + columns * stud_volume(m), rel=1e-6
    )


def test_volumes_of_the_round_specials_are_the_closed_form() -> None:
    m = Module()
    socket = circle(m.stud_radius + m.clearance, m)
    blind = specials.SOCKET_DEPTH * m.stud_height * socket
    stud, drum = stud_volume(m), circle(specials.DRUM_RADIUS, m)
    expected = {
        "post": circle(m.pitch / 2 - m.clearance, m) * m.block - blind + stud,
        "tyre": (circle(m.pitch / 2 - m.clearance, m) - socket) * m.slab,
        "drum": drum * m.block - blind + stud,
        "funnel cap": drum * m.slab - blind - circle(specials.SMOKE_RADIUS, m) * specials.SMOKE_DEPTH,
        "centre stud": shell_volume(2, 2, m.slab, m) + stud,
    }
    for key, volume in expected.items():
        assert SPECIALS[key](m).volume == pytest.approx(volume, rel=1e-6), key


def socketed(columns: int, rows: int, m: Module) -> float:
    """What a shallow cavity takes away from a solid foot, closed form."""
    depth, edge = specials.SOCKET_DEPTH * m.stud_height, 2 * (m.clearance + m.wall)
    hollow = (columns * m.pitch - edge) * (rows * m.pitch - edge) * depth
    return hollow - grips_volume(columns, rows, depth, m)


def test_volumes_of_arch_bow_and_wedge_are_the_closed_form() -> None:
    m = Module(facets=96)
    c, p = m.clearance, m.pitch
    width = p - 2 * c
    high = specials.ARCH_SLABS * m.slab
    arch = width * ((4 * p - 2 * c) * high - circle(p + c, m) / 2) + 4 * stud_volume(m)
    assert SPECIALS["arch"](m).volume == pytest.approx(arch - 2 * socketed(1, 1, m), rel=1e-6)

    flank = (p - c) * (4 * p - 2 * c + 2 * p - 2 * c) / 2  # trapezium in front of the full column
    plan = (p - c) * (4 * p - 2 * c) + flank
    sockets = socketed(2, 2, m) + 2 * socketed(1, 1, m)
    assert SPECIALS["bow slab"](m).volume == pytest.approx(plan * m.slab - sockets, rel=1e-6)
    assert SPECIALS["bow"](m).volume == pytest.approx(plan * m.block - sockets + 8 * stud_volume(m), rel=1e-6)


def test_wedge_is_its_shell_its_prism_and_four_pegs() -> None:
    m, tilt = Module(), np.radians(25)
    half = 2 * m.pitch - m.clearance
    middle = specials.slope_middle(m, 25)
    low, high = middle - half * np.sin(tilt), middle + half * np.sin(tilt)
    slope, end = half * np.cos(tilt), 2 * m.pitch + m.wall
    # the profile above the shell's top, clipped at the footprint: corners of a plane polygon
    rise = high / (end - slope)
    corner = high - rise * (half - slope)
    drop = low / (end - slope)
    outline = np.array(
        [
            (-half, m.slab),
            (half, m.slab),
            (half, corner),
            (slope, high),
            (-slope, low),
            (-slope - (low - m.slab) / drop, m.slab),
        ]
    )
    x, y = outline.T
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    pegs = 4 * circle(specials.peg_radius(m), m) * specials.PEG_LENGTH
    solid = specials.wedge(m, 25)
    assert solid.volume == pytest.approx(shell_volume(4, 4, m.slab, m) + area * 2 * half + pegs, rel=1e-6)


def test_ball_and_cup_come_near_the_smooth_closed_form() -> None:
    m = Module(facets=192)
    measures = specials.BallMeasures.of(m)
    neck, ball = specials.NECK_RADIUS, specials.BALL_RADIUS
    bite = ball - sqrt(ball**2 - neck**2)  # the neck's cap inside the ball
    cap = pi * bite**2 * (3 * ball - bite) / 3
    plate = (2 * m.pitch - 2 * m.clearance) ** 2 * m.slab
    hanging = 4 / 3 * pi * ball**3 + pi * neck**2 * (specials.NECK_LENGTH - ball + bite) - cap
    assert specials.ball_slab(m).volume == pytest.approx(plate + 4 * stud_volume(m) + hanging, rel=3e-4)

    hollow = ball + measures.gap
    lid = hollow - specials.LIP
    void = 4 / 3 * pi * hollow**3 - pi * lid**2 * (3 * hollow - lid) / 3
    tower = pi * specials.CUP_RADIUS**2 * (measures.cup_middle + specials.LIP - m.block)
    expected = shell_volume(2, 2, m.block, m) + tower - void
    assert specials.cup_block(m).volume == pytest.approx(expected, rel=3e-4)
    assert measures.snap == pytest.approx(ball - sqrt(hollow**2 - specials.LIP**2))


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(SPECIALS)),
    facets=st.integers(8, 64),
    scale=st.floats(0.25, 10),
    clearance=st.floats(0.02, 0.2),
)
def test_every_special_is_watertight_at_any_scale_and_facet_count(
    name: str, facets: int, scale: float, clearance: float
) -> None:
    mesh = mesh_of(SPECIALS[name](Module(facets=facets, scale=scale, clearance=clearance)))
    assert mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0
    assert mesh.body_count == 1


@settings(max_examples=25, deadline=None)
@given(
    columns=st.integers(1, 6), rows=st.integers(1, 4), facets=st.integers(8, 96), scale=st.floats(0.25, 10)
)
def test_volume_grows_with_the_cube_of_the_scale(columns: int, rows: int, facets: int, scale: float) -> None:
    one = block(columns, rows, Module(facets=facets))
    big = block(columns, rows, Module(facets=facets, scale=scale))
    assert mesh_of(big).is_watertight
    assert big.volume == pytest.approx(one.volume * scale**3, rel=1e-6)
    np.testing.assert_allclose(big.bounds, one.bounds * scale, atol=1e-6)


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (4, 1), (2, 2), (4, 2), (4, 4)])
@pytest.mark.parametrize("scale", [1.0, 4.0])
def test_a_stud_on_the_axis_of_any_socket_has_the_promised_gap(columns: int, rows: int, scale: float) -> None:
    """The nearest surface to a socket's axis, by trimesh's closest point, is stud radius + clearance off."""
    m = Module(scale=scale).scaled
    mesh = mesh_of(block(columns, rows, Module(scale=scale)))
    axis = [[(i + 0.5) * m.pitch, (j + 0.5) * m.pitch, m.stud_height * 1.5] for i, j in cells(columns, rows)]
    _, distance, _ = trimesh.proximity.closest_point(mesh, axis)
    np.testing.assert_allclose(distance, m.stud_radius + m.clearance, atol=1e-6 * scale)


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (2, 1), (2, 2), (4, 2), (4, 4)])
def test_the_contact_lines_of_every_socket_hold_from_every_side(columns: int, rows: int) -> None:
    """No half plane is free: between neighbouring contact directions there is less than half a turn."""
    m = Module()
    mesh = mesh_of(block(columns, rows, m))
    angles = np.radians(np.arange(0, 360, 7.5))
    ring = np.column_stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)])
    for i, j in cells(columns, rows):
        origin = np.array([(i + 0.5) * m.pitch, (j + 0.5) * m.pitch, 1.0])
        hits, rays, _ = mesh.ray.intersects_location(
            np.tile(origin, (len(ring), 1)), ring, multiple_hits=False
        )
        near = np.linalg.norm(hits - origin, axis=1) < m.stud_radius + m.clearance + 1e-3
        touching = np.sort(angles[rays[near]])
        widest = np.diff(np.append(touching, touching[0] + 2 * pi)).max()
        assert widest < pi - 1e-6, (i, j)


def test_the_same_measures_give_the_same_arrays() -> None:
    first, again = block(4, 2, Module()), block(4, 2, Module())
    assert np.array_equal(first.vertices, again.vertices) and np.array_equal(first.faces, again.faces)
    assert not first.vertices.flags.writeable and not first.faces.flags.writeable


@pytest.mark.parametrize("wrong", [{"facets": 7}, {"slab": 3.6}, {"scale": 0.0}])
def test_a_module_that_cannot_be_built_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Module(**wrong)
