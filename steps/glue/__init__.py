"""Which joints to glue and why, with what, how much, in which step, by whom, and how long to wait."""

from __future__ import annotations

from steps.glue.adhesive import choose, quantity
from steps.glue.families import check_plastic
from steps.glue.schedule import Scheduler
from steps.glue.wishes import Wishes, read_wishes
from steps.model import Gluing, Joint, Joints, Mark, Measures, Model, Order, Problem
from steps.settings import Settings

__all__ = ["choose_glue"]


def choose_glue(model: Model, measures: Measures, joints: Joints, order: Order, settings: Settings) -> Gluing:
    """The mark of every joint, the adhesive, and what gluing adds to each step.

    Raises WrongSettings for an unknown plastic or adhesive family, listing the known ones; everything else
    that is wrong or doubtful is a problem of the result.
    """
    check_plastic(settings.material)
    wishes = read_wishes(model, joints, settings)
    wanted = {joint.id for joint in joints.joints if needs_glue(joint, wishes)} | wishes.forced
    to_glue = [joint for joint in joints.joints if joint.id in wanted]
    at_once = max((len(set(step.closes) & wanted) for step in order.steps), default=0)
    near = _near_moving(to_glue, joints)
    chosen = choose(to_glue, [0.0] * len(to_glue), at_once, near, settings)
    glued = wanted if chosen.family is not None else set()
    wait = chosen.family.wait_min if chosen.family is not None else 0.0
    schedule = Scheduler(model, measures, joints, order, settings, glued, wait).run()
    problems = [*wishes.problems, *chosen.problems, *_falls_off(to_glue, glued)]
    facts = {
        "joints": float(len(joints.joints)),
        "glued": float(len(glued)),
        "sittings": float(schedule.sittings),
        "bench_min": schedule.bench_min,
        "waiting_min": schedule.waiting_min,
        "waiting_each_min": schedule.waiting_each_min,
        "shortest_min": schedule.shortest_min,
    }
    return Gluing(
        marks={joint.id: mark_of(joint, glued, wishes) for joint in joints.joints},
        whys={joint.id: joint.why for joint in to_glue},
        loads_n={},
        steps=schedule.steps,
        adhesive=quantity([joint for joint in to_glue if joint.id in glued], chosen),
        problems=tuple(problems),
        facts=facts,
    )


def needs_glue(joint: Joint, wishes: Wishes) -> bool:
    """A stud or peg that does not hold."""
    return joint.id in wishes.may and joint.kind in ("stud", "peg") and joint.fit in ("loose", "none")


def mark_of(joint: Joint, glued: set[str], wishes: Wishes) -> Mark:
    """How the joint is marked in the booklet."""
    if joint.id in wishes.free:
        return "free"
    if joint.id in glued:
        return "glue"
    return "rest" if joint.kind == "rest" else "press"


def _near_moving(to_glue: list[Joint], joints: Joints) -> bool:
    """Whether a glued joint shares a part with one that moves."""
    beside = {part for joint in joints.joints if joint.moves for part in (joint.a, joint.b)}
    return any({joint.a, joint.b} & beside for joint in to_glue)


def _falls_off(to_glue: list[Joint], glued: set[str]) -> list[Problem]:
    left = [joint for joint in to_glue if joint.id not in glued]
    if not left:
        return []
    named = ", ".join(f"{joint.id} ({joint.a} and {joint.b})" for joint in left[:8])
    more = f" and {len(left) - 8} more" if len(left) > 8 else ""
    text = (
        f"Without glue {len(left)} joints will not hold: {named}{more}. Change the fit or allow an adhesive."
    )
    parts = tuple(sorted({part for joint in left for part in (joint.a, joint.b)}))
    return [Problem("falls-off", "warning", parts, text)]
