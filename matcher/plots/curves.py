"""Pictures of what changes over time, over the harmonics and over the rates of movement."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.style import LIGHT, Palette, _draw_both

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matcher.plots.pair import SoundPair
    from shared import FloatArray

__all__ = [
    "plot_envelopes",
    "plot_harmonics",
    "plot_level_movement",
    "plot_pitch",
    "plot_pitch_movement",
]

# Lower levels are left out of the picture.
LEVEL_RANGE_DB = 60.0
# The attack enlarged: a little before the onset, and what makes or breaks brass.
BEFORE_S, ATTACK_S = 0.01, 0.15
# Pitch is drawn at least this far to each side, so that a steady tone looks steady.
LEAST_CENTS = 20.0
MOST_CENTS = 600.0


def plot_envelopes(
    pair: SoundPair, axes: Axes, *, is_attack: bool = False, palette: Palette = LIGHT
) -> Axes:
    """Draw the levels of target and match over each other.

    Parameters
    ----------
    pair : SoundPair
        Both sounds.
    axes : matplotlib.axes.Axes
        Where to draw.
    is_attack : bool
        Whether the first 150 ms are shown alone, enlarged, in ms.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    scale = 1000.0 if is_attack else 1.0
    curves = [
        (scale * (tracks.level_times_s - pair.onset_s), tracks.level_db)
        for tracks in (pair.target, pair.match)
    ]
    if is_attack:
        curves = [_between(curve, -scale * BEFORE_S, scale * ATTACK_S) for curve in curves]
    _draw_both(axes, curves, palette)
    if is_attack:
        axes.set_xlim(-scale * BEFORE_S, scale * ATTACK_S)
    else:
        axes.axvline(pair.note.gate_s, color=palette.ink, linewidth=0.8, linestyle=":")
        axes.margins(x=0.01)
    axes.set_ylim(-LEVEL_RANGE_DB, 3.0)
    unit = "ms" if is_attack else "s"
    axes.set(xlabel=f"time after the onset ({unit})", ylabel="level (dB)")
    axes.legend(loc="lower right" if is_attack else "upper right")
    return axes


def plot_pitch(pair: SoundPair, axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw how far the pitches lie from the key that is played.

    Parameters
    ----------
    pair : SoundPair
        Both sounds.
    axes : matplotlib.axes.Axes
        Where to draw.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    curves = [
        (tracks.pitch_times_s - pair.onset_s, tracks.pitch_cents)
        for tracks in (pair.target, pair.match)
    ]
    _draw_both(axes, curves, palette)
    heard = [cents[np.isfinite(cents)] for _, cents in curves]
    sizes = np.abs(np.concatenate(heard)) if heard else np.zeros(0)
    # Slips of a single frame at the very start or end would flatten all the rest.
    widest = float(np.percentile(sizes, 98)) if sizes.size else 0.0
    half = float(np.clip(1.2 * widest, LEAST_CENTS, MOST_CENTS))
    axes.set_ylim(-half, half)
    axes.axhline(0.0, color=palette.ink, linewidth=0.8, linestyle=":")
    axes.set(xlabel="time after the onset (s)", ylabel="off the key (cents)")
    axes.margins(x=0.01)
    axes.legend(loc="upper right")
    return axes


def plot_level_movement(pair: SoundPair, axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw how deep and how fast the levels move, mean over the octaves.

    Parameters
    ----------
    pair : SoundPair
        Both sounds.
    axes : matplotlib.axes.Axes
        Where to draw.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    curves = [
        (tracks.movement.rates_hz, tracks.movement.level_db)
        for tracks in (pair.target, pair.match)
    ]
    return _draw_movement(curves, axes, "depth (dB)", palette)


def plot_pitch_movement(pair: SoundPair, axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw how deep and how fast the pitches move: a vibrato is a peak at its rate.

    Parameters
    ----------
    pair : SoundPair
        Both sounds.
    axes : matplotlib.axes.Axes
        Where to draw.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    curves = []
    for tracks in (pair.target, pair.match):
        movement = tracks.movement
        n_rates = movement.pitch_cents.size
        curves.append((movement.rates_hz[:n_rates], movement.pitch_cents))
    return _draw_movement(curves, axes, "depth (cents)", palette)


def plot_harmonics(
    pair: SoundPair, axes: Axes, *, is_attack: bool = False, palette: Palette = LIGHT
) -> Axes:
    """Draw the level of each harmonic.

    Parameters
    ----------
    pair : SoundPair
        Both sounds.
    axes : matplotlib.axes.Axes
        Where to draw.
    is_attack : bool
        Whether the front edge is shown, each harmonic at its highest; else the held part.
    palette : Palette
        Colours.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.
    """
    sounds = [
        tracks.attack_harmonics_db if is_attack else tracks.sustain_harmonics_db
        for tracks in (pair.target, pair.match)
    ]
    looks = (
        ("target", "o", palette.target, 7.0, 0.75),
        ("match", "D", palette.match, 3.5, 1.0),
    )
    for levels, (label, marker, colour, size, alpha) in zip(sounds, looks, strict=True):
        numbers = np.arange(1, levels.size + 1)
        axes.plot(numbers, levels, marker, color=colour, markersize=size, alpha=alpha, label=label)
    for number, ends in enumerate(zip(*sounds, strict=False), start=1):
        axes.plot([number, number], list(ends), color=palette.ink, linewidth=0.7, zorder=1)
    axes.set(xlabel="harmonic", ylabel="level (dB)")
    shown = np.concatenate(sounds)
    axes.set_ylim(min(-30.0, float(shown.min(initial=0.0)) - 4.0), 4.0)
    axes.legend(loc="upper right")
    return axes


def _draw_movement(
    curves: list[tuple[FloatArray, FloatArray]], axes: Axes, label: str, palette: Palette
) -> Axes:
    """Draw modulation spectra, rates on an axis of octaves."""
    _draw_both(axes, curves, palette)
    axes.set_xscale("log")
    axes.set_xlim(0.5, 20.0)
    ticks = (0.5, 1, 2, 5, 10, 20)
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_ylim(bottom=0.0)
    axes.set(xlabel="rate (Hz)", ylabel=label)
    axes.legend(loc="upper right")
    return axes


def _between(
    curve: tuple[FloatArray, FloatArray], low: float, high: float
) -> tuple[FloatArray, FloatArray]:
    """Cut a curve to a stretch."""
    is_inside = (curve[0] >= low) & (curve[0] <= high)
    return curve[0][is_inside], curve[1][is_inside]
