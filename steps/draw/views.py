"""From where each step is looked at."""

from __future__ import annotations

from steps.model import Plan, Sight
from steps.settings import Settings


def choose_views(plan: Plan, settings: Settings) -> tuple[Sight, ...]:
    """One sight per step, in step order: the view, and the visible share of each new part."""
    raise NotImplementedError
