"""Words for what is kept as a code, and the width and signs of a printed line."""

from __future__ import annotations

__all__: list[str] = []

# One column less than a terminal has: some wrap a full line.
WIDTH = 79

# All that `matcher.search` can return: what `matcher.optimise` says, with a callback that asked
# for the end as "stopped", and Ctrl-C.
STOP_REASONS = {
    "evaluations": "all evaluations are used",
    "deadline": "the time is used",
    "converged": "the search has converged; more time would hardly bring anything",
    "stopped": "it was stopped",
    "interrupted": "it was interrupted; this is the best until then",
}


def plain_name(name: str) -> str:
    """Name a preset or a group of parameters as musicians do."""
    return name.replace("animation", "movement")


def stop_reason_text(reason: object) -> str:
    """Say in a sentence why a search ended; empty for a reason that no search gives."""
    words = STOP_REASONS.get(str(reason))
    return f"It ended because {words}." if words else ""


def shorten(text: str, n_signs: int) -> str:
    """Bring a name on one line of limited length."""
    line = one_line(text)
    return line if len(line) <= n_signs else f"{line[: n_signs - 3]}..."


def one_line(text: str) -> str:
    """Show signs that would break a line, or move the cursor, as escapes."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)
