"""Blocks into columns: a heading kept with what follows, tables divided between rows, figures reduced."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from steps.booklet import content as c
from steps.booklet.boxes import Cell, Rect
from steps.booklet.edition import Edition
from steps.booklet.tables import set_out
from steps.booklet.typeset import Typesetter, halves, row_ends

BALANCE_MM = 2.0  # columns of a last page are made equal to this
LEAST_ROWS = 2  # of a table, on either side of a column's end
TIGHT, TIGHTEST = 0.5, 0.2  # shares of the usual gap in a crowded column


#: A cell, and where its upper left corner comes to stand.
_Place = tuple[Cell, float, float]


@dataclass(frozen=True)
class Flow:
    """Sets blocks one below the other."""

    setter: Typesetter

    @property
    def edition(self) -> Edition:
        return self.setter.edition

    def tight(self, share: float = TIGHT) -> Flow:
        """The same with less air between blocks, for a crowded column."""
        edition = replace(self.edition, gap=share * self.edition.gap)
        return Flow(Typesetter(edition, self.setter.face))

    def into(
        self, blocks: Sequence[c.Block], columns: Sequence[Rect], whole: bool = False
    ) -> tuple[list[Cell], list[c.Block]]:
        """Blocks into columns from the top, a heading kept with what follows: cells and what is left.

        A table is divided between rows where the column ends; other blocks only where they are higher than
        a column, and with ``whole`` none: ValueError.
        """
        placed, rest = self._placed(blocks, columns, whole)
        return [cell.moved(x, top) for cell, x, top in placed], rest

    def _placed(
        self, blocks: Sequence[c.Block], columns: Sequence[Rect], whole: bool
    ) -> tuple[list[_Place], list[c.Block]]:
        """The cells at their corner, and where their upper left corners come to stand."""
        rest = list(blocks)
        placed: list[_Place] = []
        for column in columns:
            top = column.top
            while rest and isinstance(rest[0], c.Rule):
                rest.pop(0)
            repeated = bool(rest) and isinstance(rest[0], c.PartLine) and bool(rest[0].again)
            headed = [c.Heading(rest[0].again), *rest] if repeated else rest  # type: ignore[union-attr]
            if self._stands_alone(headed, column):
                break
            rest = headed
            while rest:
                if isinstance(rest[0], c.Table) and not rest[0].found:
                    rest[0] = set_out(self.setter, rest[0], column.width)
                cell = set_block(self.setter, rest[0], column.width)
                if cell.rect.height > column.height and not isinstance(rest[0], c.Table):
                    if whole:
                        raise ValueError("higher than the column")
                    rest[0:1] = self._smaller(rest[0], cell.rect.height - column.height)
                    continue
                empty = top == column.top
                needed = cell.rect.height if empty else self._needed(rest, column.width)
                if top - needed < column.y - 0.01:
                    parts = self._divided(rest[0], column.width, top - column.y, empty)
                    if parts is None:
                        break
                    rest[0:1] = parts
                    continue
                placed.append((cell, column.x, top))
                top -= cell.rect.height + self.edition.gap
                rest.pop(0)
        while rest and isinstance(rest[0], c.Rule):
            rest.pop(0)
        return placed, rest

    def balanced(self, blocks: Sequence[c.Block], columns: Sequence[Rect], usual: list[Cell]) -> list[Cell]:
        """The same blocks in columns as low as will do, so that they end at about one height."""
        low, high = 0.0, columns[0].height
        best: list[_Place] | None = None
        while high - low > BALANCE_MM:
            height = (low + high) / 2
            shorter = [Rect(each.x, each.top - height, each.width, height) for each in columns]
            try:
                placed, rest = self._placed(blocks, shorter, whole=True)
            except ValueError:  # a block higher than the shortened column
                rest = list(blocks)
            if rest:
                low = height
            else:
                best, high = placed, height
        return usual if best is None else [cell.moved(x, top) for cell, x, top in best]

    def _divided(self, block: c.Block, width: float, height: float, empty: bool) -> list[c.Block] | None:
        """A table's rows that fit into the height, and the rest; None where too few do."""
        if not isinstance(block, c.Table):
            return None
        least = 1 if empty else LEAST_ROWS

        count = bisect_right(row_ends(set_block(self.setter, block, width)), height + 0.005) - 1
        if count >= least:
            return [replace(block, rows=block.rows[:count]), replace(block, rows=block.rows[count:])]
        if not empty:
            return None
        rows = _shorter_row(block.rows[0])
        if rows is None:
            raise ValueError("a row of a table is higher than a column")
        return [replace(block, rows=(*rows, *block.rows[1:]))]

    def _stands_alone(self, blocks: Sequence[c.Block], column: Rect) -> bool:
        """Whether a column has room for a heading of the parts list and not for its first part."""
        if len(blocks) < 2 or not isinstance(blocks[0], c.Heading) or not isinstance(blocks[1], c.PartLine):
            return False
        return self._needed(blocks, column.width) > column.height

    def _needed(self, rest: Sequence[c.Block], width: float) -> float:
        """Height that must be free to begin with this block: headings and rules keep the next one, a line its
        figure."""
        needed = set_block(self.setter, rest[0], width).rect.height
        for here, following in pairwise(rest):
            told = isinstance(here, c.Marked) and isinstance(following, c.Figure)
            if not told and not isinstance(here, (c.Heading, c.Rule)):
                break
            if isinstance(following, c.Table):
                following = replace(following, rows=following.rows[:LEAST_ROWS])
            needed += self.edition.gap + set_block(self.setter, following, width).rect.height
        return needed

    def _smaller(self, block: c.Block, excess: float) -> list[c.Block]:
        """A block that is higher than a whole column by ``excess`` mm: a figure reduced, words divided."""
        if isinstance(block, c.Figure) and block.height_mm > 2 * excess:
            return [replace(block, height_mm=block.height_mm - excess - 0.1)]
        parts = halves(block)
        if parts is None:
            raise ValueError(f"a {type(block).__name__} is {excess:.1f} mm too high for a column")
        return list(parts)


@lru_cache(maxsize=4096)
def set_block(setter: Typesetter, block: c.Block, width: float) -> Cell:
    """A block as a cell, set once for each width: columns are tried in several heights."""
    return setter.set(block, width)


def _shorter_row(row: tuple[str, ...]) -> tuple[tuple[str, ...], ...] | None:
    """A table's row as two, each with half of the words of every cell; None for short ones."""
    pairs = [halves(c.Para(cell)) for cell in row]
    if not any(pairs):
        return None
    first = (pair[0].words if pair else cell for pair, cell in zip(pairs, row, strict=True))  # type: ignore[union-attr]
    return tuple(first), tuple(pair[1].words if pair else "" for pair in pairs)  # type: ignore[union-attr]
