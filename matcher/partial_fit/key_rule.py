"""How rates and depths follow the key: a straight line over the keys of several notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit._paths import DEPTH, MOVES, N_MOVES, PWM_DEPTH, PWM_RATE, RATE, N
from matcher.partial_fit.entries import NAMES, Entries, key_changes, named, tracking_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["KeyRule"]

# With less, an LFO isn't heard, and its rate is anything.
LEAST_VIBRATO_CENTS, LEAST_PWM_RATIO = 0.5, 0.005
# Entry that tells by how much an LFO moves, and the least, by the entries that follow the key.
DEPTHS = {
    at + entry: (at + depth, least)
    for at in (MOVES, MOVES + N_MOVES)
    for entry, depth, least in (
        (PWM_RATE, PWM_DEPTH, LEAST_PWM_RATIO),
        (RATE, DEPTH, LEAST_VIBRATO_CENTS),
        (DEPTH, DEPTH, LEAST_VIBRATO_CENTS),
    )
}


@dataclass(frozen=True, eq=False)
class KeyRule:
    """What entries are at C4, and how they follow the key.

    Parameters
    ----------
    plain : np.ndarray, shape=(N,), dtype=float64
        Entries at C4.
    tracking : np.ndarray, shape=(N,), dtype=float64
        Octaves per octave, of rates and depths; 0 for the others.
    """

    plain: FloatArray
    tracking: FloatArray

    @classmethod
    def of(
        cls, vectors: FloatArray, entries: Sequence[Entries], counts: BoolArray, i_held: int
    ) -> KeyRule:
        """Draw the rule through several notes, by least squares of octaves.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_notes, N)
            Entries of each note at its key.
        entries : sequence of Entries
            One for each note.
        counts : np.ndarray of bool, shape=(n_notes,)
            Which notes tell rates and depths.
        i_held : int
            The note that tells everything else.

        Returns
        -------
        KeyRule
            Key tracking within its range; the base's for what isn't searched, for an LFO that
            hardly moves anything, and where all keys that count are one.
        """
        held = entries[i_held]
        plain, tracking = held.at_c4(vectors[i_held]), held.tracking[0].copy()
        keys = np.array([e.key_octaves for e in entries])
        for i in np.flatnonzero(held.is_tracked).tolist():
            depth, least = DEPTHS[i]
            told = counts & (vectors[:, depth] >= least)
            if not told[i_held] or np.ptp(keys[told]) == 0.0:
                continue
            is_depth = i == depth
            octaves = np.log2(vectors[told, i]) if is_depth else vectors[told, i]
            middle, mean = np.mean(keys[told]), np.mean(octaves)
            apart = keys[told] - middle
            slope = np.sum(apart * (octaves - mean)) / np.sum(apart**2)
            tracking[i] = np.clip(slope, *held.tracking[1:, i])
            at_c4 = mean - tracking[i] * middle
            plain[i] = 2.0**at_c4 if is_depth else at_c4
        return cls(plain, tracking)

    def at(self, key_octaves: float) -> FloatArray:
        """Say what entries are at a key.

        Parameters
        ----------
        key_octaves : float
            Octaves above C4.

        Returns
        -------
        np.ndarray, shape=(N,), dtype=float64
            Entries; phases as they are.
        """
        shifts, factors = key_changes(self.tracking, key_octaves)
        moved: FloatArray = self.plain * factors + shifts
        return moved

    def settings(self) -> dict[str, float]:
        """Name values, phases and key tracking.

        Returns
        -------
        dict of str to float
            Physical values by the catalogue's names, at C4; phases in cycles.
        """
        tracked = {
            tracking_name(NAMES[i]): float(self.tracking[i])
            for i in range(N)
            if tracking_name(NAMES[i])
        }
        return named(self.plain) | tracked
