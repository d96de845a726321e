"""Lettered balloons: a circle in free space, a leader to its part, as few crossings as can be."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.picture import Balloon, Sign, Stroke
from renderer.spatial import depth_within
from renderer.table import PixelTable
from steps.draw.sheet import Field
from steps.model import Array

#: For keys and faces (n,): a number for each surface without a line on it.
PatchLookup = Callable[[NDArray[np.int32], NDArray[np.int32]], NDArray[np.int64]]

#: Radius of a balloon, free space round it, and the shortest leader outside the circle (mm on paper).
RADIUS_MM, CLEAR_MM, LEADER_MM = 4.2, 1.2, 4.0
#: A longer text needs a larger circle: this much more for each letter beyond the first two (mm).
WIDER_MM = 1.2
#: White under a leader of 0.25 mm and under its dot of 1.2 mm across (mm on paper).
LEADER_CASING_MM, DOT_CASING_MM = 0.65, 1.7
#: Side of the cells in which places are looked for (mm on paper).
CELL_MM = 1.5
#: Costs of a place: per mm of leader; per mm of leader over another new part, over earlier parts; of each
#: crossing of another leader; of standing on the drawing where no free place is left.
LENGTH_COST, OVER_NEW_COST, OVER_EARLIER_COST, CROSS_COST, ON_DRAWING_COST = 1.0, 20.0, 0.6, 200.0, 400.0
#: A leader keeps this far off a sign's middle, in shares of the sign's size.
SIGN_ROOM = 0.6
#: Steps along a leader when counting what it crosses.
LEADER_STEPS = 48
#: Most balloons of one picture; beyond, one for each kind with its count, then none.
MOST_BALLOONS = 8


def place_balloons(
    field: Field,
    table: PixelTable,
    wanted: Sequence[tuple[str, Sequence[int]]],
    new_keys: Sequence[int],
    signs: Sequence[Sign] = (),
    guides: Sequence[Stroke] = (),
    taken: Sequence[Array] = (),
    patches: PatchLookup | None = None,
) -> tuple[Balloon, ...]:
    """One balloon for each (text, keys of the parts it names) that shows at all, in the order given.
    ``taken``: boxes (2, 2) on paper where no balloon may stand."""
    free = _free_map(field, table, signs, guides, taken)
    is_new = np.zeros(max([*new_keys, 0, int(table.key.max(initial=-1))]) + 2, dtype=bool)
    is_new[list(new_keys)] = True
    placed: list[Balloon] = []
    for text, keys in wanted:
        target = inner_point(field, table, keys, patches)
        if target is None:
            continue
        placed.append(_best_place(field, table, text, keys, target, is_new, free, placed, signs))
    return tuple(placed)


def radius_of(text: str) -> float:
    """Radius of a balloon for a text, mm on paper."""
    return RADIUS_MM + WIDER_MM * max(0, len(text) - 2)


def inner_point(
    field: Field, table: PixelTable, keys: Sequence[int], patches: PatchLookup | None = None
) -> Array | None:
    """(2,) paper point well inside the largest visible face of the parts, off its edges; None where none
    shows. ``patches``: which faces of a part are one surface; without it the parts' whole outline counts."""
    mask = _mask(table, keys)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return None
    own = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    window = np.pad(mask[own], 1)
    if patches is not None:
        window[1:-1, 1:-1] &= ~_seams(table.key[own], table.face[own], mask[own], patches)
    step = max(1, int(np.sqrt(window.size / 40_000)))  # a coarse look does
    depth = depth_within(window) if step == 1 else depth_within(_shrunk(window, step))
    if not depth.any():
        return inner_point(field, table, keys) if patches is not None else None
    row, column = np.unravel_index(int(depth.argmax()), depth.shape)
    at_row, at_column = rows[0] - 1 + (row + 0.5) * step - 0.5, columns[0] - 1 + (column + 0.5) * step - 0.5
    x = (at_column + 0.5) * field.mm_per_pixel
    return np.array([x, field.height_mm - (at_row + 0.5) * field.mm_per_pixel])


def _mask(table: PixelTable, keys: Sequence[int]) -> NDArray[np.bool_]:
    """(rows, columns) where any of the keys shows."""
    if len(keys) == 1:
        return np.asarray(table.key == keys[0])
    marked = np.zeros(max([*keys, int(table.key.max(initial=-1))]) + 2, dtype=bool)  # the last: nothing
    marked[list(keys)] = True
    return np.asarray(marked[table.key])


def _shrunk(window: NDArray[np.bool_], step: int) -> NDArray[np.bool_]:
    """Blocks of step x step pixels: those that are whole; where none is, those that are touched."""
    rows, columns = (-size % step for size in window.shape)
    padded = np.pad(window, ((0, rows), (0, columns)))
    blocks = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step)
    whole = np.asarray(blocks.all(axis=(1, 3)))
    return whole if whole.any() else np.asarray(blocks.any(axis=(1, 3)))


def _seams(key: NDArray, face: NDArray, mask: NDArray[np.bool_], patches: PatchLookup) -> NDArray[np.bool_]:
    """Where the surface changes to the right or below."""
    surface = np.full(key.shape, -1, np.int64)
    surface[mask] = patches(key[mask], face[mask])
    seams = np.zeros(key.shape, dtype=bool)
    seams[:, :-1] |= surface[:, :-1] != surface[:, 1:]
    seams[:-1] |= surface[:-1] != surface[1:]
    return seams


def casings(balloons: Sequence[Balloon]) -> tuple[Stroke, ...]:
    """White under each leader and its dot, so that both are seen on dark parts."""
    strokes = []
    for balloon in balloons:
        ends = np.array([balloon.centre, balloon.target])
        strokes.append(Stroke(ends, LEADER_CASING_MM, grey=1.0))
        dot = balloon.target + np.array([[-0.01, 0.0], [0.01, 0.0]])
        strokes.append(Stroke(dot, DOT_CASING_MM, grey=1.0))
    return tuple(strokes)


def _free_map(
    field: Field,
    table: PixelTable,
    signs: Sequence[Sign],
    guides: Sequence[Stroke],
    boxes: Sequence[Array],
) -> NDArray[np.float64]:
    """(cells down, cells across) clear distance, mm, from each cell's middle to anything drawn."""
    across, down = _cells(field)
    x, y = _middles(field)
    row, column = field.pixel(np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1))
    taken = table.key[row, column] >= 0
    for sign in signs:
        taken |= np.hypot(x[None, :] - sign.centre[0], y[:, None] - sign.centre[1]) < sign.size_mm / 2
    for (left, low), (right, high) in boxes:
        taken |= ((x >= left) & (x <= right))[None, :] & ((y >= low) & (y <= high))[:, None]
    for stroke in guides:
        for share in np.linspace(0, 1, 24):
            point = stroke.points[0] + share * (stroke.points[-1] - stroke.points[0])
            at_row = int(np.clip((field.height_mm - point[1]) / CELL_MM, 0, down - 1))
            taken[at_row, int(np.clip(point[0] / CELL_MM, 0, across - 1))] = True
    clear = depth_within(~np.pad(taken, 1, constant_values=True))[1:-1, 1:-1]
    return np.asarray(clear) * CELL_MM


def _cells(field: Field) -> tuple[int, int]:
    return max(1, int(field.width_mm / CELL_MM)), max(1, int(field.height_mm / CELL_MM))


def _middles(field: Field) -> tuple[Array, Array]:
    across, down = _cells(field)
    x = (np.arange(across) + 0.5) * field.width_mm / across
    return x, field.height_mm - (np.arange(down) + 0.5) * field.height_mm / down


def _best_place(
    field: Field,
    table: PixelTable,
    text: str,
    keys: Sequence[int],
    target: Array,
    is_new: NDArray[np.bool_],
    free: NDArray[np.float64],
    placed: Sequence[Balloon],
    signs: Sequence[Sign],
) -> Balloon:
    x, y = (grid.ravel() for grid in np.meshgrid(*_middles(field)))
    radius = radius_of(text)
    room = radius + CLEAR_MM
    inside = (x > radius) & (x < field.width_mm - radius) & (y > radius) & (y < field.height_mm - radius)
    length = np.hypot(x - target[0], y - target[1])
    apart = np.ones(len(x), dtype=bool)
    for other in placed:
        gap = radius + other.radius_mm + CLEAR_MM
        apart &= np.hypot(x - other.centre[0], y - other.centre[1]) > gap
    usable = inside & apart & (length > radius + LEADER_MM)
    if not usable.any():
        usable = inside if inside.any() else np.ones(len(x), dtype=bool)
    x, y, length, clear = x[usable], y[usable], length[usable], free.ravel()[usable]
    cost = LENGTH_COST * length + np.where(clear < room, ON_DRAWING_COST + 10 * (room - clear), 0.0)
    near = np.argsort(cost, kind="stable")[:400]
    centre = np.stack([x[near], y[near]], axis=1)
    cost = cost[near] + _leader_cost(field, table, centre, target, keys, is_new)
    cost += CROSS_COST * _over_signs(centre, target, signs)
    for other in placed:
        cost += CROSS_COST * _crosses(centre, target, np.array(other.centre), np.array(other.target))
    best = centre[int(np.argmin(cost.round(6)))]
    return Balloon(text, (float(best[0]), float(best[1])), radius, (float(target[0]), float(target[1])))


def _leader_cost(
    field: Field,
    table: PixelTable,
    centre: Array,
    target: Array,
    keys: Sequence[int],
    is_new: NDArray[np.bool_],
) -> Array:
    """(n,) cost of what the leaders from each centre to the target pass over."""
    share = np.linspace(0, 1, LEADER_STEPS)
    points = centre[:, None] + share[None, :, None] * (target - centre)[:, None]
    row, column = field.pixel(points)
    key = table.key[row, column]
    own = np.isin(key, np.asarray(keys, dtype=np.int32))
    over_new = is_new[key] & ~own & (key >= 0)
    over_earlier = (key >= 0) & ~own & ~over_new
    length = np.linalg.norm(target - centre, axis=1) / LEADER_STEPS
    return length * (OVER_NEW_COST * over_new.sum(axis=1) + OVER_EARLIER_COST * over_earlier.sum(axis=1))


def _over_signs(centre: Array, target: Array, signs: Sequence[Sign]) -> NDArray[np.int64]:
    """(n,) how many signs the leaders from each centre to the target pass over."""
    share = np.linspace(0, 1, LEADER_STEPS)
    points = centre[:, None] + share[None, :, None] * (target - centre)[:, None]
    over = np.zeros(len(centre), np.int64)
    for sign in signs:
        apart = np.linalg.norm(points - np.array(sign.centre), axis=2).min(axis=1)
        over += apart < SIGN_ROOM * sign.size_mm
    return over


def _crosses(centre: Array, target: Array, other_centre: Array, other_target: Array) -> NDArray[np.bool_]:
    """(n,) whether leaders from each centre to the target cross another leader."""

    def side(start: Array, end: Array, point: Array) -> Array:
        ahead, aside = end - start, point - start
        return ahead[..., 0] * aside[..., 1] - ahead[..., 1] * aside[..., 0]

    apart = side(centre, target, other_centre) * side(centre, target, other_target) < 0
    across = side(other_centre, other_target, centre) * side(other_centre, other_target, target) < 0
    return apart & across
