"""What takes say, in print."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from matcher.parts import parameter_label
from matcher.sheet import panel_text
from matcher.texts.words import WIDTH
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matcher.correcting import Correction, Turn
    from matcher.hearing import AudibleDifference
    from voice import Structure

__all__ = ["format_correction"]

# Differences that are told: more are no help at the panel.
N_TOLD = 3


def format_correction(found: Correction) -> str:
    """Print what to turn, what is right, and what this instrument can't do."""
    if found.problems:
        return "\n".join(
            [
                f"No take of this patch ({found.note}); nothing was changed.",
                *(_filled(problem) for problem in found.problems),
            ]
        )
    structure = found.structure
    far = (
        f"{found.note}: distance {found.distance:.2f} from the target (the voice: "
        f"{found.voice_distance:.2f}); the settings are {found.settings_distance:.2f} of it."
    )
    lines = [
        _filled(far),
        *_earlier(found),
        *_told("Heard", found.heard),
        "",
        *_turns(found.turns, structure),
    ]
    if found.later:
        later = [turn.name for turn in found.later]
        lines.append(_filled(f"After the next take: {_labels(later, structure)}."))
    if found.right:
        names = _labels(found.right, structure)
        lines.append(_filled(f"Right, or not told by this note: {names}."))
    if found.idle:
        text = f"Turned, and nothing moved: {_labels(found.idle, structure)}."
        lines.append(_filled(f"{text} Is it that knob, and is its part switched on?"))
    lines += _told("No control of the panel moves this", found.unexplained)
    if found.remembered:
        verb = "Remembered" if found.numbers else "Would be remembered"
        lines.append(
            _filled(f"{verb} in the structure file: {_labels(found.remembered, structure)}.")
        )
    return "\n".join(lines)


def _earlier(found: Correction) -> list[str]:
    """Compare with the take before."""
    if math.isnan(found.earlier_distance):
        return []
    change = found.settings_distance - found.earlier_distance
    way = "closer" if change < 0.0 else "further away"
    text = f"The settings of the take before were {found.earlier_distance:.2f} away: {way} now."
    if change > 0.0:
        text += " If it sounds worse, go back to the settings before."
    return [_filled(text)]


def _turns(turns: Sequence[Turn], structure: Structure) -> list[str]:
    """Print what to turn, from where to where."""
    if not turns:
        return ["Nothing has to be turned: what differs, these controls don't move."]
    rows = [
        (
            _label(turn.name, structure),
            _place(turn.name, turn.from_value, structure),
            _place(turn.name, turn.to_value, structure),
            (
                f"sounds like {CATALOGUE[turn.name].format(turn.heard)}, "
                f"to be {CATALOGUE[turn.name].format(turn.aim)}"
            ),
        )
        for turn in turns
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(3)]
    return [
        "Turn, the most important first",
        *(f"  {row[0]:{widths[0]}}  {row[1]:>{widths[1]}} -> {row[2]:{widths[2]}}  {row[3]}"
          for row in rows),
    ]  # fmt: skip


def _place(name: str, value: float, structure: Structure) -> str:
    """Say where a control stands, on the panel or in its unit."""
    return panel_text(name, value, structure) or CATALOGUE[name].format(value)


def _told(head: str, differences: Sequence[AudibleDifference]) -> list[str]:
    """Print the largest differences."""
    told = [each.summary for each in differences[:N_TOLD]]
    return [_filled(f"{head}: {'; '.join(told)}.")] if told else []


def _label(name: str, structure: Structure) -> str:
    """Return what a control is called, on the panel if it has a word for it."""
    control = structure.controls.get(name)
    return (control.label if control else "") or parameter_label(name)


def _labels(names: Iterable[str], structure: Structure) -> str:
    """List controls."""
    return ", ".join(_label(name, structure) for name in names)


def _filled(text: str) -> str:
    """Bring a sentence to the width of a terminal."""
    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)
