"""Tubes, studs and holes as rings: under a few loads they bend, pressed all round they stretch.

A ring loaded at one place gives way everywhere round it, so its give is a matrix over the places of load:
the harmonics from the second on bend it (and stretch it a little), the mean stretches it, the first moves
the whole tube, which hangs from the roof. Under n equal loads this is Roark's Formulas for Stress and
Strain, table 9.2, case 7 (from memory; re-derived from the harmonics).

All lengths mm, moduli and pressures MPa, forces N.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from steps.model import Array

#: Shear form factor of a thin tube (Timoshenko's beam: about 2).
TUBE_SHEAR_FORM = 2.0
#: Farther than this many sqrt(d t) from its end a tube is as stiff as an endless one (a plastics maker's
#: snap-fit guide, annular joints).
END_SHARE = 1.8


def bending_share(angle: ArrayLike) -> Array:
    """Sum over n >= 2 of cos(n angle) / (n^2 - 1)^2, in closed form; ``angle`` in radians."""
    from_far = np.mod(np.asarray(angle, dtype=np.float64), 2 * np.pi) - np.pi
    return np.asarray(
        -0.5 + (np.pi**2 / 24 + 3 / 16 - from_far**2 / 8) * np.cos(from_far) + from_far / 4 * np.sin(from_far)
    )


def ring_give(angles: ArrayLike, radius: float, thickness: float, height: float, e: float) -> Array:
    """(n, n) mm of give at each place, seen from inside or outside alike, per newton at each other.

    ``angles`` (n,) of the radial loads, radians; ``radius`` to the middle of the wall. The rigid shift of the
    whole ring is left out: :func:`tube_shift` has it.
    """
    at = np.asarray(angles, dtype=np.float64)
    share = bending_share(at[:, None] - at[None]) / np.pi
    inertia, area = height * thickness**3 / 12, height * thickness
    stretched = share + 1 / (2 * np.pi)
    return np.asarray(share * radius**3 / (e * inertia) + stretched * radius / (e * area))


def tube_shift(
    angles: ArrayLike, inertia: float, area: float, reach: float, e: float, poisson: float
) -> Array:
    """(n, n) mm per newton by which a tube or pin that hangs from the roof leans at ``reach`` below it.

    A cantilever: a^3 / (3 E I) by bending, and a / (G A / 2) by shear.
    """
    at = np.asarray(angles, dtype=np.float64)
    lean = reach**3 / (3 * e * inertia) + TUBE_SHEAR_FORM * reach * 2 * (1 + poisson) / (e * area)
    return np.asarray(lean * np.cos(at[:, None] - at[None]))


def lame_pressure(
    delta: float,
    d: float,
    outer: float,
    e_outer: float,
    e_inner: float,
    nu_outer: float,
    nu_inner: float,
    bore: float = 0.0,
) -> float:
    """Contact pressure of a press fit; delta diametral, lengths mm, moduli and result MPa.

    p = delta / (d [((D^2 + d^2) / (D^2 - d^2) + nu_o) / E_o + ((d^2 + di^2) / (d^2 - di^2) - nu_i) / E_i])
    """
    outside = ((outer**2 + d**2) / (outer**2 - d**2) + nu_outer) / e_outer
    inside = ((d**2 + bore**2) / (d**2 - bore**2) - nu_inner) / e_inner
    return delta / (d * (outside + inside))


def hoop_strain(pressure: float, d: float, outer: float, e: float) -> float:
    """Hoop stress of a hole's wall over its modulus: p (D^2 + d^2) / (D^2 - d^2) / E."""
    return pressure * (outer**2 + d**2) / (outer**2 - d**2) / e


def lip_factor(d: float, outer: float, poisson: float) -> float:
    """X of an annular snap at a tube's end, stiff plug in a soft tube: P = y d E X, y diametral.

    0.62 sqrt((D/d - 1) / (D/d + 1)) / [((D/d)^2 + 1) / ((D/d)^2 - 1) + nu] (a plastics maker's snap-fit
    guide, annular joints, by symmetry with its factor for the shaft).
    """
    ratio = outer / d
    return float(0.62 * np.sqrt((ratio - 1) / (ratio + 1)) / ((ratio**2 + 1) / (ratio**2 - 1) + poisson))


def lip_spring(d: float, outer: float, e: float, poisson: float) -> float:
    """N of radial force (all round together) per mm by which a tube's end is widened, by the guide: 2 d E
    X."""
    return 2 * d * e * lip_factor(d, outer, poisson)


def shell_spring(radius: float, thickness: float, e: float, poisson: float) -> float:
    """The same by theory, a long thin shell loaded at its end: pi E t / (b r), b = [3 (1 - nu^2)]^(1/4) /
    sqrt(r t).

    ``radius`` to the middle of the wall (Timoshenko, beam on an elastic base, semi-infinite; from memory).
    """
    decay = (3 * (1 - poisson**2)) ** 0.25 / np.sqrt(radius * thickness)
    return float(np.pi * e * thickness / (decay * radius))
