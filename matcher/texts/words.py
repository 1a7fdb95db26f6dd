"""The words for what is kept as a code: why a search ended, what a term of the loss hears."""

from __future__ import annotations

__all__: list[str] = []

# All that `matcher.search` can return: what `matcher.optimise` says, with a callback that asked
# for the end as "stopped", and Ctrl-C.
STOP_REASONS = {
    "evaluations": "all evaluations are used",
    "deadline": "the time is used",
    "converged": "the search has converged; more time would hardly bring anything",
    "stopped": "it was stopped",
    "interrupted": "it was interrupted; this is the best until then",
}
# As short as a legend needs them.
TERM_WORDS = {
    "spectral": "spectrum",
    "onset": "attack",
    "envelope": "level over time",
    "modulation": "movement",
    "pitch": "pitch",
}


def stop_reason_text(reason: object) -> str:
    """Say in a sentence why a search ended; empty for a reason that no search gives."""
    words = STOP_REASONS.get(str(reason))
    return f"It ended because {words}." if words else ""
