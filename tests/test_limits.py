"""Limits of reading: each is kept, named, and raised only by who may."""

from __future__ import annotations

import numpy as np
import pytest

from steps.cli.options import Run, limited
from steps.errors import BeyondLimit, FaultyModel, StepleafError, UnreadableInput, WrongSettings
from steps.intake import read_model
from steps.limits import LIMITS, Limits, limits_given
from steps.pipeline import survey
from steps.planfile import read_plan
from steps.settings import Settings, load_settings
from tests.intake_files import Gltf, ThreeMF, binary_stl, box, pose


def of_two(folder, **limits):
    """Reads a 3MF of two groups, one in the other, with two boxes."""
    file = ThreeMF()
    mesh = file.mesh(box(), "a keel with a name of many letters")
    inner = file.group([(mesh, pose()), (mesh, pose(at=(50, 0, 0)))])
    file.item(file.group([(inner, pose())]))
    return read_model(file.write(folder / "two.3mf"), Settings(limits=limits))


def of_polygon(folder, **limits):
    (folder / "m.obj").write_text("v 0 0 0\nv 9 0 0\nv 9 9 0\nv 5 12 0\nv 0 9 0\nf 1 2 3 4 5\n")
    return read_model(folder / "m.obj", Settings(limits=limits))


def of_stl(folder, **limits):
    return read_model(binary_stl(folder / "m.stl", box()), Settings(limits=limits))


def of_table(folder, **limits):
    binary_stl(folder / "a.stl", box())
    rows = "".join(f"p{row},a.stl,red,{30 * row},0,0,0,0,0\n" for row in range(3))
    (folder / "placements.csv").write_text(f"id,file,colour,x,y,z,rx,ry,rz\n{rows}")
    return read_model(folder, Settings(limits=limits))


def of_folder(folder, **limits):
    for name in ("a x2", "b x2"):
        binary_stl(folder / f"{name}.stl", box())
    return read_model(folder, Settings(limits=limits))


def of_glb(folder, **limits):
    file = Gltf()
    mesh = file.mesh(file.primitive((box()[0] / 1000, box()[1])))
    leaf = file.node(root=False, mesh=mesh)
    file.node(children=[file.node(root=False, children=[leaf])])
    return read_model(file.write(folder / "m.glb"), Settings(limits=limits))


def of_sizes(folder, **limits):
    """One mesh of twelve triangles at three sizes: three meshes to make."""
    file = ThreeMF()
    mesh = file.mesh(box())
    for size in (1.0, 2.0, 3.0):
        file.item(mesh, pose(np.eye(3) * size, at=(100 * size, 0, 0)))
    return read_model(file.write(folder / "sizes.3mf"), Settings(limits=limits))


@pytest.mark.parametrize(
    ("read", "limit", "enough", "many"),
    [
        (of_two, "parts", 2, "2 parts"),
        (of_two, "nesting", 2, "2 deep"),
        (of_two, "triangles", 12, "12 triangles"),
        (of_two, "resources", 3, "3 objects, materials and groups of colours"),
        (of_two, "files", 3, "3 files"),
        (of_sizes, "triangles", 36, "36 triangles"),
        (of_polygon, "corners", 5, "5 corners"),
        (of_stl, "triangles", 12, "12 triangles"),
        (of_table, "parts", 3, "3 parts"),
        (of_folder, "files", 2, "2 mesh files"),
        (of_glb, "nesting", 3, "3 deep"),
    ],
)
def test_each_limit_is_kept_and_named(read, limit, enough, many, tmp_path):
    try:
        read(tmp_path, **{limit: enough})
    except StepleafError as error:  # a polygon alone is no part; anything but the limit will do
        assert "--limit" not in str(error), error
    with pytest.raises(StepleafError, match=rf"{many}.*at most {enough - 1} .*--limit {limit}="):
        read(tmp_path, **{limit: enough - 1})


@pytest.mark.parametrize("limit", ["file_gib", "unpacked_gib"])
def test_sizes_in_bytes_are_kept(limit, tmp_path):
    with pytest.raises(UnreadableInput, match=rf"GiB.*--limit {limit}="):
        of_two(tmp_path, **{limit: 1e-9})


def test_long_names_are_cut_and_stay_apart(tmp_path):
    names = [part.source for part in of_two(tmp_path, name_letters=20).parts]
    assert names == ["a keel with a name…", "a keel with a name…#2"]


def test_a_coordinate_beyond_the_limit_is_named(tmp_path):
    with pytest.raises(StepleafError, match=r"vertex \d lies at z = 30 .*up to 25 are believed"):
        of_stl(tmp_path, coordinate=25)


def test_parts_that_all_stand_in_each_other_are_refused_before_their_pairs_are_made(tmp_path):
    """A hundred thousand copies at one place asked for 298 GiB."""
    file = ThreeMF()
    mesh = file.mesh(box())
    for row in range(300):
        file.item(mesh, pose(at=(row / 50, 0, 0)))
    path = file.write(tmp_path / "heap.3mf")
    with pytest.raises(
        BeyondLimit,
        match=r"heap\.3mf: so many parts stand .* [\d,]+ pairs would be looked at.*--limit pairs=",
    ):
        survey(path, Settings(limits={"pairs": 30_000}))


def test_parts_at_one_place_are_told_as_such_beside_the_limit_that_they_break(tmp_path):
    file = ThreeMF()
    mesh = file.mesh(box())
    for _ in range(30):
        file.item(mesh)
    told = r"(?s)and 23 more: exactly on top of .*pairs would be looked at"
    with pytest.raises(FaultyModel, match=told) as caught:
        survey(file.write(tmp_path / "pile.3mf"), Settings(limits={"pairs": 100}))
    assert caught.value.exit_status == BeyondLimit.exit_status == 2


@pytest.mark.parametrize(
    ("limit", "enough", "told"),
    [
        ("overlaps", 3, r"parts stand in each other in 3 different ways or more"),
        ("ways", 4, r"parts lie near each other in 4 different ways"),
    ],
)
def test_ways_of_parts_to_each_other_are_bounded(limit, enough, told, tmp_path):
    """Boxes that stand in the next by one, two and three mm; the last only touches."""
    file = ThreeMF()
    mesh = file.mesh(box((10, 10, 10)))
    for at in (0, 9, 17, 24, 34):
        file.item(mesh, pose(at=(at, 0, 0)))
    path = file.write(tmp_path / "row.3mf")
    errors = [
        each for each in survey(path, Settings(limits={limit: enough})).problems if each.code == "overlap"
    ]
    assert len(errors) == 3
    with pytest.raises(BeyondLimit, match=rf"row\.3mf: {told}.*--limit {limit}={enough}"):
        survey(path, Settings(limits={limit: enough - 1}))


def test_a_plan_beyond_the_limit(tmp_path):
    (tmp_path / "a.plan.json").write_text("{}" + " " * 2**20)
    with pytest.raises(UnreadableInput, match="plan_mib"):
        read_plan(tmp_path / "a.plan.json", Limits(plan_mib=1))


def test_a_loose_file_beyond_the_limit_is_left_out_and_the_rest_served(tmp_path):
    model = of_folder(tmp_path, parts=3)
    assert len(model.parts) == 2
    assert any("4 parts or more, at most 3" in problem.text for problem in model.problems)


# ------------------------------------------------------------------- who may raise them


RAISED = f"[limits]\nparts = {LIMITS.parts + 1}\n"


def test_a_file_found_beside_the_model_raises_nothing(tmp_path):
    binary_stl(tmp_path / "m.stl", box())
    path = tmp_path / "stepleaf.toml"
    path.write_text(RAISED)
    with pytest.raises(WrongSettings, match=r"raises limits \(parts\).*--settings"):
        Run().settings_for(tmp_path / "m.stl")
    path.write_text("[limits]\nparts = 3\n")
    assert Run().settings_for(tmp_path / "m.stl").limits.parts == 3


def test_a_named_file_and_the_command_line_may(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(RAISED)
    assert load_settings(path).limits.parts == LIMITS.parts + 1
    settings = Run({"limit": ["parts=500000", "corners=9000"]}, path).settings_for(tmp_path / "m.stl")
    assert (settings.limits.parts, settings.limits.corners) == (500_000, 9_000)
    assert limited(["nesting=99"]).limits == Limits(nesting=99)


@pytest.mark.parametrize("given", ["parts", "bits=3", "parts=many", "parts=-1", "parts=", "corners=nan"])
def test_a_limit_that_is_none_is_refused(given):
    with pytest.raises(WrongSettings, match="--limit"):
        load_settings(limits=limits_given([given]))


def test_a_plan_raises_nothing_for_its_own_verification(tmp_path, monkeypatch):
    """The settings that a plan carries may be anybody's: the limits are those of who verifies."""
    from steps import verify
    from steps.planfile import PlanFile

    seen = []
    monkeypatch.setattr(verify, "read_model", lambda path, settings: seen.append(settings))
    monkeypatch.setattr(verify, "_replayed", lambda plan, model: None)
    plan = PlanFile.model_construct(settings={"limits": {"parts": 10**9}}, scale=1.0)
    verify.verify_plan(plan, tmp_path / "m.stl", Settings(limits={"parts": 7}))
    assert [settings.limits.parts for settings in seen] == [7]
