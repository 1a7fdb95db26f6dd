"""Pictures of searches: one search going down, and several compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.style import LIGHT, Palette

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from shared import FloatArray

__all__ = ["LossCurve", "plot_comparison", "plot_convergence", "plot_final_losses"]

DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 2)))


@dataclass(frozen=True, eq=False)
class LossCurve:
    """Best loss so far of one contestant, over its seeds.

    Parameters
    ----------
    name : str
        What it is called.
    evaluations : np.ndarray, shape=(n_steps,)
        Evaluations by then.
    median, low, high : np.ndarray, shape=(n_steps,)
        Median and quartiles of the best loss so far, over the seeds.
    """

    name: str
    evaluations: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray


def plot_convergence(
    evaluations: Sequence[float] | FloatArray,
    losses: Sequence[float] | FloatArray,
    axes: Axes,
    *,
    n_evaluations: int | None = None,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw how the best loss goes down.

    Parameters
    ----------
    evaluations : sequence of float
        Number of evaluations at each improvement.
    losses : sequence of float
        The loss from then on.
    axes : matplotlib.axes.Axes
        Where to draw.
    n_evaluations : int, optional
        Evaluations in all; the last improvement if left out.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    counts, values = np.asarray(evaluations, float), np.asarray(losses, float)
    if counts.size and n_evaluations is not None and n_evaluations > counts[-1]:
        counts, values = np.append(counts, n_evaluations), np.append(values, values[-1])
    axes.plot(counts, values, drawstyle="steps-post", color=palette.match, linewidth=1.6)
    axes.axhline(1.0, color=palette.ink, linewidth=0.8, linestyle=":")
    axes.set_ylim(bottom=0.0)
    axes.set(xlabel="candidates tried", ylabel="loss (audible steps)")
    axes.margins(x=0.01)
    return axes


def plot_comparison(curves: Sequence[LossCurve], axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw medians over the seeds, with bands from quartile to quartile.

    Parameters
    ----------
    curves : sequence of LossCurve
        The contestants.
    axes : matplotlib.axes.Axes
        Where to draw.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    for place, curve in enumerate(curves):
        colour = palette.series[place % len(palette.series)]
        axes.fill_between(
            curve.evaluations, curve.low, curve.high, color=colour, alpha=0.18, linewidth=0.0
        )
        axes.plot(
            curve.evaluations,
            curve.median,
            color=colour,
            linewidth=1.6,
            linestyle=DASHES[place % len(DASHES)],
            label=curve.name,
        )
    axes.set_ylim(bottom=0.0)
    axes.set(xlabel="candidates tried", ylabel="best loss so far (audible steps)")
    axes.margins(x=0.01)
    # Names come from outside: a dollar sign in one is no formula.
    for text in axes.legend(loc="lower left").get_texts():
        text.set_parse_math(False)
    return axes


def plot_final_losses(
    names: Sequence[str],
    losses: Sequence[Sequence[float] | FloatArray],
    axes: Axes,
    *,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw where each seed ended, with median and quartiles.

    Parameters
    ----------
    names : sequence of str
        The contestants.
    losses : sequence of sequence of float
        Final losses of each, seed by seed.
    axes : matplotlib.axes.Axes
        Where to draw.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    for place, seeds in enumerate(losses):
        values = np.sort(np.asarray(seeds, float))
        colour = palette.series[place % len(palette.series)]
        low, median, high = np.percentile(values, [25.0, 50.0, 75.0])
        axes.plot([low, high], [place, place], color=colour, linewidth=7.0, alpha=0.3)
        axes.plot(values, np.full(values.size, place), "o", color=colour, markersize=4.0)
        axes.plot([median], [place], "|", color=palette.ink, markersize=16.0, markeredgewidth=1.6)
    axes.set_xlim(left=0.0)
    for place, name in enumerate(names):
        # Above its line, as names may be long; and a dollar sign in one is no formula.
        axes.text(
            0.02,
            place - 0.22,
            name,
            transform=axes.get_yaxis_transform(),
            verticalalignment="bottom",
            parse_math=False,
        )
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_ylim(len(names) - 0.5, -0.7)
    axes.set(xlabel="final loss (audible steps)")
    return axes
