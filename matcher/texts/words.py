"""A player's words for what code and files name in other ones; and the width of a printed line.

Code keeps the field's terms: loss, evaluation, onset, modulation, gate. What is printed says
distance, try, attack, movement, key held.
"""

from __future__ import annotations

__all__: list[str] = []

# One column less than a terminal has: some wrap a full line.
WIDTH = 79

# All that `matcher.search` can return: what `matcher.optimise` says, with a callback that asked
# for the end as "stopped", and Ctrl-C.
STOP_REASONS = {
    "evaluations": "all tries are used",
    "deadline": "the time is used",
    "converged": "the search has converged; more time would hardly bring anything",
    "stopped": "it was stopped; without its last steps, parts that nobody hears may be on",
    "interrupted": "it was interrupted; this is the best until then",
}
# What `--search` takes: ours, and those of Optuna, which are there to be compared with it.
SEARCH_WORDS = {
    "staged": "staged",
    "optuna-cmaes": "cmaes of Optuna",
    "qmc": "qmc of Optuna",
    "random": "random of Optuna",
    "tpe": "tpe of Optuna",
}


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
