"""Property tests are judged by their answers alone: no deadline, and a busy machine is no failure."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("stepleaf", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("stepleaf")
