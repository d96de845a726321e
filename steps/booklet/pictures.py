"""Wishes come true: asks the studio for each picture once its size on paper is known, over all cores."""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from multiprocessing import forkserver
from multiprocessing.context import BaseContext
from typing import Protocol

from renderer.picture import Picture
from renderer.source import crashed, may_use_gl
from steps.booklet.boxes import Image, Page
from steps.booklet.content import Wish
from steps.draw.desk import Desk, Request, draw_run, sit_down
from steps.model import Plan
from steps.settings import Settings

#: What a worker draws in one go: neighbours share a view, and what the studio keeps of it.
RUN = 16
#: Fewer pictures than this are drawn at once, without workers: starting one takes about a second.
FEW = 12
#: Runs handed out ahead of the page being painted, per worker: bounds the memory.
AHEAD = 2


@dataclass(frozen=True)
class Order:
    """A wish and the size of its place, mm."""

    wish: Wish
    width_mm: float
    height_mm: float

    @property
    def request(self) -> Request:
        """The same for who draws it."""
        return Request(width_mm=self.width_mm, height_mm=self.height_mm, **vars(self.wish))


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
    workers: int = 1  #: processes that draw; with 1, and no OpenGL, this one alone
    progress: Callable[[str, int, int], None] | None = None
    notice: str = ""
    sit_down: Callable[[Plan, Settings], None] = sit_down  #: makes a worker ready

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
        """Over all cores; by this process alone where there are few, or where workers cannot start.

        Where OpenGL may draw, always by workers: a driver that crashes takes its process with it. Then the
        rest is drawn with rays."""
        count, settings = 0, self.settings
        risky = may_use_gl(settings.pictures)
        while (self.workers > 1 and len(orders) - count >= FEW) or risky:
            try:
                for picture in self._by_workers(orders[count:], settings):
                    count += 1
                    yield picture
                return
            except BrokenProcessPool:
                if not risky:
                    break
                self.notice = self.notice or crashed("a process that drew with it ended")
                risky, settings = False, settings.model_copy(update={"pictures": "rays"})
        desk = Desk(self.plan, settings)
        for order in orders[count:]:
            yield desk.draw(order.request)

    def _by_workers(self, orders: Sequence[Order], settings: Settings) -> Iterator[Picture | None]:
        asked = [order.request for order in orders]
        runs = [asked[start : start + RUN] for start in range(0, len(asked), RUN)]
        workers = min(self.workers, len(runs))
        context = _context(may_use_gl(settings.pictures))
        with ProcessPoolExecutor(workers, context, self.sit_down, (self.plan, settings)) as pool:
            waiting: deque[Future[tuple[list[Picture | None], str]]] = deque()
            rest = iter(runs)
            waiting.extend(pool.submit(draw_run, run) for run in islice(rest, AHEAD * workers))
            while waiting:
                finished, notice = waiting.popleft().result()
                self.notice = self.notice or notice
                waiting.extend(pool.submit(draw_run, run) for run in islice(rest, 1))
                yield from finished


def warm_up() -> None:
    """Let workers load what they need while this process still plans. Does nothing where workers are not
    copies of one that has loaded it."""
    context = _context(fresh=False)
    if context.get_start_method() == "forkserver":
        forkserver.ensure_running()


def _context(fresh: bool) -> BaseContext:
    """How workers start. Never forked from this process: a fork would inherit locks of threads that do not
    live on in the child. From a server that has loaded what they need and nothing else, where there are such
    and OpenGL does not ask for a ``fresh`` process."""
    if fresh or "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([sit_down.__module__])
    return context
