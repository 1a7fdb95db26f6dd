"""Pictures of a match, for reports and notebooks: data and axes go in, the axes come back.

::

    import matplotlib.pyplot as plt

    import matcher
    from matcher import plots

    pair = plots.run_pairs(matcher.load_run("runs/horn"))[0]
    with plots.plot_style():
        axes = plots.plot_envelopes(pair, plt.figure().subplots())
"""

from __future__ import annotations

from matcher.plots.curves import (
    plot_envelopes,
    plot_harmonics,
    plot_level_movement,
    plot_pitch,
    plot_pitch_movement,
)
from matcher.plots.keys import KeyCurve, plot_over_keys
from matcher.plots.movement import Movement, measure_movement
from matcher.plots.pair import SoundPair, SoundTracks, level_curves, measure_pair, run_pairs
from matcher.plots.searching import (
    LossCurve,
    plot_comparison,
    plot_convergence,
    plot_final_losses,
)
from matcher.plots.spectrogram import Spectrogram, measure_spectrogram
from matcher.plots.spectrograms import plot_spectrogram, plot_spectrogram_difference
from matcher.plots.style import DARK, LIGHT, Palette, find_palette, plot_style

__all__ = [
    "DARK",
    "LIGHT",
    "KeyCurve",
    "LossCurve",
    "Movement",
    "Palette",
    "SoundPair",
    "SoundTracks",
    "Spectrogram",
    "find_palette",
    "level_curves",
    "measure_movement",
    "measure_pair",
    "measure_spectrogram",
    "plot_comparison",
    "plot_convergence",
    "plot_envelopes",
    "plot_final_losses",
    "plot_harmonics",
    "plot_level_movement",
    "plot_over_keys",
    "plot_pitch",
    "plot_pitch_movement",
    "plot_spectrogram",
    "plot_spectrogram_difference",
    "plot_style",
    "run_pairs",
]
