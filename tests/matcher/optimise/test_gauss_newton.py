"""Local search: sums in fixed order, steps from slopes, walls, and what the fits promise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import LocalFits, descend
from matcher.optimise.box import Box
from matcher.optimise.gauss_newton import (
    REFITS,
    LocalSearch,
    normal_equations,
    refit_points,
    solved,
)
from shared.lanes import LANES

if TYPE_CHECKING:
    from shared import Float32Array, FloatArray

N_DIMENSIONS = 8
CENTRE = np.full(N_DIMENSIONS, 0.5)
DIRECTIONS = np.random.default_rng(5).standard_normal((N_DIMENSIONS, 6))
DIRECTIONS[:4] += np.eye(4, 6)
WEIGHTS = np.full(2 * N_DIMENSIONS, 1.0, np.float32)


def open_box(n_dimensions: int = N_DIMENSIONS) -> Box:
    """Make a box without cells and circular columns."""
    return Box(circular=np.zeros(n_dimensions, bool), cells=np.zeros(n_dimensions, np.int64))


def measure(candidates: FloatArray) -> tuple[FloatArray, Float32Array]:
    """Score by 16 differences that are 0 at 0.2, 0.25, ... 0.55."""
    away = candidates - np.linspace(0.2, 0.55, N_DIMENSIONS)
    pairs = away + np.roll(away, 1, axis=1)
    residuals = (50.0 * np.concatenate([away, pairs], axis=1)).astype(np.float32)
    return np.abs(residuals) @ WEIGHTS, residuals


def test_normal_equations_equal_those_of_numpy() -> None:
    """The sums in fixed order are the same sums."""
    rng = np.random.default_rng(1)
    rows: Float32Array = rng.standard_normal((7, 40 * LANES)).astype(np.float32)
    weights: Float32Array = rng.random(rows.shape[1]).astype(np.float32)
    moved = np.array([0.5, -0.25, 2.0])
    residuals = rows[:, :-3]  # no multiple of the lanes
    normal, downhill = normal_equations(residuals, weights[:-3], moved)
    differences = residuals.astype(np.float64)
    leverage = np.sqrt(weights[:-3] / np.maximum(np.abs(differences[0]), 1.0))
    slopes = (differences[1:4] - differences[0]) / moved[:, None]
    weighed = leverage * np.concatenate([slopes, differences[:1], differences[4:]])
    # 1e-5: sums of 640 float32 products, in float32 within blocks.
    wanted = weighed @ weighed[:3].T
    np.testing.assert_allclose(normal, wanted[:3], rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(downhill, wanted[3:], rtol=1e-5, atol=1e-3)


def test_systems_are_solved_side_by_side_without_what_is_held() -> None:
    """Each by itself, held entries at 0, and all of one that isn't definite."""
    rng = np.random.default_rng(1)
    roots = rng.standard_normal((3, 7, 9))
    matrices = roots @ roots.transpose(0, 2, 1)
    matrices[2] = -np.eye(7)
    right = rng.standard_normal((3, 7))
    is_free = np.ones((3, 7), bool)
    is_free[1, [0, 4]] = False
    found = solved(matrices, right, is_free)
    # 1e-9: rounding of double precision times the condition of the matrices, below 1e4.
    np.testing.assert_allclose(found[0], np.linalg.solve(matrices[0], right[0]), atol=1e-9)
    kept = np.flatnonzero(is_free[1])
    smaller = np.linalg.solve(matrices[1][np.ix_(kept, kept)], right[1, kept])
    np.testing.assert_allclose(found[1, kept], smaller, atol=1e-9)
    assert np.all(found[1, [0, 4]] == 0.0)
    assert np.all(found[2] == 0.0)


def test_changed_points_are_fitted_with_the_slopes_of_a_neighbour() -> None:
    """Where differences are linear, one step makes up for a change: what was changed stays."""
    points, changed = np.tile(CENTRE, (2, 1)), np.eye(2, N_DIMENSIONS, dtype=bool)
    points[changed] = 0.3
    masks = np.tile(np.arange(N_DIMENSIONS) < 5, (2, 1))
    differences = (points - 0.45) @ DIRECTIONS
    fitted = refit_points(
        open_box(),
        np.arange(N_DIMENSIONS),
        DIRECTIONS @ DIRECTIONS.T,
        differences @ DIRECTIONS.T,
        points=points,
        masks=masks,
        changed=changed,
    )
    for number, (is_narrow, _) in enumerate(REFITS):
        rows = fitted[2 * number : 2 * number + 2]
        np.testing.assert_array_equal(rows[changed], points[changed])
        if is_narrow:
            np.testing.assert_array_equal(rows[:, 5:], points[:, 5:])
        after = np.sum(((rows - 0.45) @ DIRECTIONS) ** 2, axis=1)
        assert np.all(after < 0.7 * np.sum(differences**2, axis=1))


def test_steps_stop_at_walls_and_go_on_round_circles() -> None:
    """A dimension at its wall is held, and the others make up for it; circles have no walls."""
    box = Box(circular=np.array([False, True]), cells=np.zeros(2, np.int64))
    search = LocalSearch.at(np.array([1.0, 0.99]))
    points = search.trial_points(
        box, np.arange(2), np.array([[2.0, 0.5], [0.5, 2.0]]), np.array([-1.0, -0.2])
    )
    assert np.all(points[:, 0] == 1.0)
    assert np.any(points[:, 1] < 0.5)


def test_a_dimension_that_changes_nothing_rests() -> None:
    """It is left out of the next slopes, and asked again later."""
    search = LocalSearch.at(CENTRE[:2])
    box = open_box(2)
    normal = np.diag([1.0, 0.0])
    seen = []
    for _ in range(6):
        columns = search.slope_points(box)[1]
        seen.append(len(columns))
        search.trial_points(box, columns, normal[np.ix_(columns, columns)], np.ones(len(columns)))
    assert seen == [2, 1, 1, 1, 2, 1]


def fits(n_evaluations: int | None = None) -> LocalFits:
    """Fit all dimensions."""
    box = Box.of(N_DIMENSIONS, None, None)
    return LocalFits(
        measure, WEIGHTS, circular=box.circular, cells=box.cells, n_evaluations=n_evaluations
    )


def test_fit_ends_at_the_bottom_from_each_start() -> None:
    """Points and losses come back, one of each start."""
    starts = np.random.default_rng(2).random((3, N_DIMENSIONS))
    points, losses = (
        np.array(x) for x in zip(*(fits().fitted(x, 12) for x in starts), strict=True)
    )
    # Below one in all differences, absolute values count by their squares.
    assert np.all(losses < 0.1 * measure(starts)[0])
    np.testing.assert_allclose(measure(points)[0], losses)


def test_fit_moves_only_what_is_free_and_as_long_as_evaluations_are_left() -> None:
    """Held dimensions stay; without room for one step there is no loss."""
    free = np.arange(N_DIMENSIONS) < 3
    point, loss = fits().fitted(CENTRE, 5, free=free)
    assert loss < measure(CENTRE[None])[0][0]
    np.testing.assert_array_equal(point[3:], CENTRE[3:])
    point, loss = fits(n_evaluations=5).fitted(CENTRE, 5)
    assert loss == np.inf
    np.testing.assert_array_equal(point, CENTRE)


def test_points_descend_by_slopes_in_closed_form_each_by_itself() -> None:
    """Two curved differences of two entries; one of them may be held."""
    starts = np.array([[2.0, 3.0], [2.0, 3.0], [0.5, -1.0]])

    def rows(x: FloatArray) -> FloatArray:
        """Return residuals and slopes, shape (n_points, 2, 3)."""
        a, b = x.T
        zero, one = np.zeros(len(x)), np.ones(len(x))
        curved = np.stack([10.0 * (b - a * a), -20.0 * a, 10.0 * one], axis=1)
        return np.stack([curved, np.stack([1.0 - a, -one, zero], axis=1)], axis=1)

    def run(points: FloatArray, free: FloatArray) -> tuple[FloatArray, FloatArray]:
        return descend(
            points,
            free.astype(bool),
            60,
            costs=lambda x: np.sum(rows(x)[:, :, 0] ** 2, axis=1),
            products=lambda x: np.einsum("nri,nrj->nij", rows(x), rows(x)),
            held=np.copy,
        )

    points, losses = run(starts, np.array([[1, 1], [0, 1], [1, 1]]))
    np.testing.assert_allclose(points[[0, 2]], 1.0, atol=1e-3)
    np.testing.assert_allclose(points[1], [2.0, 4.0], atol=1e-6)
    np.testing.assert_allclose(losses[1], 1.0, atol=1e-9)
    alone, _ = run(starts[2:], np.ones((1, 2)))
    np.testing.assert_array_equal(points[2], alone[0])
