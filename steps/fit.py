"""Fit classes from the gap per side, the one table, and how they change with scale.

Source of the limits: makers' practice, joined into one table here (a proposal, no publication).
The limits already contain the usual printer error, so they are compared with the gap in the file
at print scale; the force (hold.py) subtracts the printer error, the class does not.
"""

from __future__ import annotations

from dataclasses import dataclass

from steps.materials import material
from steps.model import Fit, Joint
from steps.settings import Settings

#: Greatest gap per side, mm, of each class for PLA; other plastics add their gap_shift_mm.
TIGHT_BELOW = -0.05
PRESS_BELOW = 0.12
SLIDE_BELOW = 0.25
#: A hinge or axle is meant to turn between these gaps per side, mm.
TURNS = (0.25, 0.6)


@dataclass(frozen=True)
class Limits:
    """Gap per side (mm) under which a joint is tight, press and slide; above the last it is loose."""

    tight_below: float
    press_below: float
    slide_below: float
    source: str


def limits(settings: Settings) -> Limits:
    """The fit limits in force: the coupon's outcome where the settings carry it, else the table."""
    shift = material(settings.material).gap_shift_mm
    own = settings.fit
    measured = (own.tight_below_mm, own.press_below_mm, own.slide_below_mm)
    table = (TIGHT_BELOW + shift, PRESS_BELOW + shift, SLIDE_BELOW + shift)
    tight, press, slide = (t if m is None else m for m, t in zip(measured, table, strict=True))
    press = max(press, tight)
    source = "the table" if all(m is None for m in measured) else "your fit card"
    return Limits(tight, press, max(slide, press), source)


def classify(gap_mm: float, settings: Settings) -> Fit:
    """The fit class of a gap per side at print scale."""
    limit = limits(settings)
    if gap_mm < limit.tight_below:
        return "tight"
    if gap_mm <= limit.press_below:
        return "press"
    if gap_mm <= limit.slide_below:
        return "slide"
    return "loose"


def effective_gap(gap_mm: float, settings: Settings) -> float:
    """The gap to judge: from the file, or from calliper readings where the settings carry both.

    A calliper reads the printed gap, in which the printer error has already happened; the table is
    for gaps in the file. So the usual error is added back to a measured gap.
    """
    own = settings.fit
    if own.stud_diameter_mm is None or own.socket_diameter_mm is None:
        return gap_mm
    return (own.socket_diameter_mm - own.stud_diameter_mm) / 2 + printer_error(settings)


def by_calliper(settings: Settings) -> bool:
    """Whether the settings carry readings of both a stud and a socket."""
    return settings.fit.stud_diameter_mm is not None and settings.fit.socket_diameter_mm is not None


def printer_error(settings: Settings) -> float:
    """How much the printer takes from each side of a gap, mm: half the error of boss and hole."""
    return (settings.printer.boss_error_mm - settings.printer.hole_error_mm) / 2


def explain(gap_mm: float, fit: Fit, scale: float, settings: Settings, measured: bool = False) -> str:
    """The numbers behind a class: "gap 0.42 mm per side at 4x, over 0.25: loose"."""
    limit = limits(settings)
    bound = {
        "tight": f"under {limit.tight_below:.2f}",
        "press": f"from {limit.tight_below:.2f} to {limit.press_below:.2f}",
        "slide": f"from {limit.press_below:.2f} to {limit.slide_below:.2f}",
        "loose": f"over {limit.slide_below:.2f}",
    }.get(fit, "")
    word = "gap" if gap_mm >= 0 else "interference"
    card = "" if limit.source == "the table" else f" ({limit.source})"
    by = " by your callipers" if measured else ""
    return f"{word} {abs(gap_mm):.2f} mm per side at {scale:g}x{by}, {bound}{card}: {fit}"


@dataclass(frozen=True)
class ScaleLaw:
    """What one joint would be at other scales, and the scales at which its class changes."""

    gaps_mm: dict[float, float]
    fits: dict[float, Fit]
    changes: tuple[tuple[float, Fit, Fit], ...]  #: (scale, class below it, class above it)


def scale_law(
    joint: Joint, scale: float, settings: Settings, scales: tuple[float, ...] = (1.0, 2.0, 4.0)
) -> ScaleLaw:
    """The scale law of a joint read at ``scale``: the gap grows with scale, the limits do not."""
    at_one = joint.gap_mm / scale
    gaps = {s: at_one * s for s in scales}
    fits = {s: classify(gap, settings) for s, gap in gaps.items()}
    limit = limits(settings)
    changes: list[tuple[float, Fit, Fit]] = []
    order: tuple[tuple[float, Fit, Fit], ...] = (
        (limit.press_below, "press", "slide"),
        (limit.slide_below, "slide", "loose"),
    )
    if at_one > 0:
        changes = [(bound / at_one, below, above) for bound, below, above in order if bound > 0]
    elif at_one < 0 and limit.tight_below < 0:
        changes = [(limit.tight_below / at_one, "press", "tight")]
    return ScaleLaw(gaps, fits, tuple(changes))
