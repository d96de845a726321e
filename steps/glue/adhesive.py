"""Which adhesive, why, and how much of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from steps.glue.families import Family, check_plastic, family, glue_book
from steps.glue.hazards import complete, components_of, grave_of
from steps.model import Adhesive, Joint, Problem
from steps.settings import Settings

#: Points of the ranking. All are proposals of ours; the order they give is what counts.
RATING_POINTS = 10.0  # each step of the bond's rating
BEST_GAP_POINTS = 4.0  # all bonded area lies within the family's best gap, else its share
GRAVE_POINTS = -6.0  # each kind of grave hazard
HOUR_POINTS = -1.0  # each hour until a joint holds by itself
HURRY_POINTS = -2.0  # each joint of a step that cannot be closed within the open time
WEAK_POINTS = -30.0  # some joint would be too weak
#: Time to spread glue on one joint and close it, minutes (proposal).
CLOSE_MIN = 0.5
#: A rating from which a family may be recommended: fair.
FAIR = 2
#: Diameter of a bead from a usual nozzle, mm (common practice, no source).
BEAD_MM = 2.0
#: A bond's area is not used where its gap is wider than the family bridges.
NOTHING = 1e-9


@dataclass(frozen=True)
class Choice:
    """One family judged for one set of joints; ``unfit`` says why it cannot be recommended."""

    family: Family
    points: float
    reasons: tuple[str, ...]
    unfit: tuple[str, ...]


def bond_area(joint: Joint, chosen: Family) -> float:
    """Area of the joint's faces that the family can bond, mm2: those whose own gap it bridges."""
    if joint.moves:
        return 0.0
    return sum(touch.area_mm2 for touch in joint.touches if touch.bond_gap_mm <= chosen.greatest_gap_mm)


def glued_strength(joint: Joint, chosen: Family) -> float:
    """Design strength of the joint when glued with the family, N."""
    return bond_area(joint, chosen) * chosen.design_mpa


def bond_volume(joint: Joint, chosen: Family) -> float:
    """Volume for one joint with waste, mL: V = A t (1 + waste), t the film or the gap, if wider."""
    bonded = [touch for touch in joint.touches if touch.bond_gap_mm <= chosen.greatest_gap_mm]
    cubic_mm = sum(touch.area_mm2 * max(chosen.film_mm, touch.bond_gap_mm) for touch in bonded)
    return float(cubic_mm * (1.0 + glue_book().process["waste"]) / 1000.0)


def drops_for(volume_ml: float, chosen: Family) -> int:
    """Drops of the family's usual nozzle for a volume, one at least."""
    return max(1, math.ceil(volume_ml / chosen.drop_ml - 1e-9))


def bead_mm(volume_ml: float, diameter_mm: float = BEAD_MM) -> float:
    """Length of a round bead of that volume."""
    return volume_ml * 1000.0 / (math.pi / 4.0 * diameter_mm**2)


def rank(
    joints: Sequence[Joint], needs_n: Sequence[float], at_once: int, settings: Settings
) -> tuple[Choice, ...]:
    """Every family judged for the joints to glue, the most fitting first.

    ``needs_n`` is what each joint must hold when glued, safety included; ``at_once`` the most joints that
    one step closes together. Raises WrongSettings for an unknown plastic.
    """
    check_plastic(settings.material)
    choices = [_judge(chosen, joints, needs_n, at_once, settings) for chosen in glue_book().families.values()]
    return tuple(sorted(choices, key=lambda choice: (bool(choice.unfit), -choice.points, choice.family.name)))


def _judge(
    chosen: Family, joints: Sequence[Joint], needs_n: Sequence[float], at_once: int, settings: Settings
) -> Choice:
    bond = chosen.bond(settings.material)
    area = [bond_area(joint, chosen) for joint in joints]
    weak = [
        joint.id
        for joint, mm2, need in zip(joints, area, needs_n, strict=True)
        if mm2 <= NOTHING or mm2 * chosen.design_mpa < need
    ]
    share = _best_gap_share(joints, chosen)
    hurried = max(0.0, at_once - max(1.0, chosen.open_min / CLOSE_MIN))
    points = RATING_POINTS * bond.rating + BEST_GAP_POINTS * share + HURRY_POINTS * hurried
    points += HOUR_POINTS * chosen.wait_min / 60.0 + (WEAK_POINTS if weak else 0.0)
    points += GRAVE_POINTS * len(grave_of(components_of(chosen, settings.material)))
    reasons = [f"{settings.material.upper()}: {bond.note} ({bond.cites[0].source.name})"]
    reasons.append(f"{100 * share:.0f} % of the bonded faces lie within its best gap")
    reasons.append(f"holds by itself after {chosen.wait_min:g} min, full strength after {chosen.cure_h:g} h")
    return Choice(chosen, points, tuple(reasons), tuple(_unfit(chosen, bond.rating, weak, settings)))


def _unfit(chosen: Family, rating: int, weak: Sequence[str], settings: Settings) -> list[str]:
    found = []
    if rating < FAIR:
        found.append(f"it does not bond {settings.material.upper()}: {chosen.bond(settings.material).note}")
    if not complete(chosen, settings.material):
        missing = {one.words for one in components_of(chosen, settings.material) if not one.complete}
        found.append(f"what is known of its hazards is not complete ({', '.join(sorted(missing))})")
    if chosen.needs_light:
        found.append("printed parts let no light through to cure it")
    if weak:
        few = ", ".join(weak[:5]) + (" and more" if len(weak) > 5 else "")
        found.append(f"too weak or too wide a gap at {few}")
    return found


def _best_gap_share(joints: Sequence[Joint], chosen: Family) -> float:
    low, high = chosen.best_gap_mm
    touches = [touch for joint in joints for touch in joint.touches]
    total = sum(touch.area_mm2 for touch in touches)
    within = sum(touch.area_mm2 for touch in touches if low <= touch.bond_gap_mm <= high)
    return within / total if total > 0 else 0.0


@dataclass(frozen=True)
class Chosen:
    """The family in force (None: nothing is glued), with what to say about it."""

    family: Family | None
    reasons: tuple[str, ...]
    problems: tuple[Problem, ...]


def choose(
    joints: Sequence[Joint], needs_n: Sequence[float], at_once: int, near_moving: bool, settings: Settings
) -> Chosen:
    """The family to use: what the settings ask for, else the best of :func:`rank`.

    Raises WrongSettings for an unknown plastic or family, or one that is refused.
    """
    ranked = rank(joints, needs_n, at_once, settings)
    asked = settings.adhesive
    if asked == "none":
        return Chosen(None, ("nothing is glued, as asked",), ())
    if asked is not None:
        wanted = family(asked)
        choice = next(one for one in ranked if one.family is wanted)
        return Chosen(wanted, ("as asked", *choice.reasons), tuple(_doubts(choice, near_moving, joints)))
    if not joints:
        return Chosen(None, ("no joint needs glue",), ())
    best = ranked[0]
    if best.unfit:
        text = (
            f"No adhesive suits the {len(joints)} joints to glue in {settings.material.upper()}: "
            f"the nearest, {best.family.words}, fails: {best.unfit[0]}. Change the fit or the plastic."
        )
        return Chosen(None, best.unfit, (Problem("no-adhesive", "warning", (), text),))
    second = [one for one in ranked[1:] if not one.unfit]
    reasons = best.reasons + tuple(f"next best: {one.family.words}" for one in second[:1])
    doubts = tuple(_doubts(best, near_moving, joints))
    return Chosen(best.family, reasons, doubts)


def _doubts(choice: Choice, near_moving: bool, joints: Sequence[Joint]) -> list[Problem]:
    """Warnings about a family in force."""
    chosen = choice.family
    found = [
        Problem(
            "adhesive-unfit",
            "warning",
            (),
            f"{_start(chosen.words)}: {why}. Read the supplier's safety data sheet first; "
            "an adult decides whether to use it.",
        )
        for why in choice.unfit
    ]
    if chosen.wicks and near_moving:
        text = (
            f"{_start(chosen.words)} runs into gaps by itself: a thin kind can lock a moving joint "
            "beside the glued one. Use a gel, or glue those parts before the moving joint is closed."
        )
        found.append(Problem("adhesive-wicks", "warning", (), text))
    wide = [joint.id for joint in joints if 0 < bond_area(joint, chosen) < 0.5 * joint.glue_area_mm2]
    if wide:
        text = (
            f"{_start(chosen.words)} bridges at most {chosen.greatest_gap_mm:g} mm: "
            f"at {', '.join(wide[:5])} less than half of the faces will hold."
        )
        found.append(Problem("adhesive-gap", "warning", (), text))
    return found


def _start(words: str) -> str:
    """The words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def quantity(joints: Sequence[Joint], chosen: Chosen) -> Adhesive:
    """The adhesive of the plan: how much for the joints that are glued, and its times."""
    if chosen.family is None or not joints:
        return Adhesive(reasons=chosen.reasons)
    used = chosen.family
    return Adhesive(
        family=used.name,
        volume_ml=sum(bond_volume(joint, used) for joint in joints),
        open_min=used.open_min,
        fixture_min=used.wait_min,
        cure_min=used.cure_h * 60.0,
        reasons=chosen.reasons,
    )
