"""Pictures of curves: over time, harmonics, rates of movement, keys and candidates.

Each function draws on `axes`, in the colours of `palette`, and returns the axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.style import LIGHT, Palette
from shared import pitch_name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import TypeAlias

    from matplotlib.axes import Axes

    from matcher.plots.pair import SoundPair
    from shared import FloatArray

    Curve: TypeAlias = tuple[FloatArray, FloatArray]

# Lower levels are left out of the picture.
LEVEL_RANGE_DB = 60.0
# The attack enlarged: a little before the onset, and what makes or breaks brass.
BEFORE_S, ATTACK_S = 0.01, 0.15
# Pitch is drawn at least this far to each side, so that a steady tone looks steady.
LEAST_CENTS = 20.0
MOST_CENTS = 600.0
MARKERS = ("o", "D", "s", "^", "v", "P")
SEMITONES = 12
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 2)))


@dataclass(frozen=True, eq=False)
class KeyCurve:
    """A quantity over rising keys; NaN where nothing was measured."""

    name: str
    midi_pitches: FloatArray
    values: FloatArray


@dataclass(frozen=True, eq=False)
class LossCurve:
    """Best loss so far of one contestant: median and quartiles over its seeds."""

    name: str
    evaluations: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray


def plot_envelopes(
    pair: SoundPair, axes: Axes, *, is_attack: bool = False, palette: Palette = LIGHT
) -> Axes:
    """Draw the levels of target and match over each other."""
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
    """Draw how far the pitches lie from the key that is played."""
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
    """Draw how deep and how fast the levels move, mean over the octaves."""
    curves = [
        (tracks.movement.rates_hz, tracks.movement.level_db)
        for tracks in (pair.target, pair.match)
    ]
    return _draw_movement(curves, axes, "depth (dB)", palette)


def plot_pitch_movement(pair: SoundPair, axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw how deep and how fast the pitches move: a vibrato is a peak at its rate."""
    curves = []
    for tracks in (pair.target, pair.match):
        movement = tracks.movement
        n_rates = movement.pitch_cents.size
        curves.append((movement.rates_hz[:n_rates], movement.pitch_cents))
    return _draw_movement(curves, axes, "depth (cents)", palette)


def plot_harmonics(
    pair: SoundPair, axes: Axes, *, is_attack: bool = False, palette: Palette = LIGHT
) -> Axes:
    """Draw the level of each harmonic."""
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


def plot_over_keys(
    curves: Sequence[KeyCurve],
    axes: Axes,
    *,
    label: str,
    least_range: float = 0.0,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw quantities over the keys, octave by octave."""
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


def plot_convergence(
    evaluations: Sequence[float] | FloatArray,
    losses: Sequence[float] | FloatArray,
    axes: Axes,
    *,
    n_evaluations: int | None = None,
    palette: Palette = LIGHT,
) -> Axes:
    """Draw how the best loss goes down."""
    counts, values = np.asarray(evaluations, float), np.asarray(losses, float)
    if counts.size and n_evaluations is not None and n_evaluations > counts[-1]:
        counts, values = np.append(counts, n_evaluations), np.append(values, values[-1])
    axes.plot(counts, values, drawstyle="steps-post", color=palette.match, linewidth=1.6)
    axes.axhline(1.0, color=palette.ink, linewidth=0.8, linestyle=":")
    axes.set_ylim(bottom=0.0)
    axes.set(xlabel="tries", ylabel="distance")
    axes.margins(x=0.01)
    return axes


def plot_comparison(curves: Sequence[LossCurve], axes: Axes, *, palette: Palette = LIGHT) -> Axes:
    """Draw medians over the seeds, with bands from quartile to quartile."""
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
    axes.set(xlabel="tries", ylabel="smallest distance so far")
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
    """Draw where each seed ended, with median and quartiles."""
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
    axes.set(xlabel="distance at the end")
    return axes


def _draw_both(axes: Axes, curves: Sequence[Curve], palette: Palette) -> None:
    """Draw the target as a broad line and the match as a thin one over it."""
    target, match = curves
    axes.plot(*target, color=palette.target, linewidth=2.6, alpha=0.75, label="target")
    axes.plot(*match, color=palette.match, linewidth=1.2, label="match")


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
