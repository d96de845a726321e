"""What a joint's contacts come to: classes, bands, who closes it, and one sentence with the numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from steps.card import GAP_DIGITS, by_calliper, printed_gap
from steps.fit import TURNS, sure_of, tightest_of
from steps.force.bands import Band
from steps.force.lips import closing_error
from steps.force.printed import Print
from steps.hold import Hold, hold_of
from steps.model import Fit, Touch, TouchKind
from steps.settings import Settings
from steps.strength import who_closes

#: From this push on (N) a joint of parts that a hand spans wants its reason told.
HARD_N = 100.0
#: A gap that grew by less than this (mm a side) with the scale is not worth another pin.
GREW_MM = 0.05
#: What squeeze holds a pose, and how far a roughened surface and a friction paste reach, mm a side (common
#: practice, no source).
POSE_MM, ROUGH_MM, PASTE_MM = 0.03, 0.15, 0.2
NOUNS = {"stud": "stud", "peg": "peg", "ball": "ball", "hinge": "hinge pin"}


def judged(
    kind: TouchKind,
    touches: Sequence[Touch],
    contacts: int,
    moves: bool,
    weight_n: float,
    scale: float,
    settings: Settings,
) -> dict[str, Any]:
    """The values of a joint that follow from its touches, by the names of :class:`steps.model.Joint`, and
    ``fits``, each touch's own class; ``weight_n`` is that of the lighter part."""
    gripping = sum(1 for touch in touches if touch.kind != "rest" and touch.grips)
    share = weight_n / max(gripping, 1)
    hold = hold_of(touches, settings, share)
    own = [fit for touch, fit in zip(touches, hold.fits, strict=True) if touch.kind == kind]
    fit: Fit = "none" if kind == "rest" else tightest_of(own)
    closes = who_closes(hold.push.likely, hold.push.high, hold.cracks, child_years=settings.child_years)
    return {
        "fit": fit,
        "fits": hold.fits,
        "hold_n": hold.hold.likely,
        "hold_range_n": (hold.hold.low, hold.hold.high),
        "push_n": hold.push.likely,
        "hold_low_n": hold.hold.low,
        "hold_high_n": hold.hold.high,
        "push_low_n": hold.push.low,
        "push_high_n": hold.push.high,
        "sure": sure_of(hold.hold, weight_n),
        "closes_by": closes,
        "estimated": hold.estimated,
        "share_n": share,
        "why": why(kind, touches, contacts, moves, fit, hold, scale, settings),
    }


def why(
    kind: TouchKind,
    touches: Sequence[Touch],
    contacts: int,
    moves: bool,
    fit: Fit,
    hold: Hold,
    scale: float,
    settings: Settings,
) -> str:
    """One sentence with the numbers: what engages, the gap and its class, the hold and where it is from."""
    chosen = [touch for touch in touches if touch.kind == kind]
    if kind == "rest":
        area = sum(touch.area_mm2 for touch in chosen)
        if area == 0:
            return "they touch at points or a line; nothing grips"
        return f"flat faces rest on each other over {area:.0f} mm²; nothing grips"
    count = f"{contacts} {NOUNS[kind]}{'' if contacts == 1 else 's'}"
    text = f"{count}, {_gap(kind, chosen, scale, settings)}: {fit}"
    text += _motion(kind, chosen, moves, scale, settings)
    if hold.hold.high > 0:
        text += f"; holds about {newtons(hold.hold)}, {hold.source}"
    return text + _effort(hold, contacts)


def _gap(kind: TouchKind, chosen: Sequence[Touch], scale: float, settings: Settings) -> str:
    """ "gap 0.42 mm per side at 4x"."""
    gap = round(min(touch.gap_mm for touch in chosen), GAP_DIGITS)
    text = f"{'gap' if gap >= 0 else 'interference'} {abs(gap):.2f} mm per side at {scale:g}x"
    if kind == "stud" and by_calliper(settings):
        text += f", {printed_gap(settings) + 0.0:.2f} by your callipers"
    return text


def newtons(band: Band) -> str:
    """ "12 N (2 to 48)"; "4 N at most" where nothing is likely."""
    if band.likely <= 0:
        return f"0 N ({_figure(band.high)} at most)"
    return f"{_figure(band.likely)} N ({_figure(band.low)} to {_figure(band.high)})"


def _figure(force: float) -> str:
    return f"{force:.0f}" if force >= 10 else f"{force:.1f}"


def _effort(hold: Hold, contacts: int) -> str:
    """What it takes to close, and why it is much where it is."""
    if hold.push.high <= 0:
        return ""
    text = f"; takes about {newtons(hold.push)} to close"
    if hold.cracks:
        return text + ", and strains a wall beyond what printed layers bear"
    if hold.push.likely >= HARD_N and contacts > 1:
        return text + f": {contacts} contacts of {_figure(hold.push.likely / contacts)} N each"
    return text + (": little room for the walls to give" if hold.push.likely >= HARD_N else "")


def _motion(kind: TouchKind, chosen: Sequence[Touch], moves: bool, scale: float, settings: Settings) -> str:
    """What a joint that moves or snaps is meant to do, and what the scale made of its gap."""
    snap = max(touch.snap_mm for touch in chosen)
    text = f"; snaps past {snap:.2f} mm" if snap > 0 else ""
    if kind == "ball":
        return text + _pose(chosen, settings)
    if not moves:
        return text
    if chosen[0].slides:
        return f"{text}; slides along it{_grown(chosen, scale, 0.0)}"
    low, high = TURNS
    gap = round(min(touch.gap_mm for touch in chosen), GAP_DIGITS)
    way = "stiffly" if gap < low else "well" if gap <= high else "with play"
    return f"{text}; turns {way} ({low:g} to {high:g} mm is meant){_grown(chosen, scale, low)}"


def _pose(chosen: Sequence[Touch], settings: Settings) -> str:
    """What helps a ball that printing leaves too loose to stay where it is put, and how far each goes."""
    loose = min(touch.mean_gap_mm for touch in chosen) - closing_error(Print.of(settings))
    if loose <= 0:
        return ""
    helps = [f"print the ball {2 * (loose + POSE_MM):.2f} mm larger in diameter"]
    if loose < ROUGH_MM:
        helps.append(f"roughen the ball alone in the slicer (about {ROUGH_MM:g} mm a side)")
    if loose < PASTE_MM:
        helps.append(f"fill it with a removable friction paste (up to {PASTE_MM:g} mm)")
    return f"; too loose to hold a pose: {' or '.join(helps)}"


def _grown(chosen: Sequence[Touch], scale: float, least: float) -> str:
    """What the scale made of a gap that was drawn to move, and what brings it back."""
    gap = round(min(touch.gap_mm for touch in chosen), GAP_DIGITS)
    spare = gap - max(gap / scale, least)
    if spare < GREW_MM:
        return ""
    return (
        f"; the gap grew from {gap / scale:.2f} mm in the file: will wobble; print the "
        f"{'prism' if chosen[0].slides else 'pin'} {2 * spare:.2f} mm larger in "
        f"{'width' if chosen[0].slides else 'diameter'}"
    )
