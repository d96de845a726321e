"""How a stage tells how far it is: no result depends on it, and work is counted, not timed.

The pipeline opens a stage; whatever works within it, however deep, has two ways to tell:

- ``for part in over(parts):`` where the pieces of work are known; loops may stand within loops;
- ``tick()`` where they are not: once for each round of a programme, grip tried, state looked at; or
  ``for mesh in ticking(meshes):`` where they are but a small share of the stage.

A library that works long and calls nobody back is asked by ``patiently``: there alone time is told.

Once in some thousandths of a second is often enough; nobody listening, it costs next to nothing. Where a
stage is silent for long, and in which lines, ``python -m tests.benchmarks.silence`` tells.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from dataclasses import dataclass, field, replace
from itertools import count
from typing import TypeVar

from renderer.beat import heard_by

#: ``tell(stage, done, total)``; with total 0: so many pieces done, of a number that is not known.
Tell = Callable[[str, int, int], None]
Item = TypeVar("Item")
#: How finely the share of a stage that is done is told.
WHOLE = 1000
#: A library that calls nobody back is taken to move on as long as it runs, told so often (s).
PATIENT_S = 0.2


@dataclass(frozen=True)
class Progress:
    """Who listens, to which stage, and which share of it the work at hand is, from ``start`` to ``end``."""

    tell: Tell | None = None
    stage: str = ""
    start: float = 0.0
    end: float = 1.0
    ticks: Iterator[int] = field(default_factory=lambda: count(1))
    #: The one thread of the stage for what is asked patiently: it begins when that first is.
    apart: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))


NOBODY = Progress()
_now: ContextVar[Progress] = ContextVar("progress", default=NOBODY)


@contextmanager
def stage(tell: Tell | None, name: str) -> Iterator[None]:
    """What is done in the block belongs to a stage, and is told to ``tell``, its beginning too."""
    if tell is not None:
        tell(name, 0, 1)
    with within(tell, name):
        yield


@contextmanager
def within(tell: Tell | None, name: str) -> Iterator[None]:
    """What is done in the block belongs to a stage that goes on."""
    before, mine = _now.get(), Progress(tell, name)
    _now.set(mine)
    try:
        with heard_by(tick):
            yield
    finally:
        mine.apart.shutdown(wait=False)  # an interrupt is heard at once
        _now.set(before)


def over(items: Sequence[Item]) -> Iterator[Item]:
    """The items in turn, each an equal share of the work at hand."""
    here = _now.get()
    if here.tell is None:
        yield from items
        return
    share = (here.end - here.start) / max(len(items), 1)
    try:
        for row, item in enumerate(items):
            start = here.start + row * share
            here.tell(here.stage, int(WHOLE * start), WHOLE)
            _now.set(replace(here, start=start, end=start + share))
            yield item
    finally:
        _now.set(here)


def ticking(items: Iterable[Item]) -> Iterator[Item]:
    """The items in turn, a tick for each."""
    for item in items:
        tick()
        yield item


def tick() -> None:
    """One more piece of work is done, of a number that is not known."""
    here = _now.get()
    if here.tell is not None:
        here.tell(here.stage, next(here.ticks), 0)


def heard() -> bool:
    """Whether anybody listens."""
    return _now.get().tell is not None


def patiently(call: Callable[[], Item]) -> Item:
    """What a call answers or raises, with ticks while it runs: for a library that calls nobody back but lets
    other threads run. The ticks come from here, as all others do; the call alone, which nobody hears, is in a
    thread of its own. What it answers must not be bound to that thread."""
    here = _now.get()
    if here.tell is None:
        return call()
    unheard = copy_context()
    unheard.run(_now.set, NOBODY)
    answer = here.apart.submit(unheard.run, call)
    while not wait((answer,), PATIENT_S).done:
        tick()
    return answer.result()
