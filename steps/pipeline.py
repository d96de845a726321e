"""Runs the stages in turn and gathers what is wrong, so that one report names every fault."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from steps.canonical import Canonical
from steps.errors import BeyondLimit, FaultyModel, NotPlaced, WrongSettings
from steps.model import Fit, Joints, Measures, Model, Order, Plan, Problem
from steps.progress import Tell, stage
from steps.settings import USUAL, Settings

Value = TypeVar("Value")

#: The stages by the names that people see, in order: "3 of 8 joints".
STAGES = ("read", "measure", "joints", "order", "glue", "settle", "pictures", "pages")

#: Where those of a list that is cut are told.
EACH_TOLD = "`stepleaf inspect MODEL --json`, or the plan file, tells each of them"
#: Problems of one kind, or names in a list of them, that fill a screen. The longest such name.
A_SCREEN, LONGEST_HEAD = 20, 60


@dataclass(frozen=True, eq=False)
class Survey:
    """What can be said of a model before it is ordered. ``joints`` is None for loose parts."""

    model: Model
    measures: Measures
    joints: Joints | None

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Each problem once, in stage order."""
        found = self.model.problems + self.measures.problems
        return each_once(found if self.joints is None else found + self.joints.problems)


def survey(source: Model | str | Path, settings: Settings, progress: Tell | None = None) -> Survey:
    """Read (if it is not a model yet), measure, and join where the parts are placed; problems are gathered,
    not raised.

    Raises UnreadableInput, WrongSettings for a model read at another scale, and FaultyModel with all faults
    so far where a stage cannot go on; NotPlaced for loose parts that are to be refitted: their gaps are not
    known.
    """
    from steps.features import measure
    from steps.intake import read_model
    from steps.joints import find_joints

    with stage(progress, "read"):
        if isinstance(source, Model):
            model, _ = source, made_with(source, settings)
        else:
            model = read_model(source, settings)
        here = Canonical.of(model)
    with stage(progress, "measure"):
        measures = _with_earlier(model.problems, lambda: measure(here.model, settings))
    if not model.placed:
        if settings.refit is not None:
            lacking = "so it is not known how much a refit has to change"
            raise NotPlaced([*errors_of(model.problems + measures.problems), loose_parts(model, lacking)])
        return Survey(model, measures, None)
    earlier = model.problems + measures.problems
    with stage(progress, "joints"):
        joints = _with_earlier(earlier, lambda: find_joints(here.model, measures, settings))
        if settings.refit is not None and not any(shape.changes for shape in model.shapes):
            return _refitted(here, measures, joints, settings.refit, settings)
        return Survey(model, here.measures_back(measures), here.back(joints))


def _refitted(
    here: Canonical, measures: Measures, joints: Joints, aim: Fit | float, settings: Settings
) -> Survey:
    """The model as it will be printed, with what the refit could not do among its problems."""
    from steps.refit import refit

    model = here.model
    earlier = model.problems + measures.problems + joints.problems
    done = _with_earlier(earlier, lambda: refit(model, measures, joints, aim, settings))
    made = here.with_shapes(replace(done.model, problems=model.problems + done.problems))
    return Survey(made, here.measures_back(done.measures), here.back(done.joints))


def make_plan(source: Model | str | Path, settings: Settings = USUAL, progress: Tell | None = None) -> Plan:
    """Everything but pictures and pages, from a model or its file: ``plan.measures``, ``plan.joints``,
    ``plan.order`` and ``plan.gluing``, lengths in mm and forces in N at the settings' scale.

    Warnings and notes are in ``plan.problems``. Raises UnreadableInput; WrongSettings for a model that was
    read at another scale; NotPlaced for loose parts; NoBuildableOrder where parts lock each other;
    FaultyModel with every error found (``settings.anyway`` goes on past those that are not fatal).
    """
    found = survey(source, settings, progress)
    if found.joints is None:
        raise NotPlaced([*errors_of(found.problems), loose_parts(found.model)])
    faults = errors_of(found.problems)
    try:
        if faults and not settings.anyway:
            raise FaultyModel(faults)
        return plan_survey(found.model, found.measures, found.joints, settings, progress)
    except FaultyModel as fault:
        fault.model, fault.up = found.model, found.measures.up
        raise


def plan_survey(
    model: Model,
    measures: Measures,
    joints: Joints,
    settings: Settings,
    progress: Tell | None = None,
) -> Plan:
    """Order, glue and views of a model whose joints are known."""
    from steps.draw import choose_views
    from steps.glue import choose_glue
    from steps.order import plan_order
    from steps.settle import settled

    earlier = model.problems + measures.problems + joints.problems
    with stage(progress, "order"):
        here = Canonical.of(model)
        known = (here.model, here.measures_here(measures), here.here(joints))
        order = _with_earlier(earlier, lambda: plan_order(*known, settings))
    earlier += order.problems
    with stage(progress, "glue"):
        gluing = _with_earlier(earlier, lambda: choose_glue(*known, order, settings))
    earlier += gluing.problems
    with stage(progress, "settle"):
        order, gluing, work = _with_earlier(earlier, lambda: settled(*known, order, gluing, settings))
    faults = errors_of(earlier + work.problems)
    if faults and not settings.anyway:
        raise FaultyModel(faults)
    with stage(progress, "pictures"):
        sights = choose_views(Plan(*known, order, gluing, work), settings)
        seen = here.sights_back(sights, order)
        return Plan(model, measures, joints, here.order_back(order), here.gluing_back(gluing), work, seen)


def order_survey(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Order:
    """The order alone, as :func:`plan_survey` finds it."""
    from steps.order import plan_order

    here = Canonical.of(model)
    return here.order_back(plan_order(here.model, here.measures_here(measures), here.here(joints), settings))


def made_with(model: Model, settings: Settings) -> Settings:
    """The settings, if the model can have been read with them. Raises WrongSettings for another scale."""
    if model.scale != settings.scale:
        raise WrongSettings(
            f"{model.file} was read at {model.scale:g} times its size, and the settings say "
            f"{settings.scale:g}. Hand the same settings to every call."
        )
    return settings


def errors_of(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """The problems that stop a build, each once, in the order found."""
    return tuple(problem for problem in each_once(problems) if problem.severity == "error")


def each_once(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Two stages may find the same fault of the same parts; the first to say it is heard."""
    heard: dict[tuple[object, ...], Problem] = {}
    for problem in problems:
        # a fault that names no parts is told apart by its words
        key = (problem.code, frozenset(problem.parts), "" if problem.parts else problem.text)
        heard.setdefault(key, problem)
    return tuple(heard.values())


def gathered(problems: Sequence[Problem], whole: int = A_SCREEN) -> list[Problem]:
    """Equal problems as one, with a list: of one kind and severity, those that say the same of other parts in
    one line; of those that differ so many ``whole``, and the rest by name."""
    alike: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        alike.setdefault((problem.code, problem.severity), []).append(problem)
    told: list[Problem] = []
    for own in alike.values():
        told += own if len(own) <= whole else _as_a_list(own, whole)
    return told


def _as_a_list(own: Sequence[Problem], whole: int) -> list[Problem]:
    heads = [problem.text.partition(": ")[0] for problem in own]
    tails = {problem.text.partition(": ")[2] for problem in own}
    parts = tuple(dict.fromkeys(part for problem in own for part in problem.parts))
    if len(tails) == 1 and (tail := tails.pop()):
        every = f" ({EACH_TOLD}.)" if len(heads) > A_SCREEN else ""
        text = f"{len(own):,} times, {_named(heads)}: {tail}{every}"
        return [replace(own[0], parts=parts, text=text)]
    text = f"and {len(own) - whole + 1:,} more of this kind: {_named(heads[whole - 1 :])}. {EACH_TOLD}."
    return [*own[: whole - 1], replace(own[-1], parts=parts, text=text)]


def _named(heads: Sequence[str]) -> str:
    shown = [
        head if len(head) <= LONGEST_HEAD else f"{head[: LONGEST_HEAD - 1]}…" for head in heads[:A_SCREEN]
    ]
    more = [f"and {len(heads) - A_SCREEN:,} others"] if len(heads) > A_SCREEN else []
    return "; ".join(shown + more)


def _with_earlier(earlier: Sequence[Problem], run: Callable[[], Value]) -> Value:
    """Run a stage; if it finds the model faulty, or beyond what is read, report the faults of the stages
    before it too, which may be the cause."""
    try:
        return run()
    except (FaultyModel, BeyondLimit) as fault:
        if not errors_of(earlier):
            raise
        if isinstance(fault, BeyondLimit):
            beyond = Problem("beyond-limit", "error", (), str(fault))
            both = FaultyModel([*errors_of(earlier), beyond])
            both.exit_status = fault.exit_status  # the file is not read, whatever else is wrong with it
            raise both from fault
        raise type(fault)(each_once([*errors_of(earlier), *fault.problems])) from fault


def loose_parts(model: Model, lacking: str = "so there is no order to find") -> Problem:
    """The problem of having no places: what therefore cannot be done, and what to hand in instead."""
    plates = any(problem.code == "on-plates" for problem in model.problems)
    layout = " (they lie side by side: a print layout)" if plates else ""
    return Problem(
        "not-placed",
        "error",
        (),
        f"{model.file} holds {len(model.parts)} loose parts{layout} but not where each one goes, {lacking}. "
        "Hand in the assembled model (3MF, GLB, OBJ, one STL of several bodies), or put a build.toml or a "
        "CSV of placements (id,file,colour,x,y,z,rx,ry,rz) beside the parts. "
        "`stepleaf inspect` and `stepleaf prints` work as it is.",
    )
