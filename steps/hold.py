"""How hard a joint holds and how hard it is to close, in newtons, as an estimate with its range.

Upper bound: the press fit of a full ring (Lame), p = delta / (d [(...)]), F = pi d L mu p. A stud
meets a socket on a few lines, so only the share of the circle that lies in the interference counts.
The interference is the file's gap less the printer error; friction, modulus and the grip kept after
a month come from data/materials.toml, each with its source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steps.fit import printer_error
from steps.materials import material
from steps.model import Touch
from steps.settings import Settings

#: Outer over inner diameter assumed for a socket: the references' worked example, 26 over 20.
SOCKET_RATIO = 1.3
#: Spread of the printer error to either side, per side, mm: "tuned +-0.1", halved (makers' practice).
ERROR_SPREAD = 0.05


@dataclass(frozen=True)
class Hold:
    """Newtons: aged estimate to pull apart with its range, fresh estimate to push home, and how."""

    hold_n: float
    range_n: tuple[float, float]
    push_n: float
    source: str


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

    Source: Lame's thick-walled cylinders, as stated in the references.
    """
    outside = ((outer**2 + d**2) / (outer**2 - d**2) + nu_outer) / e_outer
    inside = ((d**2 + bore**2) / (d**2 - bore**2) - nu_inner) / e_inner
    return delta / (d * (outside + inside))


def ring_force(pressure: float, d: float, length: float, friction: float) -> float:
    """F = pi d L mu p, newtons."""
    return float(np.pi * d * length * friction * pressure)


def hold_of(touches: Sequence[Touch], settings: Settings) -> Hold:
    """Hold and push of all gripping touches of one joint together."""
    gripping = [t for t in touches if t.kind in ("stud", "peg") and t.grips]
    if not gripping:
        return Hold(0.0, (0.0, 0.0), 0.0, "it only rests")
    if settings.fit.pull_off_n is not None:
        pull = settings.fit.pull_off_n * len(gripping)
        keep = material(settings.material).relaxation
        return Hold(pull * keep, (pull * keep * 0.5, pull), pull, "your measured pull-off")
    plastic = material(settings.material)
    low, high = plastic.friction
    middle = (low + high) / 2
    fresh = sum(_grip(t, settings, 0.0) for t in gripping)
    least = sum(_grip(t, settings, ERROR_SPREAD) for t in gripping)
    most = sum(_grip(t, settings, -ERROR_SPREAD) for t in gripping)
    keep = plastic.relaxation
    return Hold(
        fresh * middle * keep, (least * low * keep, most * high), fresh * middle, "estimated from the gap"
    )


def _grip(touch: Touch, settings: Settings, wider: float) -> float:
    """Sum of the normal forces of one touch, newtons, with each side's gap ``wider`` by so many mm."""
    plastic = material(settings.material)
    into = -(touch.mean_gap_mm - printer_error(settings) + wider)
    if into <= 0 or touch.radius_mm <= 0:
        return 0.0
    d = 2 * touch.radius_mm
    e = plastic.e_gpa * 1000
    pressure = lame_pressure(2 * into, d, SOCKET_RATIO * d, e, e, plastic.poisson, plastic.poisson)
    # A line of contact covers the part of the circle that lies beyond the wall: half angle
    # arccos(1 - into / r). Many lines cannot cover more than the circle.
    half = float(np.arccos(max(1 - into / touch.radius_mm, 0.0)))
    share = min(1.0, len(touch.points) * 2 * half / (2 * np.pi))
    return ring_force(pressure, d, touch.depth_mm, 1.0) * share
