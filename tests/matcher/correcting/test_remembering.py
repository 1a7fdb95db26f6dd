"""Biases in a structure file, and how they are forgotten."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from matcher.correcting.remembering import Bias, forget_biases, remember_biases
from shared import CATALOGUE
from tests.matcher.correcting.stand_in import PANEL
from voice import check_structure, load_structure

if TYPE_CHECKING:
    from pathlib import Path

CUTOFF = "filter.cutoff_hz"
# 800 Hz on the panel sounds like 600 Hz.
OFF = float(CATALOGUE[CUTOFF].encode(600.0) - CATALOGUE[CUTOFF].encode(800.0))
BIASES = {CUTOFF: [Bias(800.0, OFF, 0.005)]}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Copy the panel of the stand-in."""
    return shutil.copy(PANEL, tmp_path / "mine.toml")


def test_a_panel_with_a_bias_says_what_the_knob_does(file: Path) -> None:
    """Where it was measured the table has it, at the ends what the panel says; it is marked."""
    said = load_structure(file).controls[CUTOFF].scale
    assert said is not None
    assert remember_biases(file, BIASES, origin="takes of mine", dry_run=False) == (CUTOFF,)
    found = load_structure(file).controls[CUTOFF].scale
    assert found is not None
    # 1e-4: a table has five digits.
    assert found.value(said.panel(800.0)) == pytest.approx(600.0, rel=1e-4)
    assert [found.value(end) for end in (0.0, 10.0)] == pytest.approx([40.0, 16_000.0])
    assert 'origin = "takes of mine"' in file.read_text(encoding="utf-8")
    assert not check_structure(file)


def test_the_old_file_is_kept_and_comes_back(file: Path) -> None:
    """What was remembered, twice over, is forgotten: the panel is what it was, to the text."""
    before = file.read_text(encoding="utf-8")
    remember_biases(file, BIASES, origin="takes of mine", dry_run=False)
    assert file.with_name("mine.toml.before-1").read_text(encoding="utf-8") == before
    more = {CUTOFF: [*BIASES[CUTOFF], Bias(2000.0, -0.01, 0.005)]}
    remember_biases(file, more, origin="takes of mine", dry_run=False)
    assert forget_biases(file) == (CUTOFF,)
    assert load_structure(file).controls == load_structure(PANEL).controls
    assert forget_biases(file) == ()


def test_a_dry_run_writes_nothing(file: Path) -> None:
    """It says which controls would be written."""
    before = file.read_bytes()
    assert remember_biases(file, BIASES, origin="takes of mine", dry_run=True) == (CUTOFF,)
    assert file.read_bytes() == before
    assert [path.name for path in file.parent.iterdir()] == ["mine.toml"]
