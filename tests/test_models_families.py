"""The families of generated models tell the truth about themselves, as exact solids show."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest

from tests.models import BUILDABLE, FAMILIES, family, model_of
from tests.models.kit import Kit
from tests.models.locked import LOCKS, Lock, locked
from tests.models.published import PEN_JOINTS, pen
from tests.models.raw import FAULTS
from tests.models.replay import Bench
from tests.models.spoil import OF_BLOCKS, spoiled

#: Finer than half a stud is high in any proportions (mm).
NEAR_MM = 1.0
CASES = [(name, seed) for name in FAMILIES for seed in (0, 1)]


@pytest.fixture(scope="module", params=CASES, ids=lambda case: f"{case[0]} {case[1]}")
def bench(request: pytest.FixtureRequest) -> Bench:
    name, seed = request.param
    return Bench(family(name, seed, most=12))


def test_no_two_parts_overlap(bench: Bench) -> None:
    assert bench.overlaps() == []


def test_the_joints_are_all_that_touches(bench: Bench) -> None:
    known = {frozenset((joint.a, joint.b)) for joint in bench.made.joints}
    assert bench.touching(bench.made.touch_mm) == known


def test_the_known_moves_build_what_can_be_built(bench: Bench) -> None:
    if bench.made.family in BUILDABLE:
        assert bench.faults(NEAR_MM) == []
    else:
        assert bench.made.locked


def test_what_is_free_is_a_joint_and_what_locks_is_a_part(bench: Bench) -> None:
    names = {part.name for part in bench.made.placed}
    assert bench.made.free <= {(joint.a, joint.b) for joint in bench.made.joints}
    assert all(group and group <= names for group in bench.made.locked)


@pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.__name__)
def test_what_locks_together_has_no_way_out_and_without_any_one_it_has(lock: Lock) -> None:
    """By the true solids, shifted in small steps in 26 directions."""
    made = locked(Kit.of(np.random.default_rng(7)), 5, lock)
    (group,) = made.locked
    bench = Bench(made)
    assert not any(_leaves(bench, {name}, group - {name}) for name in group)
    for left_out in group:
        rest = group - {left_out}
        assert len(rest) == 1 or any(_leaves(bench, {name}, rest - {name}) for name in rest)


def _leaves(bench: Bench, moving: set[str], still: frozenset[str] | set[str]) -> bool:
    """Whether the parts come away in one straight move."""
    far = 500.0
    ways = [np.array([x, y, z]) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x or y or z]
    for way in ways:
        unit = way / np.linalg.norm(way)
        offsets = np.arange(0.4, 60.0, 0.4)
        if all(
            (bench.bodies[name].translate(list(offset * unit)) ^ bench.bodies[other]).volume() < 1e-3
            for name in moving
            for other in still
            for offset in (*offsets, far)
        ):
            return True
    return False


def test_a_turn_in_space_keeps_what_touches_and_what_builds() -> None:
    straight, turned = (Bench(family("drawers", 3, parts=6, turn=turn)) for turn in (False, True))
    assert set(straight.made.joints) == set(turned.made.joints)
    assert turned.touching(turned.made.touch_mm) == straight.touching(straight.made.touch_mm)
    assert turned.faults(NEAR_MM) == []
    poses = [bench.made.part_by_name["case 1"].pose for bench in (straight, turned)]
    assert not np.allclose(poses[0][:3, :3], poses[1][:3, :3])


def test_the_shells_of_a_block_unite_to_its_solid() -> None:
    made = family("stacks", 5, parts=12)
    assert len(made.shells) > 2
    for key, shells in made.shells.items():
        each = shells()
        whole = m3.Manifold.batch_boolean([*each.body, *each.studs, *each.grips], m3.OpType.Add)
        assert whole.volume() == pytest.approx(made.solids[key].volume, rel=1e-6)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_spoiled_model_is_the_same_model_on_paper(fault: str) -> None:
    """Same parts, poses and boxes; other meshes, but where the fault needs a block and there is none."""
    made = family("boxes", 1, parts=5)
    raw = spoiled(made, fault, np.random.default_rng(1))
    assert [part.pose.tobytes() for part in raw.placed] == [part.pose.tobytes() for part in made.placed]
    for key, solid in made.solids.items():
        np.testing.assert_allclose(raw.solids[key].bounds, solid.bounds, atol=1.3)
        assert fault in OF_BLOCKS or len(raw.solids[key].vertices) == 3 * len(raw.solids[key].faces)


def test_leaving_out_the_second_leg_of_a_keyhole_is_seen() -> None:
    made = family("keyholes", 0, parts=3)
    wrong = tuple(replace(put, legs=put.legs[:1]) for put in made.moves)
    assert any("runs into" in text for text in Bench(replace(made, moves=wrong)).faults(NEAR_MM))


def test_parts_keep_no_building_order_in_the_file() -> None:
    made = family("stacks", 5, parts=20)
    assert [part.name for part in made.placed] != [put.moving[0] for put in made.moves]


def test_the_published_pen_has_its_five_pairs_and_its_volumes() -> None:
    """Measures and pairs as published (see tests/models/published.py); volumes of revolution by Pappus."""
    made = pen(Kit.of(np.random.default_rng(0)), 6)
    assert {(joint.a, joint.b) for joint in made.joints} == set(PEN_JOINTS)
    solid = made.solids["tube"]
    body = m3.Manifold(m3.Mesh64(solid.vertices.copy(), np.array(solid.faces, np.uint64, order="C")))
    facets = 48
    area = facets / 2 * np.sin(2 * np.pi / facets) * (9.0**2 - 6.0**2)
    assert body.volume() == pytest.approx(90.0 * area, rel=1e-6)


@pytest.mark.parametrize("name", BUILDABLE)
def test_sizes_follow_what_is_asked_for(name: str) -> None:
    few, many = (len(family(name, 2, parts=parts).placed) for parts in (4, 60))
    assert few <= many <= 300
    assert model_of(family(name, 2, parts=4)).parts
