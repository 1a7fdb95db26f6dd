"""How values, units and ranges are printed, in the units a musician reads on a panel."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shared._parameter import Parameter

__all__: list[str] = []

LABELS = {
    "hz": "Hz",
    "s": "s",
    "cents": "cents",
    "db": "dB",
    "octaves": "octaves",
    "octave": "octaves",
    "ratio": "",
    "level": "",
    "db_per_octave": "dB/octave",
}

# A switch is told position by position, the steps of a knob by their number.
_MOST_LISTED = 6

_DECIMALS = {
    "cents": 1,
    "db": 1,
    "octaves": 2,
    "octave": 0,
    "ratio": 2,
    "level": 2,
    "db_per_octave": 0,
}


def format_value(parameter: Parameter, value: float) -> str:
    """Print one value; see `Parameter.format`."""
    unit = parameter.unit
    if unit == "s":
        return _time(value)
    if unit == "hz":
        return _frequency(value)
    if unit == "level" and 0.0 < value < 0.1:
        return _small_level(value)
    # Octaves are an amount of modulation: the direction counts, even if it can't be negative.
    is_interval = unit in {"cents", "octave"} and parameter.curve_range[0] < 0.0
    number = _number(value, _DECIMALS[unit], is_signed=is_interval or unit == "octaves")
    label = "octave" if unit == "octave" and abs(value) == 1.0 else LABELS[unit]
    return f"{number} {label}".rstrip()


def accepted_range(parameter: Parameter) -> str:
    """Say which values a parameter takes: ``"20 to 20000 Hz"``, ``"12 or 24 dB/octave"``."""
    label = LABELS[parameter.unit]
    if len(parameter.choices) > _MOST_LISTED:
        text = f"{parameter.low:.6g} to {parameter.high:.6g}"
        return f"{text} {label}".rstrip() + f" in {len(parameter.choices)} steps"
    if parameter.choices:
        text = " or ".join(f"{choice:g}" for choice in parameter.choices)
    else:
        text = f"{parameter.low:.6g} to {parameter.high:.6g}"
    text = f"{text} {label}".rstrip()
    return text if parameter.step is None else f"{text} in steps of {parameter.step:g}"


def with_unit(parameter: Parameter, value: float) -> str:
    """Print a refused value as it was given, with its unit."""
    return f"{_plain(value)} {LABELS[parameter.unit]}".rstrip()


def _plain(value: float) -> str:
    """Print a number fully, but without a needless ``.0``."""
    number = float(value)
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def _number(value: float, decimals: int, *, is_signed: bool) -> str:
    """Print with a plus sign if asked to; zero has no sign."""
    # Adding 0.0 turns the -0.0 that rounding may leave into 0.0.
    rounded = round(value, decimals) + 0.0
    sign = "+" if is_signed and rounded > 0.0 else ""
    return f"{sign}{rounded:.{decimals}f}"


def _small_level(value: float) -> str:
    """Print two digits that count, as levels are heard by their ratio; four decimals at most."""
    if value < 0.5e-4:
        return "0.00"
    decimals = 2 if round(value, 2) >= 0.1 else 3 if round(value, 3) >= 0.01 else 4
    return f"{value:.{decimals}f}"


def _time(value: float) -> str:
    """Print s from 1 s up, ms below, with two or three digits that count."""
    time_ms = 1000.0 * value
    if round(time_ms) >= 1000:
        return f"{value:.2f} s"
    if time_ms == 0.0:
        return "0 ms"
    if round(time_ms, 1) >= 10.0:
        return f"{time_ms:.0f} ms"
    return f"{time_ms:.1f} ms" if round(time_ms, 2) >= 1.0 else f"{time_ms:.2f} ms"


def _frequency(value: float) -> str:
    """Print three digits that count, in kHz from 1000 Hz up."""
    if round(value) >= 1000:
        return f"{_three_digits(value / 1000.0)} kHz"
    return f"{_three_digits(value)} Hz"


def _three_digits(value: float) -> str:
    """Print 5.20, 20.0 or 900."""
    if round(value, 1) >= 100.0:
        return f"{value:.0f}"
    return f"{value:.1f}" if round(value, 2) >= 10.0 else f"{value:.2f}"
