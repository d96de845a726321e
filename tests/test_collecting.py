"""Circles of values that nobody needs are looked for seldom, and are found in the end."""

from __future__ import annotations

import gc
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from steps import collecting
from steps.workers import Worker

USED = (collecting.NEW, collecting.SECOND, collecting.ALL)
HERE = __name__


def test_looks_are_seldom_and_all_is_looked_through_in_the_end() -> None:
    """In a process of its own: circles of large values do not stay."""
    code = """
import gc
from steps import collecting
collecting.seldom()
class Circle:
    def __init__(self):
        self.own, self.large = self, bytearray(1000)
alive = 0
most = 0
for _ in range(3_000_000):
    Circle()
    if gc.get_count()[0] == 0:
        alive = sum(isinstance(each, Circle) for each in gc.get_objects())
        most = max(most, alive)
print(most, gc.get_stats()[0]["collections"], gc.get_stats()[1]["collections"])
"""
    root = Path(__file__).parents[1]
    said = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    most, newest, second = map(int, said.stdout.split())
    assert most <= collecting.NEW and newest < 100 and 0 < second < 10


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
