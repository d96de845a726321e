"""Property tests are judged by their answers alone: the same examples every time, no deadline, and a busy
machine is no failure. And the fast tier: ``pytest -m fast`` runs what ``tests/durations.toml`` knows to be
quick."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from steps.kept import RECORD
from tests.measure import durations, is_fast

settings.register_profile(
    "stepleaf", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("stepleaf")


#: Files of tests that take minutes, and look at what others see on smaller models.
LONG = frozenset({"test_order_build.py", "test_refit_loop.py"})


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark as fast, and as long, what is known to be."""
    table = durations()
    for item in items:
        if is_fast(item, table):
            item.add_marker("fast")
        if item.path.name in LONG:
            item.add_marker("long")


@pytest.fixture(autouse=True)
def writes_nothing_here() -> Iterator[None]:
    """A test works in a folder of its own: what a command writes leaves its record beside it."""
    record = Path.cwd() / RECORD
    before = record.stat().st_mtime_ns if record.exists() else None
    yield
    assert (record.stat().st_mtime_ns if record.exists() else None) == before, record
