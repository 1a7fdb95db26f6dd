"""Pictures of spectrograms: one sound, and the difference of two."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.spectrogram import FLOOR_DB
from matcher.plots.style import LEVEL_MAP, LIGHT, Palette, difference_map
from shared import ParameterError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.image import AxesImage

    from matcher.plots.spectrogram import Spectrogram
    from shared import FloatArray

__all__ = ["DIFFERENCE_RANGE_DB", "plot_spectrogram", "plot_spectrogram_difference"]

# Both ends of the scale of differences; larger ones look the same.
DIFFERENCE_RANGE_DB = 24.0
# Differences between bands that can't be heard beside the loud ones are left blank: where both lie
# this far under the strongest band.
HEARD_DB = -60.0
TICKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


def plot_spectrogram(
    spectrogram: Spectrogram, axes: Axes, *, onset_s: float = 0.0, has_scale: bool = True
) -> Axes:
    """Draw a spectrogram.

    Parameters
    ----------
    spectrogram : Spectrogram
        The sound.
    axes : matplotlib.axes.Axes
        Where to draw.
    onset_s : float
        Time that becomes 0 on the axis, in s.
    has_scale : bool
        Whether a colour bar is drawn beside it.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    image = _draw(
        spectrogram,
        spectrogram.level_db,
        axes,
        onset_s=onset_s,
        colours=LEVEL_MAP,
        limits=(FLOOR_DB, 0.0),
    )
    if has_scale:
        axes.figure.colorbar(image, ax=axes, label="level (dB)", pad=0.02)
    return axes


def plot_spectrogram_difference(
    target: Spectrogram,
    match: Spectrogram,
    axes: Axes,
    *,
    onset_s: float = 0.0,
    has_scale: bool = True,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw where the match has more, or less, than the target.

    Parameters
    ----------
    target, match : Spectrogram
        Both sounds, measured together.
    axes : matplotlib.axes.Axes
        Where to draw.
    onset_s : float
        Time that becomes 0 on the axis, in s.
    has_scale : bool
        Whether a colour bar is drawn beside it.
    palette : Palette
        Colours for more and less.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.

    Raises
    ------
    ParameterError
        If the two don't have the same frames and bands.
    """
    if target.level_db.shape != match.level_db.shape:
        raise ParameterError(
            f"match has the shape {match.level_db.shape}, the target {target.level_db.shape}; "
            "spectrograms that were measured together are accepted.",
            name="match",
        )
    louder = np.maximum(target.level_db, match.level_db)
    difference = np.where(louder > HEARD_DB, match.level_db - target.level_db, 0.0)
    image = _draw(
        target,
        difference,
        axes,
        onset_s=onset_s,
        colours=difference_map(palette),
        limits=(-DIFFERENCE_RANGE_DB, DIFFERENCE_RANGE_DB),
    )
    if has_scale:
        axes.figure.colorbar(image, ax=axes, label="match - target (dB)", pad=0.02)
    return axes


def _draw(
    spectrogram: Spectrogram,
    values: FloatArray,
    axes: Axes,
    *,
    onset_s: float,
    colours: str | Colormap,
    limits: tuple[float, float],
) -> AxesImage:
    """Draw values over time and octaves."""
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
        cmap=colours,
        vmin=limits[0],
        vmax=limits[1],
    )
    ticks = [hz for hz in TICKS_HZ if spectrogram.bands_hz[0] <= hz <= spectrogram.bands_hz[-1]]
    labels = [f"{hz / 1000:g}k" if hz >= 1000 else str(hz) for hz in ticks]
    axes.set_yticks(np.log2(ticks), labels)
    axes.set(xlabel="time (s)", ylabel="frequency (Hz)")
    axes.grid(visible=False)
    return image
