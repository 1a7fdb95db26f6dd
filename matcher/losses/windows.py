"""Band levels of a sound over one window size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import _spectra as spectra
from matcher.losses._spectra import transform_tables
from matcher.losses.bands import Bands, mel_bands

if TYPE_CHECKING:
    from shared import Float32Array

__all__ = ["Window", "WindowBuffers", "WindowPlan"]

LOWEST_HZ = 20.0


@dataclass(frozen=True)
class WindowPlan:
    """How a window size is laid out.

    Parameters
    ----------
    n_fft, hop : int
        Window size and hop in samples.
    n_mels : int
        Number of mel bands.
    high_hz : float
        Highest frequency in Hz.
    start : int
        Where the first frame begins in a placed sound.
    n_frames : int
        Number of frames.
    """

    n_fft: int
    hop: int
    n_mels: int
    high_hz: float
    start: int
    n_frames: int


@dataclass(frozen=True)
class Window:
    """One window size with the target's bands in it.

    Parameters
    ----------
    plan : WindowPlan
        Layout of the frames.
    shape : np.ndarray, shape=(n_fft,), dtype=float32
        Hann window.
    bands : Bands
        Mel bands.
    floor : float
        Power that is added to each band.
    levels, amplitudes : np.ndarray, shape=(n_frames, n_bands), dtype=float32
        The target's band levels in dB, and amplitudes.
    """

    plan: WindowPlan
    shape: Float32Array
    bands: Bands
    floor: float
    levels: Float32Array
    amplitudes: Float32Array

    @classmethod
    def of_target(
        cls, placed: Float32Array, plan: WindowPlan, *, sample_rate_hz: int, floor_db: float
    ) -> Window:
        """Analyse the target.

        Parameters
        ----------
        placed : np.ndarray, shape=(n_samples,), dtype=float32
            The target with its onset in place.
        plan : WindowPlan
            Layout of the frames.
        sample_rate_hz : int
            Sampling rate in Hz.
        floor_db : float < 0
            Floor under the loudest band.

        Returns
        -------
        Window
            With the target's levels.
        """
        bands = mel_bands(
            plan.n_fft,
            plan.n_mels,
            sample_rate_hz=sample_rate_hz,
            low_hz=LOWEST_HZ,
            high_hz=plan.high_hz,
        )
        shape = np.hanning(plan.n_fft + 1)[:-1].astype(np.float32)
        empty = np.empty((plan.n_frames, len(bands)), np.float32)
        blank = cls(plan, shape, bands, 0.0, empty, empty)
        _, loudest = WindowBuffers(blank).analyse(placed, 1.0)
        floor = float(np.max(loudest)) ** 2 * 10.0 ** (floor_db / 10.0)
        floored = cls(plan, shape, bands, floor, empty, empty)
        return cls(plan, shape, bands, floor, *WindowBuffers(floored).analyse(placed, 1.0))


class WindowBuffers:
    """Analyses candidates with one window size, in buffers of its own.

    Parameters
    ----------
    window : Window
        The window size.
    """

    def __init__(self, window: Window) -> None:
        self.window = window
        plan = window.plan
        self._tables = transform_tables(plan.n_fft)
        bands = window.bands
        self._bands = bands.weights, bands.starts, bands.ends
        self._levels = np.empty((plan.n_frames, len(bands)), np.float32)
        self._amplitudes = np.empty_like(self._levels)

    @property
    def levels(self) -> Float32Array:
        """Band levels of the last sound."""
        return self._levels

    def analyse(self, placed: Float32Array, gain: float) -> tuple[Float32Array, Float32Array]:
        """Return band levels in dB and amplitudes of a placed sound, scaled by `gain`.

        Both have shape (n_frames, n_bands) and are overwritten by the next call.
        """
        window, plan = self.window, self.window.plan
        spectra.band_levels(
            placed,
            (plan.start, plan.hop),
            window.shape * np.float32(gain),
            self._tables,
            self._bands,
            window.floor,
            self._levels,
            self._amplitudes,
        )
        return self._levels, self._amplitudes
