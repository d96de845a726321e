"""What people see while it runs, on a terminal and in a file."""

from __future__ import annotations

import io
import re
import sys

import pytest

from steps.cli.telling import DOTS, Teller
from steps.model import Problem
from steps.pipeline import A_SCREEN, EACH_TOLD, gathered

Capture = pytest.CaptureFixture[str]


class Clock:
    """Goes on when told."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_in_a_file_each_stage_is_one_line_with_a_dot_for_each_second_of_work(capsys: Capture) -> None:
    clock = Clock()
    with Teller(("read", "order", "glue"), clock=clock) as tell:
        tell("read", 0, 1)
        tell("order", 0, 1)
        for tenth in range(25):  # 2.5 s, told ten times a second
            clock.now += 0.1
            tell("order", tenth, 25) if tenth % 2 else tell("order", tenth, 0)
        clock.now += 60.0  # work that does not move sets no dot
        tell("glue", 0, 1)
        tell("order", 1, 1)
    assert capsys.readouterr().err == "1 of 3 read\n2 of 3 order ..\n3 of 3 glue\n"


def test_lines_of_dots_stay_short(capsys: Capture) -> None:
    clock = Clock()
    with Teller(("glue",), clock=clock) as tell:
        for _ in range(DOTS * 2 + 6):
            tell("glue", 1, 0)
            clock.now += 1.0
    lines = capsys.readouterr().err.splitlines()
    assert [line.count(".") for line in lines] == [DOTS, DOTS, 5]
    assert max(map(len, lines)) <= 60


def test_quiet_says_nothing_and_unknown_stages_are_passed_over(capsys: Capture) -> None:
    with Teller(quiet=True) as tell:
        tell("read", 0, 1)
    with Teller(("read",)) as tell:
        tell("glue", 0, 1)
    assert capsys.readouterr().err == ""


def test_on_a_terminal_the_bar_never_goes_back_and_counts_what_has_no_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    shown = Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("TERM", "xterm")
    far, clock = [], Clock()
    with Teller(("read", "glue"), clock=clock) as tell:
        for stage, done, total in (("read", 0, 1), ("glue", 5, 10), ("glue", 1234, 0), ("glue", 2, 10)):
            tell(stage, done, total)
            far.append(tell._bar.tasks[0].completed)
            tell._bar.refresh()
            clock.now += 1.0
        tell("glue", 8, 10)
        tell("glue", 9, 10)  # too soon after the last to be drawn
        far.append(tell._bar.tasks[0].completed)
    assert far == [0, 1.5, 1.5, 1.5, 1.8]
    assert "2 of 2 glue, 1,234" in shown.getvalue()
    plain = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", shown.getvalue())
    assert max(len(line) for line in re.split(r"[\r\n]", plain)) <= 60


def test_equal_problems_are_gathered_with_a_list() -> None:
    same = [Problem("clamp", "warning", (f"P{n}",), f"joint {n}: needs a clamp.") for n in range(1, 6)]
    other = [Problem("far", "note", (), f"part {n} is off by {n} mm: move it {n} mm.") for n in range(1, 6)]
    few = [Problem("few", "note", (), "a: b."), Problem("few", "note", (), "c: d.")]
    told = [problem.text for problem in gathered([*same, *other, *few], 3)]
    assert told[0] == "5 times, joint 1; joint 2; joint 3; joint 4; joint 5: needs a clamp."
    assert told[1:4] == [
        other[0].text,
        other[1].text,
        "and 3 more of this kind: part 3 is off by 3 mm; part 4 is off by 4 mm; part 5 is off by 5 mm. "
        f"{EACH_TOLD}.",
    ]
    assert told[4:] == ["a: b.", "c: d."]
    assert gathered(same, 3)[0].parts == ("P1", "P2", "P3", "P4", "P5")


def test_thousands_of_problems_fill_no_more_than_a_screen() -> None:
    other = [Problem("far", "error", (f"P{n}",), f"part {n}: off by {n} mm.") for n in range(1, 3001)]
    told = gathered(other)
    assert [problem.text for problem in told[:-1]] == [problem.text for problem in other[: A_SCREEN - 1]]
    assert told[-1].text.startswith(f"and {3001 - A_SCREEN:,} more of this kind: part {A_SCREEN}; ")
    assert told[-1].text.endswith(f"; and {3001 - 2 * A_SCREEN:,} others. {EACH_TOLD}.")
    assert len(told) == A_SCREEN
    assert len(told[-1].parts) == 3000
