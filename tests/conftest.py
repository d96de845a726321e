"""Property tests are judged by their answers alone: no deadline, and a busy machine is no failure. And the
fast tier: ``pytest -m fast`` runs what ``tests/durations.toml`` does not know to be slow."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

from tests.measure import durations, key_of

settings.register_profile("stepleaf", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("stepleaf")

#: A test that takes longer than this (CPU seconds), or shares a fixture that does, is not fast.
FAST_S = 0.5


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark as fast whatever is not measured as slow."""
    table = durations()
    for item in items:
        shared = (f"{item.path.name}::{name}" for name in getattr(item, "fixturenames", ()))
        slowest = max(
            [table["tests"].get(key_of(item), 0.0), *(table["fixtures"].get(f, 0.0) for f in shared)]
        )
        if slowest <= FAST_S:
            item.add_marker("fast")
