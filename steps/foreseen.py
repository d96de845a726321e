"""What a plan will say of the joints, told before there is an order: what does not surely hold, the least
number of joints to glue for one piece, what hands cannot close, studs too small to print.

All of it are lower bounds: load cases may ask for more glue, and a step may close several joints at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import networkx as nx
import numpy as np

from steps.bonding import bonding_of, ties_surely
from steps.cures import cures_of
from steps.intake.checks import likely_units
from steps.joints.problems import names
from steps.model import Array, Joint, Joints, Measures, Model, Problem
from steps.settings import Settings
from steps.strength import hands, strongest_push_n

#: Joints named in one message.
NAMED = 6
#: Studs nearer together than this many widths of the nozzle cannot be printed: a stud and the gap beside it
#: are two lines each at least (common practice, no source).
LINES_APART = 4
#: Who closes what hands do not.
NOT_BY_HAND = ("clamp", "none")
#: A joint is beneath a part when its axis points down within 45 degrees: cosine.
BENEATH = 0.7


@dataclass(frozen=True, eq=False)
class Foreseen:
    """Joints by what a plan will say of them. ``pieces`` are the parts that sure joints tie together, counted
    where something might tie them further; ``at_least`` of the joints need glue to make one piece."""

    unsure: tuple[Joint, ...]
    hard: tuple[Joint, ...]
    clamp_at_hand: tuple[Joint, ...]
    at_least: int
    #: part -> joints beneath it that hands close one by one, but not all at once
    together: Mapping[str, tuple[Joint, ...]] = field(default_factory=dict)

    @cached_property
    def greatest_push_n(self) -> float:
        return max((joint.push_n for joint in self.hard), default=0.0)


def foreseen(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Foreseen:
    """What can be said of placed parts without an order. Raises WrongSettings for wishes that name
    nothing."""
    bonding = bonding_of(model, measures, joints, settings)
    sure = ties_surely(model, measures, joints, settings)
    tied = {joint.id for joint, ties in zip(joints.joints, sure, strict=True) if ties}
    gripping = [joint for joint in joints.joints if joint.kind != "rest" and joint.id not in bonding.free]
    unsure = tuple(joint for joint in gripping if joint.id not in tied)
    rigid = [joint for joint in joints.joints if joint.id in tied - bonding.free]
    may = [joint for joint in joints.joints if joint.id in bonding.may]
    at_least = pieces(model, rigid) - pieces(model, [*rigid, *may]) if settings.aim != "display" else 0
    return Foreseen(
        unsure,
        tuple(joint for joint in joints.joints if joint.closes_by in NOT_BY_HAND),
        tuple(
            joint
            for joint in joints.joints
            if joint.closes_by == "adult" and joint.push_high_n > hands()[-1].push_n
        ),
        at_least,
        _closed_together(_beneath(joints, measures.up)),
    )


def _closed_together(beneath: Mapping[str, tuple[Joint, ...]]) -> dict[str, tuple[Joint, ...]]:
    """Parts that lie on several others whose joints take more than hands push when they are laid on all of
    them at once, and each alone does not."""
    most = strongest_push_n()
    return {
        part: closing
        for part, closing in beneath.items()
        if sum(joint.push_n for joint in closing) > most
        and not any(joint.closes_by in NOT_BY_HAND for joint in closing)
    }


def _beneath(joints: Joints, up: Array) -> dict[str, tuple[Joint, ...]]:
    """Of each part the joints that close when it is laid on all that it lies on."""
    found = {}
    for part, own in joints.of_part.items():
        # an axis points out of the part that carries the stud, peg or ball, which is a
        down = [joint for joint in own if (joint.axis @ up) * (1 if joint.a == part else -1) < -BENEATH]
        found[part] = tuple(joint for joint in down if joint.push_n > 0)
    return found


def pieces(model: Model, tied: Iterable[Joint]) -> int:
    """How many pieces the parts are when these joints tie them."""
    graph = nx.Graph((joint.a, joint.b) for joint in tied)
    graph.add_nodes_from(part.id for part in model.parts)
    return int(nx.number_connected_components(graph))


def foreseen_problems(
    found: Foreseen, model: Model, measures: Measures, joints: Joints, settings: Settings
) -> tuple[Problem, ...]:
    """The same in words: warnings where a plan warns, notes where it says that something needs glue."""
    told = [
        _unsure(found, joints, settings),
        _hard(model, measures, joints, found, settings),
        _together(model, measures, joints, found, settings),
        _maybe_hard(found),
        _small_studs(model, measures, settings),
    ]
    return tuple(problem for problem in told if problem is not None)


def _unsure(found: Foreseen, joints: Joints, settings: Settings) -> Problem | None:
    if not found.unsure:
        return None
    grips = sum(joint.kind != "rest" and not joint.moves for joint in joints.joints)
    does = "does" if len(found.unsure) == 1 else "do"
    text = (
        f"{len(found.unsure)} of {grips} joints that grip {does} not surely hold the lighter of their parts "
        f"({_named(found.unsure)}): the low end of what they hold is below {settings.glue.safety:g} times "
        "its weight."
    )
    if found.at_least:
        needs = "joint needs" if found.at_least == 1 else "joints need"
        text += f" At least {found.at_least} {needs} glue to make one piece; load cases may add to that."
    bare = bool(found.at_least) and settings.adhesive == "none"
    return Problem("unsure-joints", "warning" if bare else "note", _parts(found.unsure), text)


def _hard(
    model: Model, measures: Measures, joints: Joints, found: Foreseen, settings: Settings
) -> Problem | None:
    if not found.hard:
        return None
    is_are = "is" if len(found.hard) == 1 else "are"
    limit = hands()[-1]
    cracks = sum(joint.closes_by == "none" for joint in found.hard)
    crack = f", {cracks} of them not before a wall cracks" if cracks else ""
    over = f", and hands push {limit.push_n:.0f} N ({limit.words})" if cracks < len(found.hard) else ""
    worst = max(found.hard, key=lambda joint: joint.push_n)
    beneath = _beneath(joints, measures.up)
    closing = max((each for each in beneath.values() if worst in each), key=len, default=(worst,))
    (cure,) = cures_of([closing], model, measures, joints, settings)
    text = (
        f"{len(found.hard)} of {len(joints.joints)} joints {is_are} not closed by hands{crack} "
        f"({_named(found.hard)}): up to {found.greatest_push_n:.0f} N{over}. For {_named(closing)}: {cure}"
    )
    return Problem("hard-to-press", "warning", _parts(found.hard), text)


def _together(
    model: Model, measures: Measures, joints: Joints, found: Foreseen, settings: Settings
) -> Problem | None:
    if not found.together:
        return None
    worst = max(found.together, key=lambda part: sum(joint.push_n for joint in found.together[part]))
    closing = found.together[worst]
    (cure,) = cures_of([closing], model, measures, joints, settings)
    text = (
        f"{names(model, tuple(found.together))}: hands close each joint beneath, but not all at once. "
        f"{names(model, [worst])} takes up to {sum(joint.push_n for joint in closing):.0f} N laid on "
        f"{len(closing)} parts together ({_named(closing)}), over the {hands()[-1].push_n:.0f} N that hands "
        f"push ({hands()[-1].words}). {cure}"
    )
    return Problem("hard-together", "note", tuple(found.together), text)


def _maybe_hard(found: Foreseen) -> Problem | None:
    if not found.clamp_at_hand:
        return None
    text = (
        f"{len(found.clamp_at_hand)} joints may want a clamp ({_named(found.clamp_at_hand)}): hands likely "
        "close them, but not surely."
    )
    return Problem("may-want-clamp", "note", _parts(found.clamp_at_hand), text)


def _small_studs(model: Model, measures: Measures, settings: Settings) -> Problem | None:
    """Studs that no nozzle can print: the unit of the file is likely another."""
    least = LINES_APART * settings.printer.nozzle_mm
    if measures.pitch_mm is None or measures.pitch_mm >= least:
        return None
    longest = np.array([shape.size_mm.max() for shape in model.shapes])[model.shape_index]
    whole = float((model.bounds[1] - model.bounds[0]).max()) if model.placed else float(longest.max())
    text = (
        f"The studs stand {measures.pitch_mm:.2f} mm apart; a nozzle of {settings.printer.nozzle_mm:g} mm "
        f"prints none below {least:.1f} mm. {likely_units(float(np.median(longest)), whole, model.scale)}"
    )
    return Problem("unit", "warning", (), text)


def _named(joints: Sequence[Joint]) -> str:
    more = f" and {len(joints) - NAMED} more" if len(joints) > NAMED else ""
    return ", ".join(joint.id for joint in joints[:NAMED]) + more


def _parts(joints: Sequence[Joint]) -> tuple[str, ...]:
    return tuple(sorted({part for joint in joints for part in (joint.a, joint.b)}, key=lambda p: int(p[1:])))
