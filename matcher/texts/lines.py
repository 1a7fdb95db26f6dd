"""Width and signs of what is printed."""

from __future__ import annotations

__all__: list[str] = []

# One column less than a terminal has: some wrap a full line.
WIDTH = 79


def shorten(text: str, n_signs: int) -> str:
    """Bring a name on one line of limited length."""
    line = one_line(text)
    return line if len(line) <= n_signs else f"{line[: n_signs - 3]}..."


def one_line(text: str) -> str:
    """Show signs that would break a line, or move the cursor, as escapes."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)
