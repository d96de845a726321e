"""The generator of models tells the truth about them, as exact solids show."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from demo_model.solids import Module
from steps.intake import read_model
from steps.model import Model
from steps.settings import Settings
from tests.models import STRUCTURES, model_of, structure, write
from tests.models.proportions import RATIOS, proportions
from tests.models.replay import Bench

SMALL = 44


@pytest.fixture(scope="module", params=list(STRUCTURES))
def bench(request: pytest.FixtureRequest) -> Bench:
    return Bench(structure(request.param, SMALL, seed=3))


def gap(bench: Bench) -> float:
    """Half of the gap between bodies side by side, which do not touch."""
    return 0.9 * float(proportions(np.random.default_rng([3, SMALL])).clearance)


def test_no_two_parts_of_a_structure_overlap(bench: Bench) -> None:
    assert bench.overlaps() == []


def test_the_joints_of_a_structure_are_all_that_touches(bench: Bench) -> None:
    known = {frozenset((joint.a, joint.b)) for joint in bench.made.joints}
    assert bench.touching(gap(bench)) == known


def test_studs_are_counted_as_the_solids_have_them(bench: Bench) -> None:
    for joint in bench.made.joints:
        count = bench.studs_within(joint.a, joint.b) if joint.kinds == ("stud",) else 0
        assert joint.contacts == count, joint


def test_the_known_moves_build_the_structure(bench: Bench) -> None:
    assert bench.faults(near_mm=1.0) == []


def test_a_wrong_order_would_be_seen() -> None:
    from dataclasses import replace

    made = structure("cube", SMALL, seed=3)
    first, *rest = made.moves
    faults = Bench(replace(made, moves=(*rest, first))).faults(near_mm=1.0)
    assert faults and all(text.startswith(f"move {SMALL}: {first.moving[0]} runs into") for text in faults)


@pytest.mark.parametrize("kind", STRUCTURES)
@pytest.mark.parametrize("parts", [20, 100, 333, 1000])
def test_a_structure_has_exactly_the_parts_asked_for(kind: str, parts: int) -> None:
    made = structure(kind, parts, seed=parts)
    assert len(made.placed) == len(made.moves) == parts
    assert all(joint.contacts for joint in made.joints)


def test_walls_have_openings_and_the_house_is_hollow() -> None:
    """The share of its box that a structure fills, beside the solid cube of the same blocks."""
    filled = {}
    for kind in STRUCTURES:
        boxes = model_of(structure(kind, 300, seed=1)).part_bounds
        whole = np.prod(boxes[:, 1].max(axis=0) - boxes[:, 0].min(axis=0))
        filled[kind] = np.prod(boxes[:, 1] - boxes[:, 0], axis=1).sum() / whole
    assert 0.7 < filled["wall"] / filled["cube"] < 0.97
    assert all(filled[kind] / filled["cube"] < 0.75 for kind in ("sculpture", "house", "arcade"))


def test_same_seed_same_model_and_another_seed_another() -> None:
    one, again, other = (model_of(structure("wall", 60, seed=seed)) for seed in (1, 1, 2))
    assert _bytes(one) == _bytes(again) != _bytes(other)


def _bytes(model: Model) -> bytes:
    return b"".join(shape.vertices.tobytes() for shape in model.shapes) + model.poses.tobytes()


def test_proportions_keep_clear_of_what_a_known_system_has() -> None:
    for seed in range(200):
        module = proportions(np.random.default_rng(seed))
        for name, (_, _, (low, high)) in RATIOS.items():
            assert not low < getattr(module, name) / module.pitch < high, (seed, name)
        assert not 7.6 < module.pitch < 8.4
        assert abs(module.slab / module.block - 1 / 3) > 0.03


@pytest.mark.parametrize("suffix", [".3mf", ".glb", ".obj", ""])
def test_what_is_read_back_is_what_was_made(suffix: str, tmp_path: Path) -> None:
    made = structure("arcade", SMALL, seed=5, module=Module(pitch=11, stud_radius=3.7, facets=16))
    path = tmp_path / f"model{suffix}"
    write(made, path)
    read, straight = read_model(path, Settings(scale=2.0)), model_of(made, 2.0)
    assert [part.source for part in read.parts] == [part.source for part in straight.parts]
    assert len(read.shapes) == len(straight.shapes)
    np.testing.assert_allclose(read.part_bounds, straight.part_bounds, atol=2e-3)


def test_one_stl_holds_every_part_as_a_body(tmp_path: Path) -> None:
    made = structure("tower", SMALL, seed=5)
    write(made, tmp_path / "model.stl")
    read = read_model(tmp_path / "model.stl", Settings())
    assert len(read.parts) == SMALL and len(read.shapes) == len(made.solids)
