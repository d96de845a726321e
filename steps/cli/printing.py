"""What the print commands need of the stages: an order if there is one, joints to try, a wedge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from steps.errors import FaultyModel, NotPlaced, WrongSettings
from steps.model import Joints, Measures, Model, Order, Problem
from steps.pipeline import Survey, loose_parts
from steps.progress import Tell, stage
from steps.settings import Settings

if TYPE_CHECKING:
    from steps.prints.adapter import Adapter


@dataclass(frozen=True, eq=False)
class Trial:
    """A model with joints to make a fit card of, and what was odd about the model."""

    model: Model
    measures: Measures
    joints: Joints
    problems: tuple[Problem, ...]


def joints_to_try(found: Survey, settings: Settings) -> Trial:
    """The model's own joints; for loose parts those of each shape set on a copy of itself."""
    from steps.joints import find_joints
    from steps.prints.trial import trial_model

    if found.joints is not None:
        return Trial(found.model, found.measures, found.joints, found.problems)
    trial = trial_model(found.model, found.measures)
    return Trial(trial, found.measures, find_joints(trial, found.measures, settings), found.problems)


def with_longest_plate(settings: Settings, hours: float | None) -> Settings:
    """The settings with another longest plate, if one is wanted. Raises WrongSettings."""
    if hours is None:
        return settings
    if not 0 < hours <= 1000:
        raise WrongSettings(f"--longest-plate: {hours:g} hours; give a time above 0 and up to 1000.")
    printer = settings.printer.model_copy(update={"plate_h": hours})
    return settings.model_copy(update={"printer": printer})


def display_wedge(found: Survey, degrees: float | None) -> Adapter | None:
    """A wedge for another display angle, if one is wanted.

    Raises WrongSettings, NotPlaced, FaultyModel.
    """
    from steps.prints.adapter import display_adapter

    if degrees is None:
        return None
    if found.joints is None:
        raise NotPlaced([loose_parts(found.model)])
    try:
        return display_adapter(found.model, found.measures, found.joints, degrees)
    except ValueError as error:
        raise WrongSettings(f"--display-angle: {error}.") from error


def order_of(found: Survey, settings: Settings, progress: Tell | None = None) -> Order | None:
    """The building order, so that plates come in turn; None where a plan would come to none."""
    from steps.pipeline import errors_of, order_survey

    if found.joints is None or (errors_of(found.problems) and not settings.anyway):
        return None
    try:
        with stage(progress, "order"):
            return order_survey(found.model, found.measures, found.joints, settings)
    except FaultyModel:  # it can be printed all the same
        return None
