"""What to tell about the glued joints: why each, what cannot hold, and what would help."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.aims import Pattern, larger_to, pattern_of
from steps.bonding import Bonding
from steps.glue.adhesive import Chosen
from steps.glue.cases import LoadCase
from steps.glue.coming_off import coming_off, listed
from steps.glue.doses import bond_volume
from steps.glue.least import LeastGlue
from steps.glue.proofs import Failure
from steps.model import Joint, Joints, Measures, Model, Problem, Tried
from steps.progress import ticking
from steps.settings import Settings

#: From this ratio on a whole number of times is told.
WHOLE_TIMES = 3.0
#: More studs than this are not advised by number.
MOST_STUDS = 64
#: What "years on a shelf in a warm room" leaves out: no published figure of it was found for printed joints.
SHELF = (
    " On its shelf a grip counts as what is left of it after a month; how glue and plastic creep in warmth "
    "is not reckoned: no figures were found."
)
#: Efforts that differ by less are one: less than any joint costs.
SAME_EFFORT = 0.01
#: Gaps that differ by less than this are one offset, mm: a tenth of a printed layer's width error.
SAME_GAP_MM = 0.02


def whys_of(to_glue: Sequence[Joint], found: LeastGlue, joints: Joints) -> dict[str, str]:
    """Why each joint is glued, in one sentence with the numbers: as the plan's own figures have them."""
    row = {joint.id: at for at, joint in enumerate(joints.joints)}
    chosen = set(found.glued)
    whys = {}
    for joint in to_glue:
        at = row[joint.id]
        if at not in chosen:
            whys[joint.id] = "glued as its counterpart in the other copy is"
            continue
        why = f"it may be relied on for {joint.hold_low_n:.1f} N"
        if at in found.asks:
            why += f" and bears {found.loads_n[at]:.1f} N when it is {found.asks[at].words}"
        else:
            why += "; glued so that the model is one piece"
        whys[joint.id] = why
    return whys


def tried_of(model: Model, joints: Joints, cases: Sequence[LoadCase], found: LeastGlue) -> tuple[Tried, ...]:
    """How the set fares in the load cases, those of one kind, and of one turn, together."""
    lots: dict[tuple[str, int, str], list[LoadCase]] = {}
    for load in cases:
        lots.setdefault(_lot(load), []).append(load)
    fails: dict[tuple[str, int, str], list[Failure]] = {each: [] for each in lots}
    for failure in found.fails:
        fails[_lot(failure.load)].append(failure)
    unknown = [_lot(load) for load in found.unsettled]
    told = []
    for lot, own in lots.items():
        worst = max(fails[lot], key=_gravity, default=None)
        told.append(
            Tried(
                own[0].kind,
                own[0].step,
                tuple(model.parts[held].id for held in np.flatnonzero(own[0].case.held)),
                len(own),
                len(fails[lot]),
                unknown.count(lot),
                worst.times if worst and worst.times < np.inf else None,
                joints.joints[worst.joint].id if worst and worst.joint >= 0 else "",
                not all(failure.exact for failure in fails[lot]),
                own[0].thing,
            )
        )
    return tuple(told)


def turns_early(cases: Sequence[LoadCase], found: LeastGlue) -> frozenset[tuple[int, str]]:
    """Of each turn that glue bears as soon as it holds by itself the step and what is turned in."""
    turned = {_lot(load) for load in cases if load.early}
    return frozenset((step, thing) for _, step, thing in turned - {_lot(load) for load in found.waits})


def problems_of(
    model: Model,
    measures: Measures,
    joints: Joints,
    to_glue: Sequence[Joint],
    glued: set[str],
    found: LeastGlue,
    fares: LeastGlue,
    chosen: Chosen,
    bonding: Bonding,
    settings: Settings,
) -> tuple[Problem, ...]:
    """All problems of the stage, those of the wishes first; ``fares``: what the model comes to as it is
    glued."""
    left = [joint for joint in to_glue if joint.id not in glued]
    return (
        *bonding.problems,
        *chosen.problems,
        _how_many(joints, to_glue, found, chosen, bonding),
        *_cannot_hold(joints, fares, bonding, found if left else None),
        *_unsettled(fares),
        *_lumps(model, fares, settings),
        *_falls_off(left, settings),
        *coming_off(model, measures, joints, bonding, fares.loose, settings.aim),
        *_change_the_fit(to_glue, settings),
    )


def _how_many(
    joints: Joints, to_glue: Sequence[Joint], found: LeastGlue, chosen: Chosen, bonding: Bonding
) -> Problem:
    """How many joints need glue, against gluing all that can be, and how that was found out."""
    seen = f"{found.cases} load cases were looked at; {found.programmes} programmes were solved."
    if "shelf" in found.kinds:
        seen += SHELF
    if not to_glue:
        return Problem("glue-count", "note", (), f"None of {len(joints.joints)} joints needs glue. {seen}")
    verb = "needs" if len(to_glue) == 1 else "need"
    text = f"{len(to_glue)} of {len(joints.joints)} joints {verb} glue"
    if chosen.family is not None:
        may = [joint for joint in joints.joints if joint.id in bonding.may]
        own, every = (sum(bond_volume(joint, chosen.family) for joint in some) for some in (to_glue, may))
        text += f"; gluing all would take {_times(every / own)} as much" if every > own > 0 else ""
    copies = " (copies are glued alike)" if len(to_glue) > len(found.glued) else ""
    if found.bound < found.effort - SAME_EFFORT:
        share = 100 * (1 - found.bound / found.effort)
        text += f". Another choice could spare at most {share:.0f} % of the effort"
    return Problem("glue-count", "note", (), f"{text}{copies}. {seen}")


def _times(ratio: float) -> str:
    return f"{ratio:.0f} times" if ratio >= WHOLE_TIMES else f"{ratio:.1f} times"


def _unsettled(found: LeastGlue) -> list[Problem]:
    """What the work did not suffice to settle, once for each kind of load; it counts as falling."""
    words = {case.kind: case.words for case in reversed(found.unsettled)}
    if not words:
        return []
    said = "; ".join(words.values())
    text = (
        f"{len(found.unsettled)} of {found.cases} load cases were not worked out: whether it holds when it "
        f"is {said}. Do not rely on it: support it from below, on a board, with a person at each end."
    )
    return [Problem("not-worked-out", "warning", (), text)]


def _lumps(model: Model, found: LeastGlue, settings: Settings) -> list[Problem]:
    """Where the aim of one piece is not reached: how many pieces it is, and which come off."""
    if settings.aim == "display" or not found.untied:
        return []
    parts = tuple(model.parts[row].id for row in found.untied)
    more = len(parts)
    text = (
        f"The finished model is not one piece: {more} of its pieces {'is' if more == 1 else 'are'} held by "
        f"nothing that surely holds or is glued (at {listed(parts)}). Allow another adhesive, "
        f"{_another_fit(settings)}, or take `--aim display` if it will only stand."
    )
    return [Problem("not-one-piece", "warning", parts, text)]


def _cannot_hold(
    joints: Joints, found: LeastGlue, bonding: Bonding, wanted: LeastGlue | None
) -> list[Problem]:
    """One problem for each kind of case, and each turn, that even glue cannot save, or that the glue that is
    ``wanted`` beyond what there is would."""
    problems = []
    lost = {_lot(each.load) for each in (wanted or found).fails}
    lots: dict[tuple[str, int, str], list[Failure]] = {}
    for each in found.fails:
        lots.setdefault(_lot(each.load), []).append(each)
    for fails in lots.values():
        worst = max(fails, key=_gravity)
        case = worst.load
        others = f" (and in {len(fails) - 1} more ways)" if len(fails) > 1 else ""
        joint = joints.joints[worst.joint] if worst.joint >= 0 else None
        text = (
            f"As it is glued the model does not hold when it is {case.words}{others} with a safety factor "
            f"of {case.case.safety:g}: {_gives_way(joint, worst)}"
        )
        saved = _lot(case) not in lost
        helps = "With the glue that it wants it would." if saved else _what_helps(joint, worst, bonding)
        parts = () if joint is None else (joint.a, joint.b)
        problems.append(Problem("cannot-hold", "warning", parts, f"{text} {helps}", step=case.step))
    return problems


def _lot(load: LoadCase) -> tuple[str, int, str]:
    """What is told together: the cases of one kind, of a turn those of one thing."""
    return load.kind, load.step, load.thing


def _gravity(failure: Failure) -> tuple[float, int]:
    return failure.times, failure.joint


def _gives_way(joint: Joint | None, failure: Failure) -> str:
    if joint is None and np.isinf(failure.times):
        return "it topples or comes apart."
    at_least = "" if failure.exact else "at least "
    if joint is None:
        return f"{at_least}{failure.times:.3g} times what holds it is asked for."
    first = "gives way first" if failure.exact else "gives way"
    named = f"{joint.id} ({joint.a} and {joint.b})"
    return f"{named} {first}, asked for {at_least}{failure.times:.3g} times what it holds."


def _what_helps(joint: Joint | None, failure: Failure, bonding: Bonding) -> str:
    case, asked = failure.load, failure.times
    if case.kind == "turn":
        return "Hold every part by hand while it is turned."
    if joint is None:
        return "A wider base or a prop would help; otherwise do not do this with it."
    if joint.id in bonding.never:
        return "It is listed under glue.never: allow it, or do not do this with it."
    if joint.id in bonding.free:
        return "It moves or must open, so it is not glued: do not do this with it."
    studs = f"More studs (about {int(np.ceil(joint.contacts * asked))} for {joint.contacts})"
    if not failure.exact or not joint.contacts or joint.contacts * asked > MOST_STUDS:
        studs = "More studs"
    lower = (
        f" A safety factor of {case.case.safety / asked:.2g} would be met."
        if failure.exact and asked < case.case.safety
        else ""
    )
    return (
        f"{studs}, a pin through the joint or a lighter part would help; otherwise do not do this with "
        f"it.{lower}"
    )


def _falls_off(left: Sequence[Joint], settings: Settings) -> list[Problem]:
    if not left:
        return []
    named = listed([f"{joint.id} ({joint.a} and {joint.b})" for joint in left])
    noun = "1 joint" if len(left) == 1 else f"{len(left)} joints"
    text = f"Without glue {noun} will not hold: {named}. Allow an adhesive, or {_another_fit(settings)}."
    parts = tuple(sorted({part for joint in left for part in (joint.a, joint.b)}))
    return [Problem("falls-off", "warning", parts, text)]


def _another_fit(settings: Settings) -> str:
    """A refit is advised once: a plan of refitted parts offers something else."""
    if settings.refit is None:
        return "print the parts with another fit (`--refit press`)"
    return "let more studs engage, or pin the joint"


def _change_the_fit(to_glue: Sequence[Joint], settings: Settings) -> list[Problem]:
    known: dict[Pattern, float] = {}
    for joint in ticking(to_glue):
        if joint.kind in ("stud", "peg") and pattern_of(joint) not in known:
            known[pattern_of(joint)] = larger_to(joint, "press", settings) or 0.0
    offsets = np.array([known.get(pattern_of(joint), 0.0) for joint in to_glue])
    wide = np.flatnonzero(offsets > 0)
    if not len(wide):
        return []
    low, high = offsets[wide].min(), offsets[wide].max()
    by = f"{low:.2f} mm" if high - low < SAME_GAP_MM else f"{low:.2f} to {high:.2f} mm"
    text = (
        f"To do without glue, change the fit: print the studs {by} larger in radius "
        f"(twice that in diameter) and {len(wide)} of the {len(to_glue)} glued joints press"
        f"{'; `--refit press` does it' if settings.refit is None else ''}. Try it on the fit card first."
    )
    return [Problem("change-the-fit", "note", (), text)]
