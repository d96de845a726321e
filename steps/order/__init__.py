"""The order of building: sub-assemblies, steps, and the way each part goes in."""

from __future__ import annotations

from steps.model import Joints, Measures, Model, Order
from steps.order.plan import Planner
from steps.settings import Settings

__all__ = ["plan_order"]


def plan_order(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Order:
    """An order that hands can follow, from the table up; the same input gives the same order.

    Raises NoBuildableOrder with the parts that lock each other, and WrongSettings for wishes that
    contradict each other or name what is not there.
    """
    return Planner(model, measures, joints, settings).run()
