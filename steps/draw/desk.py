"""Where pictures are drawn one after the other: in this process, or in each of several workers. Nothing of
the booklet is imported here: a worker that needs not load the rest starts in half the time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from renderer.picture import Picture
from steps import draw
from steps.draw.studio import Studio
from steps.model import Plan
from steps.settings import Settings


@dataclass(frozen=True)
class Request:
    """A picture to draw, and the size of its place, mm."""

    kind: str
    width_mm: float
    height_mm: float
    step: int = 0
    shape: str = ""
    colour: str = ""
    assembly: str = ""
    index: int = 0
    scale: float = 0.0  #: of a thumbnail, mm on paper per mm of the model; 0: as large as fits


@dataclass
class Desk:
    """One studio, and what is asked of it."""

    plan: Plan
    settings: Settings

    @cached_property
    def studio(self) -> Studio:
        return Studio(self.plan, self.settings)

    def draw(self, asked: Request) -> Picture | None:
        """The picture; None: nothing to show. Raises ValueError for a kind of picture that nobody draws."""
        studio, size = self.studio, (asked.width_mm, asked.height_mm)
        if asked.kind == "step":
            return draw.step_picture(studio, asked.step, *size)
        if asked.kind == "overview":
            return draw.overview_picture(studio, asked.step, *size)
        if asked.kind == "turn":
            return draw.turn_picture(studio, asked.step, *size, assembly=asked.assembly)
        if asked.kind == "assembly":
            return draw.assembly_picture(studio, asked.assembly, *size)
        if asked.kind == "thumbnail":
            return draw.thumbnail(studio, asked.shape, asked.colour, *size, mm_per_mm=asked.scale or None)
        if asked.kind == "cover":
            return draw.cover_picture(studio, *size)
        if asked.kind == "finished":
            return draw.finished_picture(studio, asked.index, *size)
        raise ValueError(f"no picture of kind {asked.kind}")


_desks: list[Desk] = []  # of this worker process: one, made when it starts


def sit_down(plan: Plan, settings: Settings) -> Iterator[None]:
    """Make ready to draw, in a worker; it answers nothing."""
    _desks[:] = [Desk(plan, settings)]
    yield from ()


def draw_run(asked: Sequence[Request]) -> Iterator[tuple[Picture | None, str, str]]:
    """The pictures of a run, each with what draws it, and what this worker's studio has to say of that;
    whatever it drew before does not show."""
    desk = _desks[0]
    desk.studio.begin_anew()
    for one in asked:
        yield desk.draw(one), desk.studio.source.who, desk.studio.notice
