"""On which lines of a TOML text its fields stand.

The text has been read by `tomllib` before, so it is known to be right; here it is only walked
through, with an eye on strings, comments and brackets.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__: list[str] = []

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
