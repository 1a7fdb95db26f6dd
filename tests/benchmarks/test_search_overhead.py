"""What a search costs besides rendering and scoring.

``pytest tests/benchmarks/test_search_overhead.py --benchmark-enable --benchmark-only`` times it.
The default sampler should stay below 0.1 ms for each candidate at 30 dimensions; rendering and
scoring one takes about 1 ms.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.optimise import (
    DEFAULT_N_TRIALS,
    SAMPLER_NAMES,
    SearchRecord,
    make_sampler,
    restore_sampler,
    state_from_bytes,
    state_to_bytes,
    unit_cells,
    write_study,
)
from shared import CATALOGUE
from tests.search_functions import sphere

if TYPE_CHECKING:
    from pathlib import Path

    from pytest_benchmark.fixture import BenchmarkFixture

    from matcher.optimise import Sampler

BATCH = 32


def _generation(sampler: Sampler) -> None:
    """Ask for a generation and tell its losses; divide the time by 32."""
    candidates = sampler.ask(BATCH)
    sampler.tell(candidates, sphere(candidates))


@pytest.mark.parametrize("n_dimensions", [10, 30, 55, 100])
def test_default_sampler(benchmark: BenchmarkFixture, n_dimensions: int) -> None:
    """A generation of 32 candidates, with steps and phases as in a match."""
    cells = [5, 5, 2, *[0] * (n_dimensions - 3)]
    circular = [False] * (n_dimensions - 5) + [True] * 5
    sampler = make_sampler("cmaes", n_dimensions, seed=1, cells=cells, circular=circular)
    benchmark.pedantic(_generation, args=(sampler,), rounds=200, warmup_rounds=5)
    assert np.isfinite(sphere(sampler.ask(BATCH))).all()


@pytest.mark.parametrize("n_told", [0, 1000])
@pytest.mark.parametrize("name", sorted(set(SAMPLER_NAMES) - {"staged"}))
def test_other_samplers(benchmark: BenchmarkFixture, name: str, n_told: int) -> None:
    """A generation at 30 dimensions, at first and after 1,000 candidates."""
    sampler = make_sampler(name, 30, seed=1)
    # Without timing only the body is tried; 1,000 candidates would take TPE 15 s.
    n_before = n_told if benchmark.enabled else min(n_told, BATCH)
    for _ in range(n_before // BATCH):
        _generation(sampler)
    benchmark.pedantic(_generation, args=(sampler,), rounds=3)
    assert len(sampler.state()["values"]) >= BATCH


def test_checkpoint(benchmark: BenchmarkFixture) -> None:
    """State to bytes and back for all parameters of the voice."""
    sampler = make_sampler("cmaes", len(CATALOGUE), seed=1, cells=unit_cells(CATALOGUE))
    _generation(sampler)
    data = benchmark(lambda: state_to_bytes(sampler.state()))
    assert state_to_bytes(restore_sampler(state_from_bytes(data)).state()) == data


def test_study_file(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """The record of 20,000 evaluations, thinned and written as a study."""
    n_evaluations = 20_000 if benchmark.enabled else 64
    candidates = np.random.default_rng(1).random((n_evaluations, len(CATALOGUE)))
    record = SearchRecord(CATALOGUE.names, loss_terms=("spectrum", "onset"))
    record.append(candidates, sphere(candidates), terms=candidates[:, :2])
    path = tmp_path / "study.journal"
    benchmark.pedantic(
        write_study,
        args=(record, CATALOGUE, path),
        kwargs={"study_name": "speed", "overwrite": True},
        rounds=3,
    )
    with path.open("rb") as file:
        # One line makes the study, then one for each trial.
        assert sum(1 for _ in file) == 1 + min(n_evaluations, DEFAULT_N_TRIALS)


def test_record_file(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """All of 20,000 evaluations as an archive."""
    n_evaluations = 20_000 if benchmark.enabled else 64
    candidates = np.random.default_rng(1).random((n_evaluations, len(CATALOGUE)))
    record = SearchRecord(CATALOGUE.names)
    record.append(candidates, sphere(candidates))
    path = tmp_path / "search.npz"
    benchmark.pedantic(record.to_npz, args=(path,), kwargs={"overwrite": True}, rounds=3)
    assert path.stat().st_size > 64
