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

if TYPE_CHECKING:
    from matcher.problem import Problem

__all__ = ["DEFAULT_PLAN", "WHOLE", "Stage"]


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
    """

    name: str
    only: tuple[str, ...]
    share: float
    sigma: float
    has_phases: bool = True

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
WHOLE = (Stage("everything", ("*",), 1.0, 0.2),)
DEFAULT_PLAN = (
    Stage("plain patch", PLAIN, 0.2, 0.2),
    Stage("colour", COLOUR, 0.3, 0.1),
    Stage("movement", MOVEMENT, 0.1, 0.1),
    Stage("front edge", FRONT, 0.1, 0.1),
    Stage("everything", ("*",), 0.15, 0.03),
)
