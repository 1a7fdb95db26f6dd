"""How much more of a difference from the target is heard, by just-noticeable differences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.hearing import compare_notes

if TYPE_CHECKING:
    from matcher.explaining._ground import Ground
    from shared import FloatArray

__all__: list[str] = []


class Hearing:
    """Compares candidates with the patch by what `matcher.hearing` measures.

    Parameters
    ----------
    ground : Ground
        The patch with its target.
    """

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._before = self._steps(ground.vector)

    def growth(self, vector: FloatArray) -> float:
        """Largest growth of a difference from the target, in just-noticeable differences.

        A quantity that is found in one of the two alone has jumped over its threshold, and counts
        with what it has there.
        """
        grown = [
            steps - before.get(quantity, 0.0)
            for before, after in zip(self._before, self._steps(vector), strict=True)
            for quantity, steps in after.items()
        ]
        return max(grown, default=0.0)

    def _steps(self, vector: FloatArray) -> list[dict[str, float]]:
        """Measure the differences of each note."""
        return [
            {difference.quantity: difference.steps for difference in compare_notes(note, sound)}
            for note, sound in zip(
                self._ground.target.notes, self._ground.sounds(vector), strict=True
            )
        ]
