"""The display wedge: the model stands on it at the chosen angle, clear of it, and does not tip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull

from demo_model.beacon import beacon
from demo_model.solids import Module
from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.errors import FaultyModel
from steps.features import measure
from steps.intake import read_model
from steps.joints import find_joints
from steps.model import Joints, Measures, Model, Part, Shape
from steps.prints.adapter import display_adapter
from steps.refit import refit
from steps.settings import PrinterSettings, Settings
from tests.hand_made import write_files

SETTINGS = Settings(scale=4)


@pytest.fixture(scope="module")
def big_tug(tmp_path_factory: pytest.TempPathFactory) -> tuple[Model, Measures, Joints]:
    path = tmp_path_factory.mktemp("tug") / "tug.3mf"
    write_3mf(tug(Module(facets=16)), path)
    model = read_model(path, SETTINGS)
    measures = measure(model, SETTINGS)
    return model, measures, find_joints(model, measures, SETTINGS)


def moved(model: Model, part_id: str, pose: np.ndarray) -> trimesh.Trimesh:
    part = model.part_by_id[part_id]
    shape = model.shape_by_id[part.shape]
    return trimesh.Trimesh(shape.vertices, shape.faces, process=False).apply_transform(pose @ part.pose)


def body_of(mesh: trimesh.Trimesh) -> m3.Manifold:
    return m3.Manifold(m3.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, np.uint64, order="C")))


@pytest.mark.parametrize("degrees", [0.0, 15.0, 25.0, 40.0])
def test_the_ship_stands_on_the_wedge_at_the_chosen_angle(
    big_tug: tuple[Model, Measures, Joints], degrees: float
) -> None:
    model, measures, joints = big_tug
    adapter = display_adapter(model, measures, joints, degrees)
    assert adapter.pegs == 4 and len(adapter.carried) == 78
    keel = next(part for part in model.parts if part.source == "keel")
    up = (adapter.pose @ keel.pose)[:3, 2]
    assert np.degrees(np.arccos(up[2])) == pytest.approx(degrees, abs=1e-3)
    wedge = trimesh.Trimesh(adapter.solid.vertices, adapter.solid.faces, process=False)
    assert wedge.is_watertight and wedge.body_count == 1 and wedge.bounds[0, 2] == pytest.approx(0)

    ship = {part: moved(model, part, adapter.pose) for part in adapter.carried}
    assert min(mesh.bounds[0, 2] for mesh in ship.values()) > 4
    solid = body_of(wedge)
    cut = {part: (solid ^ body_of(mesh)).volume() for part, mesh in ship.items()}
    assert max(cut.values()) < 0.5, max(
        cut, key=cut.get
    )  # faces that rest on each other, in single precision
    # the keel's bores hold the pegs: a little to any side and they would meet
    for way in np.eye(3)[:2]:
        across = adapter.pose[:3, :3] @ keel.pose[:3, :3] @ way
        shifted = body_of(ship[keel.id]).translate(list(0.6 * across))
        assert (solid ^ shifted).volume() > 50

    weights = np.array([mesh.volume for mesh in ship.values()])
    middle = np.average([mesh.center_mass for mesh in ship.values()], axis=0, weights=weights)
    foot = ConvexHull(wedge.vertices[wedge.vertices[:, 2] < 1e-6][:, :2])
    inside = -(foot.equations[:, :2] @ middle[:2] + foot.equations[:, 2])
    assert np.degrees(np.arctan2(inside.min(), middle[2])) > 9.5  # 10 by printed mass; solid differs a little


def test_the_angle_it_has_now_gives_the_pose_it_has_now(big_tug: tuple[Model, Measures, Joints]) -> None:
    """At 25 degrees the parts keep their attitude towards the upright."""
    model, measures, joints = big_tug
    adapter = display_adapter(model, measures, joints, 25.0)
    assert adapter.pose[2, :3] == pytest.approx([0, 0, 1], abs=1e-5)


def test_the_files_are_read_back_the_same(big_tug: tuple[Model, Measures, Joints], tmp_path: Path) -> None:
    model, measures, joints = big_tug
    adapter = display_adapter(model, measures, joints, 30.0)
    few = replace(model, shapes=model.shapes[:1], parts=model.parts[:1])
    prints = write_files(few, measures, tmp_path, SETTINGS, wedge=adapter)
    mesh = trimesh.load(tmp_path / "display wedge 30 degrees.stl")
    whole = trimesh.Trimesh(adapter.solid.vertices, adapter.solid.faces, process=False)
    assert mesh.is_watertight and mesh.volume == pytest.approx(whole.volume, rel=1e-5)
    assert (tmp_path / "display wedge 30 degrees.3mf").exists() and prints.problems == ()
    low = Settings(scale=4, printer=PrinterSettings(bed_mm=(220, 220, 100)))
    (told,) = write_files(few, measures, tmp_path, low, wedge=adapter).problems
    assert told.code == "too-large-for-bed" and "display wedge 30 degrees" in told.text


def test_a_refit_changes_the_wedges_pegs(big_tug: tuple[Model, Measures, Joints]) -> None:
    """Four pegs on the wedge, as wide as the refitted model's own, measured on its mesh."""
    model, measures, joints = big_tug
    moved = refit(model, measures, joints, "press", SETTINGS)
    change = next(each for each in moved.changes if each.kind == "peg")
    wide = change.features[0].radius_mm + change.delta_mm
    body = display_adapter(moved.model, moved.measures, moved.joints, 20.0).solid
    shape = Shape("S1", body.vertices, body.faces, True)
    alone = Model(
        "wedge",
        "wedge.3mf",
        "0" * 64,
        4.0,
        (shape,),
        (Part("P1", "wedge", "S1", "#ffffff", "white", np.eye(4)),),
    )
    found = [
        each.radius_mm
        for each in measure(alone, SETTINGS).by_shape["S1"].features
        if each.kind in ("stud", "peg")
    ]
    assert found == pytest.approx([wide] * 4, abs=0.02)


@pytest.mark.parametrize("degrees", [-1.0, 61.0, float("nan")])
def test_an_angle_out_of_range_is_refused(big_tug: tuple[Model, Measures, Joints], degrees: float) -> None:
    with pytest.raises(ValueError, match="display angle"):
        display_adapter(*big_tug, degrees)


def test_a_model_without_display_pegs_is_told_so(tmp_path: Path) -> None:
    write_3mf(beacon(), tmp_path / "beacon.3mf")
    model = read_model(tmp_path / "beacon.3mf", SETTINGS)
    measures = measure(model, SETTINGS)
    with pytest.raises(FaultyModel, match="No display wedge"):
        display_adapter(model, measures, find_joints(model, measures, SETTINGS), 20.0)
