"""Circles of values that nobody needs are looked for seldom, and are found in the end."""

from __future__ import annotations

import gc
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from weakref import ref

from steps import collecting
from steps.motion import Motion
from steps.sequence import BuildSequence
from steps.workers import Worker
from tests.booklet_sample import sample_plan

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


def test_what_is_large_goes_at_once() -> None:
    """Without a look: an order with its sequence, and motion with depth maps in all its directions."""
    plan = sample_plan()
    gc.disable()
    try:
        order = replace(plan.order)
        sequence = BuildSequence.of(plan.model, order)
        assert BuildSequence.of(plan.model, order) is sequence and sequence.steps == order.steps
        motion = Motion(plan.model, plan.measures, plan.joints)
        assert len(motion.half(0).boxes) == len(plan.model.parts) and motion.map(0) is not None
        left = ref(order), ref(sequence), ref(motion)
        del order, sequence, motion
        assert [each() for each in left] == [None] * 3
    finally:
        gc.enable()
