"""Structures: which parts of the voice exist, and what a search may move.

A structure is a TOML file::

    schema_version = 1
    name = "two-oscillator"
    meaning = "One line for the list of structures."

    [fixed]                                  # away from neutral, and not searched
    "osc2.saw_level" = 1.0

    [free]                                   # searched; {} keeps the catalogue's range
    "filter.cutoff_hz" = { low = 60, high = 16000 }
    "filter.slope_db_per_octave" = { choices = [12, 24] }

    [links]                                  # one control for several parameters
    "osc2.vibrato.rate_hz" = "osc1.vibrato.rate_hz"

A parameter that is linked always has the value of the free one it is linked to; where the rate
of an LFO is linked to that of another, the two are one LFO and share its phase.

Every parameter that the file does not name rests at its neutral value.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from shared import CATALOGUE, ParameterError, ParameterSpace, StructureError, suggest_names

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared import FloatArray, Parameter

__all__ = ["Structure", "list_structures", "load_structure"]

SCHEMA_VERSION = 1
FIELDS = ("schema_version", "name", "meaning", "fixed", "free", "links")
RANGE_FIELDS = ("low", "high", "step", "choices")
# What TOML makes of a dotted name without quotes.
CATALOGUE_PREFIXES = {name.split(".")[0] for name in CATALOGUE.names if "." in name}


@dataclass(frozen=True)
class Structure:
    """A voice with some of its parts.

    Parameters
    ----------
    name : str
        Name, as given on the command line.
    meaning : str
        One line that says what the voice consists of.
    space : ParameterSpace
        The free parameters, in the catalogue's order, with this structure's ranges.
    fixed : mapping of str to float
        All other parameters of the catalogue, at neutral or where the file puts them.
    links : mapping of str to str
        Parameters that take the value of a free one.
    """

    name: str
    meaning: str
    space: ParameterSpace
    fixed: Mapping[str, float]
    links: Mapping[str, str]

    def complete(self, values: Mapping[str, float]) -> dict[str, float]:
        """Join values of free parameters with the fixed ones.

        Parameters
        ----------
        values : mapping of str to float
            Physical values of free parameters; what is left out stands at neutral, or at the
            nearest value of this structure's range.

        Returns
        -------
        dict of str to float
            All parameters of the catalogue.

        Raises
        ------
        ParameterError
            If a name is not free here, or a value lies outside its range.
        """
        given = self.space.validate(values)
        resting = self.space.to_dict(self.space.clip(self.space.neutral()))
        every = {**self.fixed, **resting, **given}
        every |= {name: every[source] for name, source in self.links.items()}
        return {name: every[name] for name in CATALOGUE.names}

    def matrix(self, values: npt.ArrayLike, space: ParameterSpace | None = None) -> FloatArray:
        """Complete many candidates at once.

        Parameters
        ----------
        values : np.ndarray, shape=(n_candidates, n_parameters)
            Physical values, columns as in `space`.
        space : ParameterSpace, optional
            The parameters of the columns, `self.space` if left out.

        Returns
        -------
        np.ndarray, shape=(n_candidates, 59), dtype=float64
            Columns in the catalogue's order.
        """
        rows = np.atleast_2d(np.asarray(values, dtype=np.float64))
        base = self.complete({})
        full = np.tile([base[name] for name in CATALOGUE.names], (len(rows), 1))
        names = (space or self.space).names
        full[:, [CATALOGUE.index(name) for name in names]] = rows
        for name, source in self.links.items():
            full[:, CATALOGUE.index(name)] = full[:, CATALOGUE.index(source)]
        return full


def list_structures() -> tuple[str, ...]:
    """Name the structures that come with the package, plainest first.

    Returns
    -------
    tuple of str
        Names that `load_structure` takes.
    """
    folder = resources.files("voice") / "structures"
    names = [Path(entry.name).stem for entry in folder.iterdir() if entry.name.endswith(".toml")]
    return tuple(sorted(names, key=lambda name: (len(load_structure(name).space), name)))


def load_structure(name_or_path: str | Path) -> Structure:
    """Load a structure by name, or a user's own from its file.

    Parameters
    ----------
    name_or_path : str or Path
        A name of `list_structures`, or the path of a TOML file.

    Returns
    -------
    Structure
        The checked structure.

    Raises
    ------
    StructureError
        If there is no such structure, or the file is wrong; the field is in the message.
    """
    text = str(name_or_path)
    if not text.endswith(".toml"):
        shipped = resources.files("voice") / "structures" / f"{text}.toml"
        if "/" in text or "\\" in text or not shipped.is_file():
            folder = resources.files("voice") / "structures"
            names = sorted(Path(e.name).stem for e in folder.iterdir() if e.name.endswith(".toml"))
            hint = suggest_names(text, names) or f"{', '.join(names)} come with earwright."
            raise StructureError(
                f"structure is {text!r}; a name of the list or the path of a .toml file is "
                f"accepted. {hint}",
                name="structure",
                value=text,
            )
        return parse_structure(shipped.read_text(encoding="utf-8"), source=f"{text}.toml")
    try:
        content = Path(text).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise StructureError(
            f"{text}: the structure file can't be read ({error.__class__.__name__}: a readable "
            "TOML text in UTF-8 is accepted). Check the path.",
            path=text,
        ) from error
    return parse_structure(content, source=text)


def parse_structure(text: str, *, source: str) -> Structure:
    """Read a structure from TOML.

    Parameters
    ----------
    text : str
        The file's content.
    source : str
        What to call it in messages.

    Returns
    -------
    Structure
        The checked structure.

    Raises
    ------
    StructureError
        If a field is missing, unknown or wrong.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StructureError(f"{source} is no TOML: {error}.", path=source) from error
    for field in document:
        if field not in FIELDS:
            hint = suggest_names(field, FIELDS) or f"{', '.join(FIELDS)} are accepted."
            raise StructureError(f"{source}, {field}: no such field. {hint}", path=source)
    if document.get("schema_version") != SCHEMA_VERSION:
        raise StructureError(
            f"{source}, schema_version: {document.get('schema_version')!r} is not known; "
            f"{SCHEMA_VERSION} is accepted.",
            path=source,
        )
    for field in ("name", "meaning"):
        if not isinstance(document.get(field), str) or not document[field]:
            raise StructureError(f"{source}, {field}: a text is needed.", path=source)
    fixed = _table(document, "fixed", source)
    free = _table(document, "free", source)
    links = _table(document, "links", source)
    doubled = sorted(set(fixed) & set(free) | (set(fixed) | set(free)) & set(links))
    if doubled:
        raise StructureError(
            f"{source}, {doubled[0]}: stands under two of fixed, free and links; keep one.",
            path=source,
        )
    if not free:
        raise StructureError(f"{source}, free: at least one parameter is needed.", path=source)
    space = _free_space(free, source)
    values = {name: value for name, value in CATALOGUE.neutral().items() if name not in free}
    return Structure(
        name=document["name"],
        meaning=document["meaning"],
        space=space,
        fixed=MappingProxyType({**values, **_fixed_values(fixed, source)}),
        links=MappingProxyType(_checked_links(links, space, source)),
    )


def _table(document: Mapping[str, object], field: str, source: str) -> dict[str, object]:
    """Return a table of the document whose keys are parameters."""
    table = document.get(field, {})
    if not isinstance(table, Mapping):
        raise StructureError(f"{source}, {field}: a table is needed.", path=source)
    for name in table:
        if name not in CATALOGUE:
            is_split = isinstance(table[name], Mapping) and name in CATALOGUE_PREFIXES
            hint = 'Put dotted names in quotes ("osc1.octave").' if is_split else ""
            hint = hint or suggest_names(name, CATALOGUE.names)
            hint = hint or "See `earwright structures complete`."
            raise StructureError(
                f"{source}, {field}.{name}: no such parameter. {hint}", path=source
            )
    return dict(table)


def _fixed_values(fixed: Mapping[str, object], source: str) -> dict[str, float]:
    """Check the fixed values against the catalogue."""
    checked: dict[str, float] = {}
    for name, value in fixed.items():
        try:
            checked.update(CATALOGUE.validate({name: value}))  # type: ignore[dict-item]
        except ParameterError as error:
            raise StructureError(f"{source}, fixed.{error}", path=source) from error
    return checked


def _checked_links(
    links: Mapping[str, object], space: ParameterSpace, source: str
) -> dict[str, str]:
    """Check that links lead to free parameters of the same unit, whose range they can take."""
    checked: dict[str, str] = {}
    for name, target in links.items():
        if not isinstance(target, str) or target not in space:
            raise StructureError(
                f"{source}, links.{name}: {target!r} is not free; a parameter under free is "
                "accepted.",
                path=source,
            )
        own, other = CATALOGUE[name], space[target]
        if own.unit != other.unit or other.low < own.low or other.high > own.high:
            raise StructureError(
                f"{source}, links.{name}: {target} runs from {other.low:g} to {other.high:g} "
                f"({other.unit}); {own.low:g} to {own.high:g} ({own.unit}) is accepted here. "
                "Narrow the range of the free one.",
                path=source,
            )
        checked[name] = target
    return checked


def _free_space(free: Mapping[str, object], source: str) -> ParameterSpace:
    """Give the free parameters the file's ranges, which must lie within the catalogue's."""
    parameters = {}
    for name, change in free.items():
        if not isinstance(change, Mapping) or not set(change) <= set(RANGE_FIELDS):
            raise StructureError(
                f"{source}, free.{name}: {change!r} is not a range; a table of "
                f"{', '.join(RANGE_FIELDS)} is accepted, {{}} for the whole range.",
                path=source,
            )
        try:
            parameters[name] = _with_range(CATALOGUE[name], change)
        except ParameterError as error:
            raise StructureError(f"{source}, free.{error}", path=source) from error
    return ParameterSpace(tuple(parameters[name] for name in CATALOGUE.names if name in free))


def _with_range(own: Parameter, change: Mapping[str, object]) -> Parameter:
    """Give one parameter the file's range, steps or choices."""
    if not change:
        return own
    options: dict[str, Any] = dict(change)
    choices = options.get("choices", [])
    if not isinstance(choices, list):
        raise ParameterError(
            f"{own.name}: choices are {choices!r}; a list of numbers is accepted."
        )
    for value in (*(options[key] for key in ("low", "high") if key in options), *choices):
        own.validate(value)
    step = options.get("step", 0.0)
    if isinstance(step, bool) or not isinstance(step, (int, float)):
        raise ParameterError(f"{own.name}: step is {step!r}; a number is accepted.")
    if "step" in options and (own.choices or (own.step and step % own.step)):
        raise ParameterError(
            f"{own.name}: step is {step:g}, which leads to values beside those of the voice; "
            f"{own.accepted} is accepted. Leave the step out."
        )
    # A space of its own: the change of one parameter would check all of a larger one.
    return ParameterSpace((own,)).replace(own.name, **options)[own.name]
