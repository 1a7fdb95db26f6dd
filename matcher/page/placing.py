"""A patch beside its target: same place, same length, same level, and how far apart they are."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import NoteScorer, breakdown
from matcher.page.sound import noise_seed
from matcher.playing import prepare_note
from shared import CATALOGUE, PHASE_NAMES
from voice import DEFAULT_PHASES, NoteRenderer

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses import NoteTarget
    from matcher.target import TargetNote
    from shared import FloatArray, Patch
    from voice import Structure

__all__ = ["Placer", "Played", "changed_patch"]

_KEPT = 12


@dataclass(frozen=True, eq=False)
class Played:
    """A patch playing a note of its target.

    Parameters
    ----------
    sound : np.ndarray, shape=(n_samples,)
        On the timeline and at the level of the target.
    sample_rate_hz : int
        Its rate in Hz.
    loss : mapping
        What lies between the two.
    """

    sound: FloatArray
    sample_rate_hz: int
    loss: Mapping[str, object]


class Placer:
    """Plays patches on notes of targets, which it analyses once."""

    def __init__(self) -> None:
        self._prepared: OrderedDict[int, tuple[TargetNote, NoteTarget]] = OrderedDict()
        self._lock = threading.Lock()

    def play(
        self,
        note: TargetNote,
        number: int,
        patch: Patch,
        *,
        gate_s: float | None = None,
        weights: Mapping[str, float] | None = None,
    ) -> Played:
        """Play a patch on a note.

        Parameters
        ----------
        note : TargetNote
            The note.
        number : int
            Its number, which chooses the phases of the patch.
        patch : Patch
            The patch.
        gate_s : float, optional
            How long the key is held, in s; a search may have corrected that of the note.
        weights : mapping of str to float, optional
            Weights of the loss; the default ones if left out.

        Returns
        -------
        Played
            The sound in the target's place, and its loss.
        """
        target = self._prepare(note)
        phases = patch.phases[number] if number < len(patch.phases) else DEFAULT_PHASES
        renderer = NoteRenderer(
            note.note if gate_s is None else replace(note.note, gate_s=gate_s),
            n_samples=target.n_render,
            sample_rate_hz=target.sample_rate_hz,
            seed=noise_seed(patch),
        )
        values = np.array([[patch.values[name] for name in CATALOGUE.names]])
        starts = np.array([[phases[name] for name in PHASE_NAMES]])
        group = renderer.render(values, starts)
        score = NoteScorer(target).score(group, 1)
        sound = target.place(np.ascontiguousarray(group[:, 0]))
        return Played(sound, target.sample_rate_hz, breakdown(score[0], weights).to_dict())

    def _prepare(self, note: TargetNote) -> NoteTarget:
        """Analyse a note for the losses; the note is kept, so its place in memory is its own."""
        with self._lock:
            known = self._prepared.get(id(note))
        if known is None:
            known = note, prepare_note(note)
            with self._lock:
                self._prepared[id(note)] = known
                while len(self._prepared) > _KEPT:
                    self._prepared.popitem(last=False)
        return known[1]


def changed_patch(patch: Patch, structure: Structure, values: Mapping[str, float]) -> Patch:
    """Change values of a patch by hand.

    Parameters
    ----------
    patch : Patch
        The patch.
    structure : Structure
        Its structure, which says what follows another control.
    values : mapping of str to float
        What is changed.

    Returns
    -------
    Patch
        With its phases, so that only the change is heard.

    Raises
    ------
    ParameterError
        If a name is unknown, or a value lies outside its range.
    """
    changed = patch.replace(values=values)
    row = np.array([[changed.values[name] for name in CATALOGUE.names]])
    structure.follow_links(row)
    return changed.replace(values=dict(zip(CATALOGUE.names, row[0].tolist(), strict=True)))
