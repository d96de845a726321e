"""The verifier's own balance programme against published and hand-made answers, and its own face finding."""

from __future__ import annotations

import clarabel
import numpy as np
import pytest
from scipy.optimize import OptimizeResult

from steps.verify import balance
from steps.verify.balance import GROUND, NEWTONS_PER_GRAM, Rig, share_carried, weights
from steps.verify.faces import shared_faces

UP = np.array([0.0, 0, 1])
STANDS = 1 - 1e-6

# ------------------------------------------------------------------ studded staircase
# Liu et al., arXiv 2402.10711, RA-L 9(11) 2024, in block pitches and block weights: blocks 4 x 2 shifted by
# 2 pitches a level, capacity 46.30 block weights per contact; 19 levels stand, 20 fall, 20 with a prop of
# 1 x 2 (0.375 block weights) stand. All forces are upright: how high a level is, does not matter.

LEVEL, PROP, CONTACT = 1.0, 0.375, 46.30
IN_WIDE = np.array([(0.125, -0.125), (0.125, 0.125), (-0.25, 0.0)])
IN_NARROW = np.array([(0.0, -0.25), (0.0, 0.25), (-0.25, 0.0), (0.25, 0.0)])


def staircase(levels: int, prop: bool = False, scale: float = 1.0) -> float:
    """The share of its weight that a staircase carries."""
    rig = Rig()

    def studs(columns, level, offsets, upper, lower):
        for column in columns:
            for row in (-0.5, 0.5):
                for dx, dy in offsets:
                    point = scale * np.array([column + 0.5 + dx, row + dy, LEVEL * level])
                    rig.add(upper, lower, point, UP)  # pushes
                    rig.add(upper, lower, point, -UP, CONTACT * scale**2)  # holds back

    studs(range(4), 0, IN_WIDE, 0, GROUND)
    for level in range(1, levels):
        studs((2 * level, 2 * level + 1), level, IN_WIDE, level, level - 1)
    mass = [1.0] * levels
    centres = [(2.0 * level + 2, 0.0, LEVEL * (level + 0.5)) for level in range(levels)]
    if prop:
        mass.append(PROP)
        centres.append((4.5, 0.0, LEVEL / 2))
        studs((4,), 1, IN_WIDE, 1, levels)
        studs((4,), 0, IN_NARROW, levels, GROUND)
    load = weights(np.array(mass) * scale**3, UP) / NEWTONS_PER_GRAM
    return share_carried(np.array(centres) * scale, rig.struts(), load).share


def test_staircase_of_19_stands_of_20_falls_and_a_prop_saves_it():
    assert staircase(19) >= STANDS
    assert staircase(20) == pytest.approx(46.30 / 46.55, abs=2e-4)  # Liu et al., arXiv 2402.10711
    assert staircase(21) == pytest.approx(46.30 / 51.67, abs=2e-4)
    assert staircase(20, prop=True) >= STANDS


def test_staircase_four_times_as_large_stands_ten_levels():
    """The staircase of Liu et al.: weight grows with the cube, friction with the square of the scale."""
    assert staircase(10, scale=4) >= STANDS > staircase(11, scale=4)


# ------------------------------------------------------------------ dry bricks


def bricks(lefts: list[float], table_edge: float = 0.0, friction: float = 0.5) -> float:
    """Unit bricks on each other, each with its left end at x, on a table that ends at ``table_edge``."""
    rig = Rig()
    rows = list(enumerate(lefts))
    for level, left in rows:
        below = lefts[level - 1] if level else -1e3
        low, high = max(left, below), min(left + 1, below + 1 if level else table_edge)
        corners = np.array([(x, y, float(level)) for x in (low, high) for y in (0.0, 1.0)])
        rig.carry(level, level - 1 if level else GROUND, corners, np.tile(UP, (4, 1)), friction)
    centres = np.array([(left + 0.5, 0.5, level + 0.5) for level, left in rows])
    return share_carried(centres, rig.struts(), weights(np.full(len(lefts), 1000.0), UP)).share


def harmonic(count: int, shift: float) -> list[float]:
    """Left ends from the bottom: the k-th brick from the top stands out by 1 / 2k over the next."""
    out = np.cumsum([1 / (2 * k) for k in range(count, 0, -1)]) + shift
    return [float(each) - 1 for each in out]


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 20])
def test_harmonic_overhang(count):
    """H_n / 2 balances, 0.001 further out falls (Paterson & Zwick, Am. Math. Monthly 116, from memory)."""
    assert harmonic(count, 0.0)[-1] + 1 == pytest.approx(sum(1 / k for k in range(1, count + 1)) / 2)
    assert bricks(harmonic(count, -1e-9)) >= STANDS
    assert bricks(harmonic(count, 0.001)) < 1e-5  # balances are told to 1e-6 of the load


@pytest.mark.parametrize(("friction", "slides_at"), [(0.84, 40.03), (0.3, 16.7)])
def test_slides_above_the_friction_angle(friction, slides_at):
    """Coulomb: atan(mu); tilted about y, along a side of the pyramid."""
    for tilt, stands in ((slides_at - 0.2, True), (slides_at + 0.2, False)):
        up = np.array([np.sin(np.radians(tilt)), 0, np.cos(np.radians(tilt))])
        rig = Rig()
        corners = np.array([(x, y, 0.0) for x in (-2.0, 3.0) for y in (0.0, 1.0)])
        rig.carry(0, GROUND, corners, np.tile(UP, (4, 1)), friction)
        share = share_carried(
            np.array([(0.5, 0.5, 0.5)]), rig.struts(), weights(np.array([1000.0]), up)
        ).share
        assert (share >= STANDS) is stands


def test_what_is_held_carries_the_rest():
    """A brick that hangs over falls; held, it stands; one that is only pushed up is not kept from sliding."""
    rig = Rig()
    corners = np.array([(x, y, 0.0) for x in (0.0, 0.4) for y in (0.0, 1.0)])
    rig.carry(0, GROUND, corners, np.tile(UP, (4, 1)), 0.5)
    load, centre = weights(np.array([1000.0]), UP), np.array([(0.5, 0.5, 0.5)])
    assert share_carried(centre, rig.struts(), load).share < 1e-6
    assert share_carried(centre, rig.struts(), load, fixed=np.array([0])).share == 1.0


def test_a_load_on_top_of_what_stands():
    """Pushed down at its middle a brick bears anything, pushed sideways mu times its weight, by hand."""
    rig = Rig()
    corners = np.array([(x, y, 0.0) for x in (0.0, 1.0) for y in (0.0, 1.0)])
    rig.carry(0, GROUND, corners, np.tile(UP, (4, 1)), 0.5)
    own, centre = weights(np.array([1000.0]), UP), np.array([(0.5, 0.5, 0.2)])
    down, aside = np.zeros((1, 6)), np.zeros((1, 6))
    down[0, 2], aside[0, 0] = -500.0, 10.0
    assert share_carried(centre, rig.struts(), down, always=own).share == pytest.approx(1.0)
    assert share_carried(centre, rig.struts(), aside, always=own).share == pytest.approx(0.5 * 9.80665 / 10)


# ------------------------------------------------------------------ faces on each other


def box(low, high) -> np.ndarray:
    """(12, 3, 3) triangles of a box, outwards."""
    import trimesh

    solid = trimesh.creation.box(bounds=[low, high])
    return np.asarray(solid.vertices[solid.faces])


@pytest.mark.parametrize("gap", [0.0, 0.05, -0.05])
def test_boxes_share_a_rectangle(gap):
    """The corners of the overlap, in the plane of the second, whatever the small gap or overlap."""
    found = shared_faces(box((2, 1, 3 + gap), (9, 4, 5)), box((0, 0, 0), (5, 5, 3)), 0.1, 0.5)
    assert {tuple(point.round(6)) for point in found.points} == {(2, 1, 3), (2, 4, 3), (5, 1, 3), (5, 4, 3)}
    assert np.allclose(found.normals, UP)


@pytest.mark.parametrize(
    "low", [(2, 1, 3.2), (5.2, 0, 0), (0, 0, 2.8), (5, 0, 3.05)], ids=["above", "beside", "through", "edge"]
)
def test_no_faces_shared_beyond_the_tolerance_or_along_an_edge(low):
    found = shared_faces(box(low, np.add(low, (7, 3, 2))), box((0, 0, 0), (5, 5, 3)), 0.1, 0.5)
    assert not len(found.points)


def test_what_is_shared_lies_within_both_at_any_angle():
    """A box turned by 30 degrees on another: an octagon, its extremes on the edges of both."""
    turn = np.array([[np.cos(0.5), -np.sin(0.5), 0], [np.sin(0.5), np.cos(0.5), 0], [0, 0, 1]])
    upper = box((-2, -2, 1), (2, 2, 2)) @ turn.T
    found = shared_faces(upper, box((-2, -2, 0), (2, 2, 1)), 0.01, 0.5)
    assert len(found.points) == 8
    back = found.points @ turn
    assert np.abs(found.points[:, :2]).max() <= 2 + 1e-9 and np.abs(back[:, :2]).max() <= 2 + 1e-9
    on_edge = np.isclose(np.abs(found.points[:, :2]).max(axis=1), 2)
    assert on_edge.all() and np.isclose(np.abs(back[:, :2]).max(axis=1), 2).all()


# ------------------------------------------------------------------ what has changed


def test_a_build_that_changed_a_little_is_judged_as_a_whole_would_be():
    """Eight towers of bricks set askew, one brick pushed: asked near what changed, and asked whole."""
    stood = near = 0
    for seed in range(40):
        generator = np.random.default_rng(seed)
        rig, centres = Rig(), []
        for tower in range(8):
            left = 10.0 * tower
            for level in range(4):
                body, under = len(centres), len(centres) - 1 if level else GROUND
                shift = float(generator.uniform(-0.2, 0.2)) if level else 0.0
                low, high = max(left, left + shift), min(left, left + shift) + 1
                corners = np.array([(x, y, float(level)) for x in (low, high) for y in (0.0, 1.0)])
                rig.carry(body, under, corners, np.tile(UP, (4, 1)), 0.5)
                left += shift
                centres.append((left + 0.5, 0.5, level + 0.5))
        struts, own = rig.struts(), weights(np.full(len(centres), 1000.0), UP)
        before = share_carried(np.array(centres), struts, own)
        assert before.share >= STANDS
        push = np.zeros_like(own)
        push[generator.integers(len(centres)), :3] = generator.uniform(-4, 4, 3)
        whole = share_carried(np.array(centres), struts, push, own)
        nothing = np.zeros(len(struts))
        quick = share_carried(np.array(centres), struts, push, own, earlier=[nothing, before.force])
        assert quick.share == pytest.approx(whole.share, abs=1e-6)
        stood += whole.share >= STANDS
        near += (
            np.count_nonzero(np.abs(quick.force - before.force) > 1e-9) <= 4 * 16 and quick.share >= STANDS
        )
    assert 10 < stood < 40 and near >= 0.9 * stood


@pytest.mark.parametrize("off_mm", [0.0, 3e-7, 6e-4])
def test_what_two_do_to_each_other_turns_neither_by_the_rounding_of_their_places(off_mm):
    """A head on a post, set fast round a ball of 2 mm; the post is bonded at four corners of 6 x 6 mm, 10 N
    each. Pulled sideways 15 mm up it tips about an edge: 2 x 10 N x 6 mm of 100 N x 15 mm, by hand; however
    far out of line the head is by rounding."""
    rig, load = Rig(), np.zeros((2, 6))
    ring = np.array([(2.0, 0, 10), (-2, 0, 10), (0, 2, 10), (0, -2, 10)])
    corners = np.array([(3.0, 3, 0), (3, -3, 0), (-3, 3, 0), (-3, -3, 0)])
    for way in np.eye(3):
        rig.lock(1, 0, ring, way)
    for way in np.eye(3)[:2]:
        rig.lock(0, GROUND, corners, way)
    rig.add(0, GROUND, corners, -UP, 10.0, -np.inf)
    load[1, 0] = 100.0
    centres = np.array([(0, 0, 5.0), (off_mm, 0, 15.0)])
    assert share_carried(centres, rig.struts(), load).share == pytest.approx(120 / 1500, rel=1e-3)


@pytest.mark.parametrize("lean", [0.0, 6e-8])
def test_plumb_rods_hold_nothing_sideways_by_the_rounding_of_their_direction(lean):
    """Two rods hold a body upright at its middle; leaning apart by 6e-8 (single precision) they would bear
    any push sideways, one pulling and one pushing eight million times as hard."""
    rig, load = Rig(), np.zeros((1, 6))
    for side in (lean, -lean):
        rig.lock(0, GROUND, np.zeros(3), np.array([side, 0.0, 1.0]))
    load[0, 0] = 1.0
    assert share_carried(np.zeros((1, 3)), rig.struts(), load).share == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("arm_mm", "share"), [(0.25, 1.0), (0.05, 0.5)])
def test_no_lever_of_more_than_a_thousand_to_one_holds(arm_mm: float, share: float) -> None:
    """1 N pulls 100 mm up on a body that two rods hold at its foot, so far apart: by hand each bears 400 N,
    or would have to bear 2,000 N, of which 1,000 N are believed."""
    rig, load = Rig(), np.zeros((1, 6))
    rig.lock(0, GROUND, np.array([(0, 0, 0.0), (arm_mm, 0, 0)]), UP)
    rig.lock(0, GROUND, np.zeros(3), np.array([1.0, 0, 0]))
    load[0, 0], load[0, 4] = 1.0, 100.0
    found = share_carried(np.zeros((1, 3)), rig.struts(), load)
    assert found.settled and found.share == pytest.approx(share, rel=1e-4)


class GivesUp:
    """A solver that finds nothing out."""

    status, x = clarabel.SolverStatus.NumericalError, np.zeros(2)

    def __init__(self, *_: object) -> None:
        pass

    def solve(self) -> GivesUp:
        return self


@pytest.mark.parametrize(("status", "settled"), [(4, False), (2, True)], ids=["gives up", "infeasible"])
def test_what_no_solver_tells_is_not_settled(
    monkeypatch: pytest.MonkeyPatch, status: int, settled: bool
) -> None:
    """The second one's status 4 is numerical trouble, 2 that nothing meets the programme (scipy)."""
    monkeypatch.setattr(balance.clarabel, "DefaultSolver", GivesUp)
    monkeypatch.setattr(balance, "linprog", lambda *_, **__: OptimizeResult(status=status, x=None))
    rig = Rig()
    rig.lock(0, GROUND, np.zeros(3), UP)
    found = share_carried(np.zeros((1, 3)), rig.struts(), weights(np.array([100.0]), UP))
    assert (found.share, found.settled) == (0.0, settled)
    said = "it bears 0% of its weight" if settled else "could not be settled, which counts as falling"
    assert said in found.said("its weight")


def test_what_the_second_solver_calls_an_answer_is_held_against_the_balance(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It says that all is carried, by forces that carry nothing."""
    monkeypatch.setattr(balance.clarabel, "DefaultSolver", GivesUp)
    wrong = OptimizeResult(status=0, x=np.array([0.0, 1.0]))
    monkeypatch.setattr(balance, "linprog", lambda *_, **__: wrong)
    rig = Rig()
    rig.lock(0, GROUND, np.zeros(3), UP)
    assert not share_carried(np.zeros((1, 3)), rig.struts(), weights(np.array([100.0]), UP)).settled
