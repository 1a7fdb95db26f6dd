"""What all tests share: one hypothesis profile, Ctrl-C, a seeded random generator, a browser."""

from __future__ import annotations

import signal

import numpy as np
import pytest
from hypothesis import settings

from tests.browser import chromium  # noqa: F401  a fixture that tests use by its name

# No deadline: the first call of a kernel compiles it. Derandomised: a test that fails fails
# again for whoever looks into it.
settings.register_profile("earwright", deadline=None, derandomize=True)
settings.load_profile("earwright")

# A job in the background of a shell begins with SIGINT ignored, and so do the processes it starts.
# Tests of Ctrl-C need what a terminal gives.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a random generator that starts from the same seed in every test."""
    return np.random.default_rng(20_250_101)
