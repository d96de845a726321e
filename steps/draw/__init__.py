"""Pictures of a plan: steps, overviews, thumbnails, cover."""

from __future__ import annotations

from steps.draw.kinds import Kind, kinds_in_step
from steps.draw.pictures import (
    assembly_picture,
    cover_picture,
    finished_picture,
    finished_pictures,
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
    "finished_pictures",
    "kinds_in_step",
    "overview_picture",
    "step_picture",
    "thumbnail",
    "turn_picture",
]
