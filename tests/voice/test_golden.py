"""The same patch on other versions of Python, numpy and numba: golden numbers and their tolerance.

On one installation a patch gives the same bits every time. Across versions the compiler and the
mathematical functions may round otherwise; a search then takes another path, so only sounds and
scores are compared, not what a search finds. `.ci/check_versions` runs this with the lowest and
the newest versions.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.golden.make_golden import (
    NUMBERS,
    PATCHES,
    REFERENCE,
    scores_of,
    sound_numbers,
    sound_of,
)

AGAIN = "If the voice or the losses were meant to change: python -m tests.golden.make_golden"
DOCUMENT = json.loads(NUMBERS.read_text())


@pytest.mark.parametrize("name", PATCHES)
def test_a_patch_sounds_the_same_within_80_db_under_its_peak(name: str) -> None:
    """Single samples and the level, against those of the versions in the file."""
    golden, found = DOCUMENT["sounds"][name], sound_numbers(sound_of(name))
    # 1e-4 of the peak, -80 dB: under the noise floor of recordings, far over float32's -140 dB.
    room = 1e-4 * golden["peak"]
    np.testing.assert_allclose(
        found["samples"], golden["samples"], rtol=0.0, atol=room, err_msg=AGAIN
    )
    assert found["peak"] == pytest.approx(golden["peak"], abs=room), AGAIN
    assert found["rms"] == pytest.approx(golden["rms"], rel=1e-5), AGAIN


@pytest.mark.parametrize("name", [name for name in PATCHES if name != REFERENCE])
def test_a_score_is_the_same_within_a_thousandth(name: str) -> None:
    """Each part of the loss between two of the patches."""
    found = scores_of(name)
    # A thousandth: the differences between these patches are many audible steps.
    assert found == pytest.approx(DOCUMENT["scores"][name], rel=1e-3, abs=1e-6), AGAIN
