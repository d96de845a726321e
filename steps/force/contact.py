"""Where two printed faces touch: along a line.

Johnson, Contact Mechanics (1985), 5.6 (from memory). Lengths mm, moduli MPa, N.
"""

from __future__ import annotations

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
