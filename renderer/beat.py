"""A sign of life, for whoever waits for a picture that takes long: one each time that more of it is done."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

Item = TypeVar("Item")


def _unheard() -> None:
    return None


_listener: ContextVar[Callable[[], None]] = ContextVar("listener", default=_unheard)


@contextmanager
def heard_by(listener: Callable[[], None]) -> Iterator[None]:
    """Whoever hears the beats of what is drawn in the block."""
    before = _listener.get()
    _listener.set(listener)
    try:
        yield
    finally:
        _listener.set(before)


def beat() -> None:
    """A little more is done."""
    _listener.get()()


def beating(items: Iterable[Item]) -> Iterator[Item]:
    """The items in turn, a beat for each."""
    for item in items:
        beat()
        yield item
