"""Fit classes from the gap per side, the one table, and how they change with scale.

Source of the limits: makers' practice, joined into one table here (a proposal, no publication).
The limits already contain the usual printer error, so they are compared with the gap in the file
at print scale; the force (hold.py) subtracts the printer error, the class does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from steps.materials import material
from steps.model import Fit, Joint
from steps.settings import CARD_CLASSES, CARD_GAPS_MM, CardSettings, Settings

#: Greatest gap per side, mm, of each class for PLA; other plastics add their gap_shift_mm.
TIGHT_BELOW = -0.05
PRESS_BELOW = 0.12
SLIDE_BELOW = 0.25
#: Gaps are compared with limits to so many decimals of a mm: file noise must not tell 0.25 from 0.25.
GAP_DIGITS = 4
#: A hinge or axle is meant to turn between these gaps per side, mm.
TURNS = (0.25, 0.6)


#: Beyond what was tried, a class is taken to end half a step further on (mm).
HALF_STEP = 0.025
#: Standard gravity, N per kg, as the form says.
N_PER_KG = 9.81


@dataclass(frozen=True)
class Limits:
    """Gap per side (mm) under which a joint is tight, press and slide; above the last it is loose."""

    tight_below: float
    press_below: float
    slide_below: float
    source: str


def limits(settings: Settings, kind: str = "stud") -> Limits:
    """The fit limits in force for joints of a kind: the fit card's outcome where the settings carry it.

    Limits given in mm come first, then the numbers of the card, then the table.
    """
    shift = material(settings.material).gap_shift_mm
    own, card = settings.fit, _card(settings, kind)
    measured = (own.tight_below_mm, own.press_below_mm, own.slide_below_mm)
    table = (TIGHT_BELOW + shift, PRESS_BELOW + shift, SLIDE_BELOW + shift)
    by_number = table if card is None else _card_limits(*card, table)
    tight, press, slide = (t if m is None else m for m, t in zip(measured, by_number, strict=True))
    press = max(press, tight)
    source = "the table" if all(m is None for m in measured) and card is None else "your fit card"
    return Limits(tight, press, max(slide, press), source)


def classify(gap_mm: float, settings: Settings, kind: str = "stud") -> Fit:
    """The fit class of a gap per side at print scale."""
    limit = limits(settings, kind)
    gap_mm = round(gap_mm, GAP_DIGITS)
    if gap_mm < limit.tight_below:
        return "tight"
    if gap_mm <= limit.press_below:
        return "press"
    if gap_mm <= limit.slide_below:
        return "slide"
    return "loose"


def _card(settings: Settings, kind: str) -> tuple[CardSettings, str] | None:
    """The row of the fit card that speaks for a kind of joint, and the kind it was made for."""
    own = {"peg": settings.fit.peg_card, "ball": settings.fit.ball_card}.get(kind)
    if own is not None:
        return own, kind
    return (settings.fit.stud_card, "stud") if settings.fit.stud_card is not None else None


def _gaps_of(numbers: Sequence[int], kind: str) -> list[float]:
    """Gaps at numbers of the card, mm."""
    return [CARD_GAPS_MM[kind][number - 1] for number in numbers]


def _card_limits(card: CardSettings, kind: str, table: Sequence[float]) -> tuple[float, ...]:
    """Limits half way between the last number of one class and the first of the next."""
    tried = [_gaps_of(getattr(card, name), kind) for name in CARD_CLASSES]
    found = []
    for below, usual in enumerate(table):
        tighter = [gap for gaps in tried[: below + 1] for gap in gaps]
        looser = [gap for gaps in tried[below + 1 :] for gap in gaps]
        if tighter and looser:
            found.append((max(tighter) + min(looser)) / 2)
        elif tighter:
            found.append(max(usual, max(tighter) + HALF_STEP))
        else:
            found.append(min([usual, *(gap - HALF_STEP for gap in looser)]))
    return tuple(found)


def measured_pull_n(gap_mm: float, kind: str, settings: Settings) -> float | None:
    """Newtons that pulled one stud or peg off at this gap per side in the file; None if none was measured.

    The middle one of each number's peaks counts; between numbers it is drawn straight, down to nothing at
    the first number that went loose. Tighter than all that were pulled, it is the tightest one's; with more
    room than all, nothing is known, so nothing is claimed. Unlike the limits, the pulls of studs do not speak
    for pegs, which are longer and sit in whole holes.
    """
    card = {"stud": settings.fit.stud_card, "peg": settings.fit.peg_card}.get(kind)
    if card is None or not card.pulls_kg:
        return settings.fit.pull_off_n if kind == "stud" else None
    pulls = {number: N_PER_KG * median(peaks) for number, peaks in card.pulls_kg.items()}
    for number in card.loose:
        pulls.setdefault(number, 0.0)
    numbers = sorted(pulls)
    return float(np.interp(gap_mm, _gaps_of(numbers, kind), [pulls[number] for number in numbers], right=0.0))


def effective_gap(gap_mm: float, settings: Settings) -> float:
    """The gap to judge: from the file, or from calliper readings where the settings carry both.

    A calliper reads the printed gap, in which the printer error has already happened; the table is
    for gaps in the file. So the usual error is added back to a measured gap.
    """
    own = settings.fit
    if own.stud_diameter_mm is None or own.socket_diameter_mm is None:
        return gap_mm
    return (own.socket_diameter_mm - own.stud_diameter_mm) / 2 + printer_error(settings)


def judged_gap(gap_mm: float, kind: str, settings: Settings) -> float:
    """The gap that gives a joint its class: callipers read studs, so for studs their readings count."""
    return effective_gap(gap_mm, settings) if kind == "stud" else gap_mm


def by_calliper(settings: Settings) -> bool:
    """Whether the settings carry readings of both a stud and a socket."""
    return settings.fit.stud_diameter_mm is not None and settings.fit.socket_diameter_mm is not None


def printer_error(settings: Settings) -> float:
    """How much the printer takes from each side of a gap, mm: half the error of boss and hole."""
    return (settings.printer.boss_error_mm - settings.printer.hole_error_mm) / 2


def explain(
    gap_mm: float, fit: Fit, scale: float, settings: Settings, measured: bool = False, kind: str = "stud"
) -> str:
    """The numbers behind a class: "gap 0.42 mm per side at 4x, over 0.25: loose"."""
    limit = limits(settings, kind)
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
    at_one = judged_gap(joint.gap_mm, joint.kind, settings) / scale
    gaps = {s: at_one * s for s in scales}
    fits = {s: classify(gap, settings, joint.kind) for s, gap in gaps.items()}
    limit = limits(settings, joint.kind)
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
