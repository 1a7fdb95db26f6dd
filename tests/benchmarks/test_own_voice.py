"""The table of our own patches tells what was found again, and runs once, tiny."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.playing import prepare_note
from tests.benchmarks import bench_own_voice
from tests.benchmarks.bench_own_voice import LEVELS, STRUCTURE, draw_patch, units_of

if TYPE_CHECKING:
    from pathlib import Path

NAMES = STRUCTURE.space.names


def row_of(units: np.ndarray[Any, Any], **changes: Any) -> dict[str, Any]:  # noqa: ANN401
    """Return a run on the first patch that has found these places in the ranges."""
    found = STRUCTURE.space.to_dict(STRUCTURE.space.decode(units))
    row = {"patch": 0, "seed": 1, "found": found, "loss": 0.5, "start_loss": 2.0}
    return {**row, "middle_loss": 10.0, "true_loss": 0.1, **changes}


def test_there_are_22_parameters() -> None:
    """As many as in the figures that it is compared with."""
    assert len(STRUCTURE.space) == 22


def test_levels_count_against_each_other() -> None:
    """All of them halved is the same patch; one of them halved is another."""
    values = STRUCTURE.space.to_dict(STRUCTURE.space.decode(draw_patch(0).units))
    halved = {**values, **{name: 0.5 * values[name] for name in LEVELS}}
    np.testing.assert_allclose(units_of(halved), units_of(values), atol=1e-12)
    quieter = {**values, LEVELS[0]: 0.5 * values[LEVELS[0]]}
    assert np.abs(units_of(quieter) - units_of(values)).max() > 0.01


def test_a_drawn_patch_is_the_sound_of_its_settings() -> None:
    """Its own vector has the loss that is told, far below that of the middle."""
    patch = draw_patch(0)
    note = patch.target.notes[0]
    with Evaluator(patch.problem, [prepare_note(note)], [note.note]) as evaluator:
        loss = evaluator.losses(patch.vector[None, :])[0]
    assert loss == patch.true_loss
    # A tenth: the grain of the loss is 0.02 to 0.2 of it.
    assert loss < 0.1 * patch.middle_loss
    np.testing.assert_allclose(patch.vector[: len(NAMES)], patch.units, atol=1e-9)


def test_audible_parameters_are_those_that_change_the_sound() -> None:
    """What is heard after a tenth is heard somewhere; a sounding voice has some that are."""
    patch = draw_patch(0)
    assert np.all(patch.does_something[patch.is_audible])
    assert "filter.cutoff_hz" in np.array(NAMES)[patch.is_audible]
    assert 5 < patch.is_audible.sum() < len(NAMES)


def test_found_and_missed_parameters_are_counted() -> None:
    """The true patch has all of them; with the cutoff far off, one is missing."""
    patch = draw_patch(0)
    n = int(patch.is_audible.sum())
    text = bench_own_voice.own_voice_table([row_of(patch.units)])
    assert f"100 % ({n} of {n})" in text
    assert "middle of the space: 0.050" in text
    assert "first candidate: 0.250" in text
    away = patch.units.copy()
    place = NAMES.index("filter.cutoff_hz")
    away[place] += 0.2 if away[place] < 0.5 else -0.2
    assert f"({n - 1} of {n})" in bench_own_voice.own_voice_table([row_of(away)])


def test_a_run_is_kept_and_the_next_call_runs_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both figures, their goals, and the size at which they were measured."""
    record = tmp_path / "own.jsonl"
    options = ["--patches", "1", "--seeds", "1", "--evals", "40", "--record", str(record)]
    assert bench_own_voice.main(options) == 0
    first = capsys.readouterr()
    assert "0.12 or less is wanted" in first.out
    assert "75 % or more is wanted" in first.out
    assert "staged, 22 parameters, 40 evaluations, 1 patches, 1 seeds." in first.out
    assert bench_own_voice.main(options) == 0
    assert capsys.readouterr() == (first.out, "")
    assert len(record.read_text().splitlines()) == 1


def test_an_unknown_sampler_is_refused() -> None:
    """In the words of the command line, before anything runs."""
    with pytest.raises(SystemExit):
        bench_own_voice.main(["--sampler", "unheard-of"])
