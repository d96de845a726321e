"""Names of shapes by what they measure: "block 2 x 4", "slab 1 x 6", else by size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from steps.model import Array, Feature

#: A footprint is whole pitches long within this share of a pitch (bodies keep a clearance round).
FOOTPRINT_SLACK = 0.15
#: Bodies at least this many pitches high are blocks, lower ones slabs: halfway between the two
#: heights of the common proportions (1 and 0.5, or 1.2 and 0.4 pitches).
BLOCK_HEIGHT = 0.75


def name_shapes(
    sizes: Mapping[str, Array],
    features: Mapping[str, Sequence[Feature]],
    ups: Mapping[str, Array],
    pitch: float | None,
) -> dict[str, str]:
    """A name per shape id; different shapes that would share one get ", 2nd kind" and so on."""
    named: dict[str, str] = {}
    used: dict[str, int] = {}
    for key, size in sizes.items():
        name = _name(size, features[key], ups[key], pitch)
        used[name] = used.get(name, 0) + 1
        named[key] = name if used[name] == 1 else f"{name}, {_ordinal(used[name])} kind"
    return named


def _name(size: Array, features: Sequence[Feature], up: Array, pitch: float | None) -> str:
    grid = _stud_grid(size, features, up, pitch) if pitch else None
    if grid is None or pitch is None:
        long, wide, high = (f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" for value in size)
        return f"part {long} x {wide} x {high} mm"
    studs = [f for f in features if f.kind == "stud" and f.axis @ up > 0.99]
    body = size[2] - max(f.height_mm for f in studs)
    kind = "block" if body >= BLOCK_HEIGHT * pitch else "slab"
    return f"{kind} {grid[0]} x {grid[1]}"


def _stud_grid(size: Array, features: Sequence[Feature], up: Array, pitch: float) -> tuple[int, int] | None:
    """Rows and columns (fewer first) of a footprint filled with one level of studs; else None."""
    studs = [f for f in features if f.kind == "stud" and f.axis @ up > 0.99]
    cells = np.array([size[1], size[0]]) / pitch
    whole = np.round(cells)
    if not studs or np.abs(cells - whole).max() > FOOTPRINT_SLACK or whole.min() < 1:
        return None
    levels = [float(f.point @ up) for f in studs]
    if len(studs) != int(whole.prod()) or max(levels) - min(levels) > 0.01 * pitch:
        return None
    return int(whole[0]), int(whole[1])


def _ordinal(number: int) -> str:
    return {2: "2nd", 3: "3rd"}.get(number, f"{number}th")
