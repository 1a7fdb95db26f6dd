"""Measures of rendered keys, and what breaks from one key to the next, in words.

Aliasing is found by rendering the key once more at four times the rate: whatever is in the
spectrum of the first that the second doesn't have was folded back. Noise is left out for that, as
it isn't the same at another rate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.analyse import centroid_track
from shared import loudness_lufs, midi_to_hz, pitch_name, true_peak_db
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shared import FloatArray, Note

__all__ = ["KeyRow"]

_OVERSAMPLING = 4
# 2.7 Hz a bin: what folds back close to a partial is still told from it on most keys.
_N_FFT = 16_384
# Half the width of the window's main lobe (Blackman-Harris: four bins), so that a partial that
# lies a little elsewhere at the other rate is none that folded back.
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
    rates, depths = lfos(values, note.midi_pitch)
    silent = KeyRow(
        midi_pitch=note.midi_pitch,
        pitch_name=pitch_name(note.midi_pitch),
        velocity=note.velocity,
        loudness_lufs=None,
        true_peak_dbtp=None,
        brightness_hz=None,
        brightness_ratio=None,
        lfo_rates_hz=rates,
        lfo_depths=depths,
        aliasing_db=None,
    )
    if not np.any(head):
        return silent
    loudness = loudness_lufs(sound, sample_rate_hz)
    brightness_hz = _brightness_hz(head, sample_rate_hz)
    key_hz = float(midi_to_hz(note.midi_pitch))
    return replace(
        silent,
        loudness_lufs=loudness if np.isfinite(loudness) else None,
        true_peak_dbtp=true_peak_db(sound, sample_rate_hz),
        brightness_hz=brightness_hz,
        brightness_ratio=None if brightness_hz is None else brightness_hz / key_hz,
        aliasing_db=aliasing_db(values, note, sample_rate_hz=sample_rate_hz, phases=phases),
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


# Neighbouring keys that differ by this stick out of a scale; single differences of 1 dB are heard.
_JUMP_LU = 3.0
# Over the whole keyboard.
_RUN_LU = 15.0
# What one more semitone between two keys may bring.
_LU_PER_SEMITONE = 0.25
# Brightness jumps by this between neighbours, or ...
_BRIGHT_JUMP_OCTAVES = 0.4
# ... leaves the band in which tones sound bright without being shrill, far from the matched note.
_SHRILL_HZ = 6000.0
_SHRILL_RATIO = 2.0
# With hardly anything but the fundamental left, a tone has gone dull.
_DULL_RATIO = 1.3
_FULL_RATIO = 2.0
# Players' vibrato is 4 to 8 Hz (C. E. Seashore, Psychology of Music, 1938; from memory); from some
# 15 Hz on it is roughness (H. Fastl and E. Zwicker, Psychoacoustics, chapter 11; from memory).
_FAST_HZ = 10.0
_WIDE_CENTS = 100.0
_WIDE_RATIO = 0.45
# Distortion this far down is masked by most tones.
_ALIASING_DB = -50.0
_MOST_SPANS = 4

SILENT, LEVEL, BRIGHTNESS = "silent", "level jumps", "brightness jumps"
SHRILL, DULL, FAST, WIDE = "shrill", "dull", "LFO too fast", "LFO too deep"
ALIASING, CLIPPING = "aliasing", "clipping"
_MEANINGS = {
    SILENT: "Nothing is heard",
    LEVEL: "The level jumps against the key below",
    BRIGHTNESS: "The brightness jumps against the key below",
    SHRILL: "The sound gets shrill",
    DULL: "Little but the fundamental is left",
    FAST: "An LFO runs faster than any vibrato",
    WIDE: "An LFO goes too deep",
    ALIASING: "Aliasing is heard",
    CLIPPING: "It clips, with 12 dB of headroom over the matched note,",
}


def judge_keys(
    rows: Sequence[KeyRow], reference: KeyRow
) -> tuple[tuple[KeyRow, ...], tuple[str, ...]]:
    """Mark the keys at which something breaks, and say so in sentences."""
    judged: list[KeyRow] = []
    for velocity in sorted({row.velocity for row in rows}):
        keys = sorted((r for r in rows if r.velocity == velocity), key=lambda r: r.midi_pitch)
        before: KeyRow | None = None
        for row in keys:
            problems = (*_jumps(before, row), *_single(row, reference))
            judged.append(replace(row, problems=tuple(problems)))
            before = row
    return tuple(judged), (*_spans(judged), *_runs(judged))


def _jumps(before: KeyRow | None, row: KeyRow) -> list[str]:
    """Say what changes suddenly from one key to the next."""
    found: list[str] = []
    if before is None:
        return found
    semitones = row.midi_pitch - before.midi_pitch
    if before.loudness_lufs is not None and row.loudness_lufs is not None:
        limit = _JUMP_LU + _LU_PER_SEMITONE * (semitones - 1.0)
        if abs(row.loudness_lufs - before.loudness_lufs) >= limit:
            found.append(LEVEL)
    if before.brightness_hz and row.brightness_hz:
        octaves = abs(math.log2(row.brightness_hz / before.brightness_hz))
        if octaves >= _BRIGHT_JUMP_OCTAVES + semitones / 12.0:
            found.append(BRIGHTNESS)
    return found


def _single(row: KeyRow, reference: KeyRow) -> list[str]:
    """Say what is wrong with a key by itself."""
    found = []
    if row.loudness_lufs is None:
        found.append(SILENT)
    if row.brightness_hz and reference.brightness_hz:
        is_far = row.brightness_hz >= _SHRILL_RATIO * reference.brightness_hz
        if row.brightness_hz >= _SHRILL_HZ and is_far:
            found.append(SHRILL)
        ratios = row.brightness_ratio or 0.0, reference.brightness_ratio or 0.0
        if ratios[0] < _DULL_RATIO and ratios[1] >= _FULL_RATIO:
            found.append(DULL)
    if any(hz > _FAST_HZ for hz in row.lfo_rates_hz.values()):
        found.append(FAST)
    for name, depth in row.lfo_depths.items():
        if depth > (_WIDE_CENTS if name.startswith("vibrato") else _WIDE_RATIO):
            found.append(WIDE)
            break
    if row.aliasing_db is not None and row.aliasing_db > _ALIASING_DB:
        found.append(ALIASING)
    if row.true_peak_dbtp is not None and row.true_peak_dbtp > 0.0:
        found.append(CLIPPING)
    return found


def _spans(rows: Sequence[KeyRow]) -> list[str]:
    """Say over which keys each problem lasts, and how bad it gets."""
    sentences = []
    for problem, meaning in _MEANINGS.items():
        keys = sorted({row.midi_pitch for row in rows})
        broken = {row.midi_pitch for row in rows if problem in row.problems}
        spans = [
            [key for key, _ in group]
            for is_broken, group in groupby(
                ((key, key in broken) for key in keys), key=lambda entry: entry[1]
            )
            if is_broken
        ]
        if not spans:
            continue
        listed = ", ".join(
            pitch_name(span[0])
            if len(span) == 1
            else f"{pitch_name(span[0])} to {pitch_name(span[-1])}"
            for span in spans[:_MOST_SPANS]
        )
        more = " and elsewhere" if len(spans) > _MOST_SPANS else ""
        bad = [row for row in rows if problem in row.problems]
        sentences.append(f"{meaning} at {listed}{more}{_worst(problem, bad)}.")
    return sentences


def _worst(problem: str, rows: Sequence[KeyRow]) -> str:
    """Name the worst figure of a problem."""
    if problem == ALIASING:
        return f" (up to {max(row.aliasing_db or -150.0 for row in rows):.0f} dB)"
    if problem == FAST:
        return f" (up to {max(max(row.lfo_rates_hz.values()) for row in rows):.1f} Hz)"
    if problem == CLIPPING:
        return f" (up to {max(row.true_peak_dbtp or 0.0 for row in rows):.1f} dB too high)"
    if problem == SHRILL:
        return f" (up to {max(row.brightness_hz or 0.0 for row in rows) / 1000.0:.1f} kHz)"
    return ""


def _runs(rows: Sequence[KeyRow]) -> list[str]:
    """Say if the level drifts over the whole keyboard."""
    sentences = []
    for velocity in sorted({row.velocity for row in rows}):
        heard = [r for r in rows if r.velocity == velocity and r.loudness_lufs is not None]
        if len(heard) < 2:
            continue
        loudest = max(heard, key=lambda row: row.loudness_lufs or 0.0)
        softest = min(heard, key=lambda row: row.loudness_lufs or 0.0)
        span = (loudest.loudness_lufs or 0.0) - (softest.loudness_lufs or 0.0)
        if span >= _RUN_LU:
            sentences.append(
                f"Velocity {velocity}: {softest.pitch_name} is {span:.0f} LU softer than "
                f"{loudest.pitch_name}."
            )
    return sentences


@dataclass(frozen=True)
class KeyRow:
    """One key at one velocity."""

    # The key.
    midi_pitch: float
    # Its name.
    pitch_name: str
    # How hard it is struck.
    velocity: int
    # Integrated loudness (ITU-R BS.1770) at the level of the patch; None for silence.
    loudness_lufs: float | None
    # True peak against the headroom of the patch: above 0 it clips. None for silence.
    true_peak_dbtp: float | None
    # Spectral centroid while the key is held; None for silence.
    brightness_hz: float | None
    # The same over the frequency of the key.
    brightness_ratio: float | None
    # Rates of the LFOs that are heard, in Hz, and depths (cents, or share of the period) at this
    # key.
    lfo_rates_hz: Mapping[str, float]
    lfo_depths: Mapping[str, float]
    # Power of what folds back at half the sampling rate, against the whole, in dB; None for
    # silence.
    aliasing_db: float | None
    # What breaks here, in a few words each.
    problems: tuple[str, ...] = ()
