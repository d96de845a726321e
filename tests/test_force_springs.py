"""Springs read off meshes of known measures: the same numbers as the tables give for those measures."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from steps.force.contact import line_approach
from steps.force.printed import HOLE_SHARE, Print
from steps.force.rings import lame_pressure, ring_give, tube_shift
from steps.force.springs import springs_of
from steps.force.walls import Wall, plate_stiffness
from steps.model import Joint, Touch
from steps.settings import Settings
from tests.joint_cases import box, joints_of, only, placed, rod

#: All plastic, so that the tables' walls are the printed ones.
SOLID = Settings.model_validate({"printer": {"wall_mm": 20.0, "infill": 1.0}})
RADIUS, ENGAGED, HIGH, THICK, ROOF = 10.0, 8.0, 30.0, 1.6, 4.0


def made(**changes: float) -> Print:
    """The plastic of the tables: E 2500, nu 0.36."""
    base = Print.of(SOLID)
    return Print(changes.get("e", 2500.0), 0.36, base.mu, base.mu_sigma, base.printer, base.ageing)


def trough(span: float, gap: float = 0.1, tube: float = 0.0, studs: tuple[float, ...] = (0.0,)) -> Joint:
    """A cavity ``span`` long between two long walls 30 high and 1.6 thick, on studs that stand ``gap`` off
    the walls at the given places along it; with ``tube`` a tube of that wall stands in the middle instead."""
    half = RADIUS + gap if tube == 0 else 2 * RADIUS + gap + TUBE + gap
    cavity = box((-span / 2, -half, -1), (span / 2, half, HIGH))
    around = box((-span / 2 - 20, -half - THICK, 0), (span / 2 + 20, half + THICK, HIGH + ROOF))
    top = around - cavity
    places = [(x, 0.0) for x in studs]
    if tube > 0:
        top += rod(TUBE, HIGH + 1, facets=96) - rod(TUBE - tube, HIGH, facets=96)
        places = [(0.0, y) for y in (-TUBE - gap - RADIUS, TUBE + gap + RADIUS)]
    plate = box((-span / 2 - 20, -half - THICK, -6), (span / 2 + 20, half + THICK, 0))
    for x, y in places:
        plate += rod(RADIUS, ENGAGED + 1, (x, y, -1), 96)
    return only(joints_of(placed([(plate, np.eye(4)), (top, np.eye(4))])))


TUBE = 8.8  # outside; the middle of a wall of 1.6 at 8.0


def studs_of(joint: Joint) -> list[Touch]:
    return [touch for touch in joint.touches if touch.kind == "stud" or touch.kind == "peg"]


def faces(length: float, thickness: float) -> float:
    return sum(line_approach(1.0, RADIUS, thickness, 2500, 0.36)) / length


@pytest.mark.parametrize("span", [60.0, 40.0, 24.0])
def test_a_wall_is_measured_and_bends_like_its_plate(span: float) -> None:
    """Height, thickness, span and place of the line are read off the mesh; the plate is that of
    the tables."""
    (touch,) = studs_of(trough(span))
    long = np.flatnonzero(np.abs(touch.normals[:, 1]) > 0.999)  # the two walls, not the ends of the cavity
    walls = [touch.backings[row] for row in long]
    assert len(walls) == 2
    for wall in walls:
        assert (wall.thickness_mm, wall.height_mm) == pytest.approx((THICK, HIGH), abs=1e-3)
        assert (wall.near_mm, wall.far_mm) == pytest.approx((HIGH - ENGAGED, HIGH), abs=1e-3)
        assert wall.ends[0] == pytest.approx(-span / 2, abs=0.2) and wall.ends[-1] == pytest.approx(
            span / 2, abs=0.2
        )
        assert wall.clamped == (True, True) and wall.roof
    table = plate_stiffness(Wall.plain(span, THICK, HIGH, 0.36), 0, [(22, 30)], 0.36)[0] * 2500
    springs = springs_of([touch], made())
    for row in long:
        assert 1 / (springs.give[row, row] - faces(ENGAGED, THICK)) == pytest.approx(table, rel=0.06)
    assert springs.at_mouth[long] == pytest.approx([table / plate_edge(span)] * 2, rel=0.06)


def plate_edge(span: float) -> float:
    return plate_stiffness(Wall.plain(span, THICK, HIGH, 0.36), 0, [(30, 30)], 0.36)[0] * 2500


def test_a_stud_off_the_middle_meets_a_stiffer_wall() -> None:
    """Quarter span: 36.1 against 18.3 N/mm (computed by Ritz's method, see the walls' test)."""
    middle, quarter = (
        1 / (springs_of(studs_of(trough(60, studs=(x,))), made()).give[0, 0] - faces(ENGAGED, THICK))
        for x in (0.0, -15.0)
    )
    assert quarter / middle == pytest.approx(36.1 / 18.3, rel=0.05)


def test_a_tube_between_two_studs_is_one_ring_for_both() -> None:
    """Two loads on a ring of R 8, t 1.6, that hangs from the roof 30 above its mouth; its height counts as
    the mean of the engaged and the whole, sqrt(8 x 30)."""
    joint = trough(60, tube=1.6)
    touches = studs_of(joint)
    assert len(touches) == 2
    springs = springs_of(touches, made())
    rows = [i for i, b in enumerate(b for t in touches for b in t.backings) if b.kind == "tube"]
    assert len(rows) == 2
    ring = ring_give([0.0, np.pi], 8.0, 1.6, np.sqrt(8 * 30), 2500)
    inertia = np.pi / 4 * (8.8**4 - 7.2**4)
    lean = tube_shift([0.0, np.pi], inertia, np.pi * (8.8**2 - 7.2**2), 26.0, 2500, 0.36)
    assert springs.give[rows[0], rows[1]] == pytest.approx((ring + lean)[0, 1], rel=0.02)
    assert springs.give[rows[0], rows[0]] == pytest.approx((ring + lean)[0, 0] + faces(8, 1.6), rel=0.03)


def hole(gap: float, wall: float, bore: float = 0.0) -> Touch:
    peg = box((-20, -20, -6), (20, 20, 0)) + rod(5, 9, (0, 0, -1), 96)
    if bore:
        peg -= rod(bore, 20, (0, 0, -8), 96)
    bush = rod(5 + gap + wall, 8, facets=96) - rod(5 + gap, 20, (0, 0, -2), 96)
    (touch,) = [
        t for t in only(joints_of(placed([(peg, np.eye(4)), (bush, np.eye(4))]))).touches if t.kind != "rest"
    ]
    return touch


def test_a_round_hole_is_a_thick_cylinder_that_grips_on_a_tenth() -> None:
    """Lame for d 10, D 18, L 8, 0.1 a side: N = p pi d L, times the share that a printed peg grips with."""
    springs = springs_of([hole(0.0, 4.0)], made())
    newtons = (0.1 / np.diag(springs.give)).sum()
    pressure = lame_pressure(0.2, 10, 18, 2500, 2500, 0.36, 0.36)
    assert newtons == pytest.approx(pressure * np.pi * 10 * 8 * HOLE_SHARE, rel=0.01)
    hollow = springs_of([hole(0.0, 4.0, 3.4)], made())
    pressure = lame_pressure(0.2, 10, 18, 2500, 2500, 0.36, 0.36, 6.8)
    newtons = (0.1 / np.diag(hollow.give)).sum()
    assert newtons == pytest.approx(pressure * np.pi * 10 * 8 * HOLE_SHARE, rel=0.01)


def test_all_lengths_doubled_double_every_spring() -> None:
    """[23] Walls, tubes, studs and lines in proportion: k goes as the scale."""
    touches = studs_of(trough(60, tube=1.6))
    larger = [scaled(touch, 2.0) for touch in touches]
    one, two = springs_of(touches, made()), springs_of(larger, made())
    assert one.give / 2 == pytest.approx(two.give, rel=1e-6, abs=1e-12)


def scaled(touch: Touch, by: float) -> Touch:
    from dataclasses import replace

    return replace(
        touch,
        points=touch.points * by,
        point=touch.point * by,
        depth_mm=touch.depth_mm * by,
        radius_mm=touch.radius_mm * by,
        lengths_mm=touch.lengths_mm * by,
        backings=tuple(backing.scaled(by) for backing in touch.backings),
    )


def test_a_stud_of_skins_and_infill_is_softer_than_a_solid_one() -> None:
    touches = studs_of(trough(24))
    solid = springs_of(touches, made())
    printed = Print.of(Settings())
    skins = springs_of(
        touches, Print(2500.0, 0.36, printed.mu, printed.mu_sigma, printed.printer, printed.ageing)
    )
    assert skins.give[0, 0] > 1.02 * solid.give[0, 0]


def test_ribs_are_part_of_their_wall_and_a_corner_clamps_it() -> None:
    """A rib 2 x 1.5 beside the stud: thickness 1.6 + 1.5 over 2 mm, 1.6 elsewhere, up to the corners."""
    half = RADIUS + 0.1 + 1.5
    top: Manifold = box((-50, -half - 1.6, 0), (50, half + 1.6, 34)) - box((-30, -half, -1), (30, half, 30))
    for side in (-1, 1):
        low, high = sorted((side * (half + 0.5), side * (half - 1.5)))
        top += box((-1, low, 0), (1, high, 31))
    plate = box((-50, -15, -6), (50, 15, 0)) + rod(RADIUS, ENGAGED + 1, (0, 0, -1), 96)
    (touch,) = studs_of(only(joints_of(placed([(plate, np.eye(4)), (top, np.eye(4))]))))
    for wall in touch.backings:
        assert wall.thickness_mm == pytest.approx(3.1, abs=1e-3)
        middles = (np.array(wall.ends[1:]) + np.array(wall.ends[:-1])) / 2
        thick = np.array(wall.stretches)
        assert thick[np.abs(middles) < 1] == pytest.approx(3.1, abs=1e-3)
        assert thick[np.abs(middles) > 1] == pytest.approx(1.6, abs=1e-3)
        assert (wall.ends[0], wall.ends[-1]) == pytest.approx((-30, 30), abs=0.2)
