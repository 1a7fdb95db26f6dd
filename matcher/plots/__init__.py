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
    KeyCurve,
    LossCurve,
    plot_comparison,
    plot_convergence,
    plot_envelopes,
    plot_final_losses,
    plot_harmonics,
    plot_level_movement,
    plot_over_keys,
    plot_pitch,
    plot_pitch_movement,
)
from matcher.plots.pair import (
    Movement,
    SoundPair,
    SoundTracks,
    level_curves,
    measure_pair,
    run_pairs,
)
from matcher.plots.spectrograms import (
    Spectrogram,
    measure_spectrogram,
    plot_spectrogram,
    plot_spectrogram_difference,
)
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
