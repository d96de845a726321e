"""Wishes come true: asks the studio for each picture once its size on paper is known, over all cores."""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice
from typing import Protocol

from renderer.picture import Picture
from steps import draw
from steps.booklet.boxes import Image, Page
from steps.booklet.content import Wish
from steps.draw import Studio
from steps.model import Plan
from steps.settings import Settings

#: What a worker draws in one go: neighbours share a view, and what the studio keeps of it.
RUN = 8
#: Fewer pictures than this are drawn at once, without workers: starting one takes about two seconds.
FEW = 12
#: Runs handed out ahead of the page being painted, per worker: bounds the memory.
AHEAD = 2


@dataclass(frozen=True)
class Order:
    """A wish and the size of its place, mm."""

    wish: Wish
    width_mm: float
    height_mm: float


class Pictures(Protocol):
    """Whoever can draw what is wished for, to fit its place; None: nothing to show."""

    def drawn(self, orders: Sequence[Order]) -> Iterator[Picture | None]:
        """The picture of each order, in turn."""
        ...


def orders_of(pages: Iterable[Page]) -> tuple[Order, ...]:
    """Every picture that the pages wish for, in the order in which they are painted."""
    images = (item for page in pages for cell in page.cells for item in cell.items if isinstance(item, Image))
    return tuple(order_of(image) for image in images)


def order_of(image: Image) -> Order:
    return Order(image.wish, round(image.box.width, 3), round(image.box.height, 3))


@dataclass
class StudioPictures:
    """The plan's studio. Thumbnails of one family share one scale. ``notice``: one line for the user, once
    drawn, where OpenGL was asked for and rays had to take over; else empty."""

    plan: Plan
    settings: Settings
    workers: int = field(default_factory=lambda: os.cpu_count() or 1)
    progress: Callable[[str, int, int], None] | None = None
    notice: str = ""

    def drawn(self, orders: Sequence[Order]) -> Iterator[Picture | None]:
        """Each picture in turn; a picture wished for several times is drawn once."""
        todo = tuple(dict.fromkeys(orders))
        last_use = {order: index for index, order in enumerate(orders)}
        source = enumerate(zip(todo, self._drawn(todo), strict=True), start=1)
        ready: dict[Order, Picture | None] = {}
        for index, order in enumerate(orders):
            while order not in ready:
                done, (key, picture) = next(source)
                ready[key] = picture
                if self.progress is not None:
                    self.progress("pictures", done, len(todo))
            yield ready.pop(order) if last_use[order] == index else ready[order]

    def _drawn(self, orders: Sequence[Order]) -> Iterator[Picture | None]:
        """Over all cores; by this process alone where there are few, or where workers cannot start."""
        count = 0
        if self.workers > 1 and len(orders) >= FEW:
            try:
                for picture in self._by_workers(orders):
                    count += 1
                    yield picture
            except BrokenProcessPool:
                pass
        table = DrawingTable(self.plan, self.settings)
        for order in orders[count:]:
            yield table.draw(order)
            self.notice = self.notice or table.studio.notice

    def _by_workers(self, orders: Sequence[Order]) -> Iterator[Picture | None]:
        runs = [orders[start : start + RUN] for start in range(0, len(orders), RUN)]
        # spawned, not forked: a fork would inherit locks of threads that do not live on in the child
        context = multiprocessing.get_context("spawn")
        workers = min(self.workers, len(runs))
        with ProcessPoolExecutor(workers, context, _sit_down, (self.plan, self.settings)) as pool:
            waiting: deque[Future[tuple[list[Picture | None], str]]] = deque()
            rest = iter(runs)
            waiting.extend(pool.submit(_draw_run, run) for run in islice(rest, AHEAD * workers))
            while waiting:
                finished, notice = waiting.popleft().result()
                self.notice = self.notice or notice
                waiting.extend(pool.submit(_draw_run, run) for run in islice(rest, 1))
                yield from finished


_tables: list[DrawingTable] = []  # of this worker process: one, made when it starts


def _sit_down(plan: Plan, settings: Settings) -> None:
    _tables[:] = [DrawingTable(plan, settings)]


def _draw_run(orders: Sequence[Order]) -> tuple[list[Picture | None], str]:
    """The pictures of a run, and what this worker's studio has to say of how it drew them."""
    table = _tables[0]
    return [table.draw(order) for order in orders], table.studio.notice


@dataclass
class DrawingTable:
    """One studio and the scales that its thumbnails share."""

    plan: Plan
    settings: Settings
    scales: dict[tuple[str, float, float], float] = field(default_factory=dict)

    @cached_property
    def studio(self) -> Studio:
        return Studio(self.plan, self.settings)

    def draw(self, order: Order) -> Picture | None:
        """The picture of one order. Raises ValueError for a kind of picture that nobody draws."""
        wish, studio, size = order.wish, self.studio, (order.width_mm, order.height_mm)
        if wish.kind == "step":
            return draw.step_picture(studio, wish.step, *size)
        if wish.kind == "overview":
            return draw.overview_picture(studio, wish.step, *size)
        if wish.kind == "turn":
            return draw.turn_picture(studio, wish.step, *size)
        if wish.kind == "assembly":
            return draw.assembly_picture(studio, wish.assembly, *size)
        if wish.kind == "thumbnail":
            scale = self._scale(wish.family, *size)
            return draw.thumbnail(studio, wish.shape, wish.colour, *size, mm_per_mm=scale)
        if wish.kind == "glue":
            return draw.glue_picture(studio, wish.step, *size)
        if wish.kind == "cover":
            return draw.cover_picture(studio, *size)
        if wish.kind == "finished":
            return draw.finished_picture(studio, wish.index, *size)
        raise ValueError(f"no picture of kind {wish.kind}")

    def _scale(self, family: str, width_mm: float, height_mm: float) -> float:
        key = (family, width_mm, height_mm)
        if key not in self.scales:
            shapes = [shape.id for shape in self.plan.model.shapes]
            self.scales[key] = draw.thumbnail_scale(self.studio, shapes, width_mm, height_mm)
        return self.scales[key]
