"""How a patch plays notes that it was not fitted to."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import LossBreakdown
from matcher.texts.lines import WIDTH, shorten
from matcher.texts.loss import loss_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import LeftOutNote, MatchResult

__all__: list[str] = []

NAME_WIDTH = 32


def format_left_out(result: MatchResult) -> str:
    """Compare the notes that were fitted with those that were left out."""
    said = result.settings.get("leave_out")
    asked: Mapping[str, object] = said if isinstance(said, dict) else {}
    if not result.left_out:
        return "Left out: the search ended before a note was tried."
    n_sets = asked.get("phase_sets")
    how = (
        "The patch above was fitted to all notes. Here each note is played by a patch that was "
        "fitted, in less time, to the others."
        if asked.get("each")
        else "The patch was not fitted to these notes."
    )
    how += f" Phases, which no patch has, are the best of {n_sets} sets."
    fitted = mean_loss([note.fitted for note in result.left_out])
    left_out = mean_loss([note.loss for note in result.left_out])
    lines = ["Left out: does the patch hold on notes that it was not fitted to?"]
    lines += textwrap.wrap(how, WIDTH, initial_indent="  ", subsequent_indent="  ")
    lines += loss_table(("fitted", fitted), ("left out", left_out))
    lines.append(f"  {'Note by note':{NAME_WIDTH + 2}}{'fitted':>8}{'left out':>10}  level")
    return "\n".join([*lines, *(_line(note) for note in result.left_out)])


def mean_loss(losses: Sequence[LossBreakdown]) -> LossBreakdown:
    """Average losses, term by term and part by part."""

    def mean(tables: Sequence[Mapping[str, float]]) -> dict[str, float]:
        return {name: float(np.mean([table[name] for table in tables])) for name in tables[0]}

    return LossBreakdown(
        total=float(np.mean([loss.total for loss in losses])),
        terms=mean([loss.terms for loss in losses]),
        parts=mean([loss.parts for loss in losses]),
    )


def _line(note: LeftOutNote) -> str:
    """Say how the patch does on one note; the level counts against the fitted notes."""
    gap_db = note.level_gap_db
    level = f"{abs(gap_db):.1f} dB too {'soft' if gap_db > 0.0 else 'loud'}"
    if abs(gap_db) < 0.05:
        level = "right"
    name = shorten(note.note.name, NAME_WIDTH)
    return f"    {name:{NAME_WIDTH}}{note.fitted.total:>8.2f}{note.loss.total:>10.2f}  {level}"
