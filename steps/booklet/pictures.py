"""Wishes come true: asks the studio for each picture once its size on paper is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from renderer.picture import Picture
from steps.booklet.boxes import Image, Page
from steps.booklet.content import Wish
from steps.booklet.crew import RUN, Crew, NoWorkers
from steps.draw.desk import Desk, Request
from steps.model import Plan
from steps.progress import Tell, within
from steps.settings import Settings


@dataclass(frozen=True)
class PictureOrder:
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

    def drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        """The picture of each order, in turn."""
        ...


def orders_of(pages: Iterable[Page]) -> tuple[PictureOrder, ...]:
    """Every picture that the pages wish for, in the order in which they are painted."""
    images = (item for page in pages for cell in page.cells for item in cell.items if isinstance(item, Image))
    return tuple(order_of(image) for image in images)


def order_of(image: Image) -> PictureOrder:
    return PictureOrder(image.wish, round(image.box.width, 3), round(image.box.height, 3))


@dataclass
class StudioPictures:
    """The plan's studio, drawn by a crew or, without one, by this process with rays. Thumbnails of one family
    share one scale."""

    plan: Plan
    settings: Settings
    crew: Crew | None = None
    progress: Tell | None = None
    _alone: str = ""  # why no crew draws, where one was to
    _drew: Counter[str] = field(default_factory=Counter)  # by this process

    @property
    def notice(self) -> str:
        """One line for the user where something went otherwise than asked for; else empty."""
        return self._alone or (self.crew.notice if self.crew is not None else "")

    @property
    def log(self) -> str:
        """One line on what drew how many pictures; empty before any is drawn."""
        drew = self._drew + (self.crew.drew if self.crew is not None else Counter())
        said = [f"{count} pictures drawn with {who}" for who, count in sorted(drew.items()) if count]
        return ", ".join(said)

    def drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        """Each picture in turn; a picture wished for several times is drawn once."""
        todo = tuple(dict.fromkeys(orders))
        last_use = {order: index for index, order in enumerate(orders)}
        source = enumerate(zip(todo, self._drawn(todo), strict=True), start=1)
        ready: dict[PictureOrder, Picture | None] = {}
        for index, order in enumerate(orders):
            while order not in ready:
                with within(self.progress, "pictures"):
                    done, (key, picture) = next(source)
                ready[key] = picture
                if self.progress is not None:
                    self.progress("pictures", done, len(todo))
            yield ready.pop(order) if last_use[order] == index else ready[order]

    def _drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        asked = [order.request for order in orders]
        count = 0
        if self.crew is not None:
            try:
                for picture in self.crew.drawn(self.plan, self.settings, asked):
                    count += 1
                    yield picture
                return
            except NoWorkers as error:
                self._alone = f"No process can be started here ({error}); this one draws alone, with rays."
        desk = Desk(self.plan, self.settings.model_copy(update={"pictures": "rays"}))
        for row, request in enumerate(asked[count:], count):
            if row % RUN == 0:
                desk.studio.begin_anew()
            picture = desk.draw(request)
            self._drew[desk.studio.source.who] += picture is not None
            yield picture
