"""What `stepleaf inspect` says: all that was measured for machines, its sense for people."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from rich.text import Text

from steps.features import measure
from steps.inspect_report import Inspection, inspection, report_blocks
from steps.model import Model
from steps.pipeline import Survey
from steps.planfile import to_text
from steps.settings import Settings
from tests.joint_cases import (
    STUD_HEIGHT,
    STUD_RADIUS,
    ball,
    box,
    joints_of,
    lid,
    placed,
    plate,
    rod,
    shift,
)

NEAR = 0.02  # mm


def report_of(model: Model, **options: object) -> Inspection:
    settings = Settings.model_validate(options)
    return inspection(Survey(model, measure(model, settings), joints_of(model, **options)), settings)


def printed(report: Inspection, columns: int = 80) -> str:
    console = Console(width=columns, highlight=False, record=True, file=io.StringIO())
    for block in report_blocks(report):
        console.print(block, soft_wrap=isinstance(block, Text))
    return console.export_text()


def lid_on_plate(gap: float = 0.1) -> Model:
    """A lid without tubes 0.1 mm from the outer studs of a plate, its roof well over them."""
    return placed([(plate(2, 2), np.eye(4)), (lid(2, 2, gap=gap), shift(0, 0, 4))], names=["plate", "lid"])


def ball_in_cup() -> Model:
    cup = rod(7, 8) - ball(4.1, (0, 0, 6.5), 96)
    pin = box((-10, -10, 14), (10, 10, 18)) + rod(1.6, 8, (0, 0, 7)) + ball(4, (0, 0, 6.5), 96)
    return placed([(cup, np.eye(4)), (pin, np.eye(4))], names=["cup", "arm"])


def test_every_measure_of_a_stud_joint_reaches_the_machine() -> None:
    found = json.loads(to_text(report_of(lid_on_plate())))
    (joint,) = found["joints"]
    assert (joint["kind"], joint["contacts"], joint["fit"], joint["moves"]) == ("stud", 4, "slide", False)
    assert joint["gap_mm"] == pytest.approx(0.1, abs=NEAR)
    assert joint["mean_gap_mm"] == pytest.approx(0.1, abs=NEAR)
    assert (joint["interference_mm"], joint["snap_mm"]) == (0, 0)
    assert joint["lets_go"] == [[0, 0, 1]]
    studs = [touch for touch in joint["touches"] if touch["kind"] == "stud"]
    assert [touch["from"] for touch in studs] == ["P1"] * 4
    for touch in studs:  # in a corner: two walls at a right angle
        assert touch["depth_mm"] == touch["height_mm"] == pytest.approx(STUD_HEIGHT)
        assert touch["radius_mm"] == pytest.approx(STUD_RADIUS, abs=NEAR)
        assert touch["angles_deg"][0] == 0
        assert touch["angles_deg"][1] in (pytest.approx(90, abs=1), pytest.approx(270, abs=1))
        assert touch["bond_gap_mm"] == pytest.approx(0.1, abs=NEAR)
        assert touch["area_mm2"] > 0
        off = np.array(touch["points"]) - touch["point"]
        assert np.linalg.norm(off[:, :2], axis=1) == pytest.approx(STUD_RADIUS, abs=NEAR)
    (rest,) = (touch for touch in joint["touches"] if touch["kind"] == "rest")
    assert (rest["bond_gap_mm"], rest["angles_deg"]) == (0, [])
    assert rest["area_mm2"] == pytest.approx(20**2 - 16.8**2, abs=0.1)
    assert joint["glue_area_mm2"] == pytest.approx(sum(t["area_mm2"] for t in joint["touches"]), abs=0.01)


def test_interference_is_told_apart_from_a_gap() -> None:
    (joint,) = report_of(lid_on_plate(gap=-0.08)).joints
    assert joint.gap_mm == pytest.approx(-0.08, abs=NEAR)
    assert joint.interference_mm == pytest.approx(-joint.gap_mm, abs=1e-5)
    assert joint.fit == "tight"


def test_a_snap_says_what_it_takes_and_where_it_goes() -> None:
    report = report_of(ball_in_cup())
    (joint,) = report.joints
    assert joint.snap_mm == pytest.approx(4 - np.sqrt(4.1**2 - 1.5**2), abs=0.03)
    assert np.array(joint.lets_go) == pytest.approx(
        np.array([[0, 0, -1]]), abs=1e-3
    )  # the cup leaves the arm
    assert "Lets cup go along -z once the lip gives." in printed(report)


def test_features_of_each_shape_reach_the_machine() -> None:
    cup, arm = json.loads(to_text(report_of(ball_in_cup())))["shapes"]
    (found,) = (feature for feature in cup["features"] if feature["kind"] == "cup")
    assert found["radius_mm"] == pytest.approx(4.1, abs=NEAR)
    assert {feature["kind"] for feature in arm["features"]} == {"ball", "peg"}
    plate_shape = report_of(lid_on_plate()).shapes[0]
    assert [f.kind for f in plate_shape.features] == ["stud"] * 4
    for stud in plate_shape.features:
        assert (stud.facets, stud.through, stud.bore_mm) == (48, False, 0)
        assert stud.sag_mm == pytest.approx(STUD_RADIUS * (1 - np.cos(np.pi / 48)), abs=1e-4)
        assert stud.height_mm == pytest.approx(STUD_HEIGHT)
        assert stud.roundness_mm < NEAR
    assert plate_shape.watertight


def test_parts_that_nothing_grips_are_listed() -> None:
    block = box((0, 0, 0), (8, 8, 8))
    items = [
        (plate(2, 2), np.eye(4)),
        (lid(2, 2), shift(0, 0, 4)),
        (block, shift(20, 0, 0)),
        (block, shift(50, 0, 0)),
    ]
    report = report_of(placed(items, names=["plate", "lid", "leaning", "far"]))
    assert report.never_connected == ("P3", "P4")
    assert "Held by no joint (2): leaning, far." in printed(report)


def test_the_scale_at_which_the_class_changes() -> None:
    """Walls on one side of each stud and 0.07 of the printer's error: surely held up to a gap of 0.04, not at
    all from 0.11 (a squeeze of 0.07 less the gap, +-1.28 x 0.04 over two sides)."""
    report = report_of(lid_on_plate(gap=0.04))
    (law,) = report.scale_law
    assert law.fit_at == {"1x": "press", "2x": "slide", "4x": "loose"}
    slide, loose = (float(change.split()[-1].rstrip("x")) for change in law.changes)
    assert [change.split()[0] for change in law.changes] == ["slide", "loose"]
    assert 0.035 < 0.04 * slide < 0.055 and 0.09 < 0.04 * loose < 0.11


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_the_printed_report_reads_whole(columns: int) -> None:
    """No column is cut off, and each figure that a person needs is there."""
    text = printed(report_of(lid_on_plate()), columns)
    assert "…" not in text
    assert all(len(line) <= columns for line in text.splitlines() if " │ " in line or "──" in line)
    heads = ("least", "mean", "depth", "hold N", "push N") if columns >= 80 else ()  # narrower they fold
    for words in (*heads, "0.10 slide", "0.20 loose", "0.40 loose"):
        assert words in text, words
    assert "lid on plate: 4 studs, gap 0.10 mm per side at 1x: slide; holds about 0 N (" in text
    assert "Lets lid go along +z." in text
    assert "Faces that a glue could bond: 1 joint" in text


def test_no_word_of_a_colour_is_broken_on_a_narrow_terminal() -> None:
    block = plate(2, 2)
    model = placed([(block, shift(12 * row, 0, 0)) for row in range(12)])
    words = ["off-white", *["turquoise"] * 10, "a-word-longer-than-any-colour-is"]
    coloured = [
        replace(part, colour=f"#0000{row:02x}", colour_name=word)
        for row, (part, word) in enumerate(zip(model.parts, words, strict=True))
    ]
    text = printed(report_of(replace(model, parts=tuple(coloured))), 60)
    assert "off-white," in text and "turquoise," in text and "…" not in text
    assert "a-word-lon" in text and "ger-than-a" in text


def test_a_joint_that_no_straight_way_opens() -> None:
    bar = box((0, -4, -6), (2, 4, 4)) + box((14, -4, -6), (16, 4, 4)) + box((0, -4, -6), (16, 4, -5))
    bar += rod(2, 14).rotate([0, 90, 0]).translate([1, 0, 0])
    knuckle = (rod(3.4, 8) - rod(2.3, 10, (0, 0, -1))).rotate([0, 90, 0])
    report = report_of(placed([(bar, np.eye(4)), (knuckle, shift(4, 0, 0))], names=["bar", "knuckle"]))
    assert report.joints[0].lets_go == ()
    assert "No straight way lets it go." in printed(report)


def test_a_ball_that_printing_leaves_loose_is_told_what_helps_and_how_far() -> None:
    """0.1 mm a side in the file; a printer without error leaves it all, the usual one takes 0.15."""
    true = {"boss_error_mm": 0.0, "hole_error_mm": 0.0}
    (joint,) = report_of(ball_in_cup(), printer=true).joints
    assert "too loose to hold a pose: print the ball 0.26 mm larger in diameter or roughen" in joint.why
    assert "friction paste (up to 0.2 mm)" in joint.why
    (usual,) = report_of(ball_in_cup()).joints
    assert "too loose" not in usual.why
