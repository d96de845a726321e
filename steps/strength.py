"""What hands can push, from data/hands.toml, each figure with its source."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from steps.model import ClosesBy, Reader

#: How old a child is taken to be when nobody says.
CHILD_YEARS = 8


@dataclass(frozen=True)
class Hand:
    """How hard one kind of reader can press a part home: once, and again and again.

    ``words`` say whose hand was measured; more than ``seldom`` presses are again and again.
    """

    reader: Reader
    push_n: float
    repeated_n: float
    seldom: int
    words: str
    source: str
    pull_share: float = 0.0  #: what it pulls, as a share of its push; 0 where nobody asks

    def limit_n(self, presses: int = 1) -> float:
        """Newtons for one of so many presses."""
        return self.push_n if presses <= self.seldom else self.repeated_n


@cache
def hands(child_years: int = CHILD_YEARS) -> tuple[Hand, ...]:
    """Every kind of reader, the weakest first; a child of so many years."""
    text = files("steps").joinpath("data/hands.toml").read_text(encoding="utf-8")
    found = []
    for reader, row in tomllib.loads(text).items():
        if reader == "child":
            ages = row.pop("from_years")
            years, push = max(age for age in ages if age[0] <= max(child_years, ages[0][0]))
            row |= {"push_n": push, "repeated_n": push / 2, "words": row["words"].format(years=int(years))}
        found.append(Hand(reader=reader, **row))  # type: ignore[arg-type]
    return tuple(sorted(found, key=lambda hand: hand.push_n))


def strongest_push_n(presses: int = 1) -> float:
    """More than this is not for hands."""
    return hands()[-1].limit_n(presses)


def child_pull_n(child_years: int = CHILD_YEARS) -> float:
    """What a weak child of so many years pulls apart, N."""
    hand = next(hand for hand in hands(child_years) if hand.reader == "child")
    return hand.pull_share * hand.push_n


def one_hand_n() -> float:
    """What any adult presses with one hand dozens of times: a contact that needs more is tight."""
    return hands()[1].repeated_n


def who_pushes(newtons: float, presses: int = 1, child_years: int = CHILD_YEARS) -> Reader:
    """The weakest reader who can push so hard; an adult, with a clamp, where nobody can by hand."""
    able = (hand.reader for hand in hands(child_years) if newtons <= hand.limit_n(presses))
    return next(able, "adult")


def who_closes(
    likely_n: float, high_n: float, cracks: bool, presses: int = 1, child_years: int = CHILD_YEARS
) -> ClosesBy:
    """Who can close what takes so much: the weakest reader who surely can.

    Between an adult's likely and sure it is an adult's, who may need a clamp; beyond that a clamp's. Nobody's
    where it would crack first.
    """
    if cracks:
        return "none"
    if high_n <= strongest_push_n(presses):
        return who_pushes(high_n, presses, child_years)
    return "adult" if likely_n <= strongest_push_n(presses) else "clamp"
