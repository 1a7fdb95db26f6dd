"""What a version is."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses import LossBreakdown
    from shared import Patch

__all__ = ["KINDS", "Version"]

# What a version can come from, with the words for it.
KINDS = {
    "start": "where the match began",
    "stage": "end of a stage of the match",
    "final": "end of the match",
    "refine": "refined",
    "set": "set by hand",
    "edit": "patch.json was edited",
    "back": "back to an earlier version",
}


@dataclass(frozen=True)
class Version:
    """One state of the patch of a run.

    Parameters
    ----------
    number : int >= 1
        Its number within the run, in the order of time.
    kind : str
        Where it comes from, a key of `KINDS`.
    title : str
        The same in a few words: ``"plain patch"`` for a stage, ``"refine filter*"``.
    note : str
        What the user wrote about it; empty if nothing.
    parent : int or None
        Number of the version that it was made from; None for the first.
    created : str
        When, as in ISO 8601 with the time zone.
    patch : Patch
        The whole patch, with the phases of the notes.
    loss : LossBreakdown or None
        Its loss on the notes of the run, mean over them; None if there is none.
    changed : mapping of str to (float, float)
        Values that differ from the parent's: before and after, in physical units.
    gates_s : tuple of float
        For how long the keys were held when the loss was measured, note by note, in seconds.
    names : tuple of str
        Names under which it was kept, in the order in which they were given.
    """

    number: int
    kind: str
    title: str
    note: str
    parent: int | None
    created: str
    patch: Patch
    loss: LossBreakdown | None
    changed: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    gates_s: tuple[float, ...] = ()
    names: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "number": self.number,
            "what": self.kind,
            "title": self.title,
            "names": list(self.names),
            "note": self.note,
            "parent": self.parent,
            "created": self.created,
            "loss": None if self.loss is None else self.loss.to_dict(),
            "changed": {name: list(pair) for name, pair in self.changed.items()},
            "values": dict(self.patch.values),
        }

    @property
    def name(self) -> str | None:
        """The name that was given last, if any."""
        return self.names[-1] if self.names else None
