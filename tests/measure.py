"""Measures the tests: CPU seconds of every test and fixture, for the fast tier.

    python -m tests.measure [pytest's own arguments]

runs what is asked for in one process and writes to ``tests/durations.toml`` what took longer than
``NOTED_S``, and of each file what its fast tests took together; what was not run keeps its line. A test's
seconds are those of its dearest case. Only what was measured can be fast: a file that is not in the table
is not in the tier. What a test needs but another test happened to pay for (a cache, a shared fixture) comes
to light when the fast tier alone is measured: run ``python -m tests.measure -m fast`` until nothing changes.

Seconds of the processor, children included, and not of the clock: the machine may be busy.
"""

from __future__ import annotations

import os
import sys
import tomllib
from collections import defaultdict
from collections.abc import Generator
from pathlib import Path

import pytest

TABLE = Path(__file__).parent / "durations.toml"
#: What takes less is not listed: it belongs to the fast tier by itself.
NOTED_S = 0.2
#: A test that takes longer than this, or shares a fixture that does, is not fast.
FAST_S = 0.5
KINDS = ("files", "tests", "fixtures")
HEAD = "# CPU seconds of tests and of the fixtures they share, written by `python -m tests.measure`.\n"

Durations = dict[str, dict[str, float]]


def durations() -> Durations:
    """The table: "files" by their names, "tests" and "fixtures" by "file::name"."""
    found = tomllib.loads(TABLE.read_text(encoding="utf-8")) if TABLE.exists() else {}
    return {kind: dict(found.get(kind, {})) for kind in KINDS}


def is_fast(item: pytest.Item, table: Durations) -> bool:
    """Whether the test and what it shares with others were measured to be quick."""
    shared = (f"{item.path.name}::{name}" for name in getattr(item, "fixturenames", ()))
    took = [table["tests"].get(key_of(item), 0.0), *(table["fixtures"].get(name, 0.0) for name in shared)]
    return item.path.name in table["files"] and max(took) <= FAST_S


def key_of(item: pytest.Item) -> str:
    """ "test_fit.py::test_a_class", whatever the case."""
    return f"{item.path.name}::{getattr(item, 'originalname', item.name)}"


class Meter:
    """A plugin that times tests and fixtures as they run."""

    def __init__(self) -> None:
        self.tests: dict[str, float] = defaultdict(float)
        self.cases: list[tuple[str, float]] = []  #: key and seconds of each test as it ran
        self.fixtures: dict[str, float] = {}
        self.file = ""  #: of the test that runs now
        self.shared = 0.0  #: what fixtures that it shares with others took

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef) -> Generator:
        start, before = spent(), self.shared
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                took = spent() - start
                own = took - (self.shared - before)  # those that this one asks for have lines of their own
                self.shared = before + took
                self.fixtures[f"{self.file}::{fixturedef.argname}"] = own

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator:
        start, self.file, self.shared = spent(), item.path.name, 0.0
        try:
            return (yield)
        finally:
            key = key_of(item)
            took = spent() - start - self.shared
            self.tests[key] = max(self.tests[key], took)
            self.cases.append((key, took))

    @property
    def files(self) -> dict[str, float]:
        """Of each file what its quick tests took together."""
        found = {key.split("::")[0]: 0.0 for key in self.tests}
        for key, took in self.cases:
            found[key.split("::")[0]] += took if self.tests[key] <= FAST_S else 0.0
        return found


def spent() -> float:
    """CPU seconds of this process and its children that have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def write(meter: Meter) -> None:
    table = durations()
    for kind, measured in (("files", meter.files), ("tests", meter.tests), ("fixtures", meter.fixtures)):
        table[kind] |= measured
        least = 0.0 if kind == "files" else NOTED_S
        table[kind] = {name: round(took, 1) for name, took in table[kind].items() if took >= least}
    lines = [HEAD]
    for kind, rows in table.items():
        lines += [f"\n[{kind}]\n", *(f'"{name}" = {rows[name]}\n' for name in sorted(rows))]
    TABLE.write_text("".join(lines), encoding="utf-8")


if __name__ == "__main__":
    meter = Meter()
    status = pytest.main(["-n", "0", *sys.argv[1:]], plugins=[meter])
    write(meter)
    print(f"fast tests: {sum(durations()['files'].values()):.0f} CPU s of {len(durations()['files'])} files")
    sys.exit(status)
