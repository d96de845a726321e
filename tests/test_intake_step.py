"""STEP through the optional extra: assemblies, names, units, axes, and what is told when it fails."""

from __future__ import annotations

import re
import signal
import sys

import numpy as np
import pytest

from steps.errors import BeyondLimit, MissingExtra, UnreadableInput
from steps.intake import read_model, step_cad
from steps.intake.step_syntax import damage_in
from steps.limits import LIMITS
from steps.settings import Settings
from tests.intake_files import box, placed, same_points
from tests.intake_step import write_step

PLAIN = Settings()
BOXES = {"block": (20, 40, 10), "slab": (20, 20, 5)}
PLACES = [("block", "keel", (0, 0, 0)), ("slab", "deck", (0, 0, 10)), ("slab", "deck two", (0, 20, 10))]


@pytest.mark.parametrize(("inch", "factor"), [(False, 1.0), (True, 25.4)])
def test_assembly_in_its_own_unit_with_z_up(tmp_path, inch, factor):
    pytest.importorskip("cascadio")
    model = read_model(write_step(tmp_path / "ship.step", BOXES, PLACES, inch), PLAIN)
    assert [part.source for part in model.parts] == ["keel", "deck", "deck two"]
    assert [part.shape for part in model.parts] == ["S1", "S2", "S2"]
    for part, (which, _, at) in zip(model.parts, PLACES, strict=True):
        want = box(np.multiply(BOXES[which], factor), np.multiply(at, factor))[0]
        assert same_points(placed(model, part), want, 1e-3)
    assert model.problems == ()


def test_cut_short(tmp_path):
    path = write_step(tmp_path / "ship.step", BOXES, PLACES)
    path.write_text(path.read_text()[:-400])
    with pytest.raises(UnreadableInput, match=r"ship\.step: the file is cut short"):
        read_model(path, PLAIN)


def test_nothing_solid_in_it(tmp_path):
    pytest.importorskip("cascadio")
    path = tmp_path / "void.stp"
    path.write_text("ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n")
    with pytest.raises(UnreadableInput, match=r"void\.stp: no solid"):
        read_model(path, PLAIN)


def test_damage_that_ends_the_converters_process_is_an_error(tmp_path, capfd):
    """A separator overwritten: Open CASCADE 8.0 dies of it (segmentation fault)."""
    pytest.importorskip("cascadio")
    path = write_step(tmp_path / "ship.step", BOXES, PLACES)
    data = bytearray(path.read_bytes())
    line = data.index(b"LINE('',")
    data[data.index(b",#", line + 8)] = 0xC5
    path.write_bytes(data)
    at = data.count(b"\n", 0, line) + 1
    with pytest.raises(UnreadableInput, match=rf"ship\.step: no solid .*; line {at} is not written as"):
        read_model(path, PLAIN)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no limits of a process")
def test_what_takes_too_long_to_mesh_is_stopped_and_told(tmp_path):
    pytest.importorskip("cascadio")
    path = write_step(tmp_path / "ship.step", BOXES, PLACES)
    with pytest.raises(BeyondLimit, match=r"ship\.step: .* more than 0\.001 s.*--limit meshing_s=0\.002"):
        read_model(path, Settings(limits={"meshing_s": 0.001}))
    path.write_text(path.read_text().replace("EDGE_LOOP('',(", "EDGE_LOOP('',(#9999,", 1))
    with pytest.raises(BeyondLimit, match=r"line \d+ names #9999, .* file, which may be why"):
        read_model(path, Settings(limits={"meshing_s": 0.001}))


@pytest.mark.parametrize("far", ["1e308", "-1.E+09", "1e999"])
def test_a_point_that_is_too_far_away_is_named_before_anything_is_meshed(far, tmp_path):
    """Found by fuzzing: the mesher takes minutes over a box of which one corner is far away."""
    path = write_step(tmp_path / "ship.step", BOXES, PLACES)
    text = path.read_text()
    corner = next(line for line in text.splitlines() if "CARTESIAN_POINT" in line and "(20.0" in line)
    path.write_text(text.replace(corner, corner.replace("(20.000000000", f"({far}")))
    line = text.splitlines().index(corner) + 1
    with pytest.raises(UnreadableInput, match=rf"ship\.step, line {line}: a point lies at .* up to 1e\+08"):
        read_model(path, Settings(limits={"meshing_s": 2}))


@pytest.mark.parametrize("wrong", ["1E3", "1e4", "nan", "", "1.E+2.", "0x7f"])
@pytest.mark.parametrize(
    "head", ["CARTESIAN_POINT('it''s (0.,0.)',(", "CARTESIAN_POINT /* ( */ ( /*\n*/ '' , ("]
)
def test_a_coordinate_that_is_no_number_is_named_before_anything_is_meshed(head, wrong, tmp_path):
    """Found by fuzzing: the converter goes round for ever over a line that begins at one."""
    path = write_step(tmp_path / "ship.step", BOXES, PLACES)
    text = path.read_text()
    at = text.index("CARTESIAN_POINT('',(20.0")
    end = text.index(",", at + 20)
    path.write_text(text[:at] + head + wrong + text[end:])
    line = text.count("\n", 0, at) + 1
    with pytest.raises(
        UnreadableInput, match=rf"ship\.step, line {line}: '{re.escape(wrong)}' stands for a coordinate"
    ):
        read_model(path, Settings(limits={"meshing_s": 2}))


@pytest.mark.parametrize("much", ["/*", "'", "CARTESIAN_POINT('", "CARTESIAN_POINT((", "CARTESIAN_POINT("])
def test_what_is_never_closed_is_looked_through_once(much, tmp_path):
    """Looked through from each of them to the end of the file, this test would take hours."""
    text = write_step(tmp_path / "ship.step", BOXES, PLACES).read_text()
    wrong = text.replace("DATA;", "DATA;\n#1=CARTESIAN_POINT('',(nan));\n" + much * 300_000)
    with pytest.raises(UnreadableInput, match="line 8: 'nan'"):
        step_cad._check_points(tmp_path / "ship.step", wrong.encode(), LIMITS)
    endless = text.replace("DATA;", "DATA;\n" + much * 300_000)
    step_cad._check_points(tmp_path / "ship.step", endless.encode(), LIMITS)
    assert damage_in(endless.encode())


def test_without_the_extra_it_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "cascadio", None)
    with pytest.raises(MissingExtra, match=r"pip install 'stepleaf\[step\]'"):
        read_model(write_step(tmp_path / "ship.step", BOXES, PLACES), PLAIN)
