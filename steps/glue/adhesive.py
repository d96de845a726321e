"""Which adhesive, why, and how much of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steps.glue.doses import Dose, Pushes, bond_area, open_s
from steps.glue.families import Family, check_plastic, glue_book
from steps.glue.hazards import complete, components_of, grave_of
from steps.glue.times import knows, times_of
from steps.model import Adhesive, Joint, Problem
from steps.progress import ticking
from steps.settings import Settings

#: Points of the ranking. All are proposals of ours; the order they give is what counts.
RATING_POINTS = 10.0  # each step of the bond's rating
BEST_GAP_POINTS = 4.0  # all bonded area lies within the family's best gap, else its share
GRAVE_POINTS = -6.0  # each kind of grave hazard
HOUR_POINTS = -1.0  # each hour until a joint holds by itself
#: A rating from which a family may be recommended: fair.
FAIR = 2
#: A strip thinner than this, mm, is hardly printed: less than one layer.
LEAST_SHIM_MM = 0.1
#: Readers for whose booklets no family with a grave hazard is chosen unless it is asked for by name.
GUARDED = ("child", "helper")
#: Joints named in a message before it says how many more there are.
NAMED = 5


@dataclass(frozen=True)
class Suitability:
    """One family judged for one set of joints; ``unfit`` says why it cannot be recommended, ``barred`` what
    is so grave about it that the reader's booklet has it only when asked for."""

    family: Family
    points: float
    reasons: tuple[str, ...]
    unfit: tuple[str, ...]
    barred: tuple[str, ...]


def rank(joints: Sequence[Joint], settings: Settings) -> tuple[Suitability, ...]:
    """Every family judged for the joints to glue, the most fitting first.

    Raises WrongSettings for an unknown plastic.
    """
    check_plastic(settings.material)
    choices = [judge(chosen, joints, settings) for chosen in glue_book().families.values()]
    return tuple(
        sorted(choices, key=lambda one: (bool(one.unfit), bool(one.barred), -one.points, one.family.name))
    )


def judge(chosen: Family, joints: Sequence[Joint], settings: Settings) -> Suitability:
    """How well a family fits the joints, whether or not it reaches them all."""
    bond = chosen.bond(settings.material)
    share = _best_gap_share(joints, chosen)
    grave = grave_of(components_of(chosen, settings.material))
    points = RATING_POINTS * bond.rating + BEST_GAP_POINTS * share + GRAVE_POINTS * len(grave)
    points += HOUR_POINTS * chosen.wait_min / 60.0
    reasons = (
        f"{settings.material.upper()}: {bond.note} ({bond.cites[0].source.name})",
        f"{100 * share:.0f} % of the bonded faces lie within its best gap",
        f"holds by itself after {chosen.wait_min:g} min, full strength after {chosen.cure_h:g} h",
    )
    unfit = tuple(_unfit(chosen, bond.rating, settings))
    return Suitability(chosen, points, reasons, unfit, grave if settings.reader in GUARDED else ())


def _unfit(chosen: Family, rating: int, settings: Settings) -> list[str]:
    found = []
    if rating < FAIR:
        found.append(f"it does not bond {settings.material.upper()}: {chosen.bond(settings.material).note}")
    if not complete(chosen, settings.material):
        missing = {one.words for one in components_of(chosen, settings.material) if not one.complete}
        found.append(f"what is known of its hazards is not complete ({', '.join(sorted(missing))})")
    if chosen.unfit:
        found.append(chosen.unfit)
    if chosen.needs_light:
        found.append("printed parts let no light through to cure it")
    if chosen.no_load:
        found.append("it creeps under load and softens in the sun")
    return found


def listed(names: Sequence[str]) -> str:
    """The first few names, and how many more there are."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _best_gap_share(joints: Sequence[Joint], chosen: Family) -> float:
    low, high = chosen.best_gap_mm
    touches = [touch for joint in ticking(joints) for touch in joint.touches]
    total = sum(touch.area_mm2 for touch in touches)
    within = sum(touch.area_mm2 for touch in touches if low <= touch.bond_gap_mm <= high)
    return within / total if total > 0 else 0.0


@dataclass(frozen=True)
class Chosen:
    """The family in force (None: nothing is glued), with what to say about it."""

    family: Family | None
    reasons: tuple[str, ...]
    problems: tuple[Problem, ...]


def only_when_asked(choice: Suitability, joints: Sequence[str], settings: Settings) -> Problem:
    """That only a family with a grave hazard would hold the joints, and the word that asks for it."""
    text = (
        f"Only {choice.family.words} would hold {listed(joints)}, and it is {' and '.join(choice.barred)}: "
        f"for a {settings.reader}'s booklet no such glue is chosen by itself. Change the fit (`stepleaf "
        f"prints --refit press`), or let an adult who has read the supplier's safety data sheet ask for it: "
        f"`--adhesive {choice.family.name}`."
    )
    return Problem("adhesive-barred", "warning", (), text, tuple(joints))


def out_of_reach(chosen: Family, choice: Suitability, joints: Sequence[str]) -> Problem:
    """Which family would serve joints of which no face is near enough for the one that was asked for."""
    text = (
        f"{start(chosen.words)} cannot hold {listed(joints)}: too wide a gap. {start(choice.family.words)} "
        f"could: `--adhesive {choice.family.name}`."
    )
    return Problem("adhesive-out-of-reach", "warning", (), text, tuple(joints))


def none_suits(nearest: Suitability, count: int, settings: Settings) -> Problem:
    """That no family can be recommended for any of the joints."""
    why = nearest.unfit[0] if nearest.unfit else "no face is near enough to another"
    text = (
        f"No adhesive suits the {count} joints that may be glued in {settings.material.upper()}: the "
        f"nearest, {nearest.family.words}, fails: {why}. Change the fit or the plastic."
    )
    return Problem("no-adhesive", "warning", (), text)


def too_much_at_once(
    pushes: Pushes, settings: Settings, chosen: Family, slower: Suitability | None
) -> tuple[Problem, ...]:
    """That some pushes close more than can be glued well in time, and which family stays open longer."""
    if not pushes:
        return ()
    seconds = open_s(chosen, settings.glue.temperature_c)
    several = listed([" + ".join(push) for push in pushes])
    text = (
        f"One push each closes {several}: in the {seconds:g} s of {chosen.words} they get fewer drops than "
        "their faces take and their load asks for."
    )
    if slower is not None:
        grave = f", which is {' and '.join(slower.barred)}" if slower.barred else ""
        text += (
            f" Hold the model as the warnings say, or let an adult ask for {slower.family.words}{grave}: "
            f"`--adhesive {slower.family.name}`."
        )
    names = tuple(name for push in pushes for name in push)
    return (Problem("too-much-at-once", "warning", (), text, names),)


def _shim(wide: Sequence[Joint], chosen: Family) -> str:
    """What closes gaps too wide for a family: what is left by strips of so many mm is bridged by it.

    Common practice, no source."""
    gaps = sorted(joint.gap_mm for joint in wide if joint.gap_mm > chosen.greatest_gap_mm)
    thick = gaps[len(gaps) // 2] - chosen.best_gap_mm[1] if gaps else 0.0
    if thick < LEAST_SHIM_MM:
        return ""
    return (
        f" To hold at the studs too, set a strip of the same plastic about {thick:.1f} mm thick beside each "
        "as you close them (a shim; try it dry first), or print with another fit: `--refit press`."
    )


def doubts(
    choice: Suitability, near_moving: Sequence[str], joints: Sequence[Joint], celsius: float
) -> list[Problem]:
    """Warnings about a family in force; ``near_moving``: ids of glued joints beside one that moves."""
    chosen = choice.family
    found = [
        Problem(
            "adhesive-unfit",
            "warning",
            (),
            f"{start(chosen.words)}: {why}. Read the supplier's safety data sheet first; "
            "an adult decides whether to use it.",
        )
        for why in choice.unfit
    ]
    if not knows(chosen, celsius):
        text = (
            f"At {celsius:g} °C no time of {chosen.words} is known here, those told are of "
            f"{glue_book().process['at_c']:g} °C: below the least temperature on the label do not glue; in "
            "heat it may set before a joint is closed. Warm or cool the room first."
        )
        found.append(Problem("adhesive-temperature", "warning", (), text))
    if chosen.wicks and near_moving:
        text = (
            f"{start(chosen.words)} runs into gaps by itself: a thin kind can lock a moving joint beside the "
            f"glued one ({listed(near_moving)}). Use a gel, or glue those parts before the moving joint is "
            "closed."
        )
        found.append(Problem("adhesive-wicks", "warning", (), text, tuple(near_moving)))
    wide = [joint for joint in joints if 0 < bond_area(joint, chosen) < 0.5 * joint.glue_area_mm2]
    if wide:
        names = [joint.id for joint in wide]
        text = (
            f"{start(chosen.words)} bridges at most {chosen.greatest_gap_mm:g} mm: "
            f"at {listed(names)} less than half of the faces will hold.{_shim(wide, chosen)}"
        )
        found.append(Problem("adhesive-gap", "warning", (), text, tuple(names)))
    if joints and _best_gap_share(joints, chosen) <= 0:
        low, high = chosen.best_gap_mm
        text = f"No face lies within the {low:g} to {high:g} mm at which {chosen.words} holds best."
        found.append(Problem("adhesive-no-best-gap", "warning", (), text))
    return found


def start(words: str) -> str:
    """The words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def quantity(joints: Sequence[Joint], given: Mapping[str, Dose], chosen: Chosen, celsius: float) -> Adhesive:
    """The adhesive of the plan: how much for the joints that are glued, and its times at a temperature."""
    if chosen.family is None or not given:
        return Adhesive(reasons=chosen.reasons)
    used = chosen.family
    times = times_of(used, (joint for joint in joints if joint.id in given), celsius)
    return Adhesive(
        family=used.name,
        volume_ml=sum(dose.ml for dose in given.values()),
        open_min=times.open_min,
        fixture_min=times.fixture_min,
        cure_min=times.cure_min,
        reasons=chosen.reasons,
        drop_ml=used.drop_ml,
    )
