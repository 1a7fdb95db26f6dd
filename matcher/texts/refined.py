"""What is printed at the end of a refinement."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from matcher.hearing import audible_differences
from matcher.runs import compare_patches, find_version
from matcher.texts.audible import format_audible
from matcher.texts.history import format_changes
from matcher.texts.lines import WIDTH, one_line
from matcher.texts.loss import format_loss

if TYPE_CHECKING:
    from matcher.result import MatchResult
    from matcher.runs.run_folder import RunFolder

__all__: list[str] = []

_REASONS = {
    "evaluations": "all evaluations are used",
    "deadline": "the time is used",
    "converged": "going on would hardly bring anything",
    "stopped": "it was stopped",
    "interrupted": "it was interrupted; this is the best until then",
}


def format_refined(result: MatchResult, run: RunFolder) -> str:
    """Say what a refinement has changed and brought."""
    version = find_version(run.path)
    before = result.stages[0].patch
    is_changed = bool(compare_patches(before, result.patch))
    sections = [
        _search_text(result),
        format_loss(
            result.start,
            result.end,
            notes=[(match.note.name, match.loss) for match in result.notes],
        )
        if is_changed
        else "",
        format_changes(before, result.patch) if is_changed else _unchanged_text(result),
        format_audible(
            [
                (match.note.name, differences)
                for match, differences in zip(
                    result.notes, audible_differences(result), strict=True
                )
            ]
        ),
        f"Version {version.number} of {one_line(str(run.path))}; see earwright log.",
    ]
    return "\n\n".join(section for section in sections if section)


def _unchanged_text(result: MatchResult) -> str:
    """Say that the search has found nothing better; two equal columns would say less."""
    text = f"Nothing changed: the loss is {result.end.total:.2f} audible steps"
    if result.n_evaluations:
        text += f", and none of {result.n_evaluations} candidates came closer"
    return textwrap.fill(f"{text}.", WIDTH)


def _search_text(result: MatchResult) -> str:
    """Say how much was tried, or that values were set alone."""
    if not result.n_evaluations:
        return "Set, and not searched."
    reason = _REASONS.get(result.stop_reason, result.stop_reason)
    text = (
        f"Search: {len(result.space)} parameters were moved, {result.n_evaluations} evaluations "
        f"in {result.elapsed_s:.1f} s. It ended because {reason}."
    )
    return textwrap.fill(text, WIDTH, break_on_hyphens=False)
