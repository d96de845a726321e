"""Every picture that a booklet shows. Sizes are millimetres on paper; see renderer.picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from renderer.picture import Picture
from steps.draw.studio import Studio

Progress = Callable[[str, int, int], None]


def step_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture:
    """One step: earlier parts pale, new parts lifted along their move, balloons, joint signs."""
    raise NotImplementedError


def overview_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture:
    """The whole model in greys with this step's new parts in colour: "Where you are"."""
    raise NotImplementedError


def thumbnail(
    studio: Studio,
    shape_id: str,
    colour: str,
    width_mm: float,
    height_mm: float,
    mm_per_mm: float | None = None,
) -> Picture:
    """One shape from its most telling side. ``mm_per_mm``: common scale (paper mm per model mm);
    None, or a scale at which it would not fit: as large as fits. ``Picture.mm_per_model_mm`` tells
    which scale was used."""
    raise NotImplementedError


def thumbnail_scale(studio: Studio, shape_ids: Sequence[str], width_mm: float, height_mm: float) -> float:
    """The greatest common scale (paper mm per model mm) at which each of the shapes fits its box."""
    raise NotImplementedError


def assembly_picture(studio: Studio, assembly_id: str, width_mm: float, height_mm: float) -> Picture:
    """A finished sub-assembly (its first copy), for its opening sheet and for the "Take" column."""
    raise NotImplementedError


def turn_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture | None:
    """ "Turn the model": as it lay, an arrow, as it lies now. None when this step needs no turn."""
    raise NotImplementedError


def cover_picture(studio: Studio, width_mm: float, height_mm: float) -> Picture:
    """The finished model, every part in full colour, standing as it is displayed."""
    raise NotImplementedError


def finished_pictures(studio: Studio, width_mm: float, height_mm: float) -> tuple[Picture, ...]:
    """The finished model from four sides, at one common scale."""
    raise NotImplementedError


def draw_steps(
    studio: Studio,
    width_mm: float,
    height_mm: float,
    progress: Progress | None = None,
) -> tuple[Picture, ...]:
    """step_picture for every step in plan order, over all cores."""
    raise NotImplementedError
