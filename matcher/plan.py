"""The plan of a search: which parameters move in which stage, and for how long.

The plain patch comes first (two sawtooths, filter, envelopes), then its colour, then what moves,
then the front edge, then everything at once in small steps, as a programmer would go about it:
in few dimensions a stage goes far in little time, and detail can be told apart only where the
filter is about right. `DEVELOPERS.md`
has the table of what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from shared.patch_schema import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = ["DEFAULT_PLAN", "WHOLE", "Stage"]

OSC2_PHASE = PHASE_NAMES.index("osc2.phase")


@dataclass(frozen=True)
class Stage:
    """One stage of a search.

    Parameters
    ----------
    name : str
        Name, as shown beside the progress bar.
    only : tuple of str
        Patterns of the parameters that move; the others stay at the best so far.
    share : float, 0 < share <= 1
        Part of the budget; what a plan leaves goes into making the patch plain.
    sigma : float, 0 < sigma <= 1
        Standard deviation of the first draws, as a share of each range.
    has_phases : bool
        Whether the nuisance phases move too.
    probes : tuple of mapping
        Values to try before the stage begins, on top of the best so far. A depth near neutral
        hardly matters, so a search in small steps may never leave it; a probe jumps.
    is_from_probes : bool
        Whether the stage begins at the best probe even if the best so far is better.
    fits_gates : bool
        Whether estimated gates are corrected when the stage is over.
    """

    name: str
    only: tuple[str, ...]
    share: float
    sigma: float
    has_phases: bool = True
    probes: tuple[Mapping[str, float], ...] = ()
    is_from_probes: bool = False
    fits_gates: bool = False

    def columns(self, problem: Problem) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Return the entries of a vector that move in this stage.

        Parameters
        ----------
        problem : Problem
            What is searched.

        Returns
        -------
        np.ndarray of int, shape=(n_moving,)
            Places in the vector, in order; empty if the structure has none of them.
        """
        moving = [
            i
            for i, name in enumerate(problem.space.names)
            if any(fnmatchcase(name, pattern) for pattern in self.only)
        ]
        if self.has_phases and moving:
            moving += range(len(problem.space), problem.n_dimensions)
        return np.array(moving, dtype=np.int64)

    def starts(self, problem: Problem, base: FloatArray) -> FloatArray:
        """Make the vectors that the stage begins with.

        Parameters
        ----------
        problem : Problem
            What is searched.
        base : np.ndarray, shape=(n_dimensions,)
            The best vector so far.

        Returns
        -------
        np.ndarray, shape=(n_starts, n_dimensions)
            The base, unless the stage begins from its probes, and the probes of which the
            structure has every parameter; no rows if nothing is left.
        """
        rows = [] if self.is_from_probes else [base]
        for probe in self.probes:
            if not all(name in problem.space for name in probe):
                continue
            row = base.copy()
            for name, value in probe.items():
                parameter = problem.space[name]
                held = min(max(value, parameter.low), parameter.high)
                row[problem.space.index(name)] = parameter.encode(held)
            rows += _phase_scan(problem, row) if self.is_from_probes else [row]
        return np.array(rows).reshape(len(rows), problem.n_dimensions)


# How two oscillators stand to each other when the note begins decides how they beat, and the
# valley around the right place is narrow.
N_PHASES = 12


def _phase_scan(problem: Problem, vector: FloatArray) -> list[FloatArray]:
    """Put oscillator 2 at places around the cycle, in all notes alike."""
    if OSC2_PHASE not in problem.phase_columns:
        return [vector]
    first = len(problem.space) + problem.phase_columns.index(OSC2_PHASE)
    columns = first + len(problem.phase_columns) * np.arange(problem.n_notes)
    rows = np.tile(vector, (N_PHASES, 1))
    rows[:, columns] = np.arange(N_PHASES)[:, None] / N_PHASES
    return list(rows)


# The plain patch: two sawtooths, filter and amplifier with an envelope on each.
PLAIN = (
    "tune_cents",
    "osc2.saw_level",
    "osc2.detune_cents",
    "filter.cutoff_hz",
    "filter.resonance_ratio",
    "filter.key_track_ratio",
    "filter_env.*",
    "amp_env.*",
)
COLOUR = (
    *PLAIN,
    "*_level",
    "*.pulse_width_ratio",
    "osc?.octave",
    "noise.*",
    "highpass.*",
    "filter.*",
    "body.*",
)
MOVEMENT = (
    "*.vibrato.*",
    "*.pwm.*",
    "osc2.detune_cents",
    "tune_cents",
    "*.pulse_width_ratio",
    "*_level",
)
FRONT = (
    "*.pitch_env.*",
    "noise.*",
    "amp_env.attack_s",
    "amp_env.decay_s",
    "amp_env.sustain_ratio",
    "filter_env.*",
    "filter.cutoff_hz",
    "filter.resonance_ratio",
)
_BOTH = (("osc1",), ("osc2",), ("osc1", "osc2"))
MOVEMENT_PROBES = (
    *(
        {f"{osc}.vibrato.{name}": value for osc in group for name, value in setting}
        for group in _BOTH
        for setting in (
            (("depth_cents", 8.0), ("rate_hz", 4.0)),
            (("depth_cents", 8.0), ("rate_hz", 5.5)),
            (("depth_cents", 20.0), ("rate_hz", 4.5)),
            (("depth_cents", 20.0), ("rate_hz", 6.0)),
        )
    ),
    *(
        {f"{osc}.{name}": value for osc in group for name, value in setting}
        for group in _BOTH
        for setting in (
            (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 0.6)),
            (("pulse_level", 0.7), ("pwm.depth_ratio", 0.2), ("pwm.rate_hz", 1.2)),
            (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 2.5)),
        )
    ),
)


def _front_stage(osc: str, sign: float) -> Stage:
    """Try a pitch envelope on one oscillator, in one direction, and fit the plain patch to it.

    A search that has settled without it explains the front by a slower attack, from where a
    depth alone leads nowhere better; so this one begins at the best probe, not at the best patch.
    """
    return Stage(
        f"front edge, oscillator {osc[-1]} from {'above' if sign > 0 else 'below'}",
        (*PLAIN, f"{osc}.pitch_env.*", "noise.*"),
        0.035,
        0.08,
        probes=tuple(
            {f"{osc}.pitch_env.depth_cents": sign * cents, f"{osc}.pitch_env.decay_s": decay_s}
            for cents in (60.0, 200.0, 500.0)
            for decay_s in (0.012, 0.05)
        ),
        is_from_probes=True,
    )


WHOLE = (Stage("everything", ("*",), 1.0, 0.2),)
DEFAULT_PLAN = (
    Stage("plain patch", PLAIN, 0.18, 0.2, fits_gates=True),
    _front_stage("osc2", 1.0),
    _front_stage("osc2", -1.0),
    _front_stage("osc1", 1.0),
    _front_stage("osc1", -1.0),
    Stage("colour", COLOUR, 0.23, 0.1, fits_gates=True),
    Stage("movement", MOVEMENT, 0.1, 0.1, probes=MOVEMENT_PROBES),
    Stage("front edge", FRONT, 0.05, 0.05),
    Stage("everything", ("*",), 0.15, 0.03),
)
