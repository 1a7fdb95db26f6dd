"""What a search says as it goes on, in the words of the first screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.hearing import compare_notes
from matcher.playing import place_notes

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.search.run import SearchRun
    from matcher.target import Target

__all__: list[str] = []


class StageTeller:
    """Looks on while a search runs; after each stage it says what still sounds different most."""

    def __init__(self, target: Target, say: Callable[[str], object]) -> None:
        self._target = target
        self._say = say
        # The start is the first milestone, and nothing to tell.
        self._n_told = 1

    def __call__(self, run: SearchRun) -> None:
        """Tell a stage that has ended."""
        if len(run.milestones) <= self._n_told:
            return
        self._n_told = len(run.milestones)
        evaluator = run.evaluator
        sounds = place_notes(
            evaluator.problem, run.best, evaluator.targets, evaluator.notes, seed=evaluator.seed
        )
        found = [
            difference
            for note, sound in zip(self._target.notes, sounds, strict=True)
            for difference in compare_notes(note, sound)
        ]
        largest = max(found, key=lambda difference: difference.steps)
        said = f"still {largest.summary}" if largest.is_audible else "no named difference is heard"
        title, distance = run.milestones[-1].title, run.state().loss.total
        self._say(f"{title}: distance {distance:.2f}, {said}")
