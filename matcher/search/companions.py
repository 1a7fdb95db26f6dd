"""What is fitted first after a jump: the part that was changed, and what trades with it.

A search that has made a change (a vibrato switched on) asks whether it was right long before it
has fitted everything else again. Some twenty parameters answer that: those of the part itself,
and those that any change of the sound moves (levels, brightness, how the oscillators beat).
Common practice, no source.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from shared.patch_schema import PHASE_NAMES

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["coarse_entries", "companions", "families_of"]

ALWAYS = (
    "tune_cents",
    "osc2.detune_cents",
    "osc?.*_level",
    "filter.cutoff_hz",
    "filter_env.depth_octaves",
    "amp_env.attack_s",
)
# What else a part trades with.
TRADES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("osc?.pitch_env", ("filter_env.attack_s", "filter_env.decay_s", "filter_env.sustain_ratio")),
    ("osc?.pwm", ("osc?.pulse_width_ratio",)),
    ("osc?", ("osc?.pulse_width_ratio", "highpass.cutoff_hz")),
    ("filter", ("filter*", "highpass.cutoff_hz", "body.*")),
    ("body*", ("filter.*", "body*", "highpass.cutoff_hz")),
    ("highpass", ("filter.*", "body.*")),
    ("filter_env", ("filter_env.*", "amp_env.*", "filter.*")),
    ("amp_env", ("filter_env.*", "amp_env.*")),
)

# What the first steps from many starts leave alone: it says little about which valley is deeper.
FINE = ("*.vibrato.*", "*.pwm.*", "*.pitch_env.*", "*_lfo.*", "*attack_curve_ratio")


def coarse_entries(problem: Problem) -> BoolArray:
    """Say what moves in the first steps from many starts.

    Parameters
    ----------
    problem : Problem
        What vectors mean.

    Returns
    -------
    np.ndarray of bool, shape=(n_dimensions,)
        All but what moves with time, and front edges.
    """
    names = (*problem.space.names, *(PHASE_NAMES[column] for column in problem.phase_columns))
    coarse = [not any(fnmatchcase(name, pattern) for pattern in FINE) for name in names]
    n = len(problem.space)
    entries = np.array([*coarse[:n], *(coarse[n:] * problem.n_notes)], bool)
    # Where movement is most of what is searched, it is what tells.
    return entries if 2 * np.count_nonzero(entries) > len(entries) else np.ones_like(entries)


def companions(problem: Problem, changed: BoolArray) -> BoolArray:
    """Say what is fitted first after some entries of a vector were changed.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    changed : np.ndarray of bool, shape=(n_rows, n_dimensions)
        What each jump changes.

    Returns
    -------
    np.ndarray of bool, shape=(n_rows, n_dimensions)
        What was changed, and its companions.
    """
    n = len(problem.space)
    parts = np.array([_part(name) for name in problem.space.names])
    phases = [PHASE_NAMES[column] for column in problem.phase_columns]
    # Hundreds of jumps touch the same few parts.
    known: dict[frozenset[str], BoolArray] = {}
    masks = np.zeros(changed.shape, bool)
    for i, row in enumerate(changed):
        touched = frozenset(parts[row[:n]].tolist())
        if touched not in known:
            patterns = [*ALWAYS, *_trades(touched)]
            entries = [
                part in touched or any(fnmatchcase(name, pattern) for pattern in patterns)
                for name, part in zip(problem.space.names, parts, strict=True)
            ]
            moving = [_part(name) in {*touched, "osc1", "osc2"} for name in phases]
            known[touched] = np.array([*entries, *(moving * problem.n_notes)], bool)
        masks[i] = known[touched]
    return masks | changed


def families_of(problem: Problem, rows: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Give jumps that make the same change the same number.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    rows : np.ndarray, shape=(n_jumps, n_dimensions)
        Jumps; NaN where they change nothing.

    Returns
    -------
    np.ndarray of int, shape=(n_jumps,)
        The same number for jumps that differ in phases only.
    """
    kinds = rows[:, : len(problem.space)]
    known: dict[bytes, int] = {}
    numbers = [known.setdefault(kind.tobytes(), len(known)) for kind in kinds]
    return np.array(numbers, dtype=np.int64)


def _part(name: str) -> str:
    """Return the part that a parameter or phase belongs to: `osc1.pwm` of `osc1.pwm.rate_hz`."""
    return name.rpartition(".")[0]


def _trades(touched: frozenset[str]) -> list[str]:
    """List what the touched parts trade with."""
    return [
        pattern.replace("osc?", part[:4]) if part.startswith("osc") else pattern
        for part in sorted(touched)
        for trader, patterns in TRADES
        if fnmatchcase(part, trader)
        for pattern in patterns
    ]
