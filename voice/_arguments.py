"""Checks on the arguments of the public functions; the kernels behind them trust their callers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import FloatArray, ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

__all__: list[str] = []

LONGEST_S = 120.0
SAMPLE_RATES_HZ = (8_000, 192_000)
LONGEST_MOVING = 480_000


def check_range(
    name: str, values: npt.ArrayLike, low: float, high: float, unit: str = ""
) -> FloatArray:
    """Return values, of any shape, as float64; refuse what is no number or out of its range."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ParameterError(
            f"{name} is {values!r}, which is not a number; it must be {_range(low, high, unit)}.",
            name=name,
        ) from None
    is_bad = ~((array >= low) & (array <= high))  # written so that NaN is refused too
    if is_bad.any():
        bad = float(array[is_bad].flat[0])
        raise ParameterError(
            f"{name} is {bad:g}{_unit(unit)}; it must be {_range(low, high, unit)}.", name=name
        )
    return array


def check_scalar(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Return one number; refuse arrays and what `check_range` refuses."""
    number = check_range(name, value, low, high, unit)
    if number.ndim:
        raise ParameterError(
            f"{name} has shape {number.shape}; it must be a single number.", name=name
        )
    return float(number)


def check_whole(name: str, value: int, low: int, high: int, unit: str = "") -> int:
    """Return a whole number; refuse fractions and what `check_range` refuses."""
    number = check_scalar(name, value, low, high, unit)
    if number != int(number):
        raise ParameterError(
            f"{name} is {number:g}{_unit(unit)}; it must be a whole number. Round it.", name=name
        )
    return int(number)


def check_sample_rate(sample_rate_hz: int) -> int:
    """Refuse rates that no sound has."""
    return check_whole("sample_rate_hz", sample_rate_hz, *SAMPLE_RATES_HZ, "Hz")


def check_n_samples(n_samples: int, sample_rate_hz: int) -> int:
    """Refuse lengths that no note has."""
    return check_whole("n_samples", n_samples, 1, round(LONGEST_S * sample_rate_hz))


def check_times(times_s: npt.ArrayLike) -> FloatArray:
    """Return a row of times in seconds from note start."""
    return check_row("times_s", check_range("times_s", times_s, 0.0, LONGEST_S, "s"))


def check_row(name: str, array: FloatArray) -> FloatArray:
    """Refuse what is no row of numbers."""
    if array.ndim != 1 or not array.size:
        raise ParameterError(
            f"{name} has shape {array.shape}; it must be a row of at least one number.", name=name
        )
    return array


def check_signal(signal: npt.ArrayLike) -> FloatArray:
    """Return a mono signal; levels beyond 1e6 are slips, and would end in infinities."""
    return check_row("signal", check_range("signal", signal, -1e6, 1e6))


def check_control(
    name: str, values: npt.ArrayLike, n_samples: int, low: float, high: float, unit: str
) -> FloatArray:
    """Return a control as one number, (1,), or as one for each sample, (n_samples,)."""
    array = check_range(name, values, low, high, unit)
    if array.ndim == 0:
        return array[None]
    if array.shape != (n_samples,):
        raise ParameterError(
            f"{name} has shape {array.shape}; it must be one number or "
            f"({n_samples},), one for each sample.",
            name=name,
        )
    if n_samples > LONGEST_MOVING:
        raise ParameterError(
            f"{name} moves over {n_samples} samples; there must be {LONGEST_MOVING} at most where "
            "it moves. Take a shorter stretch.",
            name=name,
        )
    return array


def _unit(unit: str) -> str:
    """Return the unit as it follows a number."""
    return f" {unit}" if unit else ""


def _range(low: float, high: float, unit: str) -> str:
    """Return the range as it stands in a message."""
    return f"{low:g} to {high:g}{_unit(unit)}"
