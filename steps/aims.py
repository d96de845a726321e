"""How far the studs, pegs or balls of a shape must grow for its joints to fit as wanted.

The forces of each kind of joint are followed along a line of offsets; the offset that serves most joints
counts, in the middle of the stretch in which it does, as far from either end as the printer's error allows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from steps.fit import SAFETY_OF_LOW
from steps.force.printed import Print
from steps.hold import contacts_at
from steps.model import Array, Fit, Joint, Touch
from steps.settings import Settings
from steps.strength import strongest_push_n

#: Offsets are tried in such steps, and gaps as far as this to either side of nothing (mm a side).
STEP_MM, REACH_MM = 0.02, 0.4
#: The same where only a figure is told: finer than prints repeat (a proposal).
TOLD_STEP_MM = 0.04

Pattern = tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Served:
    """One kind of joint: at which offsets each of its contacts fits as wanted (offsets, touches), and at
    which the joint as a whole does: closed by hand, and holding the lighter part where it is to hold."""

    touches: np.ndarray
    whole: np.ndarray


def pattern_of(joint: Joint) -> Pattern:
    """Joints that repeat one situation have one pattern."""
    return tuple(id(touch.backings) for touch in joint.touches)


def offsets_for(gaps_mm: Iterable[float], step_mm: float = STEP_MM) -> Array:
    """Offsets worth trying for contacts with such gaps: from looser than any fit to tighter."""
    gaps = list(gaps_mm)
    low, high = min(gaps) - REACH_MM, max(gaps) + REACH_MM
    return np.arange(np.floor(low / step_mm), np.ceil(high / step_mm) + 1) * step_mm


def served(joint: Joint, offsets: Array, aim: Fit, settings: Settings) -> Served:
    """Where along the offsets a joint fits as wanted."""
    made = Print.of(settings)
    contacts = contacts_at(joint.touches, offsets.tolist(), settings, joint.share_n)
    touches = np.array([[fit == aim for _, fit in row] for row in contacts])
    push = np.array([sum(one.push.likely for one, _ in row) for row in contacts])
    pull = made.ageing[0] * np.array([sum(one.pull.low for one, _ in row) for row in contacts])
    whole = push <= strongest_push_n()
    if aim == "press":
        gripping = sum(1 for touch in joint.touches if touch.kind != "rest" and touch.grips)
        whole &= pull >= SAFETY_OF_LOW * joint.share_n * gripping
    return Served(touches, whole)


def best_offset(
    found: Sequence[tuple[Joint, Touch]], by_pattern: Mapping[Pattern, Served], offsets: Array
) -> tuple[float, int]:
    """The offset that serves most of these contacts, in the middle of its stretch, and how many it serves."""
    counts = np.zeros(len(offsets), dtype=np.int64)
    whole = np.zeros(len(offsets), dtype=np.int64)
    for joint, touch in found:
        one = by_pattern[pattern_of(joint)]
        row = next(i for i, each in enumerate(joint.touches) if each is touch)
        counts += one.touches[:, row]
        whole += one.touches[:, row] & one.whole
    score = whole * (len(found) + 1) + counts  # joints as a whole first, then single contacts
    best = np.flatnonzero(score == score.max())
    stretch = max(np.split(best, np.flatnonzero(np.diff(best) > 1) + 1), key=len)
    return float(offsets[stretch[len(stretch) // 2]]), int(counts[stretch[len(stretch) // 2]])


def larger_to(joint: Joint, aim: Fit, settings: Settings) -> float | None:
    """How much larger in radius (mm) the studs or pegs of a joint must be for all of it to fit as wanted, 0
    where it does as it is; None where no larger one does."""
    rows = [row for row, touch in enumerate(joint.touches) if touch.kind != "rest" and touch.grips]
    if not rows:
        return None
    offsets = offsets_for((joint.touches[row].gap_mm for row in rows), TOLD_STEP_MM)
    offsets = np.append(0.0, offsets[offsets > TOLD_STEP_MM / 2])
    found = served(joint, offsets, aim, settings)
    good = np.flatnonzero(found.touches[:, rows].all(axis=1) & found.whole)
    if not len(good):
        return None
    if good[0] == 0:
        return 0.0
    stretch = max(np.split(good, np.flatnonzero(np.diff(good) > 1) + 1), key=len)
    return float(offsets[stretch[len(stretch) // 2]])
