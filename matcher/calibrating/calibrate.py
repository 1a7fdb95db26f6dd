"""Recordings at known positions of a control, measured one by one and joined into a table."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from matcher.calibrating.contour import (
    fit_amplifier_envelope,
    fit_filter_envelope,
    fit_tuning,
    fit_vibrato,
)
from matcher.calibrating.fitting import Measured
from matcher.calibrating.table import make_table
from matcher.calibrating.tone import (
    HeldPartials,
    fit_highpass,
    fit_lowpass,
    fit_pulse_width,
    held_partials,
    measure_level,
)
from matcher.target import load_target
from shared import CATALOGUE, EarwrightWarning, ParameterError, suggest_names
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matcher.calibrating.table import Calibration
    from matcher.target import TargetNote

__all__ = ["MEASURABLE", "Circumstances", "Measure", "calibrate", "find_measure"]


@dataclass(frozen=True, eq=False)
class Circumstances:
    """The instrument, and partials of the same note with the filter open, if known."""

    structure: Structure
    reference: HeldPartials | None = None

    def lowpass(self, note: TargetNote) -> tuple[Measured, Measured]:
        """Fit cutoff at C4, with key tracking that is built in taken off, and resonance."""
        cutoff, resonance = fit_lowpass(
            held_partials(note), self.reference, slope_db=self.slope_db
        )
        tracking = float(self.structure.fixed.get("filter.key_track_ratio", 0.0))
        ratio = 2.0 ** (tracking * (60.0 - note.note.midi_pitch) / 12.0)
        return Measured(ratio * cutoff.value, ratio * cutoff.error, cutoff.remarks), resonance

    @property
    def slope_db(self) -> float:
        """Slope of the low-pass in dB per octave; 24 if it can be switched."""
        return float(self.structure.fixed.get("filter.slope_db_per_octave", 24.0))


Measuring: TypeAlias = Callable[[str, "TargetNote", Circumstances], Measured]


@dataclass(frozen=True)
class Measure:
    """How parameters whose names fit a pattern are measured, and what has to be recorded.

    `measure` takes the last part of the parameter's name, the note and what is known.
    """

    pattern: str
    how_to_record: str
    measure: Measuring


def _tuning(_name: str, note: TargetNote, _known: Circumstances) -> Measured:
    """Cents off the key."""
    return fit_tuning(note)


def _vibrato(name: str, note: TargetNote, _known: Circumstances) -> Measured:
    """Rate or depth of a vibrato."""
    return fit_vibrato(note)[name]


def _level(_name: str, note: TargetNote, _known: Circumstances) -> Measured:
    """Level in full scale."""
    return measure_level(note)


_SAW = "a sawtooth alone, key held for a second, "
_VIBRATO = "one oscillator, vibrato without delay, held 2 s"
MEASURABLE = (
    Measure(
        "filter.cutoff_hz",
        _SAW + "resonance, envelope depth and key tracking at nothing, a low key",
        lambda _, note, known: known.lowpass(note)[0],
    ),
    Measure(
        "filter.resonance_ratio",
        _SAW + "cutoff in the middle, a low key",
        lambda _, note, known: known.lowpass(note)[1],
    ),
    Measure(
        "highpass.cutoff_hz",
        _SAW + "low-pass open, a low key",
        lambda _, note, known: fit_highpass(held_partials(note), known.reference),
    ),
    Measure(
        "osc?.pulse_width_ratio",
        "a pulse alone, key held for a second, filter open",
        lambda _, note, __: fit_pulse_width(held_partials(note)),
    ),
    Measure(
        "amp_env.*_*",
        "one oscillator, filter open, no filter envelope; for a decay with sustain at nothing and "
        "the key held long, for a release let it run on",
        lambda name, note, _: fit_amplifier_envelope(note)[name],
    ),
    Measure(
        "filter_env.*_*",
        "a sawtooth alone on a low key, no resonance, amplifier at full sustain with a release "
        "longer than the filter's, velocity 100",
        lambda name, note, known: fit_filter_envelope(note, slope_db=known.slope_db)[name],
    ),
    Measure("tune_cents", "one oscillator, key held for a second, filter open", _tuning),
    Measure("osc2.detune_cents", "oscillator 2 alone, key held for a second", _tuning),
    Measure("osc?.vibrato.rate_hz", _VIBRATO, _vibrato),
    Measure("osc?.vibrato.depth_cents", _VIBRATO, _vibrato),
    Measure("*.*_level", "this source alone, all recordings at one recording level", _level),
    Measure("noise.level", "noise alone, all recordings at one recording level", _level),
)
_NOT = ("*.velocity_db", "*.velocity_octaves")


def find_measure(parameter: str) -> Measure:
    """Find how a parameter is measured; refuse what recordings of single notes can't tell."""
    found = _measure_of(parameter)
    if found is None:
        names = [name for name in CATALOGUE.names if _measure_of(name)]
        raise ParameterError(
            f"{parameter} can't be measured from recordings of single notes; {', '.join(names)} "
            "can.",
            name="parameter",
        )
    return found


def _measure_of(name: str) -> Measure | None:
    """Return the first measurement for a parameter."""
    if any(fnmatchcase(name, pattern) for pattern in _NOT):
        return None
    return next((m for m in MEASURABLE if fnmatchcase(name, m.pattern)), None)


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
        are averaged, and show how well it can be measured.
    midi_pitch : float or str, optional
        The key that was played; heard, or read off the file name, if left out.
    gate_s : float, optional
        How long it was held, in s; heard if left out.
    reference : str or Path, optional
        For filters: the same note with the filter open, which shows what the oscillator gives.
    progress : callable, optional
        Called after each recording with how many are done, and how many there are.

    Returns
    -------
    Calibration
        A value with its error bar for each position, with what could not be measured.

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
        raise ParameterError(f"{parameter}: no such parameter. {hint}", name="parameter")
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
        found.append(
            (panel, path.name, measure.measure(parameter.rsplit(".", maxsplit=1)[-1], note, known))
        )
        if progress is not None:
            progress(len(found), len(places))
    return make_table(parameter, found)


def _position(panel: float) -> float:
    """Accept a finite number."""
    if isinstance(panel, bool) or not isinstance(panel, (int, float)) or not math.isfinite(panel):
        raise ParameterError(
            f"position is {panel!r}; it must be the number that stands on the panel.",
            name="position",
        )
    return float(panel)


def _load(path: Path, midi_pitch: float | str | None, gate_s: float | None) -> TargetNote:
    """Read one recording; what is assumed about its velocity doesn't matter here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        return load_target(path, midi_pitch=midi_pitch, gate_s=gate_s).notes[0]
