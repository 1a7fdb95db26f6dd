"""Which measurement tells which parameter, and what has to be recorded for it."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating.contour import fit_amplifier_envelope, fit_filter_envelope
from matcher.calibrating.model import Measured
from matcher.calibrating.partials import HeldPartials, held_partials, held_span
from matcher.calibrating.pitch import fit_tuning, fit_vibrato
from matcher.calibrating.tone import fit_highpass, fit_lowpass, fit_pulse_width
from shared import CATALOGUE, ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.target import TargetNote
    from voice import Structure

__all__ = ["MEASURABLE", "Circumstances", "Measure", "find_measure"]


@dataclass(frozen=True, eq=False)
class Circumstances:
    """What is known besides the recording.

    Parameters
    ----------
    structure : Structure
        The instrument.
    reference : HeldPartials or None
        Partials of the same note with the filter open.
    """

    structure: Structure
    reference: HeldPartials | None = None

    @property
    def slope_db(self) -> float:
        """Slope of the low-pass in dB per octave; 24 if it can be switched."""
        return float(self.structure.fixed.get("filter.slope_db_per_octave", 24.0))

    def at_middle_c(self, cutoff: Measured, note: TargetNote) -> Measured:
        """Take key tracking that is built in off a cutoff."""
        tracking = float(self.structure.fixed.get("filter.key_track_ratio", 0.0))
        ratio = 2.0 ** (tracking * (60.0 - note.note.midi_pitch) / 12.0)
        return Measured(ratio * cutoff.value, ratio * cutoff.error, cutoff.remarks)


@dataclass(frozen=True)
class Measure:
    """How a kind of parameter is measured.

    Parameters
    ----------
    pattern : str
        Names of the parameters.
    how_to_record : str
        What the instrument has to play.
    measure : callable
        Parameter, note and circumstances to the value.
    """

    pattern: str
    how_to_record: str
    measure: Callable[[str, TargetNote, Circumstances], Measured]


def _cutoff(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Cutoff at C4."""
    cutoff, _resonance = fit_lowpass(held_partials(note), known.reference, slope_db=known.slope_db)
    return known.at_middle_c(cutoff, note)


def _resonance(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Resonance."""
    return fit_lowpass(held_partials(note), known.reference, slope_db=known.slope_db)[1]


def _highpass(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Corner of the high-pass."""
    return fit_highpass(held_partials(note), known.reference)


def _pulse_width(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Pulse width."""
    del known
    return fit_pulse_width(held_partials(note))


def _amplifier(name: str, note: TargetNote, known: Circumstances) -> Measured:
    """One setting of the amplifier envelope."""
    del known
    return fit_amplifier_envelope(note)[name.rsplit(".", maxsplit=1)[-1]]


def _filter_envelope(name: str, note: TargetNote, known: Circumstances) -> Measured:
    """One setting of the filter envelope."""
    told = fit_filter_envelope(note, slope_db=known.slope_db)
    return told[name.rsplit(".", maxsplit=1)[-1]]


def _tuning(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Cents off the key."""
    del known
    return fit_tuning(note)


def _vibrato(name: str, note: TargetNote, known: Circumstances) -> Measured:
    """Rate or depth of a vibrato."""
    del known
    return fit_vibrato(note)[name.rsplit(".", maxsplit=1)[-1]]


def _level(_: str, note: TargetNote, known: Circumstances) -> Measured:
    """Level, in full scale; the table makes ratios of it."""
    del known
    start_s, end_s = held_span(note)
    track = note.analysis.level_track
    held = track.level_db[(track.times_s >= start_s) & (track.times_s <= end_s)]
    amplitude = 10.0 ** ((note.level_db + held) / 20.0)
    error = float(np.std(amplitude) / np.sqrt(max(2.0, held.size / 40.0)))
    return Measured(float(np.mean(amplitude)), error)


_SAW = "a sawtooth alone, key held for a second, "
MEASURABLE = (
    Measure(
        "filter.cutoff_hz",
        _SAW + "resonance, envelope depth and key tracking at nothing, a low key",
        _cutoff,
    ),
    Measure("filter.resonance_ratio", _SAW + "cutoff in the middle, a low key", _resonance),
    Measure("highpass.cutoff_hz", _SAW + "low-pass open, a low key", _highpass),
    Measure("osc?.pulse_width_ratio", "a pulse alone, key held for a second, filter open",
            _pulse_width),
    Measure(
        "amp_env.*_*",
        "one oscillator, filter open, no filter envelope; for a decay with sustain at nothing and "
        "the key held long, for a release let it run on",
        _amplifier,
    ),
    Measure(
        "filter_env.*_*",
        "a sawtooth alone on a low key, no resonance, amplifier at full sustain with a release "
        "longer than the filter's, velocity 100",
        _filter_envelope,
    ),
    Measure("tune_cents", "one oscillator, key held for a second, filter open", _tuning),
    Measure("osc2.detune_cents", "oscillator 2 alone, key held for a second", _tuning),
    Measure("osc?.vibrato.rate_hz", "one oscillator, vibrato without delay, held 2 s", _vibrato),
    Measure("osc?.vibrato.depth_cents", "one oscillator, vibrato without delay, held 2 s",
            _vibrato),
    Measure("*.*_level", "this source alone, all recordings at one recording level", _level),
    Measure("noise.level", "noise alone, all recordings at one recording level", _level),
)  # fmt: skip
_NOT = ("*.velocity_db", "*.velocity_octaves")


def find_measure(parameter: str) -> Measure:
    """Find how a parameter is measured.

    Parameters
    ----------
    parameter : str
        A parameter of the catalogue.

    Returns
    -------
    Measure
        The measurement.

    Raises
    ------
    ParameterError
        If it can't be measured from recordings of single notes.
    """
    if not any(fnmatchcase(parameter, pattern) for pattern in _NOT):
        for measure in MEASURABLE:
            if fnmatchcase(parameter, measure.pattern):
                return measure
    names = [name for name in CATALOGUE.names if _is_measurable(name)]
    raise ParameterError(
        f"{parameter} can't be measured from recordings of single notes; {', '.join(names)} can.",
        name="parameter",
        value=parameter,
    )


def _is_measurable(name: str) -> bool:
    """Whether a parameter has a measurement."""
    is_excluded = any(fnmatchcase(name, pattern) for pattern in _NOT)
    return not is_excluded and any(fnmatchcase(name, m.pattern) for m in MEASURABLE)
