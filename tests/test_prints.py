"""Print folders: every file read back, plates that hold what they say, refit and fit card measured again."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pypdf
import pypdfium2
import pytest
import shapely
import trimesh
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.solids import Module
from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.booklet.words import languages, words_in
from steps.cli import run
from steps.errors import CannotWrite, FaultyModel
from steps.features import measure
from steps.intake import read_model
from steps.joints import find_joints
from steps.model import Assembly, Joints, Measures, Model, Move, Order, Part, Shape, Step
from steps.prints import FILAMENT, PARTS_LIST, PLATES_LIST, REFIT, SHEET, Prints, prepare
from steps.prints.coupon import FORM, write_coupon
from steps.prints.form import form_pdf
from steps.prints.items import by_colour
from steps.prints.ladder import LADDER_KINDS, Ladder, find_ladder
from steps.prints.largest import too_large_problems
from steps.prints.run import APART_MM, print_run
from steps.prints.sheet import runs
from steps.refit import moved_shape, refit
from steps.sequence import BuildSequence
from steps.settings import CARD_GAPS_MM, PrinterSettings, Settings
from tests.hand_made import write_files

SETTINGS = Settings()


@pytest.fixture(scope="module")
def big_tug(tmp_path_factory: pytest.TempPathFactory) -> tuple[Model, Measures, Joints]:
    """The tug at 4x, of fewer facets to save time; 16 sides keep a corner on every contact line."""
    path = tmp_path_factory.mktemp("tug") / "tug.3mf"
    write_3mf(tug(Module(facets=16)), path)
    settings = Settings(scale=4)
    model = read_model(path, settings)
    measures = measure(model, settings)
    return model, measures, find_joints(model, measures, settings)


@pytest.fixture(scope="module")
def prints(big_tug: tuple[Model, Measures, Joints]) -> Prints:
    model, measures, _ = big_tug
    return prepare(model, measures, SETTINGS)


@pytest.fixture(scope="module")
def folder(big_tug: tuple[Model, Measures, Joints], tmp_path_factory: pytest.TempPathFactory) -> Path:
    model, measures, _ = big_tug
    path = tmp_path_factory.mktemp("prints")
    write_files(model, measures, path, SETTINGS)
    return path


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text())))


def read_items(path: Path) -> list[tuple[str, str, str, trimesh.Trimesh]]:
    """(part number, object name, colour, mesh in place) of every build item, through lib3mf, strictly."""
    document = lib3mf.get_wrapper().CreateModel()
    reader = document.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0 and document.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found, items = [], document.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        mesh = document.GetMeshObjectByID(item.GetObjectResourceID())
        vertices = np.array([list(vertex.Coordinates) for vertex in mesh.GetVertices()])
        faces = np.array([list(triangle.Indices) for triangle in mesh.GetTriangleIndices()])
        place = np.array([list(column) for column in item.GetObjectTransform().Fields])
        group, material, _ = mesh.GetObjectLevelProperty()
        colour = document.GetBaseMaterialGroupByID(group).GetDisplayColor(material)
        hexed = f"#{colour.Red:02x}{colour.Green:02x}{colour.Blue:02x}"
        placed = trimesh.Trimesh(vertices @ place[:3] + place[3], faces, process=False)
        found.append((item.GetPartNumber(), mesh.GetName(), hexed, placed))
    return found


# ------------------------------------------------------------------------------- folder


def test_one_stl_and_3mf_per_shape_and_colour(big_tug: tuple[Model, Measures, Joints], folder: Path) -> None:
    model, measures, _ = big_tug
    kinds = Counter((part.shape, part.colour) for part in model.parts)
    rows = table(folder / PARTS_LIST)
    assert len(rows) == len(kinds) == len(list(folder.glob("*.stl"))) == len(list(folder.glob("*.3mf")))
    assert sum(int(row["count"]) for row in rows) == len(model.parts)
    by_label = {f"S{int(shape.id[1:]):02d}": shape for shape in model.shapes}
    for row in rows:
        shape = by_label[row["label"]]
        assert int(row["count"]) == kinds[shape.id, row["colour"]]
        mesh = trimesh.load(folder / row["file"].replace(".3mf", ".stl"))
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(measures.by_shape[shape.id].volume_mm3, rel=1e-5)
        assert mesh.bounds[0, 2] == pytest.approx(0, abs=1e-4)
        np.testing.assert_allclose(mesh.bounds.mean(axis=0)[:2], 0, atol=1e-4)
        assert (mesh.extents <= SETTINGS.printer.bed_mm).all()


def test_3mf_holds_each_copy_under_its_name_in_its_colour(
    big_tug: tuple[Model, Measures, Joints], folder: Path
) -> None:
    model, _, _ = big_tug
    sources = Counter[str]()
    for row in table(folder / PARTS_LIST):
        items = read_items(folder / row["file"])
        assert len(items) == int(row["count"])
        assert {colour for _, _, colour, _ in items} == {row["colour"]}
        assert {name for _, name, _, _ in items} == {f"{row['label']} {row['name']}"}
        boxes = [shapely.box(*mesh.bounds[:, :2].ravel()) for _, _, _, mesh in items]
        assert shapely.union_all(boxes).area == pytest.approx(sum(box.area for box in boxes))
        assert min(mesh.bounds[0, :2].min() for _, _, _, mesh in items) == pytest.approx(0, abs=1e-3)
        sources.update(number for number, _, _, _ in items)
    assert sources == Counter(part.source for part in model.parts)


def test_filament_by_colour_adds_up(big_tug: tuple[Model, Measures, Joints], folder: Path) -> None:
    model, measures, _ = big_tug
    rows = table(folder / FILAMENT)
    assert rows[-1]["colour"] == "all" and int(rows[-1]["parts"]) == len(model.parts)
    printed = sum(measures.by_shape[part.shape].printed_g for part in model.parts)
    supports = sum(int(r["count"]) * float(r["support_g_each"]) for r in table(folder / PARTS_LIST))
    assert float(rows[-1]["grams"]) == pytest.approx(printed + supports, abs=3)
    assert sum(float(row["grams"]) for row in rows[:-1]) == pytest.approx(
        float(rows[-1]["grams"]), abs=len(rows)
    )
    # 1 m of 1.75 mm is pi / 4 x 1.75^2 = 2.405 cm3; PLA 1.25 g/cm3 (Processes 2025 13:2733)
    assert float(rows[-1]["metres"]) == pytest.approx(float(rows[-1]["grams"]) / 1.25 / 2.405, rel=2e-3)


def text_of(path: Path) -> str:
    document = pypdfium2.PdfDocument(str(path))
    return " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())


def test_parts_sheet_shows_every_print(folder: Path) -> None:
    text = text_of(folder / SHEET)
    for row in table(folder / PARTS_LIST):
        assert f"{row['count']} × {row['label']}" in text


def words_of(text: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]{4,}", text))


def test_sheet_and_form_are_german_throughout(
    big_tug: tuple[Model, Measures, Joints], tmp_path: Path
) -> None:
    """Every word of four letters or more is one of the German messages, or data."""
    model, measures, joints = big_tug
    german = Settings(scale=4, language="de")
    order = order_of(model, [[part.id] for part in model.parts])
    write_files(model, measures, tmp_path, german, order)
    write_coupon(model, measures, joints, tmp_path, german)
    catalogue = words_in("de").catalogue
    assert catalogue is not None
    strings = [m.string if isinstance(m.string, str) else " ".join(m.string) for m in catalogue if m.id]
    known = words_of(" ".join(strings)) | words_of(model.name)
    known |= {
        "stepleaf",
        "toml",
        "tight",
        "press",
        "slide",
        "loose",
        "stud",
        "ball",
        "card",
        "pulls",
        "printer",
        "boss",
        "error",
    }
    for file in (SHEET, FORM):
        text = text_of(tmp_path / file)
        assert words_of(text) <= known, words_of(text) - known
        assert pypdf.PdfReader(tmp_path / file).trailer["/Root"]["/Lang"] == "de"
    assert "Noppen oben" in text_of(tmp_path / SHEET) and "Passkarte" in text_of(tmp_path / FORM)


def test_the_sheet_leads_from_a_label_to_its_steps(
    big_tug: tuple[Model, Measures, Joints], tmp_path: Path
) -> None:
    model, measures, _ = big_tug
    few = replace(model, parts=model.parts[:6])
    order = order_of(few, [[part.id] for part in few.parts])
    made = write_files(few, measures, tmp_path, SETTINGS, order)
    text = text_of(tmp_path / SHEET)
    for item in made.items:
        steps = sorted(made.needed[part] for part in item.parts)
        assert re.search(rf"{item.laid.label} .{{1,120}}? {re.escape(runs(steps))} ", text), (item.stem, text)
    assert runs([1, 2, 3, 5, 7, 8]) == "1–3, 5, 7–8" and runs([]) == ""
    assert runs(range(1, 40, 2)) == "1, 3, 5, 7, 9, 11, …, 39"
    assert runs(range(1, 17, 2)) == "1, 3, 5, 7, 9, 11, 13, 15"


def test_same_input_same_bytes_and_no_litter(big_tug: tuple[Model, Measures, Joints], tmp_path: Path) -> None:
    model, measures, _ = big_tug
    few = replace(model, shapes=model.shapes[:3], parts=model.parts[:6])
    for name in ("one", "two"):
        write_files(few, measures, tmp_path / name, SETTINGS)
    files = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*.*"))
    assert files and not any(path.name.startswith(".") for path in files)
    for path in files:
        assert (tmp_path / "one" / path).read_bytes() == (tmp_path / "two" / path).read_bytes()


def test_an_old_count_does_not_lie_beside_a_new_one(
    big_tug: tuple[Model, Measures, Joints], tmp_path: Path
) -> None:
    model, measures, _ = big_tug
    small = replace(model, shapes=model.shapes[:1], parts=model.parts[:4])
    write_files(small, measures, tmp_path, SETTINGS)
    own = tmp_path / "my notes.3mf"
    own.write_text("mine")
    with open(tmp_path / PARTS_LIST, "a") as file:  # a table that names what is not ours takes nothing away
        file.write("S99,x,my notes.3mf\nS99,x,../outside.3mf\n")
    outside = tmp_path.parent / "outside.3mf"
    outside.write_text("mine too")
    before = {path.name for path in tmp_path.glob("S*")}
    write_files(replace(small, parts=model.parts[:3]), measures, tmp_path, SETTINGS)
    after = {path.name for path in tmp_path.glob("S*")}
    assert len(before) == len(after) == 2 and before.isdisjoint(after)
    assert all("3-off" in name for name in after)
    assert own.read_text() == "mine" and outside.read_text() == "mine too"


def test_a_folder_that_refuses_is_one_clear_error(
    big_tug: tuple[Model, Measures, Joints], tmp_path: Path
) -> None:
    model, measures, _ = big_tug
    blocked = tmp_path / "taken"
    blocked.write_text("a file, not a folder")
    with pytest.raises(CannotWrite, match="taken"):
        write_files(
            replace(model, shapes=model.shapes[:1], parts=model.parts[:1]), measures, blocked, SETTINGS
        )
    assert blocked.read_text() == "a file, not a folder"


def test_too_large_for_the_bed_is_named_with_the_scale_that_fits(
    big_tug: tuple[Model, Measures, Joints], prints: Prints
) -> None:
    model, measures, _ = big_tug
    small = Settings(printer=PrinterSettings(bed_mm=(150, 150, 250)))
    told = [
        problem for problem in prepare(model, measures, small).problems if problem.code == "too-large-for-bed"
    ]
    slab = next(problem for problem in told if "slab 4 x 4" in problem.text)
    assert set(slab.parts) == {part.id for part in model.parts if part.shape == "S1"}
    # the body measures 39.83 mm at 1x: 150 / 39.83
    assert f"largest scale that fits is {np.floor(150 / 39.83 * 100) / 100:g}" in slab.text
    assert not [p for p in prints.problems if p.code == "too-large-for-bed"]


def test_hostile_names_cannot_leave_the_folder(tmp_path: Path) -> None:
    box = trimesh.creation.box((20, 20, 20))
    shape = Shape("S1", box.vertices, box.faces, True)
    part = Part("P1", "../../x\n=1+1", "S1", "#ff0000", "../red/..\\ 🚢", np.eye(4))
    model = Model("<b>&", "m.3mf", "0" * 64, 1.0, (shape,), (part,))
    measures = measure(model, SETTINGS)
    evil = Measures({"S1": replace(measures.by_shape["S1"], name="../" * 100 + "CON")}, None)
    write_files(model, evil, tmp_path / "out", SETTINGS)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    (row,) = table(tmp_path / "out" / PARTS_LIST)
    assert (tmp_path / "out" / row["file"]).exists() and not row["parts"].startswith("=")


@pytest.mark.parametrize(
    ("vertices", "faces"),
    [
        ([], []),
        ([[0, 0, 0], [10, 0, 0], [0, 10, 0]], [[0, 1, 2]]),
        ([[0, 0, 0], [10, 0, 0], [0, 10, 0], [10, 10, 0]], [[0, 1, 2], [1, 3, 2]]),
        ([[1, 1, 1]] * 4, [[0, 1, 2], [1, 2, 3]]),
    ],
)
def test_a_mesh_without_a_body_is_named_and_the_rest_is_printed(
    vertices: list[Any], faces: list[Any], tmp_path: Path
) -> None:
    box = trimesh.creation.box((20, 20, 20))
    flat = Shape("S1", np.array(vertices, float).reshape(-1, 3), np.array(faces).reshape(-1, 3), False)
    good = Shape("S2", box.vertices, box.faces, True)
    parts = (
        Part("P1", "sticker", "S1", "#ff0000", "red", np.eye(4)),
        Part("P2", "cube", "S2", "#ff0000", "red", np.eye(4)),
    )
    model = Model("m", "m.3mf", "0" * 64, 1.0, (flat, good), parts)
    cube = measure(replace(model, shapes=(good,), parts=parts[1:]), SETTINGS).by_shape["S2"]
    measures = Measures({"S1": replace(cube, shape="S1"), "S2": cube}, None)
    prints = write_files(model, measures, tmp_path, SETTINGS)
    (told,) = (problem for problem in prints.problems if problem.severity == "warning")
    assert told.code == "nothing-to-print" and told.parts == ("P1",) and "sticker" in told.text
    assert len(list(tmp_path.glob("S*.stl"))) == 1 and [
        row["label"] for row in table(tmp_path / PARTS_LIST)
    ] == ["S02"]


# --------------------------------------------------------------------------- print run


def order_of(model: Model, runs: list[list[str]]) -> Order:
    """A bare order: one step per run of part ids."""
    steps = tuple(
        Step(
            number,
            "A1",
            tuple(run),
            {part: Move(np.array([[0, 0, -1.0]])) for part in run},
            (),
            (),
            np.array([0, 0, 1.0]),
        )
        for number, run in enumerate(runs, 1)
    )
    return Order((Assembly("A1", "model", (tuple(part.id for part in model.parts),)),), steps)


def test_plates_hold_every_part_once_in_one_colour_within_the_bed(
    big_tug: tuple[Model, Measures, Joints], prints: Prints
) -> None:
    model, _, _ = big_tug
    assert Counter(copy.part for plate in prints.plates for copy in plate.copies) == Counter(
        part.id for part in model.parts
    )
    bed = shapely.box(0, 0, *SETTINGS.printer.bed_mm[:2]).buffer(1e-6)
    for plate in prints.plates:
        boxes = []
        for copy in plate.copies:
            item = prints.items[copy.item]
            assert item.colour == plate.colour and copy.part in item.parts
            half = np.ptp(item.laid.vertices[:, :2], axis=0) / 2
            boxes.append(
                shapely.box(*(np.array([copy.x, copy.y]) - half), *(np.array([copy.x, copy.y]) + half))
            )
        assert all(bed.contains(box) for box in boxes)
        apart = [a.distance(b) for k, a in enumerate(boxes) for b in boxes[:k]]
        assert min(apart, default=APART_MM) >= APART_MM - 1e-6
        assert plate.minutes <= 60 * SETTINGS.printer.plate_h or len(plate.copies) == 1
        assert plate.minutes == pytest.approx(
            sum(prints.items[copy.item].laid.use.minutes for copy in plate.copies)
        )


def test_plates_follow_the_build(big_tug: tuple[Model, Measures, Joints], tmp_path: Path) -> None:
    """Built backwards, the last part's colour comes first; each plate opens with what is needed first."""
    model, measures, _ = big_tug
    order = order_of(model, [[part.id] for part in reversed(model.parts)])
    prints = write_files(model, measures, tmp_path, SETTINGS, order=order)
    needed = BuildSequence.of(model, order).first_needed
    assert prints.plates[0].colour == model.parts[-1].colour and prints.plates[0].needed_at == 1
    done: set[str] = set()
    for plate in prints.plates:
        waiting = {part: step for part, step in needed.items() if part not in done}
        assert plate.needed_at == min(waiting.values())
        done |= {copy.part for copy in plate.copies}
    rows = table(tmp_path / PARTS_LIST)
    assert {int(step) for row in rows for step in row["steps"].split()} == set(needed.values())
    runs = table(tmp_path / PLATES_LIST)
    assert [int(row["plate"]) for row in runs] == list(range(1, len(prints.plates) + 1))
    for row, plate in zip(runs, prints.plates, strict=True):
        assert len(read_items(tmp_path / row["file"])) == len(plate.copies)


def test_plates_sort_by_name_as_they_are_printed(tmp_path: Path) -> None:
    box = trimesh.creation.box((200, 200, 5))
    shape = Shape("S1", box.vertices, box.faces, True)
    parts = tuple(Part(f"P{n}", f"part {n}", "S1", "#ff0000", "red", np.eye(4)) for n in range(1, 121))
    model = Model("m", "m.3mf", "0" * 64, 1.0, (shape,), parts)
    write_files(model, measure(model, SETTINGS), tmp_path, SETTINGS)
    names = [row["file"] for row in table(tmp_path / PLATES_LIST)]
    assert len(names) == 120 and names == sorted(names) and all((tmp_path / name).exists() for name in names)


def test_a_print_larger_than_the_bed_is_named_and_on_no_plate(
    big_tug: tuple[Model, Measures, Joints],
) -> None:
    """By `inspect` too, which lays only what might not fit."""
    model, measures, _ = big_tug
    tiny = Settings(scale=4, printer=PrinterSettings(bed_mm=(100, 100, 250)))
    prints = prepare(model, measures, tiny)
    large = {part for item in prints.items if not item.laid.fit.fits for part in item.parts}
    on_plates = [copy.part for plate in prints.plates for copy in plate.copies]
    assert large and sorted(on_plates) == sorted({part.id for part in model.parts} - large)
    told = [problem for problem in prints.problems if problem.code == "too-large-for-bed"]
    assert {part for problem in told for part in problem.parts} == large
    assert [p.text for p in too_large_problems(model, measures, tiny)] == [p.text for p in told]
    assert print_run((), tiny.printer) == ()


def test_one_line_says_what_it_comes_to(big_tug: tuple[Model, Measures, Joints], prints: Prints) -> None:
    model, _, _ = big_tug
    told = re.fullmatch(
        r"(\d+) parts in (\d+) files and (\d+) plates: ([\d.]+) kg, (\d+) m, about (\d+) h", str(prints)
    )
    assert told is not None and [int(told[k]) for k in (1, 2, 3)] == [
        *(len(model.parts), len(prints.items), len(prints.plates))
    ]
    uses = [(item.count, item.laid.use) for item in prints.items]
    assert float(told[4]) == pytest.approx(
        sum(n * (u.grams + u.support_g) for n, u in uses) / 1000, abs=0.006
    )
    assert float(told[5]) == pytest.approx(sum(n * u.metres for n, u in uses), abs=0.6)
    assert float(told[6]) == pytest.approx(sum(n * u.minutes for n, u in uses) / 60, abs=0.6)


def test_sums_by_colour_count_copies(prints: Prints) -> None:
    grams = sum(item.count * (item.laid.use.grams + item.laid.use.support_g) for item in prints.items)
    assert sum(sums[0] for sums in by_colour(prints.items).values()) == pytest.approx(grams)


# -------------------------------------------------------------------------------- refit


def grips(joints: Joints, kind: str) -> list[Any]:
    return [touch for joint in joints.joints for touch in joint.touches if touch.kind == kind]


@pytest.mark.parametrize("fit", ["press", "slide"])
def test_refit_brings_every_stud_peg_and_ball_joint_to_the_fit(
    big_tug: tuple[Model, Measures, Joints], fit: Any
) -> None:
    """The joints are found and measured again on the new meshes; those that do not fit are named, and less
    than three in ten. A peg may then be as wide as the studs, and so be read as one."""
    model, measures, joints = big_tug
    settings = Settings(scale=4)
    done = refit(model, measures, joints, fit, settings)
    again = find_joints(done.model, measure(done.model, settings), settings)
    assert len(grips(joints, "peg")) == 4
    fits = {frozenset((j.a, j.b)): j.fit for j in again.joints if j.kind != "rest"}
    asked = [joint for joint in joints.joints if joint.kind in ("stud", "peg", "ball")]
    served = [joint for joint in asked if fits[frozenset((joint.a, joint.b))] == fit]
    assert len(served) > 0.7 * len(asked)
    assert {joint.id for joint in asked} - {joint.id for joint in served} <= set(done.unserved)
    named = " ".join(problem.text for problem in done.problems)
    assert all(code == "uneven-refit" for code in {problem.code for problem in done.problems})
    assert not done.unserved or done.unserved[0] in named
    for shape in done.model.shapes:
        mesh = trimesh.Trimesh(shape.vertices, shape.faces, process=False)
        assert mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0


def test_refit_by_a_size_moves_all_of_them_by_it(big_tug: tuple[Model, Measures, Joints]) -> None:
    model, measures, joints = big_tug
    done = refit(model, measures, joints, 0.15, Settings(scale=4))
    assert {change.delta_mm for change in done.changes} == {0.15} and not done.problems
    assert {change.kind for change in done.changes} == {"stud", "peg", "ball"}
    again = find_joints(done.model, measure(done.model, SETTINGS), SETTINGS)
    gaps = {frozenset((j.a, j.b)): j.gap_mm for j in joints.joints if j.kind in ("stud", "ball")}
    for joint in again.joints:
        if frozenset((joint.a, joint.b)) in gaps:
            assert joint.gap_mm == pytest.approx(gaps[frozenset((joint.a, joint.b))] - 0.15, abs=0.01)


def test_refit_moves_nothing_but_the_studs_and_lists_the_change(
    big_tug: tuple[Model, Measures, Joints],
) -> None:
    model, measures, joints = big_tug
    done = refit(model, measures, joints, "press", Settings(scale=4))
    change = next(each for each in done.changes if str(each.name) == "block 2 x 4" and each.kind == "stud")
    before = model.shape_by_id[change.shape]
    after = done.model.shape_by_id[change.shape]
    assert change.count == 8 and 0.30 < change.delta_mm < 0.45
    assert "8 studs" in str(change) and "+0.3" in str(change)
    moved = np.linalg.norm(after.vertices - before.vertices, axis=1)
    studs = measures.by_shape[change.shape].studs
    axes = np.array([stud.point for stud in studs])
    off = np.linalg.norm(before.vertices[:, None, :2] - axes[None, :, :2], axis=2).min(axis=1)
    on_stud = (np.abs(off - 4 * 3.3) < 0.01) & (before.vertices[:, 2] > 39.9)
    np.testing.assert_allclose(moved[on_stud], change.delta_mm, atol=1e-6)
    assert (moved[~on_stud] == 0).all() and on_stud.sum() == 8 * 2 * 16
    # each stud is a prism of 16 sides: its volume grows with the square of its radius
    polygon = 8 * np.sin(np.pi / 8) * 4 * 2.6  # area per radius squared, times the height
    grown = 8 * polygon * ((13.2 + change.delta_mm) ** 2 - 13.2**2)
    volume = [trimesh.Trimesh(s.vertices, s.faces, process=False).volume for s in (before, after)]
    assert volume[1] - volume[0] == pytest.approx(grown, rel=1e-4)


def rigid(given: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """(4, 4) motion that takes points (n, 3) to others, by least squares (Kabsch)."""
    a, b = given.mean(axis=0), wanted.mean(axis=0)
    u, _, v = np.linalg.svd((given - a).T @ (wanted - b))
    turn = v.T @ np.diag([1, 1, np.sign(np.linalg.det(v.T @ u.T))]) @ u.T
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, b - turn @ a
    return pose


@pytest.mark.parametrize("fit", ["press", "slide"])
def test_refitted_files_placed_again_are_read_as_that_fit(
    big_tug: tuple[Model, Measures, Joints], fit: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The STL files as written, stood where the model has them by a table of placements, by `inspect`."""
    model, measures, joints = big_tug
    settings = Settings(scale=4)
    done = refit(model, measures, joints, fit, settings)
    made = write_files(done.model, done.measures, tmp_path, settings)
    placements = ["id,file,colour,x,y,z,rx,ry,rz"]
    for item in made.items:
        file = tmp_path / f"{item.stem}.stl"
        shape = done.model.shape_by_id[item.laid.shape]
        corners = trimesh.load(file, process=False).triangles.reshape(-1, 3)
        back = rigid(corners, shape.vertices[shape.faces].reshape(-1, 3))
        for part in item.parts:
            pose = model.part_by_id[part].pose @ back
            turn = Rotation.from_matrix(pose[:3, :3]).as_euler("xyz", degrees=True)
            numbers = ",".join(f"{value:.8f}" for value in (*pose[:3, 3], *turn))
            placements.append(f"{part},{file.name},{item.colour},{numbers}")
    (tmp_path / "placements.csv").write_text("\n".join(placements))
    assert run(["inspect", str(tmp_path / "placements.csv"), "--json", "-q"]) == 0
    report = json.loads(capsys.readouterr().out)
    names = {part["id"]: part["source"] for part in report["parts"]}
    kinds = ("stud", "peg", "ball")
    found = {
        frozenset((names[joint["a"]], names[joint["b"]])): joint["fit"]
        for joint in report["joints"]
        if joint["kind"] in kinds
    }
    pairs = {frozenset((joint.a, joint.b)): joint.id for joint in joints.joints if joint.kind in kinds}
    assert set(found) == set(pairs)
    assert {found[pair] for pair, joint in pairs.items() if joint not in done.unserved} == {fit}


def test_pegs_grow_by_the_volume_of_the_ring_round_each(big_tug: tuple[Model, Measures, Joints]) -> None:
    """Prisms of 16 sides; the wedge's own faces stay where they are."""
    model, measures, joints = big_tug
    done = refit(model, measures, joints, "press", Settings(scale=4))
    change = next(each for each in done.changes if each.kind == "peg")
    before, after = (each.shape_by_id[change.shape] for each in (model, done.model))
    pegs = [each for each in measures.by_shape[change.shape].features if each.kind == "peg"]
    assert change.count == len(pegs) == 4 and 0.2 < change.delta_mm < 0.4
    polygon = 8 * np.sin(np.pi / 8)  # area per radius squared
    grown = sum(polygon * ((p.radius_mm + change.delta_mm) ** 2 - p.radius_mm**2) * p.height_mm for p in pegs)
    volume = [trimesh.Trimesh(s.vertices, s.faces, process=False).volume for s in (before, after)]
    assert volume[1] - volume[0] == pytest.approx(grown, rel=1e-3)
    moved = np.linalg.norm(after.vertices - before.vertices, axis=1)
    assert set(np.round(moved[moved > 0], 6)) == {round(change.delta_mm, 6)}


def test_pegs_that_turn_are_left_to_turn(big_tug: tuple[Model, Measures, Joints]) -> None:
    model, measures, joints = big_tug
    turning = Joints(tuple(replace(j, moves=j.moves or j.kind == "peg") for j in joints.joints))
    assert {change.kind for change in refit(model, measures, joints, "press", SETTINGS).changes} == {
        *("stud", "peg", "ball")
    }
    changes = refit(model, measures, turning, "press", SETTINGS).changes
    assert {change.kind for change in changes} == {"stud", "ball"}


def test_a_refitted_folder_holds_the_moved_shapes_and_the_list(
    big_tug: tuple[Model, Measures, Joints], tmp_path: Path
) -> None:
    model, measures, joints = big_tug
    few = replace(model, shapes=model.shapes[:1], parts=model.parts[:1])
    done = refit(model, measures, joints, "press", Settings(scale=4))
    only = replace(done.model, shapes=done.model.shapes[:1], parts=few.parts)
    prints = write_files(only, done.measures, tmp_path, SETTINGS)
    rows = table(tmp_path / REFIT)
    assert len(rows) == len(prints.changes) == len(only.shapes[0].changes) > 0
    told = [float(row["moved_mm"]) for row in rows]
    assert told == pytest.approx([change.delta_mm for change in only.shapes[0].changes], abs=0.006)
    (file,) = tmp_path.glob("S01*.stl")
    assert trimesh.load(file).volume > measures.by_shape["S1"].volume_mm3 * 1.001
    write_files(few, measures, tmp_path, SETTINGS)  # as the model is: the list of changes is no longer true
    assert not (tmp_path / REFIT).exists()
    (tmp_path / REFIT).write_text("my own notes\n")
    write_files(few, measures, tmp_path, SETTINGS)
    assert (tmp_path / REFIT).read_text() == "my own notes\n"


def with_gap(joints: Joints, wider: float, chosen: Any) -> Joints:
    """The joints with the gap of some contacts set wider by hand; each a situation of its own."""
    return Joints(
        tuple(
            replace(
                joint,
                touches=tuple(
                    replace(
                        t,
                        gap_mm=t.gap_mm + wider * chosen(t),
                        gaps_mm=t.gaps_mm + wider * chosen(t),
                        backings=tuple(replace(b) for b in t.backings),
                    )
                    for t in joint.touches
                ),
            )
            for joint in joints.joints
        )
    )


def test_refit_names_the_joints_that_one_move_cannot_serve(big_tug: tuple[Model, Measures, Joints]) -> None:
    """Studs that stand alone here and sixteen at once there: the joints named are those that, measured on the
    new meshes, do not press or are not closed by hand, with the parts of the shape that cannot serve them."""
    model, measures, joints = big_tug
    done = refit(model, measures, joints, "press", SETTINGS)
    told = [p for p in done.problems if p.code == "uneven-refit"]
    assert told and done.unserved
    now = {frozenset((j.a, j.b)): j for j in done.joints.joints}
    for name in done.unserved:
        joint = joints.by_id[name]
        after = now[frozenset((joint.a, joint.b))]
        assert after.fit != "press" or after.closes_by in ("clamp", "none")
    for problem in told:
        (shape,) = {model.part_by_id[part].shape for part in problem.parts}
        assert shape in problem.text.split()
        assert set(problem.parts) == {part.id for part in model.parts if part.shape == shape}
        named = re.findall(r"\bJ\d+", problem.text)
        assert named and set(named) <= set(done.unserved)
        assert all(
            shape in {model.part_by_id[joints.by_id[n].a].shape, model.part_by_id[joints.by_id[n].b].shape}
            for n in named
        )


def test_side_studs_of_a_shape_move_by_their_own_need(big_tug: tuple[Model, Measures, Joints]) -> None:
    """Side studs set 0.3 mm wider than those on top: two moves, as far apart."""
    model, measures, joints = big_tug
    key = next(
        key for key, each in measures.by_shape.items() if str(each.name) == "block 1 x 4, 4 side studs"
    )
    up = measures.by_shape[key].up

    def on_side(touch: Any) -> bool:
        part = model.part_by_id[touch.carrier]
        return touch.kind == "stud" and part.shape == key and abs(touch.axis @ part.pose[:3, :3] @ up) < 0.1

    plain = [c for c in refit(model, measures, joints, "press", SETTINGS).changes if c.shape == key]
    done = refit(model, measures, with_gap(joints, 0.3, on_side), "press", SETTINGS)
    changes = [each for each in done.changes if each.shape == key]
    assert [each.count for each in changes] == [4, 4] == [each.count for each in plain]
    deltas, before = ([each.delta_mm for each in some] for some in (changes, plain))
    assert deltas == pytest.approx([before[0], before[1] + 0.3], abs=0.021)
    own, moved = model.shape_by_id[key].vertices, done.model.shape_by_id[key].vertices
    away = (moved - own)[np.linalg.norm(moved - own, axis=1) > 0]
    for stud_axis, delta in ((up, deltas[0]), (None, deltas[1])):
        lengths = np.linalg.norm(away, axis=1)
        group = away[np.abs(lengths - delta) < 0.02]
        assert len(group) == 4 * 2 * 16
        if stud_axis is not None:
            np.testing.assert_allclose(group @ stud_axis, 0, atol=1e-6)


def test_refit_leaves_a_stud_that_has_no_room_to_grow(big_tug: tuple[Model, Measures, Joints]) -> None:
    model, measures, joints = big_tug
    done = refit(model, measures, with_gap(joints, 9, lambda t: True), "press", SETTINGS)
    told = {problem.parts: problem.text for problem in done.problems if problem.code == "cannot-refit"}
    slab = tuple(part.id for part in model.parts if part.shape == "S1")
    assert "run into the edge" in told[slab]
    assert np.array_equal(done.model.shapes[0].vertices, model.shapes[0].vertices)


def test_refit_names_a_stud_that_would_run_over_its_edge(
    big_tug: tuple[Model, Measures, Joints],
) -> None:
    """The body ends 19.66 mm from a stud's axis at 4x; studs of radius 13.2 have 6.46 mm to grow."""
    model, measures, _ = big_tug
    key = next(key for key, each in measures.by_shape.items() if str(each.name) == "block 2 x 4")
    assert moved_shape(model.shape_by_id[key], measures.by_shape[key].studs, 6.4) is not None
    assert moved_shape(model.shape_by_id[key], measures.by_shape[key].studs, 6.5) is None


# ----------------------------------------------------------------------------- fit card


@pytest.mark.parametrize("kind", LADDER_KINDS)
def test_the_card_has_a_plug_at_each_gap_and_the_piece_is_the_models_own(
    big_tug: tuple[Model, Measures, Joints], kind: Any
) -> None:
    model, measures, joints = big_tug
    gaps = CARD_GAPS_MM[kind]
    ladder = find_ladder(model, measures, joints, kind, SETTINGS)
    assert ladder is not None and tuple(gap for _, gap in ladder.gaps) == gaps
    card = trimesh.Trimesh(ladder.card.vertices, ladder.card.faces, process=False)
    piece = trimesh.Trimesh(ladder.piece.vertices, ladder.piece.faces, process=False)
    for mesh in (card, piece):
        assert mesh.is_watertight and mesh.body_count == 1 and mesh.bounds[0, 2] == pytest.approx(0)
        assert (mesh.extents <= SETTINGS.printer.bed_mm).all()
    radii = sorted(_radii(card, kind), reverse=True)
    expected = [ladder.stud_radius_mm + ladder.file_gap_mm - gap for gap in gaps]
    assert ladder.widths_mm == pytest.approx([2 * each for each in expected])
    np.testing.assert_allclose(radii, expected, atol=0.02)
    assert ladder.file_gap_mm == pytest.approx({"stud": 0.34, "peg": 0.34, "ball": 0.085}[kind], abs=0.04)


def _radii(card: trimesh.Trimesh, kind: str) -> list[float]:
    """Half the width of every outline a third of the way up the studs, or at the balls' girth."""
    rise = card.bounds[1, 2] - 3.0
    levels = [3.0 + rise / 3] if kind == "stud" else np.linspace(3.0 + rise * 0.4, card.bounds[1, 2] - 1, 60)
    widest: dict[tuple[int, int], float] = {}
    for level in levels:
        section = card.section([0, 0, 1], [0, 0, level])
        for line in section.discrete:
            middle = (line.min(axis=0) + line.max(axis=0)) / 2
            key = (round(middle[0] / 5), round(middle[1] / 5))
            widest[key] = max(widest.get(key, 0), float(np.ptp(line, axis=0)[:2].max() / 2))
    return list(widest.values())


def test_the_piece_to_try_keeps_its_socket_and_has_an_eye(big_tug: tuple[Model, Measures, Joints]) -> None:
    """Below its top the piece is the model's part, face for face; only the eye is new."""
    model, measures, joints = big_tug
    ladder = find_ladder(model, measures, joints, "stud", SETTINGS)
    assert ladder is not None
    piece = trimesh.Trimesh(ladder.piece.vertices, ladder.piece.faces, process=False)
    own = model.shape_by_id[ladder.of[1]]
    mesh = trimesh.Trimesh(own.vertices, own.faces, process=False)
    mesh.apply_translation(piece.bounds[0] - mesh.bounds[0])
    for level in (1.0, 4.0, 8.0):
        areas = [m.section([0, 0, 1], [0, 0, level]).to_2D()[0].area for m in (mesh, piece)]
        assert areas[1] == pytest.approx(areas[0], rel=1e-4)
    assert piece.extents[2] > mesh.extents[2] + 10
    assert piece.euler_number == mesh.euler_number - 2  # one hole through the eye


def test_numbers_are_engraved_between_the_rows(big_tug: tuple[Model, Measures, Joints]) -> None:
    ladder = find_ladder(*big_tug, "stud", SETTINGS)
    assert ladder is not None
    card = trimesh.Trimesh(ladder.card.vertices, ladder.card.faces, process=False)
    cut = card.section([0, 0, 1], [0, 0, 3.0 - 0.3]).to_2D()[0]
    whole = card.section([0, 0, 1], [0, 0, 1.0]).to_2D()[0]
    assert len(whole.polygons_full[0].interiors) == 0
    # 1, 2, 3, 4, 5, 7 are cut as one groove each, of which 6 has one island and 8 has two
    assert cut.area < whole.area - 8 * 10
    assert len(cut.polygons_full) == 1 + 3 and sum(len(p.interiors) for p in cut.polygons_full) == 8


def test_the_coupon_folder_and_its_form(big_tug: tuple[Model, Measures, Joints], tmp_path: Path) -> None:
    model, measures, joints = big_tug
    coupon = write_coupon(model, measures, joints, tmp_path, SETTINGS)
    names = {path.name for path in tmp_path.iterdir()}
    kinds = [f"{kind} {what}" for kind in LADDER_KINDS for what in ("card", "piece to try")]
    assert names == {FORM, *(f"{name}.{end}" for name in kinds for end in ("stl", "3mf"))}
    assert coupon.problems == ()
    document = pypdfium2.PdfDocument(str(tmp_path / FORM))
    text = document[0].get_textpage().get_text_range()
    for gap in {gap for gaps in CARD_GAPS_MM.values() for gap in gaps}:
        assert (f"{gap:+.2f}".replace("-", "−") if gap else "0.00") in text
    for ladder in coupon.ladders:
        for wide in ladder.widths_mm:
            assert f"{wide:.2f}" in text
    for key in (
        "boss_error_mm",
        "[fit.stud_card]",
        "[fit.peg_card]",
        "[fit.ball_card]",
        "tight =",
        "loose =",
        "pulls_kg =",
    ):
        assert key in text
    again = write_coupon(model, measures, joints, tmp_path / "again", SETTINGS)
    for name in names:
        assert (tmp_path / name).read_bytes() == (tmp_path / "again" / name).read_bytes()
    assert len(again.ladders) == 3


@pytest.fixture(scope="module")
def big_ladders(big_tug: tuple[Model, Measures, Joints]) -> list[Ladder]:
    return [each for kind in LADDER_KINDS if (each := find_ladder(*big_tug, kind, SETTINGS)) is not None]


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_form_of_three_ladders_is_one_page_and_the_pictures_another(
    big_tug: tuple[Model, Measures, Joints], big_ladders: list[Ladder], language: str, paper: Any
) -> None:
    """Names of ordinary length; within the margins; card and piece of each ladder beside each other."""
    model, measures, _ = big_tug
    found = big_ladders
    data = form_pdf(found, model, measures, Settings(scale=4, language=language, paper=paper))
    document = pypdfium2.PdfDocument(data)
    assert len(found) == 3 and len(document) == 2
    pictures = [each for each in document[1].get_objects() if each.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]
    assert len(pictures) == 6
    for each in pictures:  # something is drawn: ink on white
        drawn = np.asarray(each.get_bitmap().to_pil().convert("L"))
        assert drawn.max() == 255 and 0.05 < (drawn < 250).mean() < 0.9
    wide, high = document[0].get_size()
    text = document[0].get_textpage()
    for row in range(text.count_rects()):
        left, bottom, right, top = text.get_rect(row)
        assert 40 < left < right < wide - 30 and 15 < bottom < top < high - 30


def test_a_model_without_joints_gets_no_card(tmp_path: Path) -> None:
    write_3mf(beacon(), tmp_path / "beacon.3mf")
    model = read_model(tmp_path / "beacon.3mf", SETTINGS)
    with pytest.raises(FaultyModel, match="No fit card"):
        write_coupon(model, measure(model, SETTINGS), Joints(()), tmp_path / "out", SETTINGS)
    assert not (tmp_path / "out").exists()
