"""The partials of a note over time: how strong each is, and how far it turns between frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared import midi_to_hz

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.target import TargetNote

    ComplexArray = npt.NDArray[np.complex128]

__all__ = ["PartialTracks", "partial_tracks"]

# A step holds whole samples; a window whole periods, so that no partial leaks into another.
STEP_S, WINDOW_S, FEWEST_PERIODS = 0.009, 0.018, 2
# After the first attack, or after one that may have more than the model (of short notes a share
# of what is held), up to the key's release.
ATTACK_S, BENT_ATTACK_S, BENT_SHARE, BEFORE_END_S = 0.06, 0.35, 0.4, 0.01
MOST_PARTIALS, HIGHEST_HZ = 16, 5000.0
# Power against the strongest partial: what lies under -60 dB may be noise, or leak from others.
WEAKEST = 1e-6


@dataclass(frozen=True, eq=False)
class PartialTracks:
    """Partials of one note, heterodyned at multiples of its nominal pitch.

    Parameters
    ----------
    pitch_hz : float
        Nominal pitch in Hz.
    step_s : float
        Time from frame to frame in seconds.
    first : int >= 0
        Steps from the onset to the middle of frame 0.
    partials : np.ndarray, shape=(n_frames, n_partials), dtype=complex128
        Complex amplitudes of partial 1 and up, turned back by the nominal pitch.
    window_s : float >= 0
        Length of the Hann window through which they are seen, in seconds; 0 for moments.
    """

    pitch_hz: float
    step_s: float
    first: int
    partials: ComplexArray
    window_s: float = 0.0

    def normalised(self, n_partials: int) -> ComplexArray:
        """Return the lowest partials, each with a power of 1 in all; 0 for those too weak."""
        lowest = self.partials[:, :n_partials]
        power = np.sum(np.abs(lowest) ** 2, axis=0)
        is_heard = power > np.max(power, initial=0.0) * WEAKEST
        scale = 1.0 / np.sqrt(np.where(is_heard, power, 1.0))
        return lowest * np.where(is_heard, scale, 0.0)


def partial_tracks(note: TargetNote, *, is_bent: bool = False) -> PartialTracks:
    """Follow the partials of a note while its key is held.

    From 60 ms after the onset, or from 0.35 s (0.4 of shorter gates) if a pitch envelope may have
    bent the attack, to the gate's end; there may be no frames.
    """
    rate, pitch_hz = note.sample_rate_hz, float(midi_to_hz(note.note.midi_pitch))
    step = max(1, round(STEP_S * rate))
    period = rate / pitch_hz
    n_window = round(max(FEWEST_PERIODS, round(WINDOW_S * pitch_hz)) * period)
    onset = round(note.onset_s * rate)
    bent_s = max(ATTACK_S, min(BENT_ATTACK_S, BENT_SHARE * note.note.gate_s))
    attack_s = bent_s if is_bent else ATTACK_S
    first = max(-(-round(attack_s * rate) // step), -(-n_window // (2 * step)))
    end = min(onset + round((note.note.gate_s - BEFORE_END_S) * rate), len(note.signal))
    n_frames = max(0, (end - onset - n_window // 2) // step - first + 1)
    n_partials = min(MOST_PARTIALS, int(HIGHEST_HZ / pitch_hz))
    numbers = np.arange(1, n_partials + 1)
    if not n_frames or not n_partials:
        return PartialTracks(pitch_hz, step / rate, first, np.empty((0, n_partials), complex))
    middles = onset + (first + np.arange(n_frames)) * step
    samples = np.arange(n_window) - n_window // 2
    window = 0.5 + 0.5 * np.cos(2.0 * np.pi * (samples + 0.5 * (1 - n_window % 2)) / n_window)
    carriers = np.exp(-2j * np.pi * numbers[:, None] * samples / period) * window / window.sum()
    # einsum adds in fixed order; a matrix product would not on every number of threads.
    sums = np.einsum("in,kn->ik", note.signal[middles[:, None] + samples], carriers)
    back = np.exp(-2j * np.pi * numbers * (middles - onset)[:, None] / period)
    return PartialTracks(pitch_hz, step / rate, first, sums * back, n_window / rate)
