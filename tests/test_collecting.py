"""Circles of values that nobody needs are looked for seldom, and never among all that was made."""

from __future__ import annotations

import gc
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from steps import collecting
from steps.workers import Worker

USED = (collecting.NEW, collecting.SECOND, collecting.ALL)
HERE = __name__


@pytest.fixture
def as_before() -> Iterator[None]:
    before = gc.get_threshold()
    yield
    gc.set_threshold(*before)


def test_what_has_come_through_two_looks_is_not_looked_at_again(
    as_before: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(collecting, "NEW", 10)
    monkeypatch.setattr(collecting, "SECOND", 2)
    collecting.seldom()
    _, second, through_all = (each["collections"] for each in gc.get_stats())
    kept = [[number] for number in range(200_000)]
    assert gc.get_stats()[1]["collections"] > second + 1000
    assert gc.get_stats()[2]["collections"] == through_all
    assert len(kept) == 200_000


def thresholds() -> Iterator[tuple[int, ...]]:
    yield gc.get_threshold()


def test_a_worker_looks_seldom() -> None:
    worker = Worker(HERE)
    try:
        assert list(worker.ask(thresholds)) == [USED]
    finally:
        worker.end()


def test_a_command_looks_seldom() -> None:
    code = "import atexit, gc; atexit.register(lambda: print(gc.get_threshold()))\n"
    code += "from steps.cli import main; main(['--version'])"
    root = Path(__file__).parents[1]
    said = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert said.stdout.splitlines()[-1] == str(USED)
