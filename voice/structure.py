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

    [panel."filter.cutoff_hz"]               # how the user's instrument counts
    knob = [0, 10]
    values = [60, 16000]
    scale = "log"
    step = 0.5

Where one oscillator sounds sawtooth and pulse at once, ``pulse_polarity = "same"`` or
``"opposite"`` at the top says whether they jump alike; without it a search finds out.
What comes out of the instrument goes through an equaliser, as in the channel of a mixer.
``equaliser = false`` leaves it out.

A parameter that is linked always has the value of the free one it is linked to; where the rate
of an LFO is linked to that of another, the two are one LFO and share its phase. `voice.panel` says
what panels are, `voice._panel_reading` how they are written. A control with steps takes its
parameter along: a search then moves on the steps of the panel, and on nothing between.

Every parameter that the file does not name rests at its neutral value.
"""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib import resources
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

import numpy as np

from shared import (
    CATALOGUE,
    FileError,
    ParameterSpace,
    StructureError,
    suggest_names,
    write_atomic,
)
from shared.files import read_text_file
from voice._mistakes import Mistake
from voice._structure_reading import read_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from shared import FloatArray
    from voice.panel import Control

__all__ = [
    "Mistake",
    "Structure",
    "check_structure",
    "list_structures",
    "load_structure",
    "write_new_structure",
]


NO_MIXER = ParameterSpace(())


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
        Parameters that follow a free one.
    controls : mapping of str to Control
        Controls of the user's panel, by the parameter they set; empty without a panel.
    link_values : mapping of str to (mapping of float to float)
        Of links that don't take over the value itself: what each position of a switch sets.
    pulse_polarity : str
        Whether pulses of the instrument jump as its sawtooths do ("same") or against them
        ("opposite"); empty if that isn't known.
    times : str
        How decay and release count on the instrument: "to-10-percent", "to-60-db" or
        "time-constant"; empty if nothing is said.
    midi_channel : int, 1 to 16
        The channel that the instrument listens on.
    mixer : ParameterSpace
        The equaliser after the instrument, which is no part of it; empty without one.
    toml : str
        Text of the file that it was read from, so that a run can keep it; empty if there is none.
    """

    name: str
    meaning: str
    space: ParameterSpace
    fixed: Mapping[str, float]
    links: Mapping[str, str]
    controls: Mapping[str, Control] = field(default_factory=dict)
    link_values: Mapping[str, Mapping[float, float]] = field(default_factory=dict)
    pulse_polarity: str = ""
    times: str = ""
    midi_channel: int = 1
    mixer: ParameterSpace = NO_MIXER
    toml: str = field(default="", repr=False, compare=False)

    @cached_property
    def settable(self) -> ParameterSpace:
        """What a player can set: the free parameters, then the equaliser in the mixer."""
        return ParameterSpace((*self.space, *self.mixer))

    def without_equaliser(self) -> Structure:
        """Leave out the equaliser after the instrument, as ``equaliser = false`` does.

        Returns
        -------
        Structure
            The same otherwise; its `toml` says so, too.
        """
        rest = re.sub(r"(?m)^equaliser\s*=.*$", "", self.toml)
        text = f"equaliser = false\n{rest}" if self.toml else ""
        return replace(self, mixer=NO_MIXER, toml=text)

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
        row = np.array([[every[name] for name in CATALOGUE.names]])
        self.follow_links(row)
        return dict(zip(CATALOGUE.names, row[0].tolist(), strict=True))

    def follow_links(self, rows: FloatArray) -> None:
        """Give linked parameters the values that follow from their free ones, in place.

        Parameters
        ----------
        rows : np.ndarray, shape=(n_candidates, 91)
            Values of all parameters, columns in the catalogue's order.
        """
        for name, source in self.links.items():
            leading = rows[:, CATALOGUE.index(source)]
            table = self.link_values.get(name)
            if table is None:
                rows[:, CATALOGUE.index(name)] = leading
                continue
            own = np.array(list(table))
            nearest = np.argmin(np.abs(leading[:, None] - own), axis=1)
            rows[:, CATALOGUE.index(name)] = np.array(list(table.values()))[nearest]

    def nearest_steps(self, values: Mapping[str, float]) -> dict[str, float]:
        """Move values to the nearest places that the controls of a panel stop at.

        Parameters
        ----------
        values : mapping of str to float
            Physical values, in the units of the parameters.

        Returns
        -------
        dict of str to float
            The same with values between two steps moved to the nearer one. Values of controls
            without steps, and outside of their range, stay as they are.
        """
        moved = dict(values)
        for name, value in values.items():
            control = self.controls.get(name)
            is_stepped = control and control.scale and control.scale.is_stepped
            if is_stepped and name in self.space:
                parameter = self.space[name]
                if parameter.low <= value <= parameter.high:
                    moved[name] = float(parameter.decode(parameter.encode(value)))
        return moved

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
        np.ndarray, shape=(n_candidates, 91), dtype=float64
            Columns in the catalogue's order.
        """
        rows = np.atleast_2d(np.asarray(values, dtype=np.float64))
        base = self.complete({})
        full = np.tile([base[name] for name in CATALOGUE.names], (len(rows), 1))
        names = (space or self.space).names
        full[:, [CATALOGUE.index(name) for name in names]] = rows
        self.follow_links(full)
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
                f"structure is {text!r}; it must be a name of the list or the path of a "
                f".toml file. {hint}",
                name="structure",
            )
        return parse_structure(shipped.read_text(encoding="utf-8"), source=f"{text}.toml")
    return parse_structure(_read_text(text), source=text)


def parse_structure(text: str, *, source: str) -> Structure:
    """Read a structure from TOML."""
    fields, mistakes = read_structure(text, source)
    mistakes.refuse()
    return Structure(**fields, toml=text)


def check_structure(path: str | Path) -> tuple[Mistake, ...]:
    """Find every mistake in a structure file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    tuple of Mistake
        With line and field, in the order of the lines; empty if all is well.

    Raises
    ------
    StructureError
        If the file can't be read, or is no TOML: then nothing else can be told.
    """
    _, mistakes = read_structure(_read_text(str(path)), str(path))
    return tuple(sorted(mistakes.found, key=lambda mistake: mistake.line or 0))


def _read_text(path: str) -> str:
    """Read a structure file of the user."""
    try:
        return read_text_file(path)
    except FileNotFoundError as error:
        raise StructureError(
            f"{path} doesn't exist. Check the name, or write one with `earwright structures new`.",
            path=path,
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it isn't text in UTF-8"
        raise StructureError(
            f"{path}: the structure file can't be read ({reason}); it must be a TOML text in "
            "UTF-8. Check the path.",
            path=path,
        ) from error


def write_new_structure(path: str | Path) -> Path:
    """Write a commented structure file to begin with.

    Parameters
    ----------
    path : str or Path
        The file, which must not exist; its name ends in .toml and becomes that of the structure.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StructureError
        If the name doesn't end in .toml or can't be the name of a structure.
    FileError
        If the file exists or can't be written.
    """
    target = Path(path)
    if target.suffix != ".toml" or not target.stem.isprintable():
        raise StructureError(
            f"{path} can't be the name of a structure file; it must end in .toml, such as "
            "my-synth.toml.",
            path=path,
        )
    template = (resources.files("voice") / "new-structure.toml").read_text(encoding="utf-8")
    # A TOML string is escaped as one of JSON is.
    name = json.dumps(target.stem, ensure_ascii=False)[1:-1]
    try:
        file = shlex.quote(str(path))
        text = Template(template).substitute(name=name, file=file)
        write_atomic(target, text, overwrite=False)
    except UnicodeEncodeError as error:
        raise FileError(
            f"{path!r} holds signs that no text can hold. Choose another name.", path=target
        ) from error
    return target
