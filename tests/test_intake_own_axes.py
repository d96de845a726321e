"""A shape out of one baked mesh has the same axes, corners and faces however the model stands in the file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from steps.canonical import Canonical
from steps.intake import read_model
from steps.model import Model
from tests.benchmarks.sameness import ways
from tests.models.families import family
from tests.models.files import write


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Model]:
    folder = tmp_path_factory.mktemp("baked")
    made, found = family("drawers", 1, 8), {}
    for way, other in ways(made).items():
        write(other, path := folder / f"{way}.stl")
        found[way] = read_model(path)
    return found


def test_shapes_are_the_same_meshes(read: dict[str, Model]) -> None:
    def key(model: Model) -> list[object]:
        return sorted(
            (len(shape.faces), *shape.size_mm.round(2).tolist(), shape.faces.tolist())
            for shape in model.shapes
        )

    assert all(key(model) == key(read["again"]) for model in read.values())
    places = [np.sort(np.concatenate([s.vertices for s in model.shapes]), axis=0) for model in read.values()]
    assert all(np.allclose(place, places[0], atol=1e-4) for place in places)


def test_parts_stand_where_the_file_has_them(read: dict[str, Model]) -> None:
    """The poses bring the shapes' own axes to the file's: the same boxes, however the shape is told."""
    boxes = {way: model.part_bounds.reshape(-1, 6) for way, model in read.items()}
    plain = boxes["again"]
    quarter = np.stack(
        [-plain[:, 4], plain[:, 0], plain[:, 2], -plain[:, 1], plain[:, 3], plain[:, 5]], axis=1
    )
    assert np.allclose(boxes["quarter"], quarter, atol=1e-4)
    assert np.allclose(boxes["moved"] - plain, [123.4, -77.7, 0, 123.4, -77.7, 0], atol=1e-4)
    for model in read.values():
        assert np.allclose(np.linalg.det(model.poses[:, :3, :3]), 1)


def test_a_part_that_looks_the_same_turned_has_one_pose(tmp_path: Path) -> None:
    """Keyhole plates stand on one another all alike: along the axes computed with, so do their poses, however
    the model lies in its file; and a part shown by another pose would be another sight of it."""
    made = family("keyholes", 0, 6)
    plain: np.ndarray | None = None
    for way, other in ways(made).items():
        write(other, path := tmp_path / f"{way}.stl")
        here = Canonical.of(read_model(path)).model
        turns = here.poses[:, :3, :3]
        plain = turns if plain is None else plain
        assert np.allclose(turns, plain, atol=1e-4), way
