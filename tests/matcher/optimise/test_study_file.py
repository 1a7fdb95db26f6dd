"""The search record as an Optuna study."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import optuna
import pytest
from hypothesis import given
from hypothesis import strategies as st
from optuna.distributions import CategoricalDistribution, FloatDistribution, IntDistribution
from optuna.trial import TrialState

from matcher.optimise import SearchRecord, write_study
from matcher.optimise.study_file import physical_distribution, whole_names
from shared import CATALOGUE, Parameter
from shared.errors import FileError, ParameterError
from tests.strategies import parameters

if TYPE_CHECKING:
    from pathlib import Path

SPACE = CATALOGUE.only("filter.*", "osc1.octave", "osc2.detune_cents")
PHASE = "C4_v100/osc2.phase"
NAMES = (*SPACE.names, PHASE)
STARTED_AT = datetime(2024, 5, 1, 12, 0, tzinfo=UTC)


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
    return optuna.load_study(study_name="brass", storage=optuna.storages.JournalStorage(backend))


def test_plain_optuna_opens_the_study(tmp_path: Path, record: SearchRecord) -> None:
    """Every evaluation is a trial with its loss and its physical values."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, study_name="brass", overwrite=False)
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
    write_study(record, SPACE, path, study_name="brass", overwrite=False)
    trial = _load(path).trials[5]
    assert trial.state is TrialState.FAIL
    assert trial.value is None
    assert set(trial.user_attrs) == {"evaluation", "elapsed_s"}


def test_ranges_scales_and_steps_are_in_the_study(tmp_path: Path, record: SearchRecord) -> None:
    """Optuna's plots and evaluators know how a parameter is spread."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, study_name="brass", overwrite=False)
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
        study_name="brass",
        overwrite=False,
        started_at=STARTED_AT,
        attributes={"seed": 7, "structure": "two-osc"},
    )
    study = _load(path)
    assert study.user_attrs == {"seed": 7, "structure": "two-osc"}
    # Optuna gives local times without a zone.
    done_at = study.trials[-1].datetime_complete
    assert done_at is not None
    assert done_at.astimezone(UTC) == STARTED_AT + timedelta(seconds=7.5)


def test_a_long_search_is_thinned(tmp_path: Path, record: SearchRecord) -> None:
    """The best trial is that of the whole search."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, study_name="brass", overwrite=False, n_trials=40)
    study = _load(path)
    assert len(study.trials) == 40
    assert study.best_value == record.losses.min()
    numbers = [trial.user_attrs["evaluation"] for trial in study.trials]
    assert numbers == (record.thinned(40) + 1).tolist()


def test_the_study_can_be_gone_on_with(tmp_path: Path, record: SearchRecord) -> None:
    """Optuna appends further trials to the file."""
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, study_name="brass", overwrite=False, n_trials=30)
    study = _load(path)
    trial = study.ask(study.trials[0].distributions)
    study.tell(trial, 0.25)
    assert _load(path).trials[-1].value == 0.25


# PED-ANOVA is experimental in the oldest Optuna that is accepted, 4.5.
@pytest.mark.filterwarnings("ignore::optuna.exceptions.ExperimentalWarning")
def test_importance_can_be_evaluated_on_the_study(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """PED-ANOVA of plain Optuna finds the one parameter that decides the loss."""
    record = SearchRecord(NAMES)
    candidates = rng.random((500, len(NAMES)))
    column = NAMES.index("filter.cutoff_hz")
    record.append(candidates, (candidates[:, column] - 0.4) ** 2)
    path = tmp_path / "study.journal"
    write_study(record, SPACE, path, study_name="brass", overwrite=False)
    importances = optuna.importance.get_param_importances(
        _load(path), evaluator=optuna.importance.PedAnovaImportanceEvaluator()
    )
    assert max(importances, key=importances.__getitem__) == "filter.cutoff_hz"


def test_an_empty_record_makes_an_empty_study(tmp_path: Path) -> None:
    """A search that was stopped before its first batch can still be written."""
    path = tmp_path / "study.journal"
    write_study(SearchRecord(NAMES), SPACE, path, study_name="brass", overwrite=False)
    assert _load(path).trials == []


def test_an_existing_file_is_kept(tmp_path: Path, record: SearchRecord) -> None:
    """Nothing is replaced without being asked for, and nothing is left beside it."""
    path = tmp_path / "study.journal"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="exists already and is kept"):
        write_study(record, SPACE, path, study_name="brass", overwrite=False)
    assert path.read_text("utf-8") == "mine"
    assert list(tmp_path.iterdir()) == [path]


def test_a_space_without_columns_is_refused(tmp_path: Path, record: SearchRecord) -> None:
    """The message names the parameter, and no file is left."""
    with pytest.raises(ParameterError, match="no column tune_cents"):
        write_study(
            record, CATALOGUE, tmp_path / "study.journal", study_name="brass", overwrite=False
        )
    assert list(tmp_path.iterdir()) == []


def test_the_log_of_optuna_is_left_as_it_was(tmp_path: Path, record: SearchRecord) -> None:
    """Writing a study says nothing, and whoever uses Optuna besides keeps their setting."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.DEBUG)
    try:
        write_study(record, SPACE, tmp_path / "s.journal", study_name="brass", overwrite=False)
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
