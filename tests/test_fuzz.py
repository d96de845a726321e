"""Two thousand wrong files, the same each time, and every case that was found so before: read, or refused in
words, in time and in bounds. See ``tests.fuzzing``; ``python -m tests.benchmarks.fuzz`` makes more."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from tests import fuzzing
from tests.fuzz_seeds import KINDS, seeds
from tests.fuzzing import MOST_S, mutated, trial, verdict_in_words

FOUND = sorted((Path(__file__).parent / "found").iterdir())
COUNT, SEED = 2_000, 0

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="trials are forked, as only POSIX systems can"
)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_broken_is_good_before(kind):
    for seed in seeds(kind):
        assert verdict_in_words(kind, seed.files) == "read"


def test_two_thousand_mutants_are_read_or_refused_in_words():
    report = trial(list(KINDS), COUNT, SEED)
    assert not report.findings, "\n".join(map(str, report.findings))
    assert sum(report.verdicts.values()) == COUNT
    assert {"read", "UnreadableInput", "FaultyModel", "WrongSettings"} <= set(report.verdicts)


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.stem)
def test_what_was_found_stays_mended(path):
    """Each file is named by its kind and what was wrong of it: ``stl-dust-alone-closes.stl``."""
    kind = path.name.partition("-")[0]
    (target, *_) = seeds(kind)[0].targets
    files = {**seeds(kind)[0].files, target: path.read_bytes()}
    before = signal.signal(signal.SIGPROF, spent)
    signal.setitimer(signal.ITIMER_PROF, MOST_S)
    try:
        verdict = verdict_in_words(kind, files)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
    assert not verdict.startswith("!"), verdict


def spent(*_given):
    raise TimeoutError(f"over {MOST_S:g} s of the processor")


def test_the_same_number_is_the_same_mutant():
    for kind in KINDS:
        assert mutated(kind, 3, 5) == mutated(kind, 3, 5)
    assert len({str(mutated("obj", 3, number)) for number in range(40)}) > 30


def wrong(how):
    def through(folder):
        return how()

    return through


@pytest.mark.parametrize(
    ("how", "what"),
    [
        (lambda: time.sleep(60), "no answer within 1 s"),
        (lambda: sum(iter(int, 1)), "took over 0.5 s"),
        (lambda: os.kill(os.getpid(), signal.SIGKILL), "the process ended (-9)"),
        (lambda: bytearray(2 << 30) and [], "MemoryError"),
        (lambda: 1 // 0, "ZeroDivisionError"),
        (lambda: ["a\x1b[31m"], "said"),
        (lambda: ["'NoneType' object"], "said"),
    ],
    ids=["hangs", "spins", "crashes", "swells", "raises", "steers", "jargon"],
)
def test_what_is_wrong_is_found(how, what, monkeypatch):
    """The harness itself: each kind of failure is a finding of its own, and the trial goes on after it."""
    monkeypatch.setattr(fuzzing, "MOST_S", 0.5)
    monkeypatch.setattr(fuzzing, "STUCK_S", 1.0 if "no answer" in what else 60.0)
    monkeypatch.setitem(fuzzing.KINDS, "obj", wrong(how))
    monkeypatch.setattr(fuzzing, "warm", lambda kinds: None)
    report = trial(["obj", "settings"], 4, SEED)
    assert [finding.number for finding in report.findings] == [0, 2]
    assert all(what in finding.what for finding in report.findings), report.findings
    assert sum(report.verdicts.values()) == 4
