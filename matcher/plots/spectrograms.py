"""Short-time spectra on an axis of octaves, as an ear and an eye take them in, and their pictures.

Bands are a twelfth of an octave wide, so that low partials stand apart and high ones don't crowd
the picture; the window keeps a front edge within a hundredth of a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from matcher.plots.style import LEVEL_MAP, LIGHT, Palette, difference_map
from shared import ParameterError, seconds_to_samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

    from shared import FloatArray

WINDOW_S = 0.046
HOP_S = 0.005
# Wider than a screen has columns for; longer notes take wider steps.
MAX_FRAMES = 600
BANDS_PER_OCTAVE = 12
LOWEST_HZ = 40.0
HIGHEST_HZ = 20_000.0
# Under the strongest band, nothing is shown.
FLOOR_DB = -80.0
# Both ends of the scale of differences; larger ones look the same.
DIFFERENCE_RANGE_DB = 24.0
# Differences between bands that can't be heard beside the loud ones are left blank: where both lie
# this far under the strongest band.
HEARD_DB = -60.0
TICKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Level in dB, shape (n_bands, n_frames), over frames in s and bands in Hz.

    A time is the middle of its frame, from the start of the signal; a band is that of an octave's
    twelfth. Levels end at `FLOOR_DB`.
    """

    times_s: FloatArray
    bands_hz: FloatArray
    level_db: FloatArray


def measure_spectrogram(*signals: FloatArray, sample_rate_hz: int) -> tuple[Spectrogram, ...]:
    """Measure sounds of one length on one scale: 0 dB is the strongest band of all of them."""
    if len({signal.shape for signal in signals}) != 1 or signals[0].ndim != 1:
        shapes = ", ".join(str(signal.shape) for signal in signals) or "nothing"
        raise ParameterError(
            f"signals have the shapes {shapes}; they must be mono sounds of one length.",
            name="signals",
        )
    n_fft = 1 << int(np.ceil(np.log2(WINDOW_S * sample_rate_hz)))
    length_s = signals[0].size / sample_rate_hz
    hop_s = max(HOP_S, length_s / MAX_FRAMES)
    times_s = np.arange(0.0, max(length_s, hop_s), hop_s)
    edges = _edges(n_fft, sample_rate_hz)
    powers = [_power(signal, times_s, n_fft, edges, sample_rate_hz) for signal in signals]
    strongest = max(float(power.max()) for power in powers) or 1.0
    bands_hz = _bands(sample_rate_hz)
    least = 10.0 ** (FLOOR_DB / 10.0)
    return tuple(
        Spectrogram(times_s, bands_hz, 10.0 * np.log10(np.maximum(power / strongest, least)))
        for power in powers
    )


def _bands(sample_rate_hz: int) -> FloatArray:
    """Return the middles of the bands in Hz."""
    highest = min(HIGHEST_HZ, 0.5 * sample_rate_hz)
    n_bands = int(BANDS_PER_OCTAVE * np.log2(highest / LOWEST_HZ))
    return np.asarray(LOWEST_HZ * 2.0 ** ((np.arange(n_bands) + 0.5) / BANDS_PER_OCTAVE))


def _edges(n_fft: int, sample_rate_hz: int) -> FloatArray:
    """Return the edges of the bands in bins, shape (n_bands + 1,)."""
    middles = _bands(sample_rate_hz)
    half = 2.0 ** (0.5 / BANDS_PER_OCTAVE)
    edges_hz = np.append(middles / half, middles[-1] * half)
    return np.asarray(edges_hz * n_fft / sample_rate_hz)


def _power(
    signal: FloatArray, times_s: FloatArray, n_fft: int, edges: FloatArray, sample_rate_hz: int
) -> FloatArray:
    """Return the highest power in each band, shape (n_bands, n_frames).

    Where bands are narrower than bins, the spectrum is read in a straight line between them.
    """
    padded = np.pad(signal, (n_fft // 2, n_fft))
    starts = np.asarray(seconds_to_samples(times_s, sample_rate_hz), dtype=np.int64)
    views = np.lib.stride_tricks.sliding_window_view(padded, n_fft)[
        np.minimum(starts, padded.size - n_fft)
    ]
    power = np.abs(np.fft.rfft(views * np.hanning(n_fft + 1)[:-1], axis=1)) ** 2
    middles = 0.5 * (edges[1:] + edges[:-1])
    below = np.minimum(middles.astype(np.int64), power.shape[1] - 2)
    share = middles - below
    between = power[:, below] * (1.0 - share) + power[:, below + 1] * share
    first = np.ceil(edges[:-1]).astype(np.int64)
    n_bins = np.maximum(np.floor(edges[1:]).astype(np.int64) - first + 1, 0)
    bands = between.T.copy()
    for band in np.flatnonzero(n_bins >= 1):
        inside = power[:, first[band] : first[band] + n_bins[band]]
        if inside.shape[1]:
            bands[band] = np.maximum(bands[band], inside.max(axis=1))
    return np.asarray(bands, dtype=np.float64)


def plot_spectrogram(spectrogram: Spectrogram, axes: Axes, *, onset_s: float = 0.0) -> Axes:
    """Draw a spectrogram on `axes`, and return them; 0 on the axis of time is the onset."""
    scale = _Scale(LEVEL_MAP, FLOOR_DB, 0.0, "level (dB)")
    return _draw(spectrogram, spectrogram.level_db, axes, onset_s, scale)


def plot_spectrogram_difference(
    target: Spectrogram,
    match: Spectrogram,
    axes: Axes,
    *,
    onset_s: float = 0.0,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw on `axes` where the match has more, or less, than the target, and return them."""
    if target.level_db.shape != match.level_db.shape:
        raise ParameterError(
            f"match has the shape {match.level_db.shape}, the target {target.level_db.shape}; "
            "they must have been measured together.",
            name="match",
        )
    louder = np.maximum(target.level_db, match.level_db)
    difference = np.where(louder > HEARD_DB, match.level_db - target.level_db, 0.0)
    ends = -DIFFERENCE_RANGE_DB, DIFFERENCE_RANGE_DB
    scale = _Scale(difference_map(palette), *ends, "match - target (dB)")
    return _draw(target, difference, axes, onset_s, scale)


class _Scale(NamedTuple):
    """Colours for values from low to high, and what they are."""

    colours: str | Colormap
    low: float
    high: float
    label: str


def _draw(
    spectrogram: Spectrogram, values: FloatArray, axes: Axes, onset_s: float, scale: _Scale
) -> Axes:
    """Draw values over time and octaves, with a colour bar."""
    times_s = spectrogram.times_s - onset_s
    octaves = np.log2(spectrogram.bands_hz)
    half_s = 0.5 * (times_s[1] - times_s[0]) if times_s.size > 1 else 0.5
    half_octave = 0.5 * (octaves[1] - octaves[0])
    image = axes.imshow(
        values,
        origin="lower",
        aspect="auto",
        # As it is: another grid would blur the front edge, and make the file larger.
        interpolation="none",
        extent=(
            float(times_s[0] - half_s),
            float(times_s[-1] + half_s),
            float(octaves[0] - half_octave),
            float(octaves[-1] + half_octave),
        ),
        cmap=scale.colours,
        vmin=scale.low,
        vmax=scale.high,
    )
    ticks = [hz for hz in TICKS_HZ if spectrogram.bands_hz[0] <= hz <= spectrogram.bands_hz[-1]]
    labels = [f"{hz / 1000:g}k" if hz >= 1000 else str(hz) for hz in ticks]
    axes.set_yticks(np.log2(ticks), labels)
    axes.set(xlabel="time (s)", ylabel="frequency (Hz)")
    axes.grid(visible=False)
    axes.figure.colorbar(image, ax=axes, label=scale.label, pad=0.02)
    return axes
