"""Settings of all tests, and the sample jars as they are read, once for all tests."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings
from samples_read import SamplesRead, read_samples

# No test is timed: on a busy machine drawing examples is slow as well.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def samples_read(tmp_path_factory: pytest.TempPathFactory) -> SamplesRead:
    return read_samples(tmp_path_factory.mktemp("samples"))
