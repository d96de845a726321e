"""How hard a joint holds and how hard it is to close, in newtons, as an estimate with its range.

Upper bound: the press fit of a full ring (Lame). A stud meets a socket on a few lines, so only the
share of the circle that lies in the interference counts, and less of it than the drawing shows: over
a line the interference falls from its greatest to nothing (two thirds in the mean), and an elastic
line contact is 1 / sqrt 2 as wide as the undeformed overlap (Hertz: a^2 = r delta, the overlap
2 r delta). Walls that bend hold less still. The interference is the file's gap less the printer
error; friction, modulus and the grip kept after a month come from data/materials.toml, each with
its source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steps.fit import by_calliper, effective_gap, measured_pull_n, printer_error
from steps.materials import Material, material
from steps.model import KIND_ORDER, Touch
from steps.settings import Settings

#: Outer over inner diameter assumed for a socket: 26 over 20 (proposal).
SOCKET_RATIO = 1.3
#: Spread of the printer error to either side, per side, mm: "tuned +-0.1" per diameter, halved
#: (makers' practice, from memory).
ERROR_SPREAD = 0.05
#: The same where both diameters were read by calliper: +-0.02 mm a reading (from memory), two readings
#: halved to one side.
CALLIPER_SPREAD = 0.02
#: Mean over greatest interference across a line, times elastic over geometric width.
LINE_SHARE = 2 / 3 / np.sqrt(2)
#: Angle at which a rounded lip rides up a ball or collar, radians (from memory, a guess: measure).
LIP_ANGLE = np.radians(30)
#: Height of the ring that a lip stretches, as a share of the radius, and its outer over inner diameter:
#: a lip is a free edge that thins to nothing (guesses: measure).
LIP_HEIGHT = 0.1
LIP_RATIO = 1.05
#: Shear strength over tensile strength (von Mises), and what printed layers keep of it (from memory).
SHEAR_SHARE = 1 / np.sqrt(3)
LAYER_SHARE = 0.5
#: Measured pull-offs of one kind of joint spread by about this factor to either side (a proposal).
MEASURED_SPREAD = 1.5
#: Forces below this are rounding (newtons).
NOTHING_N = 1e-6
#: Where a figure is from when it is no estimate.
MEASURED, NO_GRIP = "from your measured pull-off", "nothing grips"


@dataclass(frozen=True)
class Hold:
    """Newtons: aged estimate to pull apart with its range, fresh estimate to push home, and how."""

    hold_n: float
    range_n: tuple[float, float]
    push_n: float
    source: str

    @property
    def estimated(self) -> bool:
        """Whether nobody measured it."""
        return self.source not in (MEASURED, NO_GRIP)

    def __add__(self, other: Hold) -> Hold:
        low, high = (a + b for a, b in zip(self.range_n, other.range_n, strict=True))
        return Hold(self.hold_n + other.hold_n, (low, high), self.push_n + other.push_n, self.source)


NOTHING = Hold(0.0, (0.0, 0.0), 0.0, NO_GRIP)


def hold_of(touches: Sequence[Touch], settings: Settings) -> Hold:
    """Hold and push of all gripping touches of one joint together, pulled along its axis."""
    plastic = material(settings.material)
    gripping = [t for t in touches if t.kind != "rest" and t.grips]
    total = NOTHING
    for touch in gripping:
        if touch.kind == "hinge":
            total += _captured(touch, plastic)
        elif touch.snap_mm > 0:
            total += _snap(touch, plastic)
        elif (pull_off := measured_pull_n(touch.gap_mm, touch.kind, settings)) is not None:
            total += _measured(pull_off, plastic)
        elif touch.kind in ("stud", "peg"):
            total += _friction(touch, plastic, settings)
    if not gripping:
        return NOTHING
    low, high = (_clean(force) for force in total.range_n)
    return Hold(_clean(total.hold_n), (low, high), _clean(total.push_n), _source(gripping, settings))


def _source(gripping: Sequence[Touch], settings: Settings) -> str:
    """Where the figure comes from, by the strongest touch."""
    strongest = min(gripping, key=lambda t: KIND_ORDER.index(t.kind))
    if strongest.snap_mm == 0 and measured_pull_n(strongest.gap_mm, strongest.kind, settings) is not None:
        return MEASURED
    if strongest.kind == "stud":
        return f"estimated from the gap{' by your callipers' if by_calliper(settings) else ''}"
    if any(t.kind == "hinge" for t in gripping):
        return "estimated from the pin's own strength"
    return "estimated from the lip" if any(t.snap_mm > 0 for t in gripping) else "estimated from the gap"


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


def ring_force(pressure: float, d: float, length: float, friction: float) -> float:
    """F = pi d L mu p, newtons."""
    return float(np.pi * d * length * friction * pressure)


def parting_torque(hold_per_stud: float, studs: int, pitch_mm: float) -> float:
    """Torque (N mm) that tips a block off a row of studs about its end, each stud holding alike.

    The k-th stud stands (k - 1/2) pitches from the end, so T = F p n^2 / 2.
    """
    return hold_per_stud * pitch_mm * studs**2 / 2


def _friction(touch: Touch, plastic: Material, settings: Settings) -> Hold:
    """A press fit: friction of the squeezed lines."""
    error, spread = printer_error(settings), ERROR_SPREAD
    if touch.kind == "stud" and by_calliper(settings):
        error += touch.gap_mm - effective_gap(touch.gap_mm, settings)
        spread = CALLIPER_SPREAD
    least, fresh, most = (_squeeze(touch, plastic, error - wider) for wider in (spread, 0, -spread))
    low, high = plastic.friction
    middle = (low + high) / 2
    keep = plastic.relaxation
    return Hold(fresh * middle * keep, (least * low * keep, most * high), fresh * middle, "")


def _squeeze(touch: Touch, plastic: Material, error: float) -> float:
    """Sum of the normal forces of one touch, newtons, when the printer closes each side by ``error``."""
    into = error - touch.mean_gap_mm
    if into <= 0 or touch.radius_mm <= 0:
        return 0.0
    d = 2 * touch.radius_mm
    pressure = min(_pressure(2 * into, d, plastic), _bursting(plastic))
    if _all_round(touch):
        return ring_force(pressure, d, touch.depth_mm, 1.0)
    # Half the angle over which the undeformed stud stands in a flat wall.
    half = float(np.arccos(max(1 - into / touch.radius_mm, 0.0)))
    share = min(1.0, len(touch.points) * half / np.pi * LINE_SHARE)
    return ring_force(pressure, d, touch.depth_mm, 1.0) * share


def _pressure(delta: float, d: float, plastic: Material, ratio: float = SOCKET_RATIO) -> float:
    e = plastic.e_gpa * 1000
    return lame_pressure(delta, d, ratio * d, e, e, plastic.poisson, plastic.poisson)


def _bursting(plastic: Material) -> float:
    """MPa at which the socket's bore is stretched to its strength: it yields or splits, and grips no harder.

    Hoop stress at the bore is p (D^2 + d^2) / (D^2 - d^2).
    """
    return plastic.tensile_mpa * (SOCKET_RATIO**2 - 1) / (SOCKET_RATIO**2 + 1)


def _all_round(touch: Touch) -> bool:
    """Whether the bonded face is most of the engaged lateral face: a hole rather than lines."""
    return touch.area_mm2 > 0.9 * 2 * np.pi * touch.radius_mm * touch.depth_mm


def _snap(touch: Touch, plastic: Material) -> Hold:
    """A lip that a ball or collar must stretch: the ring's pressure, up the lip's slope and friction."""
    d = 2 * touch.radius_mm
    pressure = _pressure(2 * touch.snap_mm, d, plastic, LIP_RATIO)
    ring = ring_force(pressure, d, LIP_HEIGHT * touch.radius_mm, 1.0)
    slope = float(np.tan(LIP_ANGLE))
    low, high = ring * slope * plastic.relaxation, ring * (slope + plastic.friction[1])
    return Hold(low, (low / 2, high), high, "")


def _captured(touch: Touch, plastic: Material) -> Hold:
    """A pin held at both ends: it comes out when it shears."""
    area = np.pi * touch.radius_mm**2
    strong = plastic.tensile_mpa * SHEAR_SHARE * area
    return Hold(strong * LAYER_SHARE, (strong * LAYER_SHARE / 2, strong), 0.0, "")


def _measured(pull_off: float, plastic: Material) -> Hold:
    """A fresh pull-off measured on one stud, aged."""
    aged = pull_off * plastic.relaxation
    return Hold(aged, (aged / MEASURED_SPREAD, pull_off * MEASURED_SPREAD), pull_off, "")


def _clean(force: float) -> float:
    return float(force) if force > NOTHING_N else 0.0
