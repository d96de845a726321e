"""That what a plan glues holds: by the plan file, the book of glues and the meshes, not by the planner.

Each glued joint must be within the glue's reach and closed within its open time, waited for before it is
moved, glued by an adult; and what is glued or surely holds must tie the model into as many pieces as the plan
says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import networkx as nx

from steps.glue.families import Family, glue_book
from steps.planfile import AdhesiveEntry, JointEntry, PlanFile, StepEntry
from steps.settle.schedule import GLUE_MIN, PART_MIN
from steps.verify.motion import Toucher
from steps.verify.replay import TurnedBuild
from steps.verify.report import Check
from steps.verify.standing import Stander

#: Acceleration of gravity, m/s2 (CGPM 1901).
GRAVITY = 9.80665
#: What is rounded in the file may differ by this much: amounts stand there to four decimals.
ROUNDING = 1e-3
#: Gaps stand there to four decimals, mm; a tenth of a micron is half a second of an instant glue.
WRITTEN_MM = 1e-4
#: Less than this between two "up" of one build is no turn (cosine of 1 degree).
SAME_WAY = 0.99985
#: An area is measured anew to within this share: corners of a shared face are few.
AREA_SHARE = 0.02
#: Loads are balanced to within this share.
LOAD_SHARE = 0.01
NAMES = (
    ("glue bonds", "joints"),
    ("glue in time", "steps"),
    ("one piece", "parts"),
    ("print again", "things"),
)


def check_glue(plan: PlanFile, whole: PlanFile, toucher: Toucher, stander: Stander) -> tuple[Check, ...]:
    """Whether each glued joint bonds and is waited for, and the whole is the pieces that the plan says.
    ``whole``: the plan as it is glued, each thing coming in with the step that glues it."""
    bonds, times, pieces, again = (Check(name, what) for name, what in NAMES)
    glued = [joint for joint in plan.joints if joint.mark == "glue"]
    family = glue_book().families.get(plan.adhesive.family)
    if glued and family is None:
        bonds.fault(f"{len(glued)} joints are glued with {plan.adhesive.family!r}, which is no known glue")
    elif glued and family is not None:
        _bonds(plan, glued, family, toucher, bonds)
        _book_times(plan.adhesive, family, glued, times)
        _pushes(whole, times)
        _again(whole, family, stander, again)
    _waits(plan, times)
    _pieces(plan, stander, pieces)
    return bonds, times, pieces, again


# ------------------------------------------------------------------------------ bonds


def _bonds(
    plan: PlanFile, glued: Iterable[JointEntry], family: Family, toucher: Toucher, check: Check
) -> None:
    drops = 0
    plastic = str(plan.settings.get("material", "pla"))
    for joint in glued:
        check.looked_at += 1
        drops += joint.drops
        ends = (joint.a, joint.b)
        apart = toucher.distance(*ends)
        if apart > family.greatest_gap_mm:
            text = f"{joint.id}: {apart:.2f} mm apart, and the glue bridges {family.greatest_gap_mm:g} mm"
            check.fault(text, parts=ends)
        if not joint.bonds or joint.drops < 1:
            check.fault(f"{joint.id} is glued, but no face of it or no drop", parts=ends)
        for bond in joint.bonds:
            if bond.gap_mm > family.greatest_gap_mm:
                check.fault(f"{joint.id}: a face {bond.gap_mm:.2f} mm away is to be glued", parts=ends)
        area = sum(touch.area_mm2 for touch in joint.touches)
        if joint.touches and sum(bond.area_mm2 for bond in joint.bonds) > area * (1 + AREA_SHARE):
            check.fault(f"{joint.id}: more is to be glued than touches", parts=ends)
        most = _covered_mm2(joint, family) * glue_book().process["handling_mpa"]
        if joint.early_n > most + ROUNDING * max(1.0, most):
            check.fault(f"{joint.id}: {joint.early_n:.1f} N before it is hard is too much", parts=ends)
        _strength(joint, plan, family, check)
    if family.bond(plastic).rating < 1:
        check.fault(f"{family.words} does not bond {plastic.upper()}")
    volume = drops * plan.adhesive.drop_ml
    if abs(volume - plan.adhesive.volume_ml) > ROUNDING * max(1.0, drops):
        check.fault(f"{drops} drops are {volume:.3f} mL, and the plan says {plan.adhesive.volume_ml:.3f} mL")


def strength_of(plan: PlanFile) -> Mapping[str, float]:
    """What each glued joint may be relied on to hold once it is hard, N: by the book's own stress, on the
    share of its faces that its drops cover at the gap of each."""
    return _held(plan, lambda family: family.design_mpa)


def early_of(plan: PlanFile, event: TurnedBuild) -> Mapping[str, float]:
    """The same of what is glued when a step turns it: what nobody has waited for holds nothing, and what was
    not waited for until it is hard only as much as suppliers call handling strength."""
    early = _held(plan, lambda family: glue_book().process["handling_mpa"])
    hard, least = strength_of(plan), plan.adhesive.cure_min - ROUNDING
    return {
        name: hard[name] if lag >= least else early[name]
        for name, lag in event.waited_min.items()
        if name in hard
    }


def _held(plan: PlanFile, stress_mpa: Callable[[Family], float]) -> dict[str, float]:
    family = glue_book().families.get(plan.adhesive.family)
    if family is None:
        return {}
    return {
        joint.id: stress_mpa(family) * _covered_mm2(joint, family)
        for joint in plan.joints
        if joint.mark == "glue"
    }


def _covered_mm2(joint: JointEntry, family: Family) -> float:
    """How much of its faces the drops of a joint cover."""
    faces = [bond for bond in joint.bonds if bond.gap_mm <= family.greatest_gap_mm]
    area = sum(bond.area_mm2 for bond in faces)
    wanted = sum(bond.area_mm2 * max(family.film_mm, bond.gap_mm) for bond in faces) / 1000.0
    return area * min(1.0, joint.drops * family.drop_ml / wanted) if wanted > 0 else 0.0


def _strength(joint: JointEntry, plan: PlanFile, family: Family, check: Check) -> None:
    """The bond bears the load that the plan itself gives, with the plan's own factor of safety."""
    safety = float(_glue_settings(plan).get("safety", 1.0))
    holds = _covered_mm2(joint, family) * family.design_mpa
    if holds < safety * joint.load_n * (1 - LOAD_SHARE):
        text = f"{joint.id} bears {joint.load_n:.1f} N, and its bond {holds:.1f} N"
        check.fault(text, parts=(joint.a, joint.b))


def _glue_settings(plan: PlanFile) -> Mapping[str, Any]:
    found = plan.settings.get("glue", {})
    return found if isinstance(found, dict) else {}


# ------------------------------------------------------------------------------ times


def _book_times(glue: AdhesiveEntry, family: Family, glued: Iterable[JointEntry], check: Check) -> None:
    """The plan waits at least as long, and closes at least as fast, as the book says."""
    wide = [bond.gap_mm for joint in glued for bond in joint.bonds if bond.gap_mm <= family.greatest_gap_mm]
    gaps = [max(gap - WRITTEN_MM, 0.0) for gap in wide]
    holds = max([family.wait_min, *(family.hold_s(gap) / 60.0 for gap in gaps)])
    for name, told, least in (
        ("holds by itself", glue.fixture_min, holds),
        ("has its full strength", glue.cure_min, 60.0 * family.cure_h),
    ):
        if told < least - ROUNDING:
            check.fault(f"the glue {name} after {least:g} min, and the plan says {told:g} min")
    if glue.open_min > family.open_min + ROUNDING:
        check.fault(f"the glue is open for {family.open_min:g} min, and the plan says {glue.open_min:g} min")
    if glue.lift_min < glue.fixture_min - ROUNDING:
        check.fault(f"the model is lifted after {glue.lift_min:g} min, before the glue holds by itself")


def _pushes(plan: PlanFile, check: Check) -> None:
    """All drops of what one arrival closes are set, and it is pressed home, within the open time."""
    process, joints = glue_book().process, {joint.id: joint for joint in plan.joints}
    inside = {(entry.id, n): set(copy) for entry in plan.assemblies for n, copy in enumerate(entry.copies)}
    for step in plan.steps:
        arrivals = [{part} for part in step.adds]
        arrivals += [inside.get((each.assembly, each.copy_number), set()) for each in step.attaches]
        drops = [0] * (len(arrivals) + 1)
        for name in step.glues:
            joint = joints[name]
            last = max((n for n, each in enumerate(arrivals) if each & {joint.a, joint.b}), default=-1)
            drops[last] += joint.drops
        seconds = process["press_s"] + process["drop_s"] * max(drops)
        if max(drops) and seconds > 60.0 * plan.adhesive.open_min + ROUNDING:
            check.fault(f"its drops take {seconds:g} s, longer than the glue is open", step.number)


def _waits(plan: PlanFile, check: Check) -> None:
    """Nothing is moved while its glue is wet; each wait is long enough; an adult glues."""
    glue, joints = plan.adhesive, {joint.id: joint for joint in plan.joints}
    wet: dict[str, set[str]] = {entry.id: set() for entry in plan.assemblies}
    up: dict[str, tuple[float, ...]] = {}
    first_lag: dict[str, float] = {}
    for step in plan.steps:
        check.looked_at += 1
        if len(step.lags_min) != len(step.needs_cured):
            check.fault("it does not say how long after each joint was glued it may begin", step.number)
        for name, lag in zip(step.needs_cured, step.lags_min, strict=False):
            first_lag.setdefault(name, lag)
            if lag < glue.fixture_min - ROUNDING:
                check.fault(f"{name} is loaded after {lag:g} min, before it holds by itself", step.number)
        waited = set(step.needs_cured)
        turned = step.assembly in up and _leans(up[step.assembly], step.up)
        moved = set(wet[step.assembly]) if turned else set()
        for each in step.attaches:
            moved |= wet[each.assembly]
            wet[step.assembly] |= wet[each.assembly]
            wet[each.assembly] = set()
        for name in sorted(moved - waited):
            ends = (joints[name].a, joints[name].b)
            check.fault(f"{name} is moved, and nobody waits until its glue holds", step.number, ends)
        wet[step.assembly] -= waited
        wet[step.assembly] |= set(step.glues)
        up[step.assembly] = step.up
        if step.glues and step.by != "adult":
            check.fault(f"it has glue and is a {step.by}'s", step.number)
        if not step.closes and step.glues:
            check.fault("it glues what it does not close", step.number)
    while_built, one_by_one = _waiting(plan)
    for words, told, found in (
        ("waited while other steps go on", plan.waiting_min, while_built),
        ("waited if each glue step were waited for", plan.waiting_each_min, one_by_one),
    ):
        if told is not None and abs(told - found) > ROUNDING * max(len(plan.steps), 1):
            check.fault(f"{found:g} min are {words}, and the plan says {told:g} min")
    for step in plan.steps:
        lags = [first_lag[name] for name in step.glues if name in first_lag]
        if lags and step.wait_min < max(lags) - ROUNDING:
            check.fault(
                f"{step.wait_min:g} min are waited after it, and {max(lags):g} are needed", step.number
            )


def _waiting(plan: PlanFile) -> tuple[float, float]:
    """Minutes waited where the steps are done one after another, each once what it loads holds; and where
    after each that glues nothing is done until all of it has held as long as anything asks."""
    copies = {entry.id: len(entry.copies) for entry in plan.assemblies}
    things = {step.number: len(step.adds) + len(step.attaches) for step in plan.steps}
    ended: dict[str, float] = {}
    longest: dict[str, float] = {}
    now = waited = 0.0
    for step in plan.steps:
        lags = dict(zip(step.needs_cured, step.lags_min, strict=False))
        ready = max([now, *(ended[name] + lag for name, lag in lags.items() if name in ended)])
        waited += ready - now
        handled = things[step.number] + sum(things.get(each, 0) for each in step.reopens)  # put back, or new
        work = PART_MIN * handled + GLUE_MIN * len(step.glues)
        now = ready + work * copies.get(step.assembly, 1)
        ended.update(dict.fromkeys(step.glues, now))
        longest.update({name: max(lag, longest.get(name, 0.0)) for name, lag in lags.items()})
    each = sum(max((longest.get(name, 0.0) for name in step.glues), default=0.0) for step in plan.steps)
    return waited, each


def _leans(one: tuple[float, ...], two: tuple[float, ...]) -> bool:
    return sum(a * b for a, b in zip(one, two, strict=True)) < SAME_WAY


# ------------------------------------------------------------------------------ glued wrongly


def _again(plan: PlanFile, family: Family, stander: Stander, check: Check) -> None:
    """What is to be printed again for each thing that is glued in: all that is glued to it by then, or to
    what it is glued to, whichever is lighter; nothing where the glue comes off when hard."""
    if not any(step.again for step in plan.steps) and not family.opens:
        check.remark = "the plan does not say"
        return
    joints, lumps = {joint.id: joint for joint in plan.joints}, nx.Graph()
    lumps.add_nodes_from(part.id for part in plan.parts)
    inside = {(entry.id, n): copy for entry in plan.assemblies for n, copy in enumerate(entry.copies)}
    copies = {entry.id: entry.copies for entry in plan.assemblies}
    for step in plan.steps:
        arrivals: list[tuple[str, ...]] = [(part,) for part in step.adds]
        arrivals += [inside[each.assembly, each.copy_number] for each in step.attaches]
        waiting, wanted = [joints[name] for name in step.glues], set[str]()
        for turn, own in enumerate(arrivals):
            later = {part for each in arrivals[turn + 1 :] for part in each}
            new = [each for each in waiting if {each.a, each.b} & set(own) and not {each.a, each.b} & later]
            waiting = [each for each in waiting if each not in new]
            if new and not family.opens:
                check.looked_at += 1
                wanted.add(own[0])
                _lighter(step, own, new, lumps, stander, check)
            for copy in copies[step.assembly]:
                across = dict(zip(copies[step.assembly][0], copy, strict=True))
                lumps.add_edges_from((across.get(j.a, j.a), across.get(j.b, j.b)) for j in new)
        if set(step.again) != wanted:
            check.fault("it tells of other things to print again than it glues in", step.number)


def _lighter(
    step: StepEntry,
    own: Iterable[str],
    new: Iterable[JointEntry],
    lumps: nx.Graph,
    stander: Stander,
    check: Check,
) -> None:
    """What is told for one thing is one of the two sides, and not the heavier."""
    thing = tuple(own)
    ends = [(j.a, j.b) if j.a in thing else (j.b, j.a) for j in new]
    sides = [
        {part for end in side for part in nx.node_connected_component(lumps, end)}
        for side in zip(*ends, strict=True)
    ]
    grams = [sum(stander.mass[part] for part in side) for side in sides]
    told = set(step.again.get(thing[0], ()))
    good = [side for side, mass in zip(sides, grams, strict=True) if mass <= min(grams) + ROUNDING]
    if told not in good:
        text = f"{len(told)} parts are told to be printed again for {thing[0]}, and {len(good[0])} are lost"
        check.fault(text, step.number, sorted(told ^ good[0]))


# ------------------------------------------------------------------------------ one piece


def _pieces(plan: PlanFile, stander: Stander, check: Check) -> None:
    """As many pieces as the plan says, and one of what does not move where that is the aim."""
    check.looked_at = len(plan.parts)
    if plan.pieces is None:
        check.remark = "the plan does not say how many pieces it makes"
        return
    safety = float(_glue_settings(plan).get("safety", 1.0))
    parts = [part.id for part in plan.parts]
    rigid, tied = nx.Graph(), nx.Graph()
    for graph in (rigid, tied):
        graph.add_nodes_from(parts)
    for joint in plan.joints:
        if joint.mark == "free" or joint.moves:
            continue
        rigid.add_edge(joint.a, joint.b)
        lighter = min(stander.mass[joint.a], stander.mass[joint.b]) * GRAVITY / 1000.0
        low = _low_hold(joint)
        if joint.mark == "glue" or (low > 0 and low >= safety * lighter):
            tied.add_edge(joint.a, joint.b)
    pieces, least = nx.number_connected_components(tied), nx.number_connected_components(rigid)
    check.remark = f"{pieces} of at least {least}"
    if pieces != plan.pieces:
        check.fault(f"the plan makes {pieces} pieces, and says {plan.pieces}")
    told = any(problem.code == "not-one-piece" for problem in plan.problems)
    if pieces > least and plan.settings.get("aim", "one-piece") != "display" and not told:
        check.fault(f"it is {pieces} pieces where {least} were to be made, and the plan does not say so")


def _low_hold(joint: JointEntry) -> float:
    """What the joint may be relied on to hold, N."""
    if joint.hold_low_n is not None:
        return joint.hold_low_n
    return joint.hold_n if joint.hold_range_n is None else joint.hold_range_n[0]
