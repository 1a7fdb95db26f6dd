"""Pictures of how a patch holds over the keyboard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.style import LIGHT, Palette
from shared import pitch_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from shared import FloatArray

__all__ = ["KeyCurve", "plot_over_keys"]

MARKERS = ("o", "D", "s", "^", "v", "P")
SEMITONES = 12


@dataclass(frozen=True, eq=False)
class KeyCurve:
    """A quantity over the keys.

    Parameters
    ----------
    name : str
        What it is called: ``"velocity 100"``.
    midi_pitches : np.ndarray, shape=(n_keys,), dtype=float64
        Keys, rising.
    values : np.ndarray, shape=(n_keys,), dtype=float64
        The quantity; NaN where nothing was measured.
    """

    name: str
    midi_pitches: FloatArray
    values: FloatArray


def plot_over_keys(
    curves: Sequence[KeyCurve],
    axes: Axes,
    *,
    label: str,
    least_range: float = 0.0,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw quantities over the keys, octave by octave.

    Parameters
    ----------
    curves : sequence of KeyCurve
        What is drawn.
    axes : matplotlib.axes.Axes
        Where to draw.
    label : str
        What the values are, with their unit: ``"loudness (LUFS)"``.
    least_range : float
        The axis of the values spans at least this, so that small changes look small.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    for place, curve in enumerate(curves):
        axes.plot(
            curve.midi_pitches,
            curve.values,
            marker=MARKERS[place % len(MARKERS)],
            # Later curves are thinner: where they lie over earlier ones, both are seen.
            markersize=max(2.5, 6.0 - 2.0 * place),
            linewidth=max(1.0, 3.4 - 1.4 * place),
            color=palette.series[place % len(palette.series)],
            label=curve.name,
        )
    keys = np.concatenate([curve.midi_pitches for curve in curves]) if curves else np.zeros(0)
    if keys.size:
        first, last = int(np.floor(keys.min())), int(np.ceil(keys.max()))
        # The Cs, as on a keyboard; a shorter stretch has its ends.
        ticks = [key for key in range(first, last + 1) if key % SEMITONES == 0]
        ticks = ticks if len(ticks) > 1 else sorted({first, last})
        axes.set_xticks(ticks, [pitch_name(float(key)) for key in ticks])
    low, high = axes.get_ylim()
    spare = max(0.0, 0.5 * (least_range - (high - low)))
    axes.set_ylim(low - spare, high + spare)
    axes.set(xlabel="key", ylabel=label)
    axes.margins(x=0.02)
    axes.legend(loc="best")
    return axes
