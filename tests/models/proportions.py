"""Measures of block systems that nobody makes: every ratio is drawn, and none is a known system's.

The ratios that one widespread system is known by are kept out of every draw, each by a margin.
"""

from __future__ import annotations

import numpy as np

from demo_model.solids import Module

#: Ratio to the pitch: (least, greatest, what is kept out as (from, to)).
RATIOS: dict[str, tuple[float, float, tuple[float, float]]] = {
    "block": (0.80, 1.70, (1.10, 1.30)),
    "stud_radius": (0.25, 0.35, (0.28, 0.32)),
    "stud_height": (0.15, 0.29, (0.18, 0.25)),
    "roof": (0.09, 0.14, (0.11, 0.13)),
}
#: A slab, as a share of the block, away from a third and a half.
SLABS = (0.38, 0.46)
PITCH_MM = (6.3, 15.0)
PITCH_NOT_MM = (7.6, 8.4)
CLEARANCE_MM = (0.05, 0.13)
CLEARANCE_NOT_MM = (0.09, 0.11)


def proportions(
    random: np.random.Generator, scale: float = 1.0, clearance: float | None = None, facets: int = 32
) -> Module:
    """A module of its own. ``clearance`` (mm at 1x, per side) is drawn when not given."""
    pitch = _drawn(random, *PITCH_MM, PITCH_NOT_MM)
    made = {name: pitch * _drawn(random, low, high, out) for name, (low, high, out) in RATIOS.items()}
    gap = _drawn(random, *CLEARANCE_MM, CLEARANCE_NOT_MM) if clearance is None else clearance
    room = pitch / 2 - made["stud_radius"] - 2 * gap  # between a stud and the edge of its cell
    wall = min(0.14 * pitch, room * random.uniform(0.55, 0.85))
    slab = max(made["block"] * random.uniform(*SLABS), 1.15 * (made["roof"] + made["stud_height"]))
    values = {name: round(value, 3) for name, value in (made | {"wall": wall, "slab": slab}).items()}
    return Module(pitch=round(pitch, 3), clearance=round(gap, 4), facets=facets, scale=scale, **values)


def _drawn(random: np.random.Generator, low: float, high: float, out: tuple[float, float]) -> float:
    """Uniform over low..high without the stretch ``out``."""
    while True:
        value = float(random.uniform(low, high))
        if not out[0] <= value <= out[1]:
            return value
