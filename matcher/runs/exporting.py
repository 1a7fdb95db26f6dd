"""The record of a search for other programs: columns, and a study that plain Optuna opens.

Others can then use Optuna's own plots and importance evaluators on it::

    storage = JournalStorage(JournalFileBackend("study.journal"))
    study = optuna.load_study(study_name="brass", storage=storage)

Optuna's journal is written line by line with a flush to the disk for each, which takes seconds
for some thousand trials. Here the journal's storage is given a backend that collects in memory,
and the lines are written in one go.
"""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise import quiet_optuna
from matcher.runs.layout import EVALUATIONS_FILE, RECORD_FILE, STUDY_FILE
from shared.files import write_atomic

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    import numpy.typing as npt
    import optuna
    from optuna.distributions import BaseDistribution

    from matcher.optimise import SearchRecord
    from matcher.result import MatchResult
    from shared import FloatArray, Parameter, ParameterSpace

STUDY_NAME = "match"
# The unequal steps of a knob are numbers that rise; only a switch has categories.
_MOST_CATEGORIES = 6
# About 0.4 ms and 10 kB for each trial of 55 parameters: 0.8 s and 21 MB. Finer estimates of
# importance than these give are not worth the wait at the end of a match.
_MOST_TRIALS = 2000
# Of 25 evaluations one goes into the study, which costs most of what a record costs.
_FEWEST_TRIALS, _STUDY_SHARE = 400, 25


def write_record(result: MatchResult, folder: Path) -> None:
    """Write every evaluation, as it is and as columns, and the study."""
    record, space = result.record, result.space
    record.to_npz(folder / RECORD_FILE, overwrite=False)
    write_columns(record, space, folder / EVALUATIONS_FILE)
    write_study(
        record,
        space,
        folder / STUDY_FILE,
        n_trials=min(_MOST_TRIALS, max(_FEWEST_TRIALS, len(record) // _STUDY_SHARE)),
        attributes={"settings": dict(result.settings), "target": result.target.digest},
    )


def write_columns(record: SearchRecord, space: ParameterSpace, path: Path) -> None:
    """Write a record as a NumPy archive with one array for each column.

    A table of text takes ten times as long to write, and twice the room at full precision.
    Columns: ``evaluation`` (from 1), ``elapsed_s``, ``loss``, the loss terms with ``loss.`` before
    their names, and the dimensions of a candidate. One line makes a data frame of the file::

        frame = pandas.DataFrame(dict(numpy.load("evaluations.npz")))
    """
    values = physical_values(record, space, np.arange(len(record)))
    columns = {
        "evaluation": np.arange(1, len(record) + 1),
        "elapsed_s": record.elapsed_s,
        "loss": record.losses,
        **{f"loss.{name}": record.terms[:, i] for i, name in enumerate(record.loss_terms)},
        **{name: values[:, i] for i, name in enumerate(record.names)},
    }
    buffer = io.BytesIO()
    # mypy takes names of columns for options.
    np.savez(buffer, **columns)  # type: ignore[arg-type]
    write_atomic(path, buffer.getvalue(), overwrite=False)


def physical_values(
    record: SearchRecord, space: ParameterSpace, places: npt.NDArray[np.intp]
) -> FloatArray:
    """Return some candidates, those columns in their own units that are parameters of a space."""
    values = record.candidates[places]
    if len(space):
        columns = [record.names.index(name) for name in space.names]
        values[:, columns] = space.decode(values[:, columns])
    return values


def thinned(record: SearchRecord, n_most: int) -> npt.NDArray[np.intp]:
    """Choose evaluations that tell the course of the search, `n_most` (1 or more) at most.

    All improvements, and others spread evenly over the rest; with more improvements than
    asked for, improvements spread evenly up to the best. Returns their places in order.
    """
    improvements = record.improvements()
    if len(improvements) >= n_most:
        return improvements[_spread(len(improvements), n_most)]
    others = np.setdiff1d(np.arange(len(record)), improvements)
    chosen = others[_spread(len(others), min(len(others), n_most - len(improvements)))]
    return np.sort(np.concatenate([improvements, chosen]))


def _spread(n_places: int, n_chosen: int) -> npt.NDArray[np.intp]:
    """Choose places evenly, the last one included."""
    return (np.arange(1, n_chosen + 1) * n_places) // max(1, n_chosen) - 1


def write_study(
    record: SearchRecord,
    space: ParameterSpace,
    path: Path,
    *,
    n_trials: int = _MOST_TRIALS,
    attributes: Mapping[str, Any] | None = None,
) -> None:
    """Write a record as an Optuna journal file.

    Parameters are in their own units; columns without one (phases) become floats from 0 to 1. The
    value of a trial is its loss; a trial whose loss isn't finite is marked as failed. Loss terms
    are user attributes, as is ``evaluation``, the number of the evaluation from 1.
    """
    import optuna  # noqa: PLC0415 (slow; only where a study is written)

    with quiet_optuna():
        backend = _make_collecting_backend()
        study = optuna.create_study(
            storage=optuna.storages.JournalStorage(backend),
            study_name=STUDY_NAME,
            direction="minimize",
        )
        for key, value in (attributes or {}).items():
            study.set_user_attr(key, value)
        study.add_trials(list(_trials(record, space, n_trials)))
        lines = [json.dumps(log, separators=(",", ":")) for log in backend.read_logs(0)]
    write_atomic(path, "\n".join(lines) + "\n", overwrite=False)


def _trials(
    record: SearchRecord, space: ParameterSpace, n_trials: int
) -> Iterator[optuna.trial.FrozenTrial]:
    """Make the trials."""
    from optuna.trial import FrozenTrial, TrialState  # noqa: PLC0415 (see write_study)

    places = thinned(record, n_trials)
    times = record.elapsed_s
    last_s = float(times[-1]) if len(times) else 0.0
    origin = datetime.now(tz=UTC) - timedelta(seconds=last_s)
    distributions = _distributions(record, space)
    whole = whole_names(distributions)
    values = physical_values(record, space, places)
    for number, (place, row) in enumerate(zip(places, values.tolist(), strict=True)):
        loss = float(record.losses[place])
        done_at = origin + timedelta(seconds=float(times[place]))
        yield FrozenTrial(
            number=number,
            trial_id=number,
            state=TrialState.COMPLETE if np.isfinite(loss) else TrialState.FAIL,
            value=loss if np.isfinite(loss) else None,
            datetime_start=done_at,
            datetime_complete=done_at,
            params={
                name: round(value) if name in whole else value
                for name, value in zip(record.names, row, strict=True)
            },
            distributions=distributions,
            user_attrs=_attributes(record, int(place)),
            system_attrs={},
            intermediate_values={},
        )


def _distributions(record: SearchRecord, space: ParameterSpace) -> dict[str, BaseDistribution]:
    """Describe every column of the record to Optuna."""
    from optuna.distributions import FloatDistribution  # noqa: PLC0415 (see write_study)

    return {
        name: physical_distribution(space[name]) if name in space else FloatDistribution(0.0, 1.0)
        for name in record.names
    }


def _attributes(record: SearchRecord, place: int) -> dict[str, float | int]:
    """Return number, time and finite loss terms of one evaluation."""
    terms = zip(record.loss_terms, record.terms[place].tolist(), strict=True)
    return {
        "evaluation": place + 1,
        "elapsed_s": float(record.elapsed_s[place]),
        **{f"loss.{name}": value for name, value in terms if np.isfinite(value)},
    }


def _make_collecting_backend() -> optuna.storages.journal.BaseJournalBackend:
    """Make a journal backend that keeps its entries in a list.

    The class is made here because its base is Optuna's, which is imported late.
    """
    from optuna.storages.journal import BaseJournalBackend  # noqa: PLC0415 (see write_study)

    class CollectingBackend(BaseJournalBackend):
        """Keeps journal entries in the order in which they come."""

        def __init__(self) -> None:
            self._logs: list[dict[str, Any]] = []

        def append_logs(self, logs: list[dict[str, Any]]) -> None:
            """Add entries."""
            self._logs.extend(logs)

        def read_logs(self, log_number_from: int) -> Iterator[dict[str, Any]]:
            """Return the entries from a number on."""
            yield from self._logs[log_number_from:]

    return CollectingBackend()


def physical_distribution(parameter: Parameter) -> BaseDistribution:
    """Describe the range of a parameter in its own unit to Optuna.

    A switch becomes categories, whole steps integers, other steps stepped floats; a knob with many
    unequal steps becomes a float, logarithmic where its scale is. Optuna knows no other curves:
    they are linear.
    """
    from optuna.distributions import (  # noqa: PLC0415 (see write_study)
        CategoricalDistribution,
        FloatDistribution,
        IntDistribution,
    )

    if parameter.choices and len(parameter.choices) <= _MOST_CATEGORIES:
        return CategoricalDistribution(parameter.choices)
    if parameter.choices or parameter.low == parameter.high or parameter.step is None:
        return FloatDistribution(
            parameter.low, parameter.high, log=parameter.scale == "log" and parameter.low > 0
        )
    values = [parameter.decode(0.0), parameter.decode(1.0)]
    if all(float(number).is_integer() for number in (*values, parameter.step)):
        return IntDistribution(int(values[0]), int(values[1]), step=int(parameter.step))
    return FloatDistribution(values[0], values[1], step=parameter.step)


def whole_names(distributions: Mapping[str, BaseDistribution]) -> frozenset[str]:
    """Return the names whose values Optuna wants as integers."""
    from optuna.distributions import IntDistribution  # noqa: PLC0415 (see write_study)

    return frozenset(
        name
        for name, distribution in distributions.items()
        if isinstance(distribution, IntDistribution)
    )
