"""The studio: what all pictures of one plan share, computed once."""

from __future__ import annotations

from dataclasses import dataclass

from steps.model import Plan
from steps.settings import Settings


@dataclass(frozen=True, eq=False)
class Studio:
    """A plan ready to be drawn."""

    plan: Plan
    settings: Settings
