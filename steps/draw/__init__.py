"""Pictures of a plan: steps, overviews, thumbnails, cover."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from steps.draw.kinds import Kind, kinds_in_step
    from steps.draw.pictures import (
        assembly_picture,
        cover_picture,
        finished_picture,
        overview_picture,
        thumbnail,
        turn_picture,
    )
    from steps.draw.step import step_picture
    from steps.draw.studio import Studio
    from steps.draw.views import choose_views

__all__ = [
    "Kind",
    "Studio",
    "assembly_picture",
    "choose_views",
    "cover_picture",
    "finished_picture",
    "kinds_in_step",
    "overview_picture",
    "step_picture",
    "thumbnail",
    "turn_picture",
]

#: Where each name is defined that is not of the pictures. Loaded when first asked for: who draws a whole
#: needs nothing of steps.
_HOMES = {"Kind": "kinds", "kinds_in_step": "kinds", "step_picture": "step"}
_HOMES |= {"Studio": "studio", "choose_views": "views"}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES.get(name, 'pictures')}"), name)
