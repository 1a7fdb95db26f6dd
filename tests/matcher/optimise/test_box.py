"""Folding draws into the unit box."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from matcher.optimise.box import Box
from matcher.optimise.cma_es import (
    NormalDistribution,
    cholesky_factor,
    limit_width,
    recentre,
)
from matcher.problem import unit_cells
from shared import CATALOGUE, ParameterSpace
from tests.strategies import spaces

if TYPE_CHECKING:
    from shared.types import FloatArray

BOX = Box(
    circular=np.array([False, True, False, False]), cells=np.array([0, 0, 5, 0], dtype=np.int64)
)
points = hnp.arrays(np.float64, (3, 4), elements=st.floats(-50.0, 50.0))
inside = hnp.arrays(np.float64, (3, 4), elements=st.floats(0.0, 1.0))


@settings(max_examples=40)
@given(points=points)
def test_everything_is_folded_into_the_box(points: FloatArray) -> None:
    """No draw, however far away, makes a candidate outside the box."""
    folded = BOX.fold(points)
    assert np.all((folded >= 0.0) & (folded <= 1.0))
    assert np.all(folded[:, 1] < 1.0)


@settings(max_examples=40)
@given(points=inside)
def test_continuous_values_inside_stay_to_the_bit(points: FloatArray) -> None:
    """A start is evaluated as it was given."""
    folded = BOX.fold(points)
    np.testing.assert_array_equal(folded[:, [0, 3]], points[:, [0, 3]])
    np.testing.assert_array_equal(folded[:, 1], np.where(points[:, 1] == 1.0, 0.0, points[:, 1]))


@settings(max_examples=40)
@given(points=points)
def test_folding_twice_is_folding_once(points: FloatArray) -> None:
    """A candidate folds to itself."""
    folded = BOX.fold(points)
    np.testing.assert_array_equal(BOX.fold(folded), folded)


@pytest.mark.parametrize(
    ("point", "candidate"),
    [
        ([-0.25, -0.25, 0.5, 1.25], [0.25, 0.75, 0.5, 0.75]),
        ([2.25, 2.25, 2.0, -1.75], [0.25, 0.25, 0.9, 0.25]),
        ([0.0, 1.0, -3.0, 1.0], [0.0, 0.0, 0.1, 1.0]),
        ([0.0, -1e-30, 0.2, 0.0], [0.0, 0.0, 0.3, 0.0]),
    ],
)
def test_walls_mirror_phases_wrap_and_steps_snap(
    point: list[float], candidate: list[float]
) -> None:
    """Each kind of dimension is folded in its own way."""
    np.testing.assert_allclose(BOX.fold(np.array([point]))[0], candidate, atol=1e-15)


def test_only_mirrored_dimensions_count_as_outside() -> None:
    """Drawing again is for walls; a phase has none, and a step's outer cell is unbounded."""
    rows = np.array([[0.5, 1.5, 1.5, 0.5], [-0.1, 0.5, 0.5, 0.5], [0.5, 0.5, 0.5, 1.1]])
    assert BOX.is_outside(rows).tolist() == [False, True, True]


def test_recentring_changes_no_candidate(rng: np.random.Generator) -> None:
    """A mean that is carried back draws what it drew, and learns what it learnt."""
    root = rng.standard_normal((4, 8))
    moved = NormalDistribution(np.array([-0.3, 1.4, 0.5, 1.2]), 0.2)
    moved.covariance = root @ root.T / 8
    moved.factor = cholesky_factor(moved.covariance)
    moved.shape_path, moved.step_path = rng.standard_normal((2, 4))
    kept = NormalDistribution(
        moved.mean.copy(),
        0.2,
        moved.covariance.copy(),
        moved.factor.copy(),
        moved.step_path.copy(),
        moved.shape_path.copy(),
    )
    recentre(moved, BOX)
    np.testing.assert_allclose(moved.mean, [0.3, 0.4, 0.5, 0.8], atol=1e-12)
    np.testing.assert_allclose(moved.factor, np.linalg.cholesky(moved.covariance), atol=1e-12)
    # Mirrored dimensions 0 and 3 were flipped, so the same draw is made by flipped numbers.
    signs = np.array([-1.0, 1.0, 1.0, -1.0])
    for _ in range(3):
        normals = rng.standard_normal((16, 4))
        np.testing.assert_allclose(
            BOX.fold(moved.draw(signs * normals)), BOX.fold(kept.draw(normals)), atol=1e-12
        )
        moved.learn(signs * normals)
        kept.learn(normals)


def test_a_dimension_without_effect_stays_bounded() -> None:
    """Where the folded draws have long been even, the width stops growing."""
    distribution = NormalDistribution(np.full(4, 0.5), 40.0)
    limit_width(distribution, BOX)
    np.testing.assert_allclose(distribution.deviations(), [1.0, 0.5, 1.0, 1.0], rtol=1e-12)
    np.testing.assert_allclose(
        distribution.factor, np.linalg.cholesky(distribution.covariance), atol=1e-12
    )


@settings(max_examples=15)
@given(space=spaces())
def test_cells_give_every_value_once(space: ParameterSpace) -> None:
    """The centres of the cells decode to all steps or choices, in order."""
    for parameter, n_cells in zip(space, unit_cells(space), strict=True):
        if n_cells:
            centres = (np.arange(n_cells) + 0.5) / n_cells
            values = [parameter.decode(float(u)) for u in centres]
            assert values == sorted(set(values))
            found = {parameter.decode(float(u)) for u in np.linspace(0.0, 1.0, 199)}
            assert found <= set(values)
        else:
            assert not parameter.choices


def test_cells_of_the_catalogue() -> None:
    """Five octaves, two slopes, everything else continuous."""
    cells = dict(zip(CATALOGUE.names, unit_cells(CATALOGUE).tolist(), strict=True))
    stepped = {name: n_cells for name, n_cells in cells.items() if n_cells}
    assert stepped == {"osc1.octave": 5, "osc2.octave": 5, "filter.slope_db_per_octave": 2}


@settings(max_examples=15)
@given(space=spaces())
def test_a_start_falls_into_the_cell_of_its_value(space: ParameterSpace) -> None:
    """Encoding a value and snapping it to its cell doesn't change it."""
    cells = unit_cells(space)
    for parameter, n_cells in zip(space, cells, strict=True):
        for u in np.linspace(0.0, 1.0, 13):
            value = parameter.decode(float(u))
            if n_cells:
                cell = min(int(np.floor(parameter.encode(value) * n_cells)), n_cells - 1)
                assert parameter.decode((cell + 0.5) / n_cells) == value
