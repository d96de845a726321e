"""Wishes and the studio: each picture once, in order, the same however many processes draw."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from pypdf import PdfReader

from renderer import source
from renderer.picture import Picture
from renderer.rays import RaySource
from renderer.source import GuardedSource
from steps.booklet import write_booklet
from steps.booklet.content import Wish
from steps.booklet.pictures import FEW, Order, StudioPictures, warm_up
from steps.draw import desk
from steps.draw.desk import Desk
from steps.settings import Settings
from tests.booklet_sample import sample_plan


def small_orders() -> tuple[Order, ...]:
    """One of every kind, tiny, and thumbnails enough to need workers."""
    plan = sample_plan()
    wishes = [
        Wish("step", step=1),
        Wish("overview", step=2),
        Wish("assembly", assembly="A1"),
        Wish("turn", step=4),
        Wish("cover"),
        Wish("finished", index=2),
    ]
    wishes += [
        Wish("thumbnail", shape=part.shape, colour=part.colour, family="take") for part in plan.model.parts
    ]
    orders = [Order(wish, 14.0, 10.0) for wish in wishes]
    return tuple(dict.fromkeys(orders))


def test_workers_draw_what_one_process_draws():
    plan, settings = sample_plan(), Settings(pictures="rays")
    orders = small_orders()
    assert len(orders) >= FEW
    alone = list(StudioPictures(plan, settings, workers=1).drawn(orders))
    together = list(StudioPictures(plan, settings, workers=2).drawn(orders))
    assert len(alone) == len(together) == len(orders)
    for one, two in zip(alone, together, strict=True):
        assert (one is None) == (two is None)
        if one is not None and two is not None:
            assert np.array_equal(one.pixels, two.pixels)
            assert one.alt == two.alt
            assert [s.points.tolist() for s in one.strokes] == [s.points.tolist() for s in two.strokes]


@pytest.mark.parametrize("workers", [1, 2])
def test_the_notice_of_the_source_comes_back_from_whoever_draws(workers, monkeypatch):
    # a platform that does not exist makes OpenGL fail, here and in every worker that is started from here
    monkeypatch.setenv("PYOPENGL_PLATFORM", "none-such")
    source._probe_once.cache_clear()
    pictures = StudioPictures(sample_plan(), Settings(pictures="gl"), workers=workers)
    try:
        drawn = list(pictures.drawn(small_orders()))
    finally:
        source._probe_once.cache_clear()
    assert "OpenGL does not work here" in pictures.notice
    assert sum(picture is not None for picture in drawn) >= FEW


class Fragile:
    """An OpenGL whose driver takes the process with it in the middle of a booklet."""

    name = "gl"

    def __init__(self) -> None:
        self.left = 5

    def table(self, items, camera, base=None):
        self.left -= 1
        if self.left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return RaySource().table(items, camera, base)


def sit_down_at_a_fragile_card(plan, settings) -> None:
    """In a worker."""
    desk.sit_down(plan, settings)
    if settings.pictures == "gl":
        desk._desks[0].studio.__dict__["source"] = GuardedSource(Fragile())


@pytest.mark.parametrize("workers", [1, 2])
def test_a_driver_that_crashes_in_the_middle_loses_no_picture(workers):
    plan, orders = sample_plan(), small_orders()
    pictures = StudioPictures(
        plan, Settings(pictures="gl"), workers=workers, sit_down=sit_down_at_a_fragile_card
    )
    drawn = list(pictures.drawn(orders))
    assert "OpenGL does not work here" in pictures.notice and "\n" not in pictures.notice
    rays = list(StudioPictures(plan, Settings(pictures="rays"), workers=1).drawn(orders))
    assert len(drawn) == len(rays)
    for one, two in zip(drawn, rays, strict=True):
        assert (one is None) == (two is None)
        assert one is None or two is None or (one.pixels == two.pixels).all()


def test_a_booklet_is_written_although_the_driver_crashes(tmp_path):
    plan, settings = sample_plan(), Settings(pictures="gl")
    pictures = StudioPictures(plan, settings, workers=2, sit_down=sit_down_at_a_fragile_card)
    write_booklet(plan, tmp_path / "b.pdf", settings, pictures=pictures)
    assert pictures.notice and len(PdfReader(tmp_path / "b.pdf").pages) > 5


def test_workers_load_nothing_of_the_booklet():
    code = (
        "import sys; import steps.draw.desk;"
        "print([name for name in sys.modules if name.startswith(('steps.booklet', 'reportlab', 'trimesh'))])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_warming_up_twice_does_no_harm():
    warm_up()
    warm_up()


class Counting(StudioPictures):
    """Draws nothing; remembers what it was asked to draw."""

    asked: tuple[Order, ...] = ()

    def _drawn(self, orders: Sequence[Order]) -> Iterator[Picture | None]:
        self.asked = tuple(orders)
        for index, _ in enumerate(orders):
            yield Picture(1, 1, np.full((1, 1, 3), index, np.uint8))


def test_a_picture_wished_for_twice_is_drawn_once_and_handed_out_twice():
    a, b = Order(Wish("cover"), 10, 10), Order(Wish("step", step=1), 10, 10)
    told: list[tuple[str, int, int]] = []
    pictures = Counting(sample_plan(), Settings(), progress=lambda *each: told.append(each))
    shades = [int(picture.pixels[0, 0, 0]) for picture in pictures.drawn([a, b, a, a, b]) if picture]
    assert pictures.asked == (a, b)
    assert shades == [0, 1, 0, 0, 1]
    assert told == [("pictures", 1, 2), ("pictures", 2, 2)]


def test_thumbnails_of_one_family_share_a_scale():
    plan = sample_plan()
    table = Desk(plan, Settings(pictures="rays"))
    wishes = [Wish("thumbnail", shape=shape.id, colour="#808080", family="x") for shape in plan.model.shapes]
    drawn = [table.draw(Order(wish, 20, 15).request) for wish in wishes]
    scales = [picture.mm_per_model_mm for picture in drawn if picture is not None]
    assert len(scales) == len(plan.model.shapes)
    assert max(scales) == pytest.approx(min(scales))


def test_a_kind_of_picture_that_nobody_draws_is_an_error():
    table = Desk(sample_plan(), Settings(pictures="rays"))
    with pytest.raises(ValueError, match="no picture of kind"):
        table.draw(Order(Wish("poster"), 10, 10).request)  # type: ignore[arg-type]
