"""One set: booklet, stickers and plan of one run carry one id, and files of different runs are noticed.

The id stands in the plan as ``run``, in a PDF and an HTML page as their ``dc:identifier`` (Dublin Core).
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from steps.model import Model
from steps.remembered import program, sum_of
from steps.settings import Settings

#: Endings of the files of one set, after the stem that they share.
PLAN, STICKERS = ".plan.json", "-stickers.pdf"
ENDINGS = (".pdf", ".html", STICKERS, PLAN)
#: What to do about it.
MAKE_ANEW = "Run `stepleaf booklet` again, with all that is wanted, for one set."
#: Hexadecimal digits of an id: two of a maker's runs that differ share one by chance once in 2 ** 64.
DIGITS = 16
_IDENTIFIER = "stepleaf-run:"
_FOUND = re.compile(rb'(?:stepleaf-run:|^ "run": ")([0-9a-f]{%d})\b' % DIGITS, re.MULTILINE)


def run_of(model: Model, settings: Settings) -> str:
    """The id of what is made of a model with these settings by this program: no clock, no chance, no path."""
    made_of = [sum_of(model), settings.model_dump_json(), program()]
    return hashlib.sha256(json.dumps(made_of).encode()).hexdigest()[:DIGITS]


def identifier(run: str) -> str:
    """A run's id as a file's ``dc:identifier``."""
    return _IDENTIFIER + run


def run_in(path: Path) -> str:
    """The id that a file carries; empty where it has none, or is none that can be read."""
    with suppress(OSError):
        found = _FOUND.search(path.read_bytes())
        return "" if found is None else found[1].decode()
    return ""


def set_of(stem: Path) -> tuple[Path, ...]:
    """The files of a set that are there; ``stem`` is their path without an ending."""
    paths = [stem.with_name(stem.name + ending) for ending in ENDINGS]
    return tuple(path for path in paths if path.is_file())


def mixed(paths: Iterable[Path]) -> str:
    """What to say of files that should be of one run and are not, else nothing. Those that carry no id say
    nothing."""
    runs: dict[str, list[str]] = {}
    for path in paths:
        if run := run_in(path):
            runs.setdefault(run, []).append(path.name)
    if len(runs) < 2:
        return ""
    groups = "; ".join(f"{' and '.join(names)} of run {run}" for run, names in runs.items())
    return (
        f"These files are of different runs: {groups}. A run was stopped before all were in place, or some "
        "were made of another model, with other settings or by another version: steps and labels may differ."
    )
