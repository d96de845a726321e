"""Wishes and the studio: each picture once, in order, the same however many processes draw."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import nullcontext

import numpy as np
import pytest
from pypdf import PdfReader

from renderer.picture import Picture
from renderer.rays import RaySource
from renderer.source import GuardedSource
from steps.booklet import write_booklet
from steps.booklet.content import Wish
from steps.booklet.crew import BROKEN, GLANCE_S, RUN, Crew, crew_for
from steps.booklet.pictures import PictureOrder, StudioPictures
from steps.draw import desk
from steps.draw.desk import Desk
from steps.draw.thumbs import thumbs_of
from steps.errors import CannotDraw
from steps.progress import tick
from steps.settings import Settings
from tests.booklet_sample import sample_plan


def small_orders() -> tuple[PictureOrder, ...]:
    """One of every kind, tiny, and thumbnails enough for two runs."""
    plan = sample_plan()
    wishes = [
        Wish("step", step=1),
        Wish("overview", step=2),
        Wish("assembly", assembly="A1"),
        Wish("turn", step=4),
        Wish("cover"),
        Wish("finished", index=1),
    ]
    wishes += [
        Wish("thumbnail", shape=part.shape, colour=part.colour, scale=scale)
        for scale in (0.0, 0.1)
        for part in plan.model.parts
    ]
    orders = [PictureOrder(wish, 14.0, 10.0) for wish in wishes]
    return tuple(dict.fromkeys(orders))


def same(one: Sequence[Picture | None], two: Sequence[Picture | None]) -> bool:
    """Whether the pictures agree in every pixel and line."""
    assert len(one) == len(two)
    return all(
        (a is None) == (b is None)
        and (
            a is None
            or b is None
            or (
                np.array_equal(a.pixels, b.pixels)
                and [s.points.tolist() for s in a.strokes] == [s.points.tolist() for s in b.strokes]
            )
        )
        for a, b in zip(one, two, strict=True)
    )


def shown(pictures: Sequence[Picture | None]) -> int:
    return sum(picture is not None for picture in pictures)


@pytest.fixture(scope="module")
def alone() -> list[Picture | None]:
    """What this process draws with rays, without a crew."""
    return list(StudioPictures(sample_plan(), Settings(pictures="rays")).drawn(small_orders()))


@pytest.mark.parametrize("workers", [1, 2])
def test_workers_draw_what_one_process_draws_time_and_again(workers, alone):
    plan, settings = sample_plan(), Settings(pictures="rays")
    assert len(alone) > RUN
    with Crew(workers) as crew:
        pictures = StudioPictures(plan, settings, crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        assert same(list(pictures.drawn(small_orders()[:3])), alone[:3])  # as for stickers, after the booklet
        assert pictures.notice == ""
        assert pictures.log == f"{shown(alone) + shown(alone[:3])} pictures drawn with rays"


def test_the_notice_of_the_source_comes_back_from_whoever_draws(monkeypatch, alone):
    # a platform that does not exist makes OpenGL fail in every worker that is started from here
    monkeypatch.setenv("PYOPENGL_PLATFORM", "none-such")
    settings = Settings(pictures="gl")
    with crew_for(settings, 1) as crew:
        pictures = StudioPictures(sample_plan(), settings, crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        assert "OpenGL does not work here" in pictures.notice
        assert pictures.log == f"{shown(alone)} pictures drawn with rays"


def test_only_one_process_draws_unless_more_or_opengl_are_asked_for():
    with crew_for(Settings(), 1) as crew:
        assert crew is None
    with crew_for(Settings(pictures="gl"), 1) as crew:
        assert crew is not None


class Fragile:
    """A source whose driver takes the process with it: after so many pictures, or always at one of them."""

    name = "gl"

    def __init__(self, after: int, at_parts: int = 0) -> None:
        self.left, self.at_parts = after, at_parts

    def table(self, items, camera, base=None):
        self.left -= 1
        if self.left < 0 or len(items) == self.at_parts:
            os.kill(os.getpid(), signal.SIGKILL)
        return RaySource().table(items, camera, base)


def _sit(plan, settings, source: Fragile) -> Iterator[None]:
    yield from desk.sit_down(plan, settings)
    if settings.pictures == "gl":
        desk._desks[0].studio.__dict__["source"] = GuardedSource(source)


def sit_down_at_a_tired_card(plan, settings) -> Iterator[None]:
    """In a worker."""
    yield from _sit(plan, settings, Fragile(after=9))


def sit_down_at_a_card_that_tires_late(plan, settings) -> Iterator[None]:
    yield from _sit(plan, settings, Fragile(after=24))


def sit_down_at_a_card_that_fears_the_whole(plan, settings) -> Iterator[None]:
    yield from _sit(plan, settings, Fragile(after=10**6, at_parts=len(plan.model.parts)))


def sit_down_at_a_dead_card(plan, settings) -> Iterator[None]:
    yield from _sit(plan, settings, Fragile(after=0))


def sit_down_where_nothing_draws(plan, settings) -> Iterator[None]:
    yield from desk.sit_down(plan, settings)
    desk._desks[0].studio.__dict__["source"] = GuardedSource(Fragile(after=0))


def sit_down_nowhere(plan, settings) -> Iterator[None]:
    yield from ()
    os._exit(3)


def test_a_process_that_crashes_costs_one_picture_which_the_same_source_draws_again(alone):
    with Crew(2, sit_down_at_a_tired_card) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="gl"), crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        told = pictures.notice
    end = "that drew ended by signal SIGKILL;"
    assert told in (
        f"A process {end} its picture was drawn again.",
        *(f"{count} processes {end} their pictures were drawn again." for count in range(2, 6)),
    )


def test_a_picture_that_crashes_twice_is_drawn_by_the_other_source(alone):
    """The cover and the view of the finished model show all parts at once."""
    whole = {"cover", "finished"}
    count = sum(order.wish.kind in whole for order in small_orders())
    assert count == BROKEN
    with Crew(1, sit_down_at_a_card_that_fears_the_whole) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="gl"), crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        told = pictures.notice
    assert told == (
        "2 processes that drew ended by signal SIGKILL; their pictures were drawn again. "
        "2 could not be drawn with OpenGL, and rays took over."
    )


@pytest.mark.long
def test_a_source_that_always_crashes_is_given_up(alone):
    with Crew(1, sit_down_at_a_dead_card) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="gl"), crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        assert f"{BROKEN} could not be drawn with OpenGL" in pictures.notice
        assert len(crew._benches) == 1 + 2 * BROKEN  # each such picture ends two processes


def test_where_nothing_draws_the_picture_is_named():
    with (
        Crew(1, sit_down_where_nothing_draws) as crew,
        pytest.raises(CannotDraw, match=r"The step picture of step 1 cannot be drawn.* by signal SIGKILL"),
    ):
        list(StudioPictures(sample_plan(), Settings(pictures="rays"), crew).drawn(small_orders()))


def test_where_no_process_can_be_started_this_one_draws_and_says_so(monkeypatch, alone):
    with Crew(2, sit_down_nowhere) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="rays"), crew)
        assert same(list(pictures.drawn(small_orders())), alone)
        assert "No process can be started here (it ends with status 3)" in pictures.notice
    monkeypatch.setattr(sys, "executable", "")
    with Crew(2) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="rays"), crew)
        assert same(list(pictures.drawn(small_orders()[:2])), alone[:2])
        assert "no Python interpreter" in pictures.notice or "not run by a Python" in pictures.notice


def test_workers_that_were_killed_while_idle_are_replaced_without_loss(alone):
    with Crew(2) as crew:
        for bench in crew._benches:
            os.kill(bench.worker.number, signal.SIGKILL)
        assert same(
            list(StudioPictures(sample_plan(), Settings(pictures="rays"), crew).drawn(small_orders())), alone
        )


def test_a_fault_in_a_worker_is_raised_here_with_its_trace():
    poster = PictureOrder(Wish("poster"), 9, 9)  # type: ignore[arg-type]
    with Crew(1) as crew, pytest.raises(ValueError, match="no picture of kind poster") as caught:
        list(StudioPictures(sample_plan(), Settings(pictures="rays"), crew).drawn([poster]))
    assert "in draw_run" in str(caught.value.__cause__)


def test_a_booklet_is_written_although_the_driver_crashes(tmp_path):
    with Crew(1, sit_down_at_a_card_that_tires_late) as crew:
        pictures = StudioPictures(sample_plan(), Settings(pictures="gl"), crew)
        write_booklet(sample_plan(), tmp_path / "b.pdf", Settings(pictures="gl"), pictures=pictures)
        assert pictures.notice and len(PdfReader(tmp_path / "b.pdf").pages) > 5


def test_workers_load_nothing_of_the_booklet():
    code = (
        "import sys; import steps.draw.desk;"
        "print([name for name in sys.modules if name.startswith(('steps.booklet', 'reportlab', 'trimesh'))])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


class Counting(StudioPictures):
    """Draws nothing; remembers what it was asked to draw."""

    asked: tuple[PictureOrder, ...] = ()

    def _drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        self.asked = tuple(orders)
        for index, _ in enumerate(orders):
            yield Picture(1, 1, np.full((1, 1, 3), index, np.uint8))


def test_a_picture_wished_for_twice_is_drawn_once_and_handed_out_twice():
    a, b = PictureOrder(Wish("cover"), 10, 10), PictureOrder(Wish("step", step=1), 10, 10)
    told: list[tuple[str, int, int]] = []
    pictures = Counting(sample_plan(), Settings(), progress=lambda *each: told.append(each))
    shades = [int(picture.pixels[0, 0, 0]) for picture in pictures.drawn([a, b, a, a, b]) if picture]
    assert pictures.asked == (a, b)
    assert shades == [0, 1, 0, 0, 1]
    assert told == [("pictures", 1, 2), ("pictures", 2, 2)]


def test_thumbnails_are_drawn_at_the_scale_that_the_pages_ask_for():
    plan = sample_plan()
    table = Desk(plan, Settings(pictures="rays"))
    for shape, thumb in thumbs_of(plan, (40.0, 34.0)).items():
        wish = Wish("thumbnail", shape=shape, colour="#808080", scale=thumb.scale)
        picture = table.draw(PictureOrder(wish, *thumb.size_mm).request)
        assert picture is not None and picture.mm_per_model_mm == pytest.approx(thumb.scale)


def test_a_kind_of_picture_that_nobody_draws_is_an_error():
    table = Desk(sample_plan(), Settings(pictures="rays"))
    with pytest.raises(ValueError, match="no picture of kind"):
        table.draw(PictureOrder(Wish("poster"), 10, 10).request)  # type: ignore[arg-type]


def test_what_a_worker_drew_before_does_not_show(monkeypatch):
    """A run begins with nothing drawn, whoever draws it: who that is hangs on how fast the others are."""
    kept: list[int] = []
    plain = Desk.draw

    def noting(self, request):
        kept.append(len(self.studio._scenes))
        return plain(self, request)

    monkeypatch.setattr(Desk, "draw", noting)
    asked = [desk.Request("step", 40.0, 30.0, step=number) for number in (1, 2, 3)]
    for _ in desk.sit_down(sample_plan(), Settings(pictures="rays")):
        pass
    first, second = ([picture for picture, *_ in desk.draw_run(asked)] for _ in range(2))
    assert kept[0] == kept[len(asked)] == 0 and max(kept) > 0
    assert same(first, second)


def sit_down_slowly(plan, settings):
    """As ever, after a while in which it only says that it moves."""
    for _ in range(8):
        tick()
        time.sleep(GLANCE_S / 4)
    yield from desk.sit_down(plan, settings)


@pytest.mark.parametrize("workers", [0, 2])
def test_progress_moves_before_the_first_picture_is_drawn(workers):
    """In this process by what is drawn, and while processes work by what they tell."""
    told: list[tuple[str, int, int]] = []
    orders = small_orders()[:1]
    with Crew(workers, sit_down_slowly) if workers else nullcontext() as crew:
        pictures = StudioPictures(sample_plan(), Settings(), crew, lambda *each: told.append(each))
        assert shown(list(pictures.drawn(orders))) == 1
    assert told[-1] == ("pictures", 1, 1)
    assert len([each for each in told[:-1] if each[0] == "pictures" and each[2] == 0]) >= 2
