"""What was measured on prints: the fit card's letters and pulls, limits in mm, calliper readings.

Letters outrank callipers, callipers the file. A letter at a number of the card binds the class of every
contact of its kind by the gap in the file: at least as loose as what was tried tighter, at least as tight as
what was tried looser, and half way between two numbers it changes from one to the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import numpy as np

from steps.force.bands import cut_mean
from steps.model import Fit
from steps.settings import CARD_CLASSES, CARD_GAPS_MM, CardSettings, Settings

#: Beyond what was tried, a class is taken to end half a step further on (mm).
HALF_STEP = 0.025
#: Standard gravity, N per kg, as the form says.
N_PER_KG = 9.81
#: Gaps are compared with limits to so many decimals of a mm: file noise must not tell 0.25 from 0.25.
GAP_DIGITS = 4
CLASSES: tuple[Fit, ...] = ("tight", "press", "slide", "loose")
#: How far (mm, both sides) the squeezes of one gap scatter on the card: between and beyond the numbers that
#: were pulled, the pull goes as the mean of what is left of the squeeze.
CARD_SPREAD_MM = 0.05


def card_row(settings: Settings, kind: str) -> CardSettings | None:
    """The row of the fit card that speaks for a kind of joint; pegs and balls without their own follow
    studs."""
    own = {"peg": settings.fit.peg_card, "ball": settings.fit.ball_card}.get(kind)
    return own if own is not None else settings.fit.stud_card


def gaps_of(numbers: Sequence[int], kind: str) -> list[float]:
    """Gaps per side at numbers of the card, mm."""
    return [CARD_GAPS_MM[kind][number - 1] for number in numbers]


def told(gap_mm: float, kind: str, settings: Settings) -> tuple[Fit, Fit] | None:
    """The tightest and the loosest class that card and limits leave to a gap in the file; None where neither
    says anything of such a kind. Limits in mm come first."""
    fit = settings.fit
    limits = (fit.tight_below_mm, fit.press_below_mm, fit.slide_below_mm)
    gap, card = round(gap_mm, GAP_DIGITS), card_row(settings, kind)
    if any(limit is not None for limit in limits):
        tightest, loosest = _by_limits(gap, limits)
    elif card is not None:
        of = kind if getattr(fit, f"{kind}_card", None) is not None else "stud"
        tightest, loosest = _by_numbers(gap, card, of)
    else:
        return None
    return CLASSES[tightest], CLASSES[loosest]


def _by_limits(gap: float, limits: Sequence[float | None]) -> tuple[int, int]:
    """Rows of the classes that limits in mm leave to a gap."""
    low, high = 0, len(CLASSES) - 1
    for row, limit in enumerate(limits):
        if limit is None:
            continue
        within = gap < limit if row == 0 else gap <= limit
        low, high = (low, min(high, row)) if within else (max(low, row + 1), high)
    return low, max(low, high)


def _by_numbers(gap: float, card: CardSettings, of: str) -> tuple[int, int]:
    """Rows of the classes that the numbers of a card leave to a gap; ``of``: whose steps they are."""
    tightest, loosest = 0, len(CLASSES) - 1
    tried = sorted(
        (at, row) for row, name in enumerate(CARD_CLASSES) for at in gaps_of(getattr(card, name), of)
    )
    below = [(at, row) for at, row in tried if at <= gap]
    above = [(at, row) for at, row in tried if at > gap]
    if below and above:
        (near, low), (far, high) = below[-1], above[0]
        row = low if gap <= (near + far) / 2 else high
        return row, row
    if below:
        return below[-1][1], below[-1][1] if gap <= below[-1][0] + HALF_STEP else loosest
    if above:
        return above[0][1] if gap >= above[0][0] - HALF_STEP else tightest, above[0][1]
    return tightest, loosest


def measured_pull_n(gap_mm: float, kind: str, settings: Settings, closes_mm: float = 0.0) -> float | None:
    """Newtons that pull one stud or peg off at this gap per side in the file; None if none was measured.

    The middle one of each number's peaks counts, and 0 at the first number that fell off. Between numbers,
    and beyond the tightest and the loosest, the pull goes with what is likely left of the squeeze, 2
    (``closes_mm`` - gap): what the printer takes from each side. The pulls of studs do not speak for pegs,
    which are longer and sit in whole holes.
    """
    card = {"stud": settings.fit.stud_card, "peg": settings.fit.peg_card}.get(kind)
    if card is None or not card.pulls_kg:
        return settings.fit.pull_off_n if kind == "stud" else None
    pulls = {number: N_PER_KG * median(peaks) for number, peaks in card.pulls_kg.items()}
    for number in card.loose:
        pulls.setdefault(number, 0.0)
    numbers = sorted(pulls)
    gaps = np.array(gaps_of(numbers, kind))
    left = np.array([_left(gap, closes_mm) for gap in gaps])
    rates = np.array([pulls[number] for number in numbers]) / left
    return float(np.interp(gap_mm, gaps, rates) * _left(gap_mm, closes_mm))


def _left(gap_mm: float, closes_mm: float) -> float:
    """Mean squeeze of both sides, mm, never quite 0."""
    return max(cut_mean(2 * (closes_mm - gap_mm), CARD_SPREAD_MM), 1e-9)


def by_calliper(settings: Settings) -> bool:
    """Whether the settings carry readings of both a stud and a socket."""
    return settings.fit.stud_diameter_mm is not None and settings.fit.socket_diameter_mm is not None


def printed_gap(settings: Settings) -> float:
    """The gap per side that the callipers measured, mm: the printer's error has already happened in it.

    Raises ValueError without both readings.
    """
    stud, socket = settings.fit.stud_diameter_mm, settings.fit.socket_diameter_mm
    if stud is None or socket is None:
        raise ValueError("no calliper readings")
    return (socket - stud) / 2
