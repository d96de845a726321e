"""What hands can push, from data/hands.toml, each figure with its source."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from steps.model import Reader


@dataclass(frozen=True)
class Hand:
    """How hard one kind of reader can press a part home; ``words`` say whose hand was measured."""

    reader: Reader
    push_n: float
    words: str
    source: str


@cache
def hands() -> tuple[Hand, ...]:
    """Every row of the data file, the weakest first."""
    text = files("steps").joinpath("data/hands.toml").read_text(encoding="utf-8")
    rows = [Hand(reader, **row) for reader, row in tomllib.loads(text).items()]  # type: ignore[arg-type]
    return tuple(sorted(rows, key=lambda hand: hand.push_n))


def strongest_push_n() -> float:
    """More than this is not for hands."""
    return hands()[-1].push_n


def who_pushes(newtons: float) -> Reader:
    """The weakest reader who can push so hard; an adult, with a clamp, where nobody can by hand."""
    return next((hand.reader for hand in hands() if newtons <= hand.push_n), "adult")
