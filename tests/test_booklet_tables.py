"""Columns of tables: nothing broken, as low as the width allows, the same where a table is divided."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from random import Random

import pytest

from steps.booklet import content as c
from steps.booklet.boxes import Rect, Text
from steps.booklet.edition import edition_of
from steps.booklet.flow import Flow, set_block
from steps.booklet.fonts import SOFT_HYPHEN, typeface
from steps.booklet.tables import CELL_MM, column_widths, set_out, table_needs, told_once
from steps.booklet.typeset import Typesetter, row_ends
from steps.booklet.words import words_in
from steps.settings import Settings

SETTER = Typesetter(edition_of(Settings(reader="helper")), typeface(words_in("en")))
PIECES = ("clamp", "weigh down", "12", "4", "S01; S04", "tower, front and back", "a", "", "rest two hours")


def table_of(seed: int, columns: int = 4, rows: int = 7) -> c.Table:
    draw = Random(seed)
    cells = [tuple(draw.choice(PIECES) for _ in range(columns)) for _ in range(rows)]
    return c.Table(
        ("Step", "If wrong, print", "Hold", "Done")[:columns], tuple(cells), (1 / columns,) * columns
    )


def lines_of(table: c.Table, widths: list[float]) -> int:
    """Lines of all rows, each as high as its highest cell, counted by the wrapping alone."""
    total = 0
    for n, row in enumerate((table.header, *table.rows)):
        each = (
            SETTER.wrap(words, wide - CELL_MM, SETTER.edition.least, n == 0)
            for words, wide in zip(row, widths, strict=True)
        )
        total += max(map(len, each))
    return total


def test_a_word_of_thousands_of_letters_is_cut_into_lines_without_loss():
    word = "".join(Random(1).choice("abc") for _ in range(6_000))
    lines = SETTER.wrap(word, 4.0, 9.0)
    assert len(lines) > 1_500 and "".join(line.removesuffix("-") for line in lines) == word


def test_what_is_left_of_a_word_is_hyphenated_no_further_than_the_line_asks():
    word = f"{'m' * 20}{SOFT_HYPHEN}press{SOFT_HYPHEN}fit"
    width = 1.01 * SETTER.face.width_mm("m" * 20 + "-", 9.0)
    assert SETTER.wrap(word, width, 9.0) == ["m" * 20 + "-", "pressfit"]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("room", [0.0, 0.1, 0.3, 0.6, 1.5])
def test_the_columns_fill_the_width_and_break_no_word(seed, room):
    table = table_of(seed)
    width = (1 + room) * table_needs(SETTER, table)
    widths = column_widths(SETTER, table, width)
    assert sum(widths) == pytest.approx(width)
    for n, row in enumerate((table.header, *table.rows)):
        for words, wide in zip(row, widths, strict=True):
            lines = SETTER.wrap(words, wide - CELL_MM, SETTER.edition.least, n == 0)
            assert " ".join(lines) == words


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("room", [0.1, 0.25, 0.5])
def test_no_other_columns_make_the_table_lower_by_more_than_two_lines(seed, room):
    """Against every division of the width in steps of a fortieth."""
    table = table_of(seed, columns=3)
    width = (1 + room) * table_needs(SETTER, table)
    grid = [k * width / 40 for k in range(1, 40)]
    tried = ([a, b, width - a - b] for a, b in product(grid, grid) if a + b < width - 3.0)
    best = min(lines_of(table, each) for each in tried)
    assert lines_of(table, column_widths(SETTER, table, width)) <= best + 1


def test_a_divided_table_keeps_its_columns() -> None:
    table = table_of(3, rows=30)
    columns = [Rect(0, 0, 80, 60), Rect(90, 0, 80, 60), Rect(180, 0, 80, 400)]
    cells, rest = Flow(SETTER).into([table], columns)
    assert not rest and len(cells) == 3
    lefts = [
        sorted(
            {(i.slot[1], round(i.x - cell.rect.x, 3)) for i in cell.items if isinstance(i, Text) and i.slot}
        )
        for cell in cells
    ]
    assert lefts[0] == lefts[1] == lefts[2]
    whole = set_out(SETTER, table, 80)
    assert column_widths(SETTER, whole, 80) == pytest.approx(column_widths(SETTER, table, 80))


def test_words_that_stand_above_are_told_once_in_each_piece() -> None:
    rows = tuple((str(n), "hull" if n < 4 else "mast", "x") for n in range(6))
    table = c.Table(("Step", "Part", "Done"), rows, (0.3, 0.4, 0.3), once=1)
    assert [row[1] for row in told_once(table)] == ["hull", "", "", "", "mast", ""]
    assert [row[0] for row in told_once(table)] == [row[0] for row in rows]
    rest = c.Table(table.header, rows[2:], table.widths, once=1)
    assert [row[1] for row in told_once(rest)] == ["hull", "", "mast", ""]
    assert list(told_once(c.Table(table.header, rows, table.widths))) == list(rows)


@pytest.mark.parametrize("seed", range(6))
def test_the_ends_of_rows_are_the_heights_of_the_table_with_so_many(seed):
    table = set_out(SETTER, table_of(seed), 90.0)
    ends = row_ends(set_block(SETTER, table, 90.0))
    cut = [replace(table, rows=table.rows[:count]) for count in range(len(table.rows) + 1)]
    assert ends == pytest.approx([set_block(SETTER, each, 90.0).rect.height for each in cut])
