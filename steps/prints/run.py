"""The print run: plates of one colour each, in the order in which the build first needs their parts."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from steps.prints.items import PrintItem
from steps.settings import PrinterSettings
from steps.wording import Wording

#: Room between prints on a plate (mm). Common practice, no source.
APART_MM = 6.0


@dataclass(frozen=True)
class OnPlate:
    """One copy on a plate: row of its item, its part, and where its middle lies (mm from the corner)."""

    item: int
    part: str
    x: float
    y: float


@dataclass(frozen=True)
class Plate:
    """One job of the printer."""

    number: int
    colour: str
    colour_name: Wording | str
    copies: tuple[OnPlate, ...]
    minutes: float
    needed_at: int | None  #: first step of the build that needs a part of it

    @cached_property
    def counts(self) -> Mapping[int, int]:
        """Row of each item on it -> number of copies, in order of appearance."""
        return Counter(copy.item for copy in self.copies)


def print_run(
    items: Sequence[PrintItem],
    printer: PrinterSettings,
    needed: Mapping[str, int] | None = None,
    left: Mapping[int, int] | None = None,
) -> tuple[Plate, ...]:
    """Plates in printing order. Without ``needed`` parts are taken in the order of ``items``; ``left`` (row
    of an item -> copies) says of how many copies, else all are.

    The next plate takes the colour of the part that is needed first and is filled with that colour,
    in order of need, as far as the bed and the longest plate allow. What is larger than the bed is on no
    plate.
    """
    steps = needed or {}
    late = max(steps.values(), default=0) + 1

    def need(part: str) -> int:
        return steps.get(part, late)

    fits = {row: item.laid.fit.fits for row, item in enumerate(items)}  # what is too large is on no plate
    wanted = {row: item.count if left is None else left.get(row, 0) for row, item in enumerate(items)}
    waiting = {
        row: deque(_copies(item, wanted[row], need))
        for row, item in enumerate(items)
        if wanted[row] and fits[row]
    }
    plates: list[Plate] = []
    while waiting:
        first = min(waiting, key=lambda row: (need(waiting[row][0]), row))
        shelf = _Shelf(printer)
        asked = {row for row in waiting if items[row].colour == items[first].colour}
        while asked:
            row = min(asked, key=lambda row: (need(waiting[row][0]), row))
            if shelf.take(row, waiting[row][0], items[row]):
                waiting[row].popleft()
            else:
                asked.discard(row)  # nor will its other copies go on
            if not waiting[row]:
                del waiting[row]
                asked.discard(row)
        needed_at = min(need(copy.part) for copy in shelf.copies) if needed else None
        item, copies = items[first], tuple(shelf.copies)
        plates.append(Plate(len(plates) + 1, item.colour, item.colour_name, copies, shelf.minutes, needed_at))
    return tuple(plates)


def _copies(item: PrintItem, wanted: int, need: Callable[[str], int]) -> list[str]:
    """The parts to print: what is done first is what is needed first, so the last ones are left; of more than
    there are, the first comes again."""
    parts = sorted(item.parts, key=need)
    more, rest = divmod(wanted, len(parts))
    return parts[len(parts) - rest :] + parts * more


class _Shelf:
    """A bed being filled in rows from its corner."""

    def __init__(self, printer: PrinterSettings) -> None:
        self.bed, self.longest = printer.bed_mm, 60 * printer.plate_h
        self.copies: list[OnPlate] = []
        self.minutes = 0.0
        self.x = self.y = self.deep = 0.0

    def take(self, row: int, part: str, item: PrintItem) -> bool:
        """Place one copy, or say that it does not go on this plate."""
        wide, deep = item.laid.footprint_mm
        minutes = item.laid.use.minutes
        if self.copies and self.minutes + minutes > self.longest:
            return False
        x, y, row_deep = self.x, self.y, self.deep
        if x + wide > self.bed[0] and self.copies:
            x, y, row_deep = 0.0, y + row_deep + APART_MM, 0.0
        if self.copies and (x + wide > self.bed[0] or y + deep > self.bed[1]):
            return False
        self.copies.append(OnPlate(row, part, float(x + wide / 2), float(y + deep / 2)))
        self.x, self.y, self.deep = x + wide + APART_MM, y, max(row_deep, deep)
        self.minutes += minutes
        return True
