"""A run in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.report import format_run
from matcher.report.terminal import ASCII_SIGNS, BLOCK_SIGNS, text_plot
from shared import HEARING_CAUTION
from tests.matcher.report.report_runs import HOSTILE, edit_document, small_run

if TYPE_CHECKING:
    from matcher.runs.folder import RunFolder


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Return a run whose note has a hostile name."""
    return small_run(tmp_path_factory.mktemp("terminal"), f"\x1b[2J\n{HOSTILE}")


def test_a_row_of_signs_follows_the_values() -> None:
    """Each step of a staircase has its own sign, from empty to full."""
    steps = np.linspace(0.0, 1.0, len(BLOCK_SIGNS))
    assert text_plot(steps, low=0.0, high=1.0, signs=BLOCK_SIGNS) == BLOCK_SIGNS


def test_values_beyond_the_range_stay_on_its_ends() -> None:
    """Nothing leaves the row; what isn't a number is blank."""
    row = text_plot([-9.0, float("nan"), 9.0], low=0.0, high=1.0, signs=ASCII_SIGNS)
    assert row == f"  {ASCII_SIGNS[-1]}"


def test_the_essentials_are_shown(run: RunFolder) -> None:
    """Distances, levels, what is heard, the search, the patch and the caution, in 80 columns."""
    text = format_run(run)
    loss = run.run["loss"]["end"]["total"]  # type: ignore[index]
    assert f"{loss:.2f}" in text
    for part in ("Distance from the target", "level, attack", "Search, 64 tries", "Patch ("):
        assert part in text
    assert HEARING_CAUTION.partition(":")[0] in text
    long = [line for line in text.splitlines() if len(line) > 79]
    # A path is never cut.
    assert all(str(run.path) in line for line in long)


def test_levels_are_drawn_as_they_are(run: RunFolder) -> None:
    """The note is silent at its start and loud after its onset."""
    row = _first_row(format_run(run, is_plain=True))
    assert row[0] == ASCII_SIGNS[0]
    assert ASCII_SIGNS[-1] in row


def _first_row(text: str) -> str:
    """Return the row of the target's level over the whole note."""
    line = next(line for line in text.splitlines() if line.startswith("    target"))
    return line.partition("|")[2]


def test_no_sign_moves_the_cursor(run: RunFolder) -> None:
    """Escapes in names are shown, not sent."""
    assert "\x1b" not in format_run(run)
    assert "\\x1b" in format_run(run)


def test_plain_signs_are_ascii(run: RunFolder) -> None:
    """Terminals that know nothing else can show it; names keep their own signs."""
    rows = [line for line in format_run(run, is_plain=True).splitlines() if "|" in line]
    assert rows
    assert all(row.isascii() for row in rows)


def test_a_document_without_figures_is_shown(run: RunFolder) -> None:
    """What is missing is left out."""
    edit_document(run, loss={}, history=[], figures={})
    from matcher import load_run  # noqa: PLC0415

    text = format_run(load_run(run.path))
    assert "Distance" not in text
    assert "Patch (" in text
