"""What all tests share: one hypothesis profile, a seeded random generator, and a browser."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings

from tests.browser import chromium  # noqa: F401  a fixture that tests use by its name

# No deadline: the first call of a kernel compiles it. Derandomised: a test that fails fails
# again for whoever looks into it.
settings.register_profile("earwright", deadline=None, derandomize=True)
settings.load_profile("earwright")


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a random generator that starts from the same seed in every test."""
    return np.random.default_rng(20_250_101)
