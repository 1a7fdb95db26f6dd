"""Measures of one rendered key: loudness, peak, brightness, LFOs, aliasing.

Aliasing is found by rendering the key once more at four times the rate: whatever stands in the
spectrum of the first that the second doesn't have was folded back. Noise is left out for that, as
it isn't the same at another rate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.key_rows import KeyRow
from matcher.target.spectrum import centroid_track
from shared import loudness_lufs, midi_to_hz, pitch_name, true_peak_db
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray, Note

__all__: list[str] = []

_OVERSAMPLING = 4
# 2.7 Hz a bin: what folds back close to a partial still stands beside it on most keys.
_N_FFT = 16_384
# Half the width of the window's main lobe (Blackman-Harris: four bins), so that a partial that
# stands a little elsewhere at the other rate is none that folded back.
_N_NEAR = 9
# Twice the amplitude at the other rate, 6 dB, is no difference of the filters near half the rate.
_EXCESS_RATIO = 4.0
_HIGHEST_RATIO = 0.45
_FLOOR_DB = -150.0
C4 = 60.0


def measure_key(
    values: Mapping[str, float],
    note: Note,
    sound: FloatArray,
    *,
    sample_rate_hz: int,
    phases: Mapping[str, float] | None,
) -> KeyRow:
    """Measure one key; levels are those of the voice."""
    head = sound[: max(1, round(note.gate_s * sample_rate_hz))]
    is_silent = not np.any(head)
    hz = float(midi_to_hz(note.midi_pitch))
    brightness_hz = None if is_silent else _brightness_hz(head, sample_rate_hz)
    rates, depths = lfos(values, note.midi_pitch)
    loudness = None if is_silent else loudness_lufs(sound, sample_rate_hz)
    return KeyRow(
        midi_pitch=note.midi_pitch,
        pitch_name=pitch_name(note.midi_pitch),
        velocity=note.velocity,
        loudness_lufs=loudness if loudness is not None and np.isfinite(loudness) else None,
        true_peak_dbtp=None if is_silent else true_peak_db(sound, sample_rate_hz),
        brightness_hz=brightness_hz,
        brightness_ratio=None if brightness_hz is None else brightness_hz / hz,
        lfo_rates_hz=rates,
        lfo_depths=depths,
        aliasing_db=None
        if is_silent
        else aliasing_db(values, note, sample_rate_hz=sample_rate_hz, phases=phases),
    )


def lfos(
    values: Mapping[str, float], midi_pitch: float
) -> tuple[dict[str, float], dict[str, float]]:
    """Rates in Hz and depths at a key, of the LFOs that are heard.

    Key tracking counts octaves of rate, or of depth, for each octave above C4.
    """
    octaves = (midi_pitch - C4) / 12.0
    rates, depths = {}, {}
    for i in (1, 2):
        waves = [values[f"osc{i}.{wave}_level"] for wave in ("saw", "pulse", "triangle")]
        for title, part, depth, is_heard in (
            ("vibrato", f"osc{i}.vibrato", "depth_cents", any(waves)),
            ("pulse-width modulation", f"osc{i}.pwm", "depth_ratio", waves[1] > 0.0),
        ):
            if is_heard and values[f"{part}.{depth}"] > 0.0:
                name = f"{title}, oscillator {i}"
                track = values[f"{part}.rate_key_track_ratio"]
                rates[name] = values[f"{part}.rate_hz"] * 2.0 ** (track * octaves)
                depth_track = values.get(f"{part}.depth_key_track_ratio", 0.0)
                depths[name] = values[f"{part}.{depth}"] * 2.0 ** (depth_track * octaves)
    return rates, depths


def aliasing_db(
    values: Mapping[str, float],
    note: Note,
    *,
    sample_rate_hz: int,
    phases: Mapping[str, float] | None = None,
) -> float:
    """Power of what folds back at half the rate, against the whole, in dB; -150 for none."""
    from scipy.ndimage import maximum_filter1d  # noqa: PLC0415  slow to import

    quiet = {**values, "noise.level": 0.0}
    hz, power = _spectrum(quiet, note, sample_rate_hz, _N_FFT, phases)
    _, wanted = _spectrum(
        quiet, note, _OVERSAMPLING * sample_rate_hz, _OVERSAMPLING * _N_FFT, phases
    )
    near = maximum_filter1d(wanted[: len(power)], _N_NEAR)
    is_folded = (power > _EXCESS_RATIO * near) & (hz < _HIGHEST_RATIO * sample_rate_hz)
    total = float(power.sum())
    if total <= 0.0:
        return _FLOOR_DB
    ratio = float(power[is_folded].sum()) / total
    return float(max(10.0 * np.log10(ratio), _FLOOR_DB)) if ratio > 0.0 else _FLOOR_DB


def _spectrum(
    values: Mapping[str, float],
    note: Note,
    sample_rate_hz: int,
    n_fft: int,
    phases: Mapping[str, float] | None,
) -> tuple[FloatArray, FloatArray]:
    """Mean power spectrum of the held key."""
    from scipy import signal  # noqa: PLC0415  slow to import

    sound = render(
        values,
        midi_pitch=note.midi_pitch,
        velocity=note.velocity,
        gate_s=note.gate_s,
        duration_s=max(note.gate_s, 1.01 * n_fft / sample_rate_hz),
        sample_rate_hz=sample_rate_hz,
        phases=phases,
    )
    hz, power = signal.welch(sound, sample_rate_hz, window="blackmanharris", nperseg=n_fft)
    return np.asarray(hz), np.asarray(power)


def _brightness_hz(sound: FloatArray, sample_rate_hz: int) -> float | None:
    """Median of the spectral centroid, in Hz."""
    _, track = centroid_track(sound, sample_rate_hz=sample_rate_hz)
    heard = track[track > 0.0]
    return float(np.median(heard)) if heard.size else None
