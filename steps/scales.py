"""What one joint would be at other scales: its gap grows with the scale, the printer's error does not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from steps.card import by_calliper, printed_gap
from steps.fit import tightest_of
from steps.hold import Hold, hold_of
from steps.model import Fit, Joint
from steps.settings import Settings

#: Halvings of the stretch in which a class changes: the scale is told to two digits.
HALVINGS = 6


@dataclass(frozen=True)
class ScaleLaw:
    """What one joint would be at other scales, and the scales between them at which its class changes."""

    gaps_mm: dict[float, float]
    fits: dict[float, Fit]
    changes: tuple[tuple[float, Fit, Fit], ...]  #: (scale, class below it, class above it)


def scale_law(
    joint: Joint,
    scale: float,
    weight_n: Callable[[float], float],
    settings: Settings,
    scales: tuple[float, ...] = (1.0, 2.0, 4.0),
) -> ScaleLaw:
    """The scale law of a joint read at ``scale``; ``weight_n`` is the lighter part's weight at any scale, N.

    By callipers the gap is that of a print at ``scale``, and grows from it.
    """
    gap = printed_gap(settings) if joint.kind == "stud" and by_calliper(settings) else joint.gap_mm
    gaps = {s: gap * s / scale + 0.0 for s in scales}
    fits = {s: fit_at(joint, s / scale, weight_n(s), settings) for s in scales}
    changes: list[tuple[float, Fit, Fit]] = []
    for low, high in pairwise(scales):
        changes.extend(_changes(joint, scale, weight_n, settings, (low, fits[low]), (high, fits[high])))
    return ScaleLaw(gaps, fits, tuple(changes))


def fit_at(joint: Joint, by: float, weight_n: float, settings: Settings) -> Fit:
    """The class of a joint made ``by`` times larger."""
    fits = hold_at(joint, by, weight_n, settings).fits
    return tightest_of(
        fit for touch, fit in zip(joint.touches, fits, strict=True) if touch.kind == joint.kind
    )


def hold_at(joint: Joint, by: float, weight_n: float, settings: Settings) -> Hold:
    """Hold and push of a joint made ``by`` times larger, its lighter part then weighing ``weight_n``."""
    touches = [touch.scaled(by) for touch in joint.touches]
    if by_calliper(settings):  # what was read is a print at the joint's own scale
        stud = settings.fit.stud_diameter_mm or 0.0
        read = settings.fit.model_copy(update={"socket_diameter_mm": stud + 2 * by * printed_gap(settings)})
        settings = settings.model_copy(update={"fit": read})
    gripping = sum(1 for touch in touches if touch.kind != "rest" and touch.grips)
    return hold_of(touches, settings, weight_n / max(gripping, 1))


def _changes(
    joint: Joint,
    scale: float,
    weight_n: Callable[[float], float],
    settings: Settings,
    low: tuple[float, Fit],
    high: tuple[float, Fit],
    halvings: int = HALVINGS,
) -> Iterator[tuple[float, Fit, Fit]]:
    """Every change of class between two scales, to two digits; what comes and goes between two halves of
    equal class is passed over."""
    if low[1] == high[1]:
        return
    middle = (low[0] * high[0]) ** 0.5
    if halvings == 0:
        yield middle, low[1], high[1]
        return
    between = middle, fit_at(joint, middle / scale, weight_n(middle), settings)
    yield from _changes(joint, scale, weight_n, settings, low, between, halvings - 1)
    yield from _changes(joint, scale, weight_n, settings, between, high, halvings - 1)
