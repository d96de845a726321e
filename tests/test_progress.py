"""What is told of counted work: shares of loops within loops, ticks, and nothing where nobody listens."""

from __future__ import annotations

import threading

import pytest

from renderer.beat import beat
from steps.progress import PATIENT_S, over, patiently, stage, tick, within

Told = list[tuple[str, int, int]]


def test_nobody_listens() -> None:
    tick()
    assert list(over([1, 2])) == [1, 2]
    with stage(None, "order"):
        tick()
        assert list(over("ab")) == ["a", "b"]


def test_items_are_equal_shares_and_loops_stand_within_loops() -> None:
    told: Told = []
    with stage(lambda *each: told.append(each), "glue"):
        for _ in over(range(2)):
            for _ in over("abcd"):
                pass
    assert told[0] == ("glue", 0, 1)
    assert [done for _, done, _ in told[1:]] == [0, 0, 125, 250, 375, 500, 500, 625, 750, 875]
    assert {total for _, _, total in told[1:]} == {1000}


def test_ticks_count_through_a_stage_and_tell_no_share() -> None:
    told: Told = []

    def tell(*each: object) -> None:
        told.append(each)  # type: ignore[arg-type]

    with stage(tell, "glue"):
        for _ in over(range(2)):
            tick()
    with stage(tell, "settle"):
        tick()
    assert [each for each in told if each[2] == 0] == [("glue", 1, 0), ("glue", 2, 0), ("settle", 1, 0)]


def test_a_loop_that_is_left_and_a_stage_that_fails_leave_no_trace() -> None:
    told: Told = []
    with pytest.raises(ZeroDivisionError), stage(lambda *each: told.append(each), "order"):
        for row in over(range(4)):
            if row == 1:
                break
        for row in over(range(2)):  # begins at its own share again
            if row:
                raise ZeroDivisionError
    assert [done for _, done, _ in told[1:]] == [0, 250, 0, 500]
    tick()
    assert len(told) == 5  # nobody listens any more


def test_what_goes_on_in_a_stage_is_told_without_its_beginning_and_drawing_is_heard() -> None:
    told: Told = []
    with within(lambda *each: told.append(each), "pictures"):
        beat()
        tick()
    beat()
    assert told == [("pictures", 1, 0), ("pictures", 2, 0)]
    with within(None, "pictures"):
        beat()
    assert len(told) == 2


def test_a_library_that_tells_nothing_is_waited_for_with_ticks_from_here() -> None:
    told: list[int] = []
    enough = threading.Event()

    def tell(_stage: str, done: int, total: int) -> None:
        told.append(threading.get_ident())
        if len(told) == 4:  # the beginning, and three ticks
            enough.set()

    with stage(tell, "glue"):
        assert patiently(lambda: enough.wait(600 * PATIENT_S)) is True  # it ends by what is told meanwhile
        with pytest.raises(ZeroDivisionError):
            patiently(lambda: 1 // 0)
    assert set(told) == {threading.get_ident()}
    assert patiently(threading.get_ident) == threading.get_ident()  # where nobody listens, no other thread
