"""What fingers feel at one contact, and what a band says against a load.

A contact is *tight* when it hardly closes or would crack, *press* when it closes and surely holds its share,
*slide* when it closes and may hold or not, *loose* when even the high end of its band is nothing: what nine
of ten prints would feel. Forces are continuous in gap and scale, and so a class changes only to its
neighbour.
"""

from __future__ import annotations

from collections.abc import Iterable

from steps.card import CLASSES
from steps.force.bands import Band
from steps.force.felt import Felt, Force
from steps.force.printed import CRACK_STRAIN, Print
from steps.model import Fit, Joint, Sure
from steps.strength import one_hand_n

#: A band holds a load when its low end is so many times the load (a proposal; nearly three times the likely).
SAFETY_OF_LOW = 1.5
#: A contact that takes this share of what makes it tight is felt as press, however heavy what hangs on it.
FIRM_SHARE = 0.5
#: Forces below this are rounding (newtons).
NOTHING_N = 1e-3
#: A hinge or axle is meant to turn between these gaps per side, mm (makers' practice, no source).
TURNS = (0.25, 0.6)


def tightness(felt: Felt) -> float:
    """1 where one hand can just press a contact home again and again, or where it would crack."""
    return max(felt.push_n / one_hand_n(), felt.strain / CRACK_STRAIN)


def fit_of(force: Force, share_n: float, made: Print) -> Fit:
    """The class of one contact that has to hold ``share_n`` newtons when it is aged."""
    if tightness(force.felt) > 1:
        return "tight"
    if force.pull.high <= NOTHING_N:
        return "loose"
    holds = force.pull.low * made.ageing[0] >= SAFETY_OF_LOW * share_n and force.pull.low > NOTHING_N
    return "press" if holds or tightness(force.felt) >= FIRM_SHARE else "slide"


def within(fit: Fit, tightest: Fit, loosest: Fit) -> Fit:
    """The class, or the nearest that the card allows."""
    row = min(max(CLASSES.index(fit), CLASSES.index(tightest)), CLASSES.index(loosest))
    return CLASSES[row]


def tightest_of(fits: Iterable[Fit]) -> Fit:
    """The class of a joint: that of its tightest contact; "none" without one."""
    found = [CLASSES.index(fit) for fit in fits if fit != "none"]
    return CLASSES[min(found)] if found else "none"


def sure_of(hold: Band, load_n: float) -> Sure:
    """Whether an aged hold bears a load with its safety: its low end does, its high end does not, or
    between."""
    need = SAFETY_OF_LOW * load_n
    if hold.low >= need and hold.low > 0:
        return "holds"
    return "falls" if hold.high < need or hold.high <= 0 else "try"


def sure_under(joint: Joint, load_n: float) -> Sure:
    """As :func:`sure_of`, for a joint under the greatest of a plan's loads, at least the lighter part's
    weight."""
    if load_n <= 0:
        return joint.sure
    return sure_of(Band(joint.hold_low_n, joint.hold_n, joint.hold_high_n), load_n)
