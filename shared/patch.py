"""Patches: every good state of a sound, kept in a file that anyone can read.

A patch is JSON with a schema version; `build_patch_schema` describes it for other programs.
Loading checks every field and never executes anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np
from msgspec import Meta
from msgspec import field as document_field

from shared.catalogue import CATALOGUE, PHASE_NAMES
from shared.documents import (
    Document,
    document_from,
    document_text,
    json_schema,
    parse_json,
    read_document,
)
from shared.errors import ParameterError, PatchError, suggest_names
from shared.files import write_atomic

if TYPE_CHECKING:
    from pathlib import Path

    from shared.parameters import Parameter

__all__ = ["NotePhases", "Patch", "build_patch_schema"]

SCHEMA_VERSION = 1
_EDIT = "Edit the field, or leave it out for the neutral value."


class NotePhases(Mapping[str, float]):
    """Where the free-running parts stand when one note starts.

    These are nuisance parameters: searched for each note of a target, and never printed on a
    patch sheet. The object is a mapping that always has the names of
    `PHASE_NAMES`, in that order.

    Parameters
    ----------
    cycles : mapping of str to float, 0 <= phase < 1
        Phases in cycles; what is left out is 0.

    Raises
    ------
    ParameterError
        If a name is unknown or a phase lies outside its range.
    """

    __slots__ = ("_cycles",)

    def __init__(self, cycles: Mapping[str, float] | None = None) -> None:
        given = dict(cycles or {})
        for name, phase in given.items():
            if name not in PHASE_NAMES:
                hint = suggest_names(name, PHASE_NAMES) or f"{', '.join(PHASE_NAMES)} are known."
                raise ParameterError(f"{name} is no phase. {hint}", name=name, value=phase)
            if not 0.0 <= phase < 1.0:
                raise ParameterError(
                    f"{name} is {phase:g} cycles; 0 up to, but not including, 1 is accepted. Take "
                    "it modulo 1.",
                    name=name,
                    value=phase,
                )
        self._cycles = {name: float(given.get(name, 0.0)) for name in PHASE_NAMES}

    def __getitem__(self, name: str) -> float:
        """Return one phase in cycles."""
        return self._cycles[name]

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self._cycles)

    def __len__(self) -> int:
        """Count the phases."""
        return len(self._cycles)

    def __hash__(self) -> int:
        """Hash by the phases, as equal ones compare equal."""
        return hash(tuple(self._cycles.items()))

    def __repr__(self) -> str:
        """Show the phases."""
        return f"NotePhases({self._cycles})"


@dataclass(frozen=True)
class Patch:
    """One state of the voice.

    Parameters
    ----------
    structure : str
        Name of the structure that says which parts exist.
    values : mapping of str to float
        Values in physical units, by the names of the catalogue. What is left out stands at its
        neutral value; the object always holds all of them, in the order of the catalogue.
    provenance : mapping of str to object
        Where the patch comes from (target digest, seed, versions, loss, parent): text, numbers,
        lists and mappings. A copy is kept; tuples become lists.
    phases : sequence of NotePhases or of mappings
        Nuisance phases, one entry for each note of the target, in its order.

    Raises
    ------
    ParameterError
        If a name is unknown or a value lies outside its range.
    PatchError
        If the structure has no name, or the provenance can't be kept in a file.
    """

    structure: str
    values: Mapping[str, float] = field(default_factory=dict)
    provenance: Mapping[str, object] = field(default_factory=dict)
    phases: tuple[NotePhases, ...] = ()

    schema_version: ClassVar[int] = SCHEMA_VERSION

    def __post_init__(self) -> None:
        """Check, complete and freeze the fields."""
        if not isinstance(self.structure, str) or not self.structure:
            raise PatchError(
                f"structure is {self.structure!r}; the name of a structure is accepted.",
                name="structure",
                value=self.structure,
            )
        values = {**CATALOGUE.neutral(), **CATALOGUE.validate(self.values)}
        provenance = _plain_mapping(self.provenance, "provenance")
        phases = tuple(NotePhases(cycles) for cycles in self.phases)
        object.__setattr__(self, "values", MappingProxyType(values))
        object.__setattr__(self, "provenance", MappingProxyType(provenance))
        object.__setattr__(self, "phases", phases)

    # The class generated by dataclass would hash the mappings, which fails.
    def __hash__(self) -> int:
        """Hash by what sounds; equal patches hash equally."""
        return hash((self.structure, tuple(self.values.items()), self.phases))

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle through plain dicts, as read-only views can't be; workers get patches."""
        return (Patch, (self.structure, dict(self.values), dict(self.provenance), self.phases))

    def replace(
        self,
        *,
        structure: str | None = None,
        values: Mapping[str, float] | None = None,
        provenance: Mapping[str, object] | None = None,
        phases: tuple[NotePhases, ...] | None = None,
    ) -> Patch:
        """Return a patch with some fields changed; values that aren't named stay as they are."""
        return Patch(
            self.structure if structure is None else structure,
            {**self.values, **(values or {})},
            self.provenance if provenance is None else provenance,
            self.phases if phases is None else phases,
        )

    def to_builtins(self) -> dict[str, Any]:
        """Return the patch as a file holds it: dicts, lists, text and numbers."""
        return {
            "schema_version": SCHEMA_VERSION,
            "structure": self.structure,
            "values": dict(self.values),
            "provenance": dict(self.provenance),
            "phases": [dict(phases) for phases in self.phases],
        }

    def to_json(self) -> str:
        """Write the patch as indented JSON, every float with the digits that bring it back."""
        return document_text(self)

    @classmethod
    def from_builtins(cls, data: object, *, source: str = "patch") -> Patch:
        """Make a patch of what `to_builtins` gives, or of a part of another document.

        `source` names the file for messages. A `PatchError` names the field that is unknown,
        missing or outside its range; parameters that are left out stand at neutral.
        """
        document = document_from(data, PatchFile, where=source, error=PatchError)
        return cls._from_document(document, source)

    @classmethod
    def from_json(cls, text: str, *, source: str = "patch") -> Patch:
        """Read a patch from JSON; see `from_builtins`."""
        data = parse_json(text, where=source, error=PatchError)
        return cls.from_builtins(data, source=source)

    def save(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the patch to a file that is whole or not there; see `write_atomic`."""
        write_atomic(path, self.to_json(), overwrite=overwrite)

    @classmethod
    def load(cls, path: str | Path) -> Patch:
        """Read a patch from a file; a `PatchError` says what is wrong, and in which field."""
        return cls._from_document(read_document(path, PatchFile, error=PatchError), str(path))

    @classmethod
    def _from_document(cls, document: PatchFile, source: str) -> Patch:
        """Check what only the catalogue knows: names, ranges, steps."""
        where = f"{source}, "
        try:
            values = CATALOGUE.validate(document.values)
            phases = []
            for place, cycles in enumerate(document.phases):
                where = f"{source}, phases[{place}]."
                phases.append(NotePhases(cycles))
        except ParameterError as error:
            raise PatchError(
                f"{where}{error} {_EDIT}", name=error.name, value=error.value, path=source
            ) from error
        return cls(document.structure, values, document.provenance, tuple(phases))


def build_patch_schema() -> dict[str, Any]:
    """Describe patch files as JSON Schema, draft 2020-12, ready for `json.dumps`."""
    return json_schema(PatchFile)


def _number_schema(parameter: Parameter) -> dict[str, Any]:
    """Describe the values of one parameter as JSON Schema."""
    number: dict[str, Any] = {"type": "number", "enum": list(parameter.choices)}
    if not parameter.choices:
        number = {"type": "number", "minimum": parameter.low, "maximum": parameter.high}
    if parameter.step is not None:
        # The grid goes through the neutral value; multipleOf only says so where that is 0.
        number["multipleOf"] = parameter.step
    unit = f" [{parameter.label}]" if parameter.label else ""
    return {**number, "default": parameter.neutral, "description": parameter.meaning + unit}


# The catalogue checks the values, which it can name with their units.
_Values = Annotated[
    dict[str, Any],
    Meta(
        description="Values by name; what is left out stands at its neutral value.",
        extra_json_schema={
            "additionalProperties": False,
            "properties": {p.name: _number_schema(p) for p in CATALOGUE},
        },
    ),
]
_Phases = Annotated[
    dict[str, Annotated[float, Meta(ge=0.0, lt=1.0)]],
    Meta(
        description="Phases at the start of a note in cycles; what is left out is 0.",
        extra_json_schema={"propertyNames": {"enum": list(PHASE_NAMES)}},
    ),
]


class PatchFile(Document, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a patch file holds."""

    schema_version: Literal[1]
    structure: Annotated[str, Meta(min_length=1)]
    values: _Values = document_field(default_factory=dict)
    provenance: dict[str, Any] = document_field(default_factory=dict)
    phases: list[_Phases] = document_field(default_factory=list)


def _plain(value: object, where: str) -> object:
    """Copy what JSON can hold, and refuse the rest."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    if isinstance(value, Mapping):
        return _plain_mapping(value, where)
    if isinstance(value, (list, tuple)):
        return [_plain(entry, f"{where}[{place}]") for place, entry in enumerate(value)]
    raise PatchError(
        f"{where} is {value!r:.60}, which a patch file can't hold; text, finite numbers, "
        "lists and mappings are accepted.",
        name=where,
        value=value,
    )


def _plain_mapping(mapping: Mapping[str, object], where: str) -> dict[str, object]:
    """Copy a mapping that JSON can hold."""
    return {_key(key, where): _plain(entry, f"{where}.{key}") for key, entry in mapping.items()}


def _key(key: object, where: str) -> str:
    """Refuse a key that JSON would turn into something else."""
    if not isinstance(key, str):
        raise PatchError(
            f"{where} has the key {key!r:.60}; text is accepted.", name=where, value=key
        )
    return key
