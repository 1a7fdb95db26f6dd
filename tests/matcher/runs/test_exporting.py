"""The search record as an Optuna study."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import optuna
import pytest
from hypothesis import given
from hypothesis import strategies as st
from optuna.distributions import CategoricalDistribution, FloatDistribution, IntDistribution
from optuna.trial import TrialState

from matcher.optimise import SearchRecord
from matcher.runs.exporting import (
    physical_distribution,
    thinned,
    whole_names,
    write_columns,
    write_study,
)
from shared import CATALOGUE, Parameter
from tests.strategies import parameters

if TYPE_CHECKING:
    from pathlib import Path

SPACE = CATALOGUE.only("filter.*", "osc1.octave", "osc2.detune_cents")
PHASE = "C4_v100/osc2.phase"
NAMES = (*SPACE.names, PHASE)


@pytest.fixture(name="record")
def _record(rng: np.random.Generator) -> SearchRecord:
    """Return a record of 300 evaluations, one of which couldn't be scored."""
    record = SearchRecord(NAMES, loss_terms=("spectrum", "onset"))
    for number in range(15):
        candidates = rng.random((20, len(NAMES)))
        candidates[0], candidates[1] = 0.0, 1.0
        terms = rng.random((20, 2))
        losses = terms.sum(axis=1)
        if number == 0:
            losses[5], terms[5] = np.nan, np.nan
        record.append(candidates, losses, elapsed_s=0.5 * (number + 1), terms=terms)
    return record


def _load(path: Path) -> optuna.Study:
    """Open a study with nothing but Optuna."""
    backend = optuna.storages.journal.JournalFileBackend(str(path))
    return optuna.load_study(study_name="match", storage=optuna.storages.JournalStorage(backend))


def test_plain_optuna_opens_the_study(tmp_path: Path, record: SearchRecord) -> None:
    """Every evaluation is a trial with its loss and its physical values."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path)
    trials = _load(path).trials
    assert [trial.number for trial in trials] == list(range(300))
    values = SPACE.decode(record.candidates[:, : len(SPACE)])
    for place, trial in enumerate(trials):
        assert [float(trial.params[name]) for name in SPACE.names] == values[place].tolist()
        assert trial.params[PHASE] == record.candidates[place, -1]
        if place != 5:
            assert trial.state is TrialState.COMPLETE
            assert trial.value == record.losses[place]
            assert trial.user_attrs["loss.onset"] == record.terms[place, 1]
        assert trial.user_attrs["evaluation"] == place + 1


def test_what_could_not_be_scored_has_failed(tmp_path: Path, record: SearchRecord) -> None:
    """Such a trial has no value, and no loss terms."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path)
    trial = _load(path).trials[5]
    assert trial.state is TrialState.FAIL
    assert trial.value is None
    assert set(trial.user_attrs) == {"evaluation", "elapsed_s"}


def test_ranges_scales_and_steps_are_in_the_study(tmp_path: Path, record: SearchRecord) -> None:
    """Optuna's plots and evaluators know how a parameter is spread."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path)
    distributions = _load(path).trials[0].distributions
    assert distributions["filter.cutoff_hz"] == FloatDistribution(20.0, 20_000.0, log=True)
    assert distributions["filter.resonance_ratio"] == FloatDistribution(0.0, 1.0)
    assert distributions["osc1.octave"] == IntDistribution(-2, 2)
    assert distributions["filter.slope_db_per_octave"] == CategoricalDistribution((12.0, 24.0))
    assert distributions[PHASE] == FloatDistribution(0.0, 1.0)


def test_attributes_and_times_are_in_the_study(tmp_path: Path, record: SearchRecord) -> None:
    """A study says of its own which search it was."""
    path = tmp_path / "study.journal"
    write_study(
        record,
        SPACE,
        path,
        attributes={"seed": 7, "structure": "two-osc"},
    )
    study = _load(path)
    assert study.user_attrs == {"seed": 7, "structure": "two-osc"}
    first, last = (study.trials[i].datetime_complete for i in (0, -1))
    assert first is not None
    assert last is not None
    assert last - first == timedelta(seconds=7.0)


def test_a_long_search_is_thinned(tmp_path: Path, record: SearchRecord) -> None:
    """The best trial is that of the whole search."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, n_trials=40)
    study = _load(path)
    assert len(study.trials) == 40
    assert study.best_value == record.losses.min()
    numbers = [trial.user_attrs["evaluation"] for trial in study.trials]
    assert numbers == (thinned(record, 40) + 1).tolist()


def test_the_study_can_be_gone_on_with(tmp_path: Path, record: SearchRecord) -> None:
    """Optuna appends further trials to the file."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, n_trials=30)
    study = _load(path)
    trial = study.ask(study.trials[0].distributions)
    study.tell(trial, 0.25)
    assert _load(path).trials[-1].value == 0.25


def test_an_empty_record_makes_an_empty_study(tmp_path: Path) -> None:
    """A search that was stopped before its first batch can still be written."""
    path = tmp_path / "study.journal"
    write_study(SearchRecord(NAMES), SPACE, path)
    assert _load(path).trials == []


def test_the_log_of_optuna_is_left_as_it_was(tmp_path: Path, record: SearchRecord) -> None:
    """Writing a study says nothing, and whoever uses Optuna besides keeps their setting."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.DEBUG)
    try:
        write_study(record, SPACE, tmp_path / "s.journal")
        assert optuna.logging.get_verbosity() == optuna.logging.DEBUG
    finally:
        optuna.logging.set_verbosity(before)


@given(parameter=parameters(), u=st.floats(0.0, 1.0))
def test_every_value_lies_in_its_distribution(parameter: Parameter, u: float) -> None:
    """Whatever a search proposes can be written into a study."""
    distribution = physical_distribution(parameter)
    value = parameter.decode(u)
    if whole_names({"it": distribution}):
        assert value == round(value)
    assert distribution._contains(distribution.to_internal_repr(value))


def test_the_table_has_physical_values_by_name(tmp_path: Path, record: SearchRecord) -> None:
    """Columns of the space are in its units; a phase stays in cycles."""
    write_columns(record, SPACE, tmp_path / "search.npz")
    with np.load(tmp_path / "search.npz") as table:
        columns = dict(table)
    terms = ["loss.spectrum", "loss.onset"]
    assert list(columns) == ["evaluation", "elapsed_s", "loss", *terms, *NAMES]
    assert columns["evaluation"].tolist() == list(range(1, 301))
    np.testing.assert_array_equal(columns["loss"], record.losses)
    values = SPACE.decode(record.candidates[:, : len(SPACE)])
    for i, name in enumerate(SPACE.names):
        np.testing.assert_array_equal(columns[name], values[:, i])
    np.testing.assert_array_equal(columns[NAMES[-1]], record.candidates[:, -1])


@given(losses=st.lists(st.floats(0.0, 9.0), min_size=1, max_size=60), n_most=st.integers(1, 70))
def test_thinning_keeps_the_course_of_the_search(losses: list[float], n_most: int) -> None:
    """All improvements stay as long as there is room, the best always does."""
    record = SearchRecord(["a"])
    record.append(np.full((len(losses), 1), 0.5), losses)
    places = thinned(record, n_most)
    improvements = record.improvements()
    assert len(places) == min(n_most, len(losses))
    assert np.all(np.diff(places) > 0)
    assert improvements[-1] in places
    if len(improvements) <= n_most:
        assert set(improvements) <= set(places)


def test_thinned_evaluations_are_spread_evenly(rng: np.random.Generator) -> None:
    """No part of the search is left out."""
    record = SearchRecord(["a"])
    record.append(np.full((1000, 1), 0.5), rng.random(1000))
    places = thinned(record, 100)
    assert np.diff(places).max() <= 20
