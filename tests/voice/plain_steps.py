"""The steps of `voice.lane_filters` and `voice.lane_oscillators` in plain Python.

They take the same arguments, and work on all lanes of a sample at once with numpy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    import numpy.typing as npt

    from shared import Float32Array

    UintArray = npt.NDArray[np.uint32]

__all__ = ["PLAIN_STEPS"]

LANES = 16
F, U = np.float32, np.uint32
TABLE_SIZE = 4096


def _rows(array: npt.NDArray[np.generic], offset: int, n: int) -> npt.NDArray[np.generic]:
    """Return rows of lanes as a view, shape (n, LANES)."""
    return array[offset : offset + n * LANES].reshape(n, LANES)


def _samples(sound: Float32Array, places: tuple[int, ...]) -> Iterator[tuple[int, Float32Array]]:
    """Go through the samples of a block: number, and a view of all lanes."""
    start, n = places[:2]
    return enumerate(_rows(sound, start, n))


def _ramp(work: Float32Array, offset: int, i: int) -> Float32Array:
    """Value of a ramp at a sample."""
    start, slope = _rows(work, offset, 2)
    return start + F(i) * slope


def _amplify(sound: Float32Array, work: Float32Array, places: tuple[int, ...]) -> None:
    """Multiply by a ramp."""
    for i, x in _samples(sound, places):
        x[:] = x * _ramp(work, places[2], i)


def _add_noise(
    sound: Float32Array, work: Float32Array, noise: Float32Array, places: tuple[int, ...]
) -> None:
    """Add coloured noise at a ramped level."""
    share, colours = _rows(work, places[3], 1)[0], _rows(work, places[4], 3)
    for i, x in _samples(sound, places):
        coloured = sum(noise[places[5 + k] + i] * colours[k] for k in range(3))
        x[:] = x + coloured * _ramp(work, places[2], i) * share


def _highpass(sound: Float32Array, work: Float32Array, places: tuple[int, ...]) -> None:
    """One-pole high-pass."""
    g, state = _rows(work, places[2], 1)[0], _rows(work, places[3], 1)[0]
    for _, x in _samples(sound, places):
        y = (x - state) / (F(1.0) + g)
        state += F(2.0) * g * y
        x[g > 0.0] = y[g > 0.0]


def _drive(sound: Float32Array, work: Float32Array, places: tuple[int, ...]) -> None:
    """Saturate."""
    k = _rows(work, places[2], 1)[0]
    for _, x in _samples(sound, places):
        loud = np.clip(k * x, F(-3.0), F(3.0))
        curve = loud * (F(27.0) + loud**2) / (F(27.0) + F(9.0) * loud**2)
        driven = curve * (F(1.0) + k) / k
        x[k > 0.0] = driven[k > 0.0]


def _lowpass(n: int) -> Callable[[Float32Array, Float32Array, tuple[int, ...]], None]:
    """Low-pass sections in a row."""

    def step(sound: Float32Array, work: Float32Array, places: tuple[int, ...]) -> None:
        settings, states = _rows(work, places[4], 3 * n), _rows(work, places[5], 2 * n)
        for i, x in _samples(sound, places):
            dry = _ramp(work, places[3], i)
            for k in range(n):
                tuning, damping, is_on = settings[3 * k : 3 * k + 3]
                s1, s2 = states[2 * k : 2 * k + 2]
                w = _ramp(work, places[2], i) * tuning
                v1 = (s1 + w * (x - s2)) / (F(1.0) + w * (w + damping))
                v2 = s2 + w * v1
                s1[:], s2[:] = F(2.0) * v1 - s1, F(2.0) * v2 - s2
                x[:] = np.where(is_on > 0.0, v2 * (F(1.0) - dry) + x * dry, x)

    return step


def _bells(n: int) -> Callable[[Float32Array, Float32Array, tuple[int, ...]], None]:
    """Bells in a row."""

    def step(sound: Float32Array, work: Float32Array, places: tuple[int, ...]) -> None:
        settings, states = _rows(work, places[2], 3 * n), _rows(work, places[3], 2 * n)
        for _, x in _samples(sound, places):
            for k in range(n):
                g, loop, added = settings[3 * k : 3 * k + 3]
                s1, s2 = states[2 * k : 2 * k + 2]
                v1 = (s1 + g * (x - s2)) * loop
                v2 = s2 + g * v1
                s1[:], s2[:] = F(2.0) * v1 - s1, F(2.0) * v2 - s2
                x[:] = np.where(added != 0.0, x + added * v1, x)

    return step


def _wave(*, has_pair: bool, is_fading: bool) -> Callable[..., None]:
    """Add a wave, or a pair of readings, faded between tables or not."""

    def step(
        sound: Float32Array,
        table: Float32Array,
        ints: UintArray,
        floats: Float32Array,
        gains: Float32Array,
        places: tuple[int, ...],
    ) -> None:
        first, phase, pace, bend, turn, turn_bend = _rows(ints, places[2], 6)
        fade, slope = _rows(floats, places[3], 2)
        gain, turned_gain = _rows(gains, places[4], 2)

        def read(at: UintArray) -> Float32Array:
            index = first + (at >> U(20))
            share = (at & U(0xFFFFF)).astype(F) * F(2.0**-20)
            here = table[index] + (table[index + 1] - table[index]) * share
            if not is_fading:
                return here
            index = index + U(TABLE_SIZE + 1)
            there = table[index] + (table[index + 1] - table[index]) * share
            return here + (there - here) * fade

        for _, x in _samples(sound, places):
            added = gain * read(phase)
            if has_pair:
                added = added + turned_gain * read(phase + turn)
                turn += turn_bend
            x[:] = x + added
            phase += pace
            pace += bend
            if is_fading:
                fade += slope

    return step


PLAIN_STEPS: Mapping[str, Callable[..., None]] = {
    "amplify": _amplify,
    "add_noise": _add_noise,
    "highpass": _highpass,
    "drive": _drive,
    "section_1": _lowpass(1),
    "section_2": _lowpass(2),
    "ring_1": _bells(1),
    "ring_2": _bells(2),
    "ring_4": _bells(4),
    "wave": _wave(has_pair=False, is_fading=False),
    "wave_fading": _wave(has_pair=False, is_fading=True),
    "wave_pair": _wave(has_pair=True, is_fading=False),
    "wave_pair_fading": _wave(has_pair=True, is_fading=True),
}
