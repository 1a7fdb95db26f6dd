"""Tests for `shared.units`; what is checked against standards is in `tests/reference`."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import units
from shared.errors import ParameterError
from shared.types import FloatArray
from tests.strategies import positive_units

Convert = Callable[[FloatArray], FloatArray]

PAIRS = [
    pytest.param(units.hz_to_midi, units.midi_to_hz, id="hz-midi"),
    pytest.param(units.ratio_to_cents, units.cents_to_ratio, id="ratio-cents"),
    pytest.param(units.amplitude_to_db, units.db_to_amplitude, id="amplitude-db"),
]


@pytest.mark.parametrize(("there", "back"), PAIRS)
@given(values=positive_units(1e-3, 1e5))
def test_there_and_back_is_the_same(there: Convert, back: Convert, values: FloatArray) -> None:
    """A conversion and its inverse give the value back, whatever the shape."""
    result = back(there(values))
    assert result.shape == values.shape
    # A logarithm of up to 17 octaves loses four bits; 1e-12 leaves a margin of 100.
    np.testing.assert_allclose(result, values, rtol=1e-12)


@pytest.mark.parametrize(("there", "back"), PAIRS)
def test_a_float_gives_a_float(
    there: Callable[[float], float], back: Callable[[float], float]
) -> None:
    """A float comes back as Python's own float, which prints and serialises plainly."""
    assert type(there(2.0)) is float
    assert type(back(2.0)) is float


@given(n_samples=st.integers(0, 10**9), sample_rate_hz=st.integers(8_000, 192_000))
def test_samples_survive_the_way_through_seconds(n_samples: int, sample_rate_hz: int) -> None:
    """A whole number of samples is the same after a way through seconds."""
    duration_s = units.samples_to_seconds(float(n_samples), sample_rate_hz)
    assert units.seconds_to_samples(duration_s, sample_rate_hz) == n_samples


def test_seconds_become_whole_samples() -> None:
    """Counts of samples are integers, for one time and for many."""
    one = units.seconds_to_samples(0.1, 44_100.0)
    many = units.seconds_to_samples(np.array([0.0, 0.00001, 0.1]), 44_100.0)
    assert (one, type(one)) == (4410, int)
    assert many.tolist() == [0, 0, 4410]
    assert many.dtype == np.int64


def test_no_amplitude_is_minus_infinity() -> None:
    """Silence has a level, and measuring it is no cause for a warning."""
    assert units.amplitude_to_db(0.0) == -np.inf
    assert units.amplitude_to_db(np.array([0.0, 1.0])).tolist() == [-np.inf, 0.0]
    assert units.db_to_amplitude(-np.inf) == 0.0


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize(
    ("convert", "message"),
    [
        (units.hz_to_midi, "frequency_hz is {} Hz; it must be finite and above 0"),
        (units.ratio_to_cents, "ratio is {}; it must be finite and above 0"),
    ],
    ids=["hz", "cents"],
)
def test_what_has_no_logarithm_is_refused(
    convert: Callable[[float], float], message: str, bad: float
) -> None:
    """A frequency or a ratio that isn't above 0 is refused with its value."""
    with pytest.raises(ParameterError, match=message.format(f"{bad:g}")):
        convert(bad)


@pytest.mark.parametrize("bad", [-0.5, float("nan")])
def test_a_negative_amplitude_is_refused(bad: float) -> None:
    """A negative amplitude is a forgotten absolute value, also inside an array."""
    with pytest.raises(ParameterError, match="Take the absolute value first"):
        units.amplitude_to_db(np.array([1.0, bad]))


@pytest.mark.parametrize("bad_rate", [0.0, -48_000.0, float("nan")])
def test_a_rate_must_be_positive(bad_rate: float) -> None:
    """Times and samples need a sampling rate above 0."""
    with pytest.raises(ParameterError, match=r"sample_rate_hz is .* above 0"):
        units.seconds_to_samples(1.0, bad_rate)
    with pytest.raises(ParameterError, match=r"sample_rate_hz is .* above 0"):
        units.samples_to_seconds(1.0, bad_rate)


def test_an_infinite_time_is_refused() -> None:
    """An infinite time has no number of samples."""
    with pytest.raises(ParameterError, match="duration_s is inf s"):
        units.seconds_to_samples(float("inf"), 48_000.0)
