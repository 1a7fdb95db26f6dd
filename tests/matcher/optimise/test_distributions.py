"""Parameters as the search and Optuna see them."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from matcher.optimise import unit_cells
from matcher.optimise._distributions import physical_distribution, whole_names
from shared import CATALOGUE, Parameter, ParameterSpace
from tests.strategies import parameters, spaces


@given(parameter=parameters(), u=st.floats(0.0, 1.0))
def test_every_value_lies_in_its_distribution(parameter: Parameter, u: float) -> None:
    """Whatever a search proposes can be written into a study."""
    distribution = physical_distribution(parameter)
    value = parameter.decode(u)
    if whole_names({"it": distribution}):
        assert value == round(value)
    assert distribution._contains(distribution.to_internal_repr(value))


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
