"""Folding and stapling: which two pages stand on which side of which sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from steps.booklet.boxes import Page

PER_SHEET = 4
Thing = TypeVar("Thing")


@dataclass(frozen=True)
class Side:
    """One printed side: pages with the x at which each stands, mm."""

    width: float
    height: float
    pages: tuple[tuple[float, Page], ...]
    name: str  #: for the page label: "3", "2 front"


def imposition(pages: Sequence[Thing]) -> tuple[tuple[Thing | None, Thing | None], ...]:
    """Left and right page of each side, front and back in turn, for duplex on the short edge.

    Blank pages fill up to a multiple of four, at the end: sheets laid in each other, folded and stapled
    in the middle read in order.
    """
    count = -(-len(pages) // PER_SHEET) * PER_SHEET
    padded: list[Thing | None] = [*pages, *[None] * (count - len(pages))]
    sides: list[tuple[Thing | None, Thing | None]] = []
    for sheet in range(count // PER_SHEET):
        low, high = 2 * sheet, count - 1 - 2 * sheet
        sides.append((padded[high], padded[low]))
        sides.append((padded[low + 1], padded[high - 1]))
    return tuple(sides)


def single_sides(pages: Sequence[Page]) -> tuple[Side, ...]:
    """A side for each page."""
    return tuple(
        Side(page.width, page.height, ((0.0, page),), str(number))
        for number, page in enumerate(pages, start=1)
    )


def folded_sides(pages: Sequence[Page]) -> tuple[Side, ...]:
    """Two pages a side, for folding."""
    width, height = pages[0].width, pages[0].height
    sides = []
    for index, (left, right) in enumerate(imposition(pages)):
        placed = [(x, page) for x, page in ((0.0, left), (width, right)) if page is not None]
        name = f"{index // 2 + 1} {'back' if index % 2 else 'front'}"
        sides.append(Side(2 * width, height, tuple(placed), name))
    return tuple(sides)


__all__ = ["Side", "folded_sides", "imposition", "single_sides"]
