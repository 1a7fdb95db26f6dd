"""What the default sampler does beyond the contract of all samplers."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher.optimise import make_sampler, search
from tests.search_functions import optimum, sphere

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared.types import FloatArray

ROOT = Path(__file__).resolve().parents[3]


def _steps_and_sphere(candidates: FloatArray) -> FloatArray:
    """Five steps in ten dimensions and a paraboloid in ten more, mixed as in a patch.

    Snapping the steps here as well lets a sampler that knows nothing of them be judged by the
    same function.
    """
    cell = np.clip(np.floor(candidates[:, :10] * 5.0), 0.0, 4.0)
    steps = np.sum((cell - np.array([0, 1, 2, 3, 4, 3, 0, 4, 1, 2])) ** 2, axis=1)
    axes = 10.0 ** (3.0 * np.arange(10) / 9.0)
    return steps + np.sum(axes * (10.0 * (candidates[:, 10:] - 0.37)) ** 2, axis=1)


def _median_loss(
    objective: Callable[[FloatArray], FloatArray],
    n_dimensions: int,
    *,
    n_evaluations: int,
    **settings: Any,  # noqa: ANN401 (as make_sampler takes them)
) -> float:
    """Return the median of the best losses over three seeds."""
    return float(
        np.median(
            [
                search(
                    objective,
                    make_sampler("cmaes", n_dimensions, seed=seed, **settings),
                    n_evaluations=n_evaluations,
                ).best_loss
                for seed in range(3)
            ]
        )
    )


def test_steps_are_solved_where_plain_rounding_stalls() -> None:
    """With the margin every step is found; rounding leaves at least one of ten wrong."""
    with_margin = _median_loss(
        _steps_and_sphere, 20, n_evaluations=6000, cells=[5] * 10 + [0] * 10
    )
    rounded = _median_loss(_steps_and_sphere, 20, n_evaluations=6000)
    # One wrong step costs 1.
    assert with_margin < 0.1
    assert rounded > 1.0


def test_a_start_on_the_wrong_steps_is_left() -> None:
    """Two choices in each of ten dimensions are all turned round from a narrow start."""

    def wrong_choices(candidates: FloatArray) -> FloatArray:
        wrong = np.sum(candidates[:, :10] < 0.5, axis=1)
        return wrong + np.sum((10.0 * (candidates[:, 10:] - 0.37)) ** 2, axis=1)

    loss = _median_loss(
        wrong_choices,
        20,
        n_evaluations=6000,
        cells=[2] * 10 + [0] * 10,
        starts=[[0.25] * 10 + [0.5] * 10],
        sigma=0.1,
    )
    assert loss < 0.5


def test_a_phase_is_found_across_its_seam() -> None:
    """From 0.95 to 0.05 is a tenth of a turn; a wall between them would cost nine tenths."""

    def distance(candidates: FloatArray) -> FloatArray:
        turns = np.abs(candidates - 0.05)
        return np.sum(np.minimum(turns, 1.0 - turns), axis=1)

    settings = {"starts": [[0.95] * 4], "sigma": 0.05}
    sampler = make_sampler("cmaes", 4, seed=3, circular=[True] * 4, **settings)
    round_about = search(distance, sampler, n_evaluations=480)
    walled = search(distance, make_sampler("cmaes", 4, seed=3, **settings), n_evaluations=480)
    assert round_about.best_loss < 0.02
    assert walled.best_loss > 0.15


def test_the_best_at_walls_is_reached() -> None:
    """Parts that do nothing stand at a wall, often half of a patch."""
    target = np.where(np.arange(16) % 2 == 0, np.arange(16) % 4 / 2.0, 0.4)

    def distance(candidates: FloatArray) -> FloatArray:
        return np.sqrt(np.mean((candidates - target) ** 2, axis=1))

    assert _median_loss(distance, 16, n_evaluations=4000) < 1e-3


def test_the_search_goes_on_around_the_best_start() -> None:
    """Of several starts the best is refined, not their average."""
    good = optimum(8) + 0.02
    starts = [np.full(8, 0.05), good, np.full(8, 0.95)]
    sampler = make_sampler("cmaes", 8, seed=1, starts=starts, sigma=0.02)
    search(sphere, sampler, n_evaluations=32)
    assert np.all(np.abs(sampler.ask(32) - good) < 0.15)


def test_more_starts_than_a_generation_are_all_evaluated() -> None:
    """No start is dropped, and none is proposed twice before all were."""
    starts = np.random.default_rng(5).random((50, 4))
    sampler = make_sampler("cmaes", 4, seed=1, starts=starts)
    batches = []
    for _ in range(4):
        batches.append(sampler.ask(16))
        sampler.tell(batches[-1], sphere(batches[-1]))
    np.testing.assert_array_equal(np.concatenate(batches)[:50], starts)


@pytest.mark.parametrize("batch", [1, 20])
def test_any_batch_size_solves_the_sphere(batch: int) -> None:
    """A generation is filled by whole batches, whatever their size."""
    sampler = make_sampler("cmaes", 5, seed=2)
    lowest = np.inf
    for _ in range(2400 // batch):
        candidates = sampler.ask(batch)
        losses = sphere(candidates)
        sampler.tell(candidates, losses)
        lowest = min(lowest, losses.min())
    assert lowest < 1e-3


@pytest.mark.parametrize(("n_dimensions", "population"), [(1, 4), (1, 32), (2, 5), (40, 4)])
def test_the_smallest_searches_work(n_dimensions: int, population: int) -> None:
    """One parameter alone is refined as well as forty, with any population that is accepted."""
    sampler = make_sampler("cmaes", n_dimensions, seed=2, population=population)
    result = search(sphere, sampler, n_evaluations=2000)
    assert result.best_loss < 0.5 * sphere(np.full((1, n_dimensions), 0.5))[0]
    assert np.all(np.isfinite(sampler.ask(16)))


def test_batches_that_overlap_are_learnt() -> None:
    """Two batches may be on their way at once, as long as both come home in between."""
    sampler = make_sampler("cmaes", 5, seed=2)
    best = np.inf
    for _ in range(75):
        first, second = sampler.ask(16), sampler.ask(16)
        for batch in (first, second):
            best = min(best, float(sphere(batch).min()))
            sampler.tell(batch, sphere(batch))
    assert best < 1e-3


def test_the_population_is_what_it_prefers_to_be_asked_for() -> None:
    """Asked as preferred, each batch is one generation; wide restarts double it."""
    sampler = make_sampler("cmaes", 2, seed=4)
    sizes = set()
    for _ in range(250):
        sizes.add(sampler.preferred_batch)
        candidates = sampler.ask(sampler.preferred_batch)
        sampler.tell(candidates, sphere(candidates))
    assert {32, 64, 128} <= sizes
    assert sizes <= {32, 64, 128, 256, 512}


def test_a_flat_loss_is_searched_without_end() -> None:
    """Where every candidate is as good as every other, numbers stay finite and inside."""
    sampler = make_sampler("cmaes", 6, seed=1, cells=[0, 3, 0, 0, 0, 0])
    result = search(lambda candidates: np.full(len(candidates), 2.0), sampler, n_evaluations=3200)
    assert result.best_loss == 2.0
    candidates = sampler.ask(64)
    assert np.all((candidates >= 0.0) & (candidates <= 1.0))


def test_a_scale_without_effect_does_not_matter() -> None:
    """Only the order of the losses counts within a generation."""
    first, second = make_sampler("cmaes", 6, seed=1), make_sampler("cmaes", 6, seed=1)
    for _ in range(12):
        one, other = first.ask(32), second.ask(32)
        np.testing.assert_array_equal(one, other)
        first.tell(one, sphere(one))
        second.tell(other, np.log(sphere(other)))


_DIGEST_SCRIPT = """
import hashlib
import numpy as np
from matcher.optimise import make_sampler, search
digest = hashlib.sha256()
weights = np.arange(1, 121)
sampler = make_sampler("cmaes", 120, seed=1, cells=[5] * 3 + [0] * 117)
search(lambda x: np.einsum("ij,j->i", (x - 0.3) ** 2, weights), sampler, n_evaluations=640)
print(hashlib.sha256(sampler.ask(32).tobytes()).hexdigest())
"""


def test_the_number_of_threads_changes_nothing() -> None:
    """The same seed gives the same candidates to the bit, whatever BLAS may use.

    120 dimensions: eigenvectors from OpenBLAS 0.3.31 differ between one and two threads from
    100 on.
    """
    digests = set()
    for n_threads in ("1", "4"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        environment = {**os.environ, **dict.fromkeys(names, n_threads)}
        finished = subprocess.run(  # noqa: S603 (our own interpreter and script)
            [sys.executable, "-c", _DIGEST_SCRIPT],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        digests.add(finished.stdout)
    assert len(digests) == 1


def test_importing_the_search_brings_no_heavy_library() -> None:
    """The command line prints its help without waiting for samplers that nobody asked for."""
    script = "import sys, matcher.optimise; print(*sys.modules)"
    finished = subprocess.run(  # noqa: S603 (our own interpreter and script)
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    heavy = {"optuna", "cmaes", "scipy", "numba", "librosa", "pandas", "sqlalchemy"}
    assert heavy.isdisjoint(finished.stdout.split())
