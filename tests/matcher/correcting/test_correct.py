"""Two takes of a stand-in whose brightness knob lies by a quarter: what has to be turned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher.correcting import correct
from matcher.correcting.turning import MOST_TURNS
from matcher.texts.correction import format_correction
from shared import RunFolderError
from tests.matcher.correcting.stand_in import FIRST, SECOND, dialled_run, mark

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.correcting import Correction

pytestmark = pytest.mark.slow
CUTOFF = "filter.cutoff_hz"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the run that was dialled."""
    return dialled_run(tmp_path_factory.mktemp("correct"))


@pytest.fixture(scope="module")
def both(run: Path) -> tuple[Correction, Correction]:
    """Read both takes, one after the other."""
    return correct(run, [FIRST]), correct(run, [SECOND])


def test_a_knob_that_lies_is_turned(both: tuple[Correction, Correction]) -> None:
    """The knob gives a quarter less than it prints, so it goes from 4 to 4.5."""
    first, _ = both
    turns = {turn.name: turn for turn in first.turns}
    assert len(turns) <= MOST_TURNS
    # 40 Hz * 400 ** (p / 10) * (1 - p * (10 - p) / 100) meets what the panel prints at 4 for 4.5.
    assert mark(first.structure, CUTOFF, turns[CUTOFF].to_value) == pytest.approx(4.5, abs=0.26)
    text = format_correction(first)
    assert "BRIGHTNESS" in text
    assert all(len(line) < 80 for line in text.splitlines())


def test_the_next_take_is_closer(both: tuple[Correction, Correction]) -> None:
    """What the first correction says was dialled and recorded: less is left."""
    first, second = both
    assert second.earlier_distance == first.settings_distance
    assert second.settings_distance < first.settings_distance


def test_a_take_counts_once(run: Path, both: tuple[Correction, Correction]) -> None:
    """The same recording again would count for another slip."""
    assert both[1].numbers == (2,)
    with pytest.raises(RunFolderError, match="is take 1 of this run already"):
        correct(run, [FIRST])
