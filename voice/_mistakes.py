"""Mistakes in a structure file: collected, so that all of them can be told at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shared import StructureError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from voice._toml_lines import Span

__all__ = ["Mistake"]


@dataclass(frozen=True)
class Mistake:
    """One mistake."""

    field: str
    text: str
    line: int | None = None
    is_warning: bool = False

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "line": self.line,
            "field": self.field,
            "text": self.text,
            "is_warning": self.is_warning,
        }


@dataclass
class Mistakes:
    """A collection that grows while a file is read."""

    source: str
    spans: Mapping[tuple[str, ...], Span] = field(default_factory=dict)
    found: list[Mistake] = field(default_factory=list)

    def add(self, path: tuple[str, ...], text: str, *, is_warning: bool = False) -> None:
        """Note a mistake; the sentence goes on after the field, or begins with it."""
        self.found.append(Mistake(".".join(path), text, self._line(path), is_warning))

    @property
    def errors(self) -> list[Mistake]:
        """Those that stand in the way."""
        return [mistake for mistake in self.found if not mistake.is_warning]

    def refuse(self) -> None:
        """Raise for the first mistake, if there is one."""
        errors = self.errors
        if not errors:
            return
        more = len(errors) - 1
        hint = (
            ""
            if not more
            else (f" ({more} more: `earwright structures check {self.source}` lists them.)")
        )
        raise StructureError(f"{self.source}, {errors[0].text}{hint}", path=self.source)

    def _line(self, path: tuple[str, ...]) -> int | None:
        """Find the line of a field, or of the nearest thing around it."""
        for n_parts in range(len(path), 0, -1):
            if path[:n_parts] in self.spans:
                return self.spans[path[:n_parts]].first
        return None
