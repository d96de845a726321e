"""Worker processes: they answer, they crash without harm, and they end with whoever started them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from steps.progress import tick, within
from steps.workers import PIPE_BYTES, Worker, WorkerEnded, apart, watched_by_the_system

ROOT = Path(__file__).parent.parent
HERE = __name__
#: Workers are gone so soon after whoever started them (s); what is promised.
GONE_WITHIN_S = 2.0


def length(sent: bytes) -> Iterator[int]:
    yield len(sent)


@pytest.fixture
def worker() -> Iterator[Worker]:
    made = Worker(HERE)
    yield made
    made.end()


# ------------------------------------------------------------------ what the workers are asked


def squares(count: int) -> Iterator[int]:
    yield from (n * n for n in range(count))


def large(count: int) -> Iterator[bytes]:
    """Answers larger than a pipe."""
    for n in range(count):
        yield bytes([n]) * 3_000_000


def chatty() -> Iterator[str]:
    """As a library that prints, in Python and below it."""
    print("a library says something")
    os.write(1, b"a driver says something")
    yield "the answer"


def wrong() -> Iterator[int]:
    yield 1
    raise ZeroDivisionError("on purpose")


def slowly(count: int) -> Iterator[int]:
    """One answer, after work that says that it moves."""
    for _ in range(count):
        tick()
        time.sleep(0.01)
    yield count


class Stubborn(Exception):
    """Cannot be handed over: it is made from two values and hands on one."""

    def __init__(self, one: int, two: int):
        super().__init__(one)


def stubborn() -> Iterator[int]:
    yield 1
    raise Stubborn(1, 2)


def crash(number: int) -> Iterator[int]:
    yield 1
    os.kill(os.getpid(), number)
    time.sleep(60)


def leave(status: int) -> Iterator[int]:
    yield 1
    os._exit(status)


def about() -> Iterator[object]:
    yield sys.modules["__main__"].__dict__.get("__file__")
    yield sys.path
    yield os.getpgrp()
    yield signal.getsignal(signal.SIGINT) == signal.SIG_IGN


def busy() -> Iterator[int]:
    """Never done, and never idle."""
    yield os.getpid()
    while True:
        sum(range(1000))


def busy_without_a_break() -> Iterator[int]:
    """In one call that never lets another thread have the interpreter."""
    yield os.getpid()
    sys.setswitchinterval(1e6)
    with watched_by_the_system():
        while True:
            pass


def busy_below() -> Iterator[int]:
    """The same in one long call of numpy after the other."""
    import numpy as np

    yield os.getpid()
    numbers = np.random.default_rng(0).random((700, 700))
    while True:
        np.linalg.svd(numbers)


# ------------------------------------------------------------------------------- answering


def test_answers_come_in_turn_and_again(worker: Worker) -> None:
    assert list(worker.ask(squares, 5)) == [0, 1, 4, 9, 16]
    assert list(worker.ask(squares, 0)) == []
    assert [answer[0] for answer in worker.ask(large, 4)] == [0, 1, 2, 3]


def test_what_a_library_prints_is_no_answer(worker: Worker, capfd: pytest.CaptureFixture[str]) -> None:
    assert list(worker.ask(chatty)) == ["the answer"]
    assert list(worker.ask(squares, 2)) == [0, 1]
    assert capfd.readouterr() == ("", "")


def test_an_error_is_raised_here_with_its_trace_and_the_worker_goes_on(worker: Worker) -> None:
    answers = worker.ask(wrong)
    assert next(answers) == 1
    with pytest.raises(ZeroDivisionError, match="on purpose") as caught:
        next(answers)
    assert "in wrong" in str(caught.value.__cause__)
    with pytest.raises(RuntimeError, match="Stubborn: 1"):
        list(worker.ask(stubborn))
    assert list(worker.ask(squares, 3)) == [0, 1, 4]


def test_what_is_not_there_to_be_loaded_is_named() -> None:
    worker = Worker("steps.no_such_module")
    with pytest.raises(ModuleNotFoundError, match="no_such_module"):
        list(worker.ask(squares, 1))
    worker.end()


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSEGV, signal.SIGTERM, signal.SIGABRT])
def test_how_a_worker_ended_is_told(worker: Worker, number: signal.Signals) -> None:
    answers = worker.ask(crash, number)
    assert next(answers) == 1
    with pytest.raises(WorkerEnded, match=f"by signal {number.name}"):
        next(answers)
    with pytest.raises(WorkerEnded, match=f"by signal {number.name}"):  # and again, if it is asked again
        list(worker.ask(squares, 1))


def test_a_worker_that_leaves_is_told_by_its_status(worker: Worker) -> None:
    with pytest.raises(WorkerEnded, match="with status 7"):
        list(worker.ask(leave, 7))


@pytest.mark.skipif(os.name != "posix", reason="process groups")
def test_a_worker_knows_nothing_of_the_program_and_hears_no_interrupt(worker: Worker) -> None:
    main, path, group, deaf = worker.ask(about)
    assert main is None and path == sys.path and deaf
    assert group == worker.number != os.getpgrp()


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_an_ended_worker_is_gone(worker: Worker) -> None:
    next(worker.ask(busy))
    worker.end()
    with pytest.raises(ProcessLookupError):
        os.kill(worker.number, 0)
    worker.end()  # no harm


# ----------------------------------------------------------------- ending with the starter

#: Starts two workers, one of them busy, says their numbers, and does not look after them any more.
STARTER = """
import multiprocessing, sys, time
if {spawn}:
    multiprocessing.set_start_method("spawn", force=True)
from steps.workers import Worker
from tests import test_workers
one, two = Worker("steps.workers"), Worker(test_workers.__name__)
print(one.number, next(two.ask(test_workers.{work})), flush=True)
{end}
"""


def gone(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return True
    # what nobody has fetched yet is dead all the same
    stat = Path(f"/proc/{number}/stat")
    return stat.exists() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z"


def wait_gone(numbers: list[int]) -> list[int]:
    """Those still there after the time promised, asked while processor time is not scarce for them."""
    until = time.monotonic() + GONE_WITHIN_S
    while time.monotonic() < until and not all(map(gone, numbers)):
        time.sleep(0.02)
    return [number for number in numbers if not gone(number)]


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize(
    ("end", "work", "spawn"),
    [
        ("SIGKILL", "busy", False),
        ("SIGKILL", "busy_below", True),
        ("SIGTERM", "busy", True),
        ("SIGKILL", "busy_without_a_break", False),
        ("SIGINT", "busy_below", False),
        ("os._exit(0)", "busy", False),
        ("raise SystemExit(1)", "busy", False),
    ],
)
def test_workers_end_with_their_starter_however_it_dies(end: str, work: str, spawn: bool) -> None:
    own = end if end.endswith(")") else "time.sleep(60)"
    script = STARTER.format(spawn=spawn, work=work, end=f"import os; {own}")
    with subprocess.Popen(
        [sys.executable, "-c", script],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as starter:
        assert starter.stdout is not None
        numbers = [int(word) for word in starter.stdout.readline().split()]
        assert len(numbers) == 2
        if not end.endswith(")"):
            starter.send_signal(signal.Signals[end])
        # the pipe of whoever reads closes with the starter: no worker holds it
        assert starter.stdout.read() == ""
        starter.wait()
        assert wait_gone(numbers) == []


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_starter_killed_while_its_worker_starts_leaves_none() -> None:
    script = "import os, signal; from steps.workers import Worker; w = Worker('steps.draw.desk')\n"
    script += "print(w.number, flush=True); os.kill(os.getpid(), signal.SIGKILL)"
    done = subprocess.run([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert done.returncode == -signal.SIGKILL
    assert wait_gone([int(done.stdout)]) == []


def test_who_asks_hears_that_the_work_moves_and_the_answers_are_the_same() -> None:
    """At most so often; and nothing of work that tells nothing."""
    heard: list[int] = []
    worker = Worker(HERE, lambda: heard.append(1))
    try:
        assert list(worker.ask(squares, 3)) == [0, 1, 4]
        heard.clear()
        assert list(worker.ask(slowly, 100)) == [100]
        moved = len(heard)
        heard.clear()
        assert list(worker.ask(length, bytes(10 * PIPE_BYTES))) == [10 * PIPE_BYTES]
        assert len(heard) >= 10  # by the megabyte handed over
    finally:
        worker.end()
    assert 3 <= moved <= 100


def test_what_lets_nobody_speak_is_asked_of_another_process(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []

    def asked(long: bool) -> int:
        with within(lambda stage, done, total: told.append(stage), "unite"):
            return apart(long, os.getpid)

    here = os.getpid()
    assert asked(True) != here and asked(False) == here
    assert apart(True, os.getpid) == here  # nobody listens
    assert set(told) <= {"unite"}

    def ended(*given: object) -> Iterator[object]:
        raise WorkerEnded("by signal SIGKILL")

    monkeypatch.setattr(Worker, "ask", ended)
    assert asked(True) == here
    monkeypatch.setattr(sys, "executable", "")
    assert asked(True) == here
