"""Levels of the partials of a note, and of the noise between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.harmonics import harmonic_tracks, steady_track
from shared import TargetError

if TYPE_CHECKING:
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = ["HeldPartials", "held_partials", "held_span", "partial_amplitudes"]

HIGHEST_HZ = 16_000.0
N_MOST = 120
# What lies nearer to the noise is not measured.
ABOVE_NOISE_DB = 12.0
# Beyond this range a recording's own noise and hum speak.
RANGE_DB = 66.0
FRAME_S = 0.01
SHORTEST_HELD_S = 0.12
# An attack settles, and a key is let go, within this time.
MARGIN_S = 0.03
FLOOR = 1e-9
# What moves a partial besides noise: hum, drift, an oscillator's own shape. Common practice, no
# source.
SHAPE_DB = 0.25


@dataclass(frozen=True, eq=False)
class HeldPartials:
    """Partials of the held part of a note.

    Parameters
    ----------
    numbers : np.ndarray, shape=(n_partials,)
        Numbers of those that stand out of the noise, 1 for the fundamental.
    hz : np.ndarray, shape=(n_partials,)
        Their frequencies in Hz.
    level_db : np.ndarray, shape=(n_partials,)
        Their levels in dB, in any scale.
    error_db : np.ndarray, shape=(n_partials,)
        Standard errors of the levels in dB.
    """

    numbers: FloatArray
    hz: FloatArray
    level_db: FloatArray
    error_db: FloatArray


def held_span(note: TargetNote) -> tuple[float, float]:
    """Return when a note is steady: after the attack, before the key is let go.

    Parameters
    ----------
    note : TargetNote
        The note.

    Returns
    -------
    start_s, end_s : float
        In s from the start of its signal.

    Raises
    ------
    TargetError
        If too little of it is held.
    """
    start_s = note.onset_s + min(1.2 * note.analysis.attack_s, 0.5 * note.note.gate_s) + MARGIN_S
    end_s = min(note.onset_s + note.note.gate_s, note.signal.size / note.sample_rate_hz) - MARGIN_S
    if end_s - start_s < SHORTEST_HELD_S:
        raise TargetError(
            f"{note.name} is held for {note.note.gate_s:.2f} s, which leaves too little that is "
            "steady; half a second or more is needed. Hold the key longer.",
            name="gate",
        )
    return start_s, end_s


def partial_amplitudes(
    note: TargetNote, times_s: FloatArray, *, part: float = 1.0
) -> tuple[float, FloatArray]:
    """Measure the multiples of the pitch, or of a part of it, at given times.

    Parameters
    ----------
    note : TargetNote
        A note with a pitch.
    times_s : np.ndarray, shape=(n_frames,)
        Times in its signal in s.
    part : float > 0
        1 for the partials; of half the pitch, every second multiple is a partial and the others
        lie between them.

    Returns
    -------
    pitch_hz : float
        Fundamental in Hz.
    amplitudes : np.ndarray, shape=(n_multiples, n_frames)
        Their amplitudes, under a window of four periods.

    Raises
    ------
    TargetError
        If no pitch is heard.
    """
    pitch_hz = note.analysis.pitch_hz
    if pitch_hz is None:
        raise TargetError(
            f"in {note.name} no pitch is heard, so its partials can't be measured. Record a "
            "steady note of one oscillator.",
            name="pitch",
        )
    n_partials = max(1, min(N_MOST, int(min(HIGHEST_HZ, 0.4 * note.sample_rate_hz) / pitch_hz)))
    tracks = harmonic_tracks(
        note.signal,
        steady_track(times_s, part * pitch_hz),
        sample_rate_hz=note.sample_rate_hz,
        n_harmonics=round(n_partials / part),
    )
    return pitch_hz, np.abs(tracks.amplitudes)


def held_partials(note: TargetNote) -> HeldPartials:
    """Measure the partials of the held part.

    Parameters
    ----------
    note : TargetNote
        A note of one oscillator, held for half a second or more.

    Returns
    -------
    HeldPartials
        Those that stand out of the noise.

    Raises
    ------
    TargetError
        If no pitch is heard, or too little of the note is held.
    """
    start_s, end_s = held_span(note)
    times_s = np.arange(start_s, end_s, FRAME_S)
    pitch_hz, amplitudes = partial_amplitudes(note, times_s, part=0.5)
    power = np.mean(amplitudes[1::2] ** 2, axis=1)
    noise_power = np.median(amplitudes[0::2] ** 2, axis=1)
    level_db = 10.0 * np.log10(np.maximum(power, FLOOR**2))
    noise_db = 10.0 * np.log10(np.maximum(noise_power, FLOOR**2))
    stands_out = (level_db > noise_db + ABOVE_NOISE_DB) & (level_db > level_db.max() - RANGE_DB)
    numbers = np.asarray(1.0 + np.flatnonzero(stands_out), dtype=np.float64)
    # Noise of amplitude n beside a partial of amplitude a moves its level by 8.7 n / a dB.
    ratio = 10.0 ** ((noise_db - level_db)[stands_out] / 20.0)
    return HeldPartials(
        numbers,
        numbers * pitch_hz,
        level_db[stands_out],
        np.hypot(SHAPE_DB, 20.0 / np.log(10.0) * ratio / np.sqrt(max(1.0, times_s.size / 4.0))),
    )
