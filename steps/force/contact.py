"""Where two printed faces touch: the line itself, the ridges of the layers, and springs one behind another.

Johnson, Contact Mechanics (1985), 5.6, and Roark, table 14.1 (from memory). Lengths mm, moduli MPa, N.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np


def line_approach(
    per_length: float, radius: float, thickness: float, e: float, poisson: float
) -> tuple[float, float]:
    """By how much (mm) a round stud and a flat wall flatten at their line: of the stud, of the wall.

    ``per_length`` N per mm of line, ``radius`` of the stud, ``thickness`` of the wall; both of one plastic.
    """
    joint = e / (2 * (1 - poisson**2))
    half = np.sqrt(4 * per_length * radius / (np.pi * joint))
    each = per_length * (1 - poisson**2) / (np.pi * e)
    stud = each * (2 * np.log(4 * radius / half) - 1)
    wall = each * (2 * np.log(2 * thickness / half) - poisson / (1 - poisson))
    return float(stud), float(wall)


def ridge_force(approach: float, radius: float, layer: float, e: float, poisson: float) -> float:
    """Newtons on one crossing of a layer's ridge with a stud, pressed together by ``approach`` mm.

    P = 4/3 E* sqrt(Re) d^1.5, Re = sqrt(r rho), rho half a layer.
    """
    joint = e / (2 * (1 - poisson**2))
    return float(4 / 3 * joint * np.sqrt(np.sqrt(radius * layer / 2)) * approach**1.5)


def ridge_pressure(force: float, approach: float, radius: float, layer: float) -> float:
    """Mean pressure (MPa) on that spot: P / (pi Re d)."""
    return float(force / (np.pi * np.sqrt(radius * layer / 2) * approach))


def in_series(springs: Iterable[float]) -> float:
    """One spring for several behind one another: 1/k = sum of 1/k_i."""
    return 1 / sum(1 / spring for spring in springs)
