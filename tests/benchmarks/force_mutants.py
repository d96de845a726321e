"""Whether a test notices each figure of the forces being wrong.

Every constant and formula is scaled by a factor in turn, and the tests that hold them against published
values must fail.

``python -m tests.benchmarks.force_mutants [NAME ...]`` prints each mutant, the test that killed it or that it
survived, and the count. With names only those (``walls.plate_rigidity``).
"""

from __future__ import annotations

import importlib
import inspect
import os
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

#: What is scaled, and by how much: the figures of hold, fit, capacity and of what needs glue.
MODULES = (
    *(
        f"steps.force.{name}"
        for name in ("bands", "contact", "lips", "printed", "rings", "snaps", "springs", "walls")
    ),
    "steps.fit",
    "steps.card",
    "steps.strength",
)
FACTOR = 1.3
#: Tests with reference values, the quickest first.
TESTS = (
    *(f"tests/test_force_{name}.py" for name in ("bands", "contact", "printed", "rings", "snaps")),
    *(
        "tests/test_force_walls.py",
        "tests/test_force_springs.py",
        "tests/test_strength.py",
        "tests/test_fit.py",
    ),
    *("tests/test_card.py", "tests/test_hold.py"),
)
#: Tolerances and limits of numerics, which are no figures of the physics: a factor on them changes nothing.
NUMERICS = {
    *("SAME_TUBE", "THINNEST", "THICKEST", "NOTHING_N", "TINY_N"),
    *("FIRST_ELEMENT", "GROWTH", "SHORTEST_LINE", "_product", "_bands", "_nodes", "_means"),
}


@dataclass(frozen=True)
class Mutant:
    module: str
    name: str

    def __str__(self) -> str:
        return f"{self.module.rsplit('.', 1)[-1]}.{self.name}"


def mutants() -> Iterator[Mutant]:
    """Constants that are numbers, and functions that return some, each in the module that defines it."""
    for name in MODULES:
        module = importlib.import_module(name)
        for key, value in vars(module).items():
            constant = key.isupper() and isinstance(value, (float, np.floating)) and _defines(module, key)
            formula = inspect.isfunction(value) and value.__module__ == name and _returns_numbers(value)
            if (constant or formula) and key not in NUMERICS:
                yield Mutant(name, key)


def _defines(module: types.ModuleType, name: str) -> bool:
    source = Path(str(module.__file__)).read_text(encoding="utf-8")
    return any(name in line.partition("=")[0] for line in source.splitlines() if line[:1].isupper())


def _returns_numbers(function: Callable[..., Any]) -> bool:
    return str(function.__annotations__.get("return")) in ("float", "Array", "tuple[float, float]")


def _scaled(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(FACTOR * each for each in value)
    return FACTOR * value


def _spoil(mutant: Mutant) -> None:
    """Scale it wherever it was imported to."""
    good = getattr(importlib.import_module(mutant.module), mutant.name)
    if inspect.isfunction(good):

        def bad(*values: Any, **named: Any) -> Any:
            return _scaled(good(*values, **named))

        spoilt: Any = bad
    else:
        spoilt = _scaled(good)
    for name, module in list(sys.modules.items()):
        if name.startswith("steps") and getattr(module, mutant.name, None) is good:
            setattr(module, mutant.name, spoilt)


class _First:
    """Remembers the test that failed."""

    failed = ""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"{report.nodeid} (collecting)"


def killer(mutant: Mutant | None) -> str:
    """The test that fails with the mutant, "" where none does; in a process of its own."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        if mutant is not None:
            _spoil(mutant)
        first = _First()
        with (
            open(os.devnull, "w", encoding="utf-8") as nowhere,
            redirect_stdout(nowhere),
            redirect_stderr(nowhere),
        ):
            pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", *TESTS], plugins=[first])
        os.write(writing, first.failed.encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        failed = pipe.read().decode()
    os.waitpid(child, 0)
    return failed


def main(names: list[str]) -> int:
    importlib.import_module("steps.joints")
    importlib.import_module("steps.glue.choose")
    found = [mutant for mutant in mutants() if not names or str(mutant) in names]
    if not names and (broken := killer(None)):
        print(f"without any mutant {broken} fails already")
        return 1
    survivors = 0
    for mutant in found:
        test = killer(mutant)
        survivors += not test
        print(f"{mutant!s:40} {test or 'SURVIVES'}", flush=True)
    print(f"{len(found)} mutants, {survivors} survive")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
