"""From crossings to lines: link them through the cells of the pixel net and follow the links."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from renderer.beat import beat
from renderer.edges import Crossings
from renderer.lines import Lines

#: How far a drawn line may stray from the crossings when points are left out, pixels.
STRAY = 0.12


def trace(crossings: Crossings, style: NDArray[np.int64], drawn: NDArray[np.bool_]) -> Lines:
    """Follow crossings of one style into polylines, through the cells that are ``drawn`` (rows, columns).
    ``style``: (n,) a small number per crossing.

    Where three surfaces meet, the line of the nearest runs through and the third ends on it.
    """
    beat()
    cells = _cells(crossings, drawn)
    points, styles, links = _links(crossings, style, cells)
    beat()
    order, line = _walk(len(points), links)
    if not len(order):
        return Lines.none()
    beat()
    heads = np.flatnonzero(np.diff(line, prepend=-1))
    return _simplified(points[order], line, styles[order[heads]])


def _cells(crossings: Crossings, drawn: NDArray[np.bool_]) -> NDArray:
    """(m, 4) crossings on the top, bottom, left and right of each cell that has any, -1 for none."""
    rows, columns = drawn.shape
    row, column, down = crossings.pairs.row, crossings.pairs.column, crossings.pairs.down
    number = np.arange(len(row))
    # a crossing to the right is the top of its own row's cell and the bottom of the one above;
    # a crossing downward is the left of its own column's cell and the right of the one before
    own_side, other_side = np.where(down, 2, 0), np.where(down, 3, 1)
    other_row, other_column = row - ~down, column - down
    cell_row, cell_column = np.append(row, other_row), np.append(column, other_column)
    side, who = np.append(own_side, other_side), np.append(number, number)
    inside = (cell_row >= 0) & (cell_row < rows) & (cell_column >= 0) & (cell_column < columns)
    inside[inside] = drawn[cell_row[inside], cell_column[inside]]
    flat = cell_row[inside] * columns + cell_column[inside]
    cell, place = np.unique(flat, return_inverse=True)
    table = np.full((len(cell), 4), -1)
    table[place.reshape(-1), side[inside]] = who[inside]
    return table


def _links(crossings: Crossings, style: NDArray, cells: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Points (n, 2), their styles, and links (k, 2) between them."""
    filled = (cells >= 0).sum(axis=1)
    packed = -np.sort(-cells, axis=1)  # crossings first
    pairs = [packed[filled == 2, :2]]
    through, third, onto = _junctions(crossings, packed[filled >= 3])
    pairs.append(through)
    extra_points, extra_styles, extra_links = [onto], [style[third]], [third]
    links = np.concatenate(pairs)
    differ = style[links[:, 0]] != style[links[:, 1]]
    broken = links[differ]
    middle = crossings.at[broken].mean(axis=1)
    for side in (0, 1):  # both lines run on to where the style changes
        extra_points.append(middle)
        extra_styles.append(style[broken[:, side]])
        extra_links.append(broken[:, side])
    extra = np.concatenate(extra_links)
    count = len(crossings.at)
    tails = np.stack([extra, count + np.arange(len(extra))], axis=1)
    points = np.concatenate([crossings.at, *extra_points])
    return points, np.concatenate([style, *extra_styles]), np.concatenate([links[~differ], tails])


def _junctions(crossings: Crossings, cells: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """For cells with three or four crossings: the links (k, 2) that run through, the crossings left
    over, and the points (.., 2) where these end."""
    if not len(cells):
        return np.zeros((0, 2), np.int64), np.zeros(0, np.int64), np.zeros((0, 2))
    there = cells >= 0
    surface, depth = crossings.pairs.surface[cells], crossings.depth[cells]
    depth = np.where(there[..., None], depth, np.inf).reshape(len(cells), -1)
    nearest = surface.reshape(len(cells), -1)[np.arange(len(cells)), depth.argmin(axis=1)]
    borders = (surface == nearest[:, None, None]).any(axis=2) & there
    # the two that run through: those that border the nearest surface, else the first two
    rank = np.argsort(~borders, axis=1, kind="stable")
    ordered = np.take_along_axis(cells, rank, axis=1)
    through = ordered[:, :2]
    onto = crossings.at[through].mean(axis=1)
    left = ordered[:, 2:]
    kept = left >= 0
    return through, left[kept], np.repeat(onto[:, None], 2, axis=1)[kept]


def _walk(count: int, links: NDArray) -> tuple[NDArray, NDArray]:
    """Nodes in walking order and the line of each, a ring's first node once more at its end. Every node has
    at most two links."""
    beside = _beside(count, links)
    ends = np.count_nonzero(beside >= 0, axis=1)
    one, other = beside.T.tolist()
    walked = bytearray(count)
    order: list[int] = []
    sizes: list[int] = []
    # each line from the first of its loose ends; what is left then are rings
    for start in [*np.flatnonzero(ends == 1).tolist(), *np.flatnonzero(ends == 2).tolist()]:
        if walked[start]:
            continue
        before, here, begun = -1, start, len(order)
        while here >= 0 and not walked[here]:
            walked[here] = 1
            order.append(here)
            before, here = here, other[here] if one[here] == before else one[here]
        if here == start:
            order.append(start)
        sizes.append(len(order) - begun)
    return np.array(order, dtype=np.int64), np.repeat(np.arange(len(sizes)), sizes)


def _beside(count: int, links: NDArray) -> NDArray[np.int64]:
    """(count, 2) the nodes that each is linked with, -1 for none."""
    both = np.concatenate([links, links[:, ::-1]])
    both = both[np.argsort(both[:, 0], kind="stable")]
    second = np.diff(both[:, 0], prepend=-1) == 0
    found = np.full((count, 2), -1, np.int64)
    found[both[:, 0], second.astype(int)] = both[:, 1]
    return found


def _simplified(points: NDArray, line: NDArray, style: NDArray) -> Lines:
    """Leave out points that lie on the way between others."""
    sizes = np.bincount(line)
    kept = sizes[line] > 1
    strings = shapely.linestrings(points[kept], indices=np.cumsum(np.diff(line[kept], prepend=-1) > 0) - 1)
    plain = shapely.simplify(strings, STRAY, preserve_topology=False)
    points, line = shapely.get_coordinates(plain, return_index=True)
    return Lines(points, np.flatnonzero(np.diff(line, prepend=-1)), style[sizes > 1])
