"""The print run is the maker's: entries stay over reruns, what is left is planned; trays and advice."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from demo_model.beacon import beacon
from steps.errors import UnreadableInput
from steps.features import measure
from steps.model import Model
from steps.prints import RUN, Prints, prepare, write_out
from steps.prints.advice import CARRYING, LARGE, advice_of, carried_grams
from steps.prints.entries import FORMER_HEAD, PrintEntry, failed_among_done, read_entries
from steps.prints.run import print_run
from steps.prints.trays import TRAY_PARTS, trays_of
from steps.settings import PrinterSettings, Settings
from tests.models import model_of

SETTINGS = Settings(scale=4)


@pytest.fixture(scope="module")
def model() -> Model:
    return model_of(beacon(), 4.0)


def written(model: Model, folder: Path, only_left: bool = False) -> Prints:
    entries = read_entries(folder / RUN)
    made = prepare(model, measure(model, SETTINGS), SETTINGS, entries=entries, only_left=only_left)
    write_out(made, model, folder, SETTINGS)
    return made


def rows_of(folder: Path) -> list[dict[str, str]]:
    with (folder / RUN).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def enter(folder: Path, *entered: dict[str, str], columns: tuple[str, ...] = ()) -> None:
    """Write entries into the first rows, and columns of one's own."""
    rows = rows_of(folder)
    names = [*rows[0], *columns]
    for row, cells in zip(rows, entered, strict=False):
        row.update(cells)
    with (folder / RUN).open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names, restval="")
        writer.writeheader()
        writer.writerows(rows)


def test_entries_stay_and_only_what_the_model_says_changes(model: Model, tmp_path: Path) -> None:
    written(model, tmp_path)
    first = rows_of(tmp_path)
    assert all(row["left"] == row["count"] and row["done"] == "" for row in first)
    entered = {"done": "2", "failed": "1", "spool": "grey 3", "note": "a, b", "who": "me"}
    enter(tmp_path, entered, {"done": "all"}, columns=("who",))
    written(model, tmp_path)
    row, second, *_ = rows_of(tmp_path)
    assert {name: row[name] for name in entered} == entered
    assert int(row["left"]) == int(row["count"]) - 2 + 1
    assert (second["done"], second["left"]) == ("all", "0")
    content = (tmp_path / RUN).read_bytes()
    written(model, tmp_path)
    assert (tmp_path / RUN).read_bytes() == content


def test_a_print_that_left_the_model_keeps_its_row(model: Model, tmp_path: Path) -> None:
    made = written(model, tmp_path)
    enter(tmp_path, {"done": "1", "note": "spare"})
    gone = made.items[0]
    less = replace(model, parts=tuple(part for part in model.parts if part.id not in gone.parts))
    written(less, tmp_path)
    (row,) = [row for row in rows_of(tmp_path) if row["note"] == "spare"]
    assert (row["count"], row["left"], row["file"]) == ("0", "0", "")
    written(model, tmp_path)
    assert rows_of(tmp_path)[0]["note"] == "spare"


def test_plates_hold_what_is_left(model: Model, tmp_path: Path) -> None:
    made = written(model, tmp_path)
    count = made.items[0].count
    enter(tmp_path, {"done": str(count), "failed": "1", "again": "1"}, {"done": "x"})
    left = written(model, tmp_path, only_left=True)
    per_item = Counter(copy.item for plate in left.plates for copy in plate.copies)
    assert per_item[0] == 2 and per_item[1] == 0
    assert all(per_item[row] == item.count for row, item in enumerate(left.items) if row > 1)


@pytest.mark.parametrize(
    ("entry", "left"),
    [
        (PrintEntry(done=4), 0),
        (PrintEntry(done=4, failed=1), 1),
        (PrintEntry(done=3, failed=1), 2),
        (PrintEntry(failed=1), 4),  # it was printed, so of four four are left, not five
        (PrintEntry(done=5, again=2), 1),
        (PrintEntry(done=9), 0),
    ],
)
def test_a_failed_one_was_printed_and_is_one_more(entry: PrintEntry, left: int) -> None:
    assert entry.left(4) == left


def test_failed_ones_of_what_is_half_done_are_told_as_counted(model: Model, tmp_path: Path) -> None:
    made = written(model, tmp_path)
    row = next(row for row, item in enumerate(made.items) if item.count > 2)
    enter(tmp_path, *[{} for _ in range(row)], {"done": "2", "failed": "1"})
    (note,) = failed_among_done(read_entries(tmp_path / RUN), made.items)
    assert f"2 done, 1 of them failed, {made.items[row].count - 1} of" in note.text
    enter(tmp_path, *[{} for _ in range(row)], {"done": str(made.items[row].count), "failed": "1"})
    assert failed_among_done(read_entries(tmp_path / RUN), made.items) == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("mine\n1\n", "is no print run, or lost columns"),
        ("{head}\nS01,a,,red,4,4,1,f,many,,,,,k1\n", "line 2: done is 'many'"),
        ("{head}\nS01,a,,red\n", "line 2: 4 cells instead of 14"),
        ("{head}\nS01,a,,red,4,4,1,f,2,,,,,\n", "line 2: no 'print'"),
    ],
)
def test_entries_that_cannot_be_kept_stop_the_run(text: str, says: str, model: Model, tmp_path: Path) -> None:
    head = "label,name,called,colour,count,left,first_step,file,done,failed,again,spool,note,print"
    (tmp_path / RUN).write_text(text.format(head=head), encoding="utf-8")
    before = (tmp_path / RUN).read_bytes()
    with pytest.raises(UnreadableInput, match=says):
        read_entries(tmp_path / RUN)
    assert (tmp_path / RUN).read_bytes() == before


def test_a_run_of_the_former_kind_has_no_entries(tmp_path: Path) -> None:
    (tmp_path / RUN).write_text(",".join(FORMER_HEAD) + "\n1,red,1 x S01,2.0,1,f\n", encoding="utf-8")
    assert read_entries(tmp_path / RUN).by_key == {}


def test_a_large_bed_and_a_long_plate_make_fewer_plates(model: Model) -> None:
    grey = replace(model, parts=tuple(replace(part, colour="#808080") for part in model.parts))
    items = prepare(grey, measure(grey, SETTINGS), SETTINGS).items
    made = {
        (bed, hours): len(print_run(items, PrinterSettings(bed_mm=(bed, bed, 250), plate_h=hours)))
        for bed in (220.0, 300.0)
        for hours in (12.0, 60.0)
    }
    assert made[300, 60] < made[220, 60] < made[220, 12]
    for plate in print_run(items, PrinterSettings(bed_mm=(300, 300, 250), plate_h=20)):
        assert plate.minutes <= 20 * 60 or len(plate.copies) == 1


def test_trays_hold_every_part_once_in_building_order(model: Model) -> None:
    items = prepare(model, measure(model, SETTINGS), SETTINGS).items
    needed = {part.id: row // 2 + 1 for row, part in enumerate(model.parts)}
    many = {**needed, **{f"{part}x": step for part, step in needed.items()}}
    trays = trays_of(items, needed)
    total: Counter[int] = Counter()
    for tray in trays:
        total.update(tray.counts)
    assert total == Counter({row: item.count for row, item in enumerate(items)})
    assert trays[0].first == 1 and trays[-1].last == max(many.values())
    doubled = [replace(item, parts=item.parts * 5, sources=item.sources * 5) for item in items]
    fives = trays_of(doubled, needed)
    assert len(fives) > 1 and all(a.last < b.first for a, b in pairwise(fives))
    assert all(sum(tray.counts.values()) >= TRAY_PARTS for tray in fives[:-1])


def test_advice_follows_size_and_load(model: Model) -> None:
    made = prepare(model, measure(model, SETTINGS), SETTINGS)
    printer = SETTINGS.printer
    large = next(item for item in made.items if np.ptp(item.laid.vertices, axis=0).max() >= 150)
    told = [str(each.what) for each in advice_of(large, printer)]
    assert "infill 10 %" in told and "5 layers on top" in told and "3 lines of wall" in told
    load = 11 * large.laid.use.grams
    loaded = [str(each.what) for each in advice_of(large, printer, load)]
    assert f"infill 20 % (carries {load:.0f} g)" in loaded and "4 layers on top" in loaded
    assert LARGE in [each.why for each in advice_of(large, printer)]
    assert CARRYING in [each.why for each in advice_of(large, printer, load)]
    carried = carried_grams(model, {item.laid.shape: item.laid.use.grams for item in made.items})
    top = max(model.parts, key=lambda part: part.pose[2, 3]).id
    lowest = min(model.parts, key=lambda part: part.pose[2, 3]).id
    assert carried[top] == 0 and carried[lowest] > 0
