"""Wishes come true: asks the studio for each picture once its size on paper is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from renderer.picture import Picture
from steps import draw
from steps.booklet.content import Wish
from steps.draw import Studio
from steps.model import Plan
from steps.settings import Settings


class Pictures(Protocol):
    """Whoever can draw what is wished for, to fit width x height mm; None: nothing to show."""

    def draw(self, wish: Wish, width_mm: float, height_mm: float) -> Picture | None: ...


@dataclass
class StudioPictures:
    """The plan's studio. Thumbnails of one family share one scale."""

    plan: Plan
    settings: Settings
    studio: Studio = field(init=False)
    scales: dict[tuple[str, float, float], float] = field(default_factory=dict)
    kept: dict[tuple[Wish, float, float], Picture | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.studio = Studio(self.plan, self.settings)

    def draw(self, wish: Wish, width_mm: float, height_mm: float) -> Picture | None:
        key = (wish, round(width_mm, 3), round(height_mm, 3))
        if wish.kind in ("step", "overview", "turn"):  # each is used once
            return self._draw(wish, width_mm, height_mm)
        if key not in self.kept:
            self.kept[key] = self._draw(wish, width_mm, height_mm)
        return self.kept[key]

    def _draw(self, wish: Wish, width_mm: float, height_mm: float) -> Picture | None:
        studio, size = self.studio, (width_mm, height_mm)
        if wish.kind == "step":
            return draw.step_picture(studio, wish.step, *size)
        if wish.kind == "overview":
            return draw.overview_picture(studio, wish.step, *size)
        if wish.kind == "turn":
            return draw.turn_picture(studio, wish.step, *size)
        if wish.kind == "assembly":
            return draw.assembly_picture(studio, wish.assembly, *size)
        if wish.kind == "thumbnail":
            return draw.thumbnail(studio, wish.shape, wish.colour, *size, mm_per_mm=self._scale(wish, *size))
        if wish.kind == "cover":
            return draw.cover_picture(studio, *size)
        if wish.kind == "finished":
            return draw.finished_pictures(studio, *size)[wish.index]
        raise ValueError(f"no picture of kind {wish.kind}")

    def _scale(self, wish: Wish, width_mm: float, height_mm: float) -> float:
        key = (wish.family, round(width_mm, 3), round(height_mm, 3))
        if key not in self.scales:
            shapes: Sequence[str] = [shape.id for shape in self.plan.model.shapes]
            self.scales[key] = draw.thumbnail_scale(self.studio, shapes, width_mm, height_mm)
        return self.scales[key]
