"""How long a glue takes at the gaps and the temperature of one model, and what it bears before it is hard.

Heat shortens the time to close a joint, cold lengthens the waits; neither is reckoned the other way round.
Until it holds by itself a joint bears nothing; from then until full strength only what suppliers call
handling strength.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from steps.glue.doses import Dose, bond_area, bonded, open_s
from steps.glue.families import Family, glue_book
from steps.model import Joint

#: Times stand for rooms this near the temperature at which suppliers tell them, kelvin (proposal).
NEAR_K = 5.0


@dataclass(frozen=True)
class Times:
    """Minutes: to close a joint within; until it holds by itself; until full strength."""

    open_min: float
    fixture_min: float
    cure_min: float


def times_of(chosen: Family, joints: Iterable[Joint], celsius: float) -> Times:
    """The times that hold for every one of the joints: the widest bonded gap is the slowest."""
    slower = max(1.0, chosen.slower(celsius) or 1.0)
    by_gap = [chosen.hold_s(touch.bond_gap_mm) / 60.0 for joint in joints for touch in bonded(joint, chosen)]
    fixture = max([chosen.wait_min, *by_gap])
    return Times(open_s(chosen, celsius) / 60.0, slower * fixture, slower * 60.0 * chosen.cure_h)


def knows(chosen: Family, celsius: float) -> bool:
    """Whether the family's times are known at this temperature of the room: near that at which they stand, or
    where it is known how they change with it."""
    near = abs(celsius - glue_book().process["at_c"]) <= NEAR_K
    return near or chosen.slower(celsius) is not None


def early_share(chosen: Family) -> float:
    """The share of its strength that a joint has from the moment it holds by itself until it is hard."""
    return min(1.0, float(glue_book().process["handling_mpa"]) / chosen.design_mpa)


def early_n(joint: Joint, chosen: Family, dose: Dose) -> float:
    """What a glued joint bears from the moment it holds by itself until it is hard, N."""
    return float(glue_book().process["handling_mpa"]) * dose.share * bond_area(joint, chosen)
