"""The job: recordings at known positions, measured one by one, joined into a table."""

from __future__ import annotations

import math
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.calibrating.measures import Circumstances, find_measure
from matcher.calibrating.partials import held_partials
from matcher.calibrating.table import make_table
from matcher.target import load_target
from shared import CATALOGUE, EarwrightWarning, ParameterError, suggest_names
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from matcher.calibrating.model import Calibration, Measured
    from matcher.target import TargetNote

__all__ = ["calibrate"]


def calibrate(
    structure: str | Path | Structure,
    parameter: str,
    recordings: Iterable[tuple[float, str | Path]],
    *,
    midi_pitch: float | str | None = None,
    gate_s: float | None = None,
    reference: str | Path | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> Calibration:
    """Measure what a control of the user's instrument does.

    Parameters
    ----------
    structure : str, Path or Structure
        The instrument: what is fixed in it (the slope of the filter) is taken as given.
    parameter : str
        The parameter that the control sets.
    recordings : iterable of (float, str or Path)
        What the panel said, and the recording of one note. Several recordings of one position
        are averaged, and tell how well it can be measured.
    midi_pitch : float or str, optional
        The key that was played; heard, or read off the file name, if left out.
    gate_s : float, optional
        How long it was held, in s; heard if left out.
    reference : str or Path, optional
        For filters: the same note with the filter open, which tells what the oscillator gives.
    progress : callable, optional
        Called after each recording with how many are done, and how many there are.

    Returns
    -------
    Calibration
        A value with its error bar for each position, with what could not be told.

    Raises
    ------
    ParameterError
        If the parameter is unknown or can't be measured, or a position is no number.
    AudioError, TargetError
        If a recording can't be used: no pitch, too short, nothing in it.
    StructureError
        If the structure can't be loaded.

    Examples
    --------
    >>> places = [(0, "cut0.wav"), (5, "cut5.wav"), (10, "cut10.wav")]
    >>> found = calibrate("my-synth.toml", "filter.cutoff_hz", places)  # doctest: +SKIP
    >>> [(point.panel, point.value) for point in found.table]  # doctest: +SKIP
    [(0.0, 61.8), (5.0, 702.0), (10.0, 10900.0)]
    """
    voice = structure if isinstance(structure, Structure) else load_structure(structure)
    if parameter not in CATALOGUE:
        hint = suggest_names(parameter, CATALOGUE.names) or "See `earwright structures complete`."
        raise ParameterError(
            f"{parameter}: no such parameter. {hint}", name="parameter", value=parameter
        )
    measure = find_measure(parameter)
    places = [(_position(panel), Path(path)) for panel, path in recordings]
    if not places:
        raise ParameterError(
            f"no recording of {parameter} is given; two positions or more are needed. Record "
            f"{measure.how_to_record}.",
            name="recordings",
        )
    known = Circumstances(
        voice,
        None if reference is None else held_partials(_load(Path(reference), midi_pitch, gate_s)),
    )
    found: list[tuple[float, str, Measured]] = []
    for panel, path in places:
        note = _load(path, midi_pitch, gate_s)
        found.append((panel, path.name, measure.measure(parameter, note, known)))
        if progress is not None:
            progress(len(found), len(places))
    return make_table(parameter, found)


def _position(panel: float) -> float:
    """Accept a finite number."""
    if isinstance(panel, bool) or not isinstance(panel, (int, float)) or not math.isfinite(panel):
        raise ParameterError(
            f"position is {panel!r}; the number that stands on the panel is accepted.",
            name="position",
            value=panel,
        )
    return float(panel)


def _load(path: Path, midi_pitch: float | str | None, gate_s: float | None) -> TargetNote:
    """Read one recording; what is assumed about its velocity doesn't matter here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        return load_target(path, midi_pitch=midi_pitch, gate_s=gate_s).notes[0]
