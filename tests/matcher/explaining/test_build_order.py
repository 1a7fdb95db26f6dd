"""The order in which to build a patch: its steps reach the patch, and each is heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher.explaining.build_order import build_order, plain_start
from matcher.explaining.clock import Clock
from shared import MAX_LOUDNESS_LUFS, MAX_TRUE_PEAK_DBTP, loudness_lufs, read_recording
from shared import true_peak_db as peak_db
from tests.explained_notes import BRASS, known_patch

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.explaining import BuildOrder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with the leavings of an earlier, longer order."""
    folder = tmp_path_factory.mktemp("run")
    (folder / "build").mkdir()
    (folder / "build" / "09.wav").write_bytes(b"old")
    (folder / "build" / "mine.txt").write_text("kept")
    return folder


@pytest.fixture(scope="module")
def build(folder: Path) -> BuildOrder:
    """Find the order of a brass-like patch."""
    with known_patch(BRASS) as prepared, Clock(10.0) as clock:
        return build_order(prepared, clock, folder)


def test_the_steps_reach_the_final_loss(build: BuildOrder) -> None:
    """After the last step the patch is there: nothing that is left out is heard."""
    assert build.start_loss > 20.0 * build.final_loss
    # A tenth of a just-noticeable difference; with nothing left out, the very patch.
    assert build.steps[-1].loss == pytest.approx(build.final_loss, abs=0.1)


def test_adding_the_steps_makes_the_patch(build: BuildOrder) -> None:
    """Played from rest with the steps' values added one by one, the losses are those told."""
    with known_patch(BRASS) as prepared:
        vector = plain_start(prepared)
        space = prepared.problem.space
        for step in build.steps:
            for name, value in step.values.items():
                vector[space.index(name)] = space[name].encode(value)
            loss = float(prepared.evaluator.losses(vector[None, :])[0])
            assert loss == pytest.approx(step.loss, abs=1e-9)


def test_every_step_is_heard_and_changes_one_part(build: BuildOrder) -> None:
    """No step moves the sound by less than a just-noticeable difference, or comes twice."""
    assert all(step.change >= 1.0 for step in build.steps)
    parts = [step.part for step in build.steps]
    assert len(set(parts)) == len(parts)
    assert [step.number for step in build.steps] == list(range(1, len(parts) + 1))


def test_steps_are_told_in_panel_language(build: BuildOrder) -> None:
    """Part, controls and values with units, as they are dialled in."""
    texts = {step.part: step.text for step in build.steps}
    assert texts["filter envelope"] == (
        "filter envelope: depth +3.00 octaves, attack 30 ms, decay 100 ms, sustain 0.60"
    )
    assert texts["oscillator 2"] == "oscillator 2: sawtooth 0.70, detune +8.0 cents"
    assert "sawtooth of oscillator 1" in build.start_text


def test_sounds_are_written_within_the_limits(build: BuildOrder, folder: Path) -> None:
    """One file for the plain patch and one for each step; leavings of an earlier order go."""
    files = [build.start_file, *(step.file for step in build.steps)]
    assert files == [f"build/{number:02d}.wav" for number in range(len(build.steps) + 1)]
    present = {path.relative_to(folder).as_posix() for path in (folder / "build").iterdir()}
    assert present == {*files, "build/mine.txt"}
    for file in files:
        sound = read_recording(folder / file)
        # 0.1 dB: the file is rounded to 24 bits, and the meters' filters settle.
        assert peak_db(sound.signal, sound.sample_rate_hz) <= MAX_TRUE_PEAK_DBTP + 0.1
        assert loudness_lufs(sound.signal, sound.sample_rate_hz) <= MAX_LOUDNESS_LUFS + 0.1


def test_what_nobody_hears_is_no_step() -> None:
    """A noise far under the tone is left out of the order, and told."""
    values = {**BRASS, "noise.level": 0.006}
    with known_patch(values, structure="complete") as prepared, Clock(10.0) as clock:
        build = build_order(prepared, clock)
    assert all(step.part != "noise" for step in build.steps)
    assert build.left_out == ("noise: level 0.0060",)
