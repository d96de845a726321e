"""Beams, rings, ridges and rows of studs by formulas of the tables: what the product's own springs are held
against.

Roark's Formulas for Stress and Strain, tables 8.1 and 9.2, and Johnson, Contact Mechanics (1985), 5.6 (from
memory). Lengths mm, moduli and pressures MPa, forces N, stiffness N/mm.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from steps.force.rings import bending_share


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


def ring_coefficients(loads: int) -> tuple[float, float]:
    """cb and cm of a thin ring under so many equal radial loads, evenly spaced round it.

    Each load moves by W (cb R^3 / (E I) + cm R / (E A)).
    """
    angles = 2 * np.pi / loads * np.arange(loads)
    bent = float(bending_share(angles).sum() / np.pi)
    return bent, bent + loads / (2 * np.pi)


def ring_force(pressure: float, d: float, length: float, friction: float) -> float:
    """F = pi d L mu p, newtons."""
    return float(np.pi * d * length * friction * pressure)


def cantilever_strip(e: float, width: float, thickness: float, reach: float) -> float:
    """Stiffness (N/mm) of a strip hanging from the roof, loaded ``reach`` mm below it: k = E b t^3 / (4
    a^3)."""
    return e * width * thickness**3 / (4 * reach**3)


def cantilever_strain(deflection: float, thickness: float, reach: float) -> float:
    """Strain at the root of that strip: 3 t d / (2 a^2)."""
    return 1.5 * thickness * deflection / reach**2


def span_fixed(e: float, width: float, thickness: float, span: float, at: float | None = None) -> float:
    """Stiffness (N/mm) of a beam fixed at both ends, loaded ``at`` mm from one (middle when not given).

    k = 3 E I l^3 / (p^3 q^3), in the middle 16 E b t^3 / l^3.
    """
    p = span / 2 if at is None else at
    inertia = width * thickness**3 / 12
    return 3 * e * inertia * span**3 / (p**3 * (span - p) ** 3)


def span_pinned(e: float, width: float, thickness: float, span: float) -> float:
    """Stiffness (N/mm) of a beam pinned at both ends, loaded in the middle: 4 E b t^3 / l^3."""
    return 4 * e * width * thickness**3 / span**3


def span_strain(deflection: float, thickness: float, span: float) -> float:
    """Greatest strain of a beam fixed at both ends, pushed in the middle: 12 t d / l^2."""
    return 12 * thickness * deflection / span**2


def parting_torque(hold_per_stud: float, studs: int, pitch_mm: float) -> float:
    """Torque (N mm) that tips a block off a row of studs about its end, each stud holding alike.

    The k-th stud stands (k - 1/2) pitches from the end, so T = F p n^2 / 2.
    """
    return hold_per_stud * pitch_mm * studs**2 / 2
