"""Mistakes in a structure file: collected with their lines, so that all can be told at once.

`tomllib` tells no lines, so a text that it has read, and which is therefore known to be right, is
gone through once more with an eye on strings, comments and brackets (`find_lines`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shared import StructureError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Mistake"]

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*\[\[?\s*({_DOTTED})\s*\]\]?")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")
_TOKENS = re.compile(
    r'"""(?:[^\\]|\\.)*?"""'
    r"|'''.*?'''"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}]|\n",
    re.DOTALL,
)


@dataclass(frozen=True)
class Span:
    """Where a field stands."""

    first: int
    last: int


def find_lines(text: str) -> dict[tuple[str, ...], Span]:
    """Find the lines of all tables and fields."""
    spans: dict[tuple[str, ...], Span] = {}
    table: tuple[str, ...] = ()
    for first, last, statement in _statements(text):
        header = _HEADER.match(statement)
        assignment = None if header else _ASSIGNMENT.match(statement)
        if header:
            table = _path(header.group(1))
            spans.setdefault(table, Span(first, last))
        elif assignment:
            path = table + _path(assignment.group(1))
            spans[path] = Span(first, last)
            # "panel" itself stands where its first part does.
            for n_parts in range(1, len(path)):
                spans.setdefault(path[:n_parts], Span(first, last))
    return spans


def _statements(text: str) -> list[tuple[int, int, str]]:
    """Cut a text where lines end outside of brackets and strings: first line, last line, text."""
    found, depth, start, line, first = [], 0, 0, 1, 1
    for token in _TOKENS.finditer(text + "\n"):
        sign = token.group()
        if sign in {"[", "{"}:
            depth += 1
        elif sign in {"]", "}"}:
            depth -= 1
        elif sign == "\n" and depth == 0:
            found.append((first, line, text[start : token.start()]))
            start, first = token.end(), line + 1
        line += sign.count("\n")
    return found


def _path(dotted: str) -> tuple[str, ...]:
    """Split a dotted key into its parts, quotes off."""
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


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
