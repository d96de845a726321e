"""Lips, hooks and slopes: what must give to let a ball, a collar or a pin by.

Hooks and the mating force: a plastics maker's snap-fit guide. Ball past a lip: computed from the slope of
the ball itself where it meets the lip. Lengths mm, angles radians, forces N.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from steps.model import Array

#: No printed lip gives by a larger share of the ball's radius; the slope there is 60 degrees.
MOST_UNDERCUT = 0.5
#: An edge steeper than this to the move shaves its mate instead of opening it, radians (a proposal).
SHAVES = np.radians(45)
EDGE_ANGLES = 46
#: Contact heights tried between a ball's equator and where it leaves the lip.
HEIGHTS = 400


def mating_factor(friction: float, slope: float) -> float:
    """Force along the move over force across it, up a slope: (mu + tan a) / (1 - mu tan a).

    Infinite where the slope and the angle of friction make a right angle: it never moves.
    """
    below = 1 - friction * np.tan(slope)
    return float((friction + np.tan(slope)) / below) if below > 0 and slope < np.pi / 2 else float("inf")


def mating_sensitivity(friction: float, slope: float) -> float:
    """d ln(mating factor) / d ln(friction): 1 on the level, less the steeper the slope."""
    tan = np.tan(slope)
    return float(friction / (friction + tan) + friction * tan / (1 - friction * tan))


def edge_factor(friction: float, squeeze: Array, rounding: float) -> Array:
    """Force along the move over k i as an edge that is only rounded rides over another: never below friction.

    ``squeeze`` i (any shape), mm a side; ``rounding`` radius of both edges together, mm. At the angle a of
    the rounding the walls have opened by i less rounding (1 - cos a), so that the greatest of
    (1 - rounding (1 - cos a) / i) (mu + tan a) / (1 - mu tan a) counts, up to SHAVES: steeper it cuts.
    """
    angles = np.linspace(0.0, SHAVES, EDGE_ANGLES)
    steep = np.array([mating_factor(friction, angle) for angle in angles])
    left = 1 - rounding * (1 - np.cos(angles)) / np.maximum(np.asarray(squeeze)[..., None], 1e-12)
    return np.asarray((np.maximum(left, 0.0) * steep).max(axis=-1))


@dataclass(frozen=True)
class Hook:
    """A petal that bends: width b, thickness h, free length L, mm."""

    width: float
    thickness: float
    length: float

    def across(self, e: float, undercut: float) -> float:
        """Newtons that bend it by the undercut: E b h^3 y / (4 L^3)."""
        return e * self.width * self.thickness**3 * undercut / (4 * self.length**3)

    def strain(self, undercut: float) -> float:
        """At its root: 1.5 h y / L^2 (uniform section)."""
        return 1.5 * self.thickness * undercut / self.length**2


def ball_past_lip(radius: float, undercut: float, spring: float, friction: float) -> tuple[float, float]:
    """Greatest force (N) to push or pull a ball past a sharp lip, and the slope (radians) where it peaks.

    ``undercut`` radial, rb - rm; ``spring`` N of radial force all round per mm of radial give. With the lip
    at height z from the ball's equator N = K (sqrt(rb^2 - z^2) - rm), tan a = z / sqrt(rb^2 - z^2), and
    F = max over z of N (mu + tan a) / (1 - mu tan a). In and out alike. None for an undercut of 0 or less.
    """
    if undercut <= 0 or radius <= 0:
        return 0.0, 0.0
    share, slope = _past_lip(undercut / radius, friction)
    return spring * radius * share, slope


@lru_cache(maxsize=4096)
def _past_lip(undercut: float, friction: float) -> tuple[float, float]:
    """The same for a ball of radius 1 and a spring of 1."""
    undercut = min(undercut, MOST_UNDERCUT)
    edge = np.sqrt(1 - (1 - undercut) ** 2)
    z: Array = np.linspace(0.0, edge, HEIGHTS)
    reach = np.sqrt(np.maximum(1 - z**2, 1e-12))
    tan = z / reach
    below = 1 - friction * tan
    force = np.where(below > 0, (reach - (1 - undercut)) * (friction + tan) / np.maximum(below, 1e-9), 0.0)
    best = int(force.argmax())
    return float(force[best]), float(np.arctan(tan[best]))
