"""Searches: looked at while they run, and on the real steps of a panel."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher.matching import match
from matcher.search.checkpoint import Checkpoint
from tests.benchmarks.bench_panel_steps import coarse_panel, compare_steps
from tests.own_notes import own_target
from voice import load_structure, render

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.evaluator import Evaluator
    from matcher.search.recorder import SearchState
    from matcher.search.run import SearchRun
    from shared import FloatArray

pytestmark = pytest.mark.slow


def test_searching_on_the_steps_beats_rounding_afterwards() -> None:
    """Settings make up for each other only while they are searched, so each note comes closer."""
    results = compare_steps(n_notes=2, evals=800)
    for result in results:
        assert result.stepped < result.rounded


@pytest.mark.parametrize("name", ["prompt-box", "wagon-desk", "pit-console"])
def test_a_found_patch_can_be_set_exactly(name: str) -> None:
    """Every value of the patch is one that its control stops at, and links are honoured."""
    structure = load_structure(name)
    result = match(own_target(), structure=structure, evals=64, seed=2, progress=False)
    values = result.patch.values
    for parameter, control in structure.controls.items():
        assert control.scale is not None
        stop = control.scale.value(control.scale.panel(values[parameter]))
        # 1e-9: conversions from s of the maker to s of the voice, in double precision.
        assert values[parameter] == pytest.approx(stop, rel=1e-9, abs=1e-12)
    for linked, source in structure.links.items():
        table = structure.link_values.get(linked)
        expected = values[source] if table is None else table[values[source]]
        assert values[linked] == expected


@pytest.mark.parametrize("n_batches", [5, 17])
def test_a_search_on_a_panel_that_was_stopped_ends_the_same(
    n_batches: int, tmp_path: Path
) -> None:
    """Also when it was stopped while it settled on the steps."""
    settings: dict[str, Any] = {
        "structure": coarse_panel(is_stepped=True), "evals": 500, "seed": 3, "progress": False,
    }  # fmt: skip
    target = own_target()
    whole = match(target, **settings)
    batches = iter(range(n_batches))
    with Checkpoint(tmp_path, every_s=0.0) as saved:
        stopped = match(
            target, **settings, checkpoint=saved, stop=lambda: next(batches, None) is None
        )
    assert stopped.stop_reason == "stopped"
    assert 0 < stopped.n_evaluations < whole.n_evaluations
    with Checkpoint(tmp_path) as saved:
        result = match(target, **settings, checkpoint=saved)
    assert result.patch == whole.patch
    np.testing.assert_array_equal(result.record.losses, whole.record.losses)


def test_the_best_so_far_is_told_while_the_search_runs() -> None:
    """Each moment names the lowest loss until then, its parts, and a patch that plays."""
    seen: list[SearchState] = []
    lowest: list[float] = []

    def look(run: SearchRun) -> None:
        seen.append(run.state())
        lowest.append(float(np.min(run.record.losses)))

    result = match(own_target(), evals=900, seed=2, n_threads=1, progress=False, watch=look)
    counts = [state.n_evaluations for state in seen]
    assert counts == sorted(counts)
    assert counts[-1] == result.n_evaluations
    # Until parts are switched off, the best is the lowest; a plain patch may cost a little.
    assert seen[0].loss.total == pytest.approx(lowest[0], rel=1e-12)
    assert all(
        state.loss.total >= best * (1 - 1e-12) for state, best in zip(seen, lowest, strict=True)
    )
    assert seen[-1].evals == 900
    assert seen[-1].seconds is None
    assert set(seen[-1].loss.terms) == set(result.end.terms)
    assert np.abs(render(seen[-1].values, gate_s=0.1)).max() > 0.0


def test_a_counted_budget_holds_what_is_not_recorded() -> None:
    """Gates that are corrected are part of the evaluations, and of the state on the way."""
    target = own_target()
    (note,) = target.notes
    guessed = replace(target, notes=(replace(note, estimated=frozenset({"gate"})),))
    counts: list[int] = []
    result = match(
        guessed, structure="two-oscillator", evals=900, seed=2, progress=False,
        watch=lambda run: counts.append(run.state().n_evaluations),
    )  # fmt: skip
    assert 10.0 < result.record.n_apart < 130.0
    assert result.n_evaluations == round(len(result.record) + result.record.n_apart) == counts[-1]
    assert 890 <= result.n_evaluations <= 900


def test_a_stop_ends_before_the_next_batch_of_whatever_kind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Asked for while gates are corrected, apart from the record; the best so far is kept."""
    asked: list[bool] = []

    def fit(evaluator: Evaluator, vector: FloatArray, *_: object, **__: object) -> FloatArray:
        asked.append(True)
        evaluator.losses(vector[None, :])
        return vector

    monkeypatch.setattr("matcher.search.run.fit_gates_and_envelopes", fit)
    settings: dict[str, Any] = {"structure": "two-oscillator", "evals": 800, "progress": False}
    result = match(own_target(), stop=lambda: bool(asked), **settings)
    assert result.stop_reason == "stopped"
    assert asked == [True]
    assert result.end.total <= result.start.total
