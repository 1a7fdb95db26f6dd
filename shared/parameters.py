"""Parameters, and the ordered spaces that a search moves in.

A `Parameter` knows its unit, range and scale; a `ParameterSpace` encodes a whole set of them to
[0, 1]^n and back. Which parameters the voice has stands in `shared.catalogue`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from shared._checks import Values, as_matrix, check_finite, check_ranges, check_unit_range
from shared._codec import UnitCodec
from shared._parameter import Parameter
from shared._ranges import changed, narrowed
from shared._selection import matching_names, name_hint
from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["Parameter", "ParameterSpace"]


@dataclass(frozen=True)
class ParameterSpace:
    """An ordered, immutable set of parameters, looked up by name or by place.

    Iterating gives the parameters; ``in`` takes a name or a parameter.

    Parameters
    ----------
    parameters : tuple of Parameter
        In the order of the columns.

    Raises
    ------
    ParameterError
        If two parameters share a name.
    """

    parameters: tuple[Parameter, ...]

    def __post_init__(self) -> None:
        """Take any sequence and refuse doubled names."""
        object.__setattr__(self, "parameters", tuple(self.parameters))
        doubled = sorted({name for name in self.names if self.names.count(name) > 1})
        if doubled:
            raise ParameterError(
                f"{doubled[0]} stands twice in the space; each name may stand once.",
                name=doubled[0],
            )

    def __len__(self) -> int:
        """Count the parameters."""
        return len(self.parameters)

    def __iter__(self) -> Iterator[Parameter]:
        """Go through the parameters in order."""
        return iter(self.parameters)

    def __contains__(self, name: object) -> bool:
        """Say whether a name (or a parameter) belongs to the space."""
        return name in self._index or name in self.parameters

    def __getitem__(self, key: str | int) -> Parameter:
        """Look a parameter up by name or by place."""
        return self.parameters[key if isinstance(key, int) else self.index(key)]

    @property
    def names(self) -> tuple[str, ...]:
        """Names in the order of the columns."""
        return tuple(parameter.name for parameter in self.parameters)

    def index(self, name: str) -> int:
        """Return the column of a name; a `ParameterError` lists near names if there is none."""
        if name not in self._index:
            raise ParameterError(
                f"{name} is no parameter here. {name_hint(self.parameters, name)}", name=name
            )
        return self._index[name]

    def encode(self, values: Values) -> FloatArray:
        """Map physical values to the unit range.

        Parameters
        ----------
        values : mapping, or np.ndarray, shape=(n_parameters,) or (n_candidates, n_parameters)
            Values in the units of the parameters, within their ranges. A mapping must have all
            names of the space and may have others, as a patch does.

        Returns
        -------
        np.ndarray, shape=(n_parameters,) or (n_candidates, n_parameters), dtype=float64
            Places in [0, 1]. Between two steps or choices the nearer counts; a choice is
            encoded as the middle of its cell.

        Raises
        ------
        ParameterError
            If a name is missing, the shape is wrong, or a value lies outside its range
            (`clip` moves values from a wider space into this one).
        """
        matrix, shape = as_matrix(values, self.parameters)
        check_ranges(matrix, self.parameters)
        return self._codec.encode(matrix).reshape(shape)

    def decode(self, unit: npt.ArrayLike) -> FloatArray:
        """Map the unit range to physical values.

        Parameters
        ----------
        unit : np.ndarray, shape=(n_parameters,) or (n_candidates, n_parameters), 0 to 1
            Places in the ranges.

        Returns
        -------
        np.ndarray, same shape, dtype=float64
            Values in the units of the parameters; steps and choices are exact.

        Raises
        ------
        ParameterError
            If the shape is wrong, or a place lies outside [0, 1].
        """
        matrix, shape = as_matrix(unit, self.parameters)
        check_unit_range(matrix, self.parameters)
        return self._codec.decode(matrix).reshape(shape)

    def clip(self, values: Values) -> FloatArray:
        """Move values into the ranges of this space, onto its steps and choices.

        Parameters
        ----------
        values : mapping, or np.ndarray, shape=(n_parameters,) or (n_candidates, n_parameters)
            Finite values, as for `encode`, but of any size.

        Returns
        -------
        np.ndarray, shape=(n_parameters,) or (n_candidates, n_parameters), dtype=float64
            The nearest values that the space has.

        Raises
        ------
        ParameterError
            If a name is missing, the shape is wrong, or a value isn't finite.
        """
        matrix, shape = as_matrix(values, self.parameters)
        check_finite(matrix, self.parameters)
        return self._codec.nearest(matrix).reshape(shape)

    def to_dict(self, values: npt.ArrayLike) -> dict[str, float]:
        """Name the values of one candidate.

        Parameters
        ----------
        values : np.ndarray, shape=(n_parameters,)
            Values in the order of the space.

        Returns
        -------
        dict of str to float
            The same values by name.

        Raises
        ------
        ParameterError
            If the number of values differs from that of the parameters.
        """
        row = np.asarray(values, dtype=np.float64)
        if row.shape != (len(self),):
            raise ParameterError(
                f"values have shape {row.shape}; ({len(self)},) is accepted, one for each "
                "parameter of the space.",
                name="values",
                value=row.shape,
            )
        return dict(zip(self.names, row.tolist(), strict=True))

    def neutral(self) -> dict[str, float]:
        """Return the values at which every part does nothing, by name.

        They may lie outside a narrowed range.
        """
        return {parameter.name: parameter.neutral for parameter in self.parameters}

    def validate(self, values: Mapping[str, float]) -> dict[str, float]:
        """Check named values as a user gave them; not every name has to be there.

        Parameters
        ----------
        values : mapping of str to float
            Values in the units of the parameters.

        Returns
        -------
        dict of str to float
            The values in the order of the space; see `Parameter.validate`.

        Raises
        ------
        ParameterError
            If a name is unknown, a value isn't a number, lies outside its range, or between two
            steps or choices.
        """
        for name in values:
            self.index(name)
        return {p.name: p.validate(values[p.name]) for p in self.parameters if p.name in values}

    def only(self, *globs: str) -> ParameterSpace:
        """Keep the parameters that a pattern names.

        Parameters
        ----------
        *globs : str
            Patterns such as ``"filter*"`` or ``"*.vibrato.*"``, or the name of a group
            (``"attack"``).

        Returns
        -------
        ParameterSpace
            The chosen ones, in the order of this space.

        Raises
        ------
        ParameterError
            If a pattern matches nothing; near names are listed.
        """
        chosen = matching_names(self.parameters, globs)
        return ParameterSpace(tuple(p for p in self.parameters if p.name in chosen))

    def hold(self, *globs: str) -> ParameterSpace:
        """Leave out the parameters that a pattern names.

        The counterpart of `only`, with the same patterns and the same errors; holding all of
        them leaves an empty space.
        """
        held = matching_names(self.parameters, globs)
        return ParameterSpace(tuple(p for p in self.parameters if p.name not in held))

    def narrow(self, values: Values, ratio: float) -> ParameterSpace:
        """Shrink every range around given values.

        Parameters
        ----------
        values : mapping, or np.ndarray, shape=(n_parameters,)
            The centre, as for `encode`.
        ratio : float, 0 < ratio <= 1
            How far to go to either side, as a share of the unit range.

        Returns
        -------
        ParameterSpace
            The same parameters over narrower ranges, cut off at the ends of the old ones. Scales
            keep their shape; of choices those within reach stay, and the nearest always does.

        Raises
        ------
        ParameterError
            If `ratio` lies outside its range, or the values as for `encode`.
        """
        if not 0.0 < ratio <= 1.0:
            raise ParameterError(
                f"ratio is {ratio:g}; above 0 and up to 1 is accepted (0.1 searches a tenth of "
                "each range to either side).",
                name="ratio",
                value=ratio,
            )
        centre = np.atleast_1d(self.encode(values))
        if centre.ndim != 1:
            raise ParameterError(
                f"values have shape {centre.shape}; a space is narrowed around one candidate, "
                f"shape ({len(self)},).",
                name="values",
                value=centre.shape,
            )
        return ParameterSpace(
            tuple(
                narrowed(parameter, float(place), ratio)
                for parameter, place in zip(self.parameters, centre, strict=True)
            )
        )

    def replace(
        self,
        name: str,
        *,
        low: float | None = None,
        high: float | None = None,
        scale: str | None = None,
        neutral: float | None = None,
        step: float | None = None,
        choices: tuple[float, ...] | None = None,
    ) -> ParameterSpace:
        """Give one parameter another range, scale, neutral value, step or choices.

        Parameters
        ----------
        name : str
            Name of a parameter of the space.
        low, high, scale, neutral, step, choices : optional
            New fields, as for `Parameter`; what is left out stays. Choices bring their own range
            and take the step away, a step takes the choices away. A neutral value that is left
            out moves to the nearest value of the new range.

        Returns
        -------
        ParameterSpace
            The same order with that one parameter exchanged.

        Raises
        ------
        ParameterError
            If the name is unknown, or the new fields contradict each other.
        """
        column = self.index(name)
        changes = {"low": low, "high": high, "scale": scale, "neutral": neutral}
        parameter = changed(self.parameters[column], {**changes, "step": step, "choices": choices})
        return ParameterSpace(
            (*self.parameters[:column], parameter, *self.parameters[column + 1 :])
        )

    @cached_property
    def _index(self) -> dict[str, int]:
        """Columns by name."""
        return {name: column for column, name in enumerate(self.names)}

    @cached_property
    def _codec(self) -> UnitCodec:
        """Arithmetic of all columns."""
        return UnitCodec(self.parameters)
