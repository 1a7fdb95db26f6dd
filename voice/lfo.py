"""Low-frequency oscillators as functions of time: vibrato, pulse-width modulation, cutoff.

They run the kernel that gives the voice its controls: values every 0.36 ms, and straight lines
between.

Conventions: times count from the moment the key goes down, in seconds. LFOs are sines and start
anywhere: their phase, in cycles, is 0 where a sine rises through zero. Rates and depths are those
of C4 (MIDI pitch 60); key tracking counts in octaves for each octave of key.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, FloatArray, Note
from voice._arguments import check_scalar, check_times
from voice._packing import (
    CYCLE,
    LANES,
    block_length,
    empty_controls,
    pack_note,
    pack_values,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

__all__ = ["filter_lfo_octaves", "pulse_width_ratio", "vibrato_cents"]

SAMPLE_RATE_HZ = 44_100
_MIDDLE_HZ = 1000.0


def vibrato_cents(
    times_s: npt.ArrayLike,
    *,
    rate_hz: float,
    depth_cents: float,
    delay_s: float = 0.0,
    rate_key_track_ratio: float = 0.0,
    depth_key_track_ratio: float = 0.0,
    rate_env_octaves: float = 0.0,
    midi_pitch: float = 60.0,
    phase_cycles: float = 0.0,
) -> FloatArray:
    """Compute what a vibrato adds to the pitch.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_times,), 0 to 120
        Times from note start in s.
    rate_hz : float, 0.1 to 12
        Rate at C4 in Hz.
    depth_cents : float, 0 to 100
        Depth at C4: the pitch moves by as much to either side.
    delay_s : float, 0 to 2
        There is no vibrato for the first half of it; the depth then rises in a straight line.
    rate_key_track_ratio, depth_key_track_ratio : float, -0.5 to 1 and -1 to 0.5
        Octaves of rate and of depth for each octave of key above C4.
    rate_env_octaves : float, -2 to 2
        The rate starts as many octaves away, and settles with a time constant of 0.5 s.
    midi_pitch : float, 0 to 127
        Key, 60 = C4.
    phase_cycles : float, 0 to 1
        Phase at note start.

    Returns
    -------
    np.ndarray, shape=(n_times,)
        Added pitch in cents.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    times = check_times(times_s)
    values = _checked(
        "osc1.vibrato.",
        {
            "rate_hz": rate_hz,
            "depth_cents": depth_cents,
            "delay_s": delay_s,
            "rate_key_track_ratio": rate_key_track_ratio,
            "depth_key_track_ratio": depth_key_track_ratio,
            "rate_env_octaves": rate_env_octaves,
        },
    )
    note = Note(midi_pitch)
    from voice import _controls  # noqa: PLC0415  numba loads here

    steps = _controls_at(
        times,
        values,
        note,
        phase=(_controls.PHASE_VIBRATO, phase_cycles),
        control_row=_controls.STEP,
    )
    return 1200.0 * np.log2(steps / float(pack_note(note, SAMPLE_RATE_HZ)[4]))


def pulse_width_ratio(
    times_s: npt.ArrayLike,
    *,
    width_ratio: float = 0.5,
    rate_hz: float,
    depth_ratio: float,
    rate_key_track_ratio: float = 0.0,
    midi_pitch: float = 60.0,
    phase_cycles: float = 0.0,
) -> FloatArray:
    """Compute the width of a pulse whose width an LFO moves.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_times,), 0 to 120
        Times from note start in s.
    width_ratio : float, 0.05 to 0.95
        Width in the middle, as a share of the cycle; 0.5 is square.
    rate_hz : float, 0.05 to 10
        Rate at C4 in Hz.
    depth_ratio : float, 0 to 0.45
        The width moves by as much to either side, but not beyond 0.02 and 0.98.
    rate_key_track_ratio : float, -0.5 to 1
        Octaves of rate for each octave of key above C4.
    midi_pitch : float, 0 to 127
        Key, 60 = C4.
    phase_cycles : float, 0 to 1
        Phase at note start.

    Returns
    -------
    np.ndarray, shape=(n_times,), 0.02 to 0.98
        Width as a share of the cycle.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    times = check_times(times_s)
    values = _checked(
        "osc1.pwm.",
        {
            "rate_hz": rate_hz,
            "depth_ratio": depth_ratio,
            "rate_key_track_ratio": rate_key_track_ratio,
        },
    )
    values |= _checked("osc1.pulse_", {"width_ratio": width_ratio})
    from voice import _controls  # noqa: PLC0415  numba loads here

    note = Note(midi_pitch)
    turns = _controls_at(
        times, values, note, phase=(_controls.PHASE_PWM, phase_cycles), control_row=_controls.TURN
    )
    return turns / CYCLE


def filter_lfo_octaves(
    times_s: npt.ArrayLike,
    *,
    rate_hz: float,
    depth_octaves: float,
    delay_s: float = 0.0,
    phase_cycles: float = 0.0,
) -> FloatArray:
    """Compute what the LFO on the cutoff adds to it.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_times,), 0 to 120
        Times from note start in s.
    rate_hz : float, 0.1 to 12
        Rate in Hz, the same for all keys.
    depth_octaves : float, 0 to 2
        The cutoff moves by as much to either side.
    delay_s : float, 0 to 2
        It stands still for the first half of it; the depth then rises in a straight line.
    phase_cycles : float, 0 to 1
        Phase at note start.

    Returns
    -------
    np.ndarray, shape=(n_times,)
        Added octaves.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    times = check_times(times_s)
    values = _checked(
        "filter_lfo.",
        {"rate_hz": rate_hz, "depth_octaves": depth_octaves, "delay_s": delay_s},
    )
    # Low enough to be neither held at half the rate nor faded out.
    values["filter.cutoff_hz"] = _MIDDLE_HZ
    from voice import _controls  # noqa: PLC0415  numba loads here

    tangents = _controls_at(
        times,
        values,
        Note(60.0),
        phase=(_controls.PHASE_FILTER, phase_cycles),
        control_row=_controls.CUTOFF,
    )
    octaves: FloatArray = np.log2(np.arctan(tangents) * SAMPLE_RATE_HZ / np.pi / _MIDDLE_HZ)
    return octaves


def _checked(prefix: str, values: Mapping[str, float]) -> dict[str, float]:
    """Check values against the catalogue's ranges; return them by the catalogue's names."""
    checked = {}
    for name, value in values.items():
        parameter = CATALOGUE[prefix + name]
        number = check_scalar(name, value, parameter.low, parameter.high)
        checked[parameter.name] = number
    return checked


def _controls_at(
    times: FloatArray,
    values: Mapping[str, float],
    note: Note,
    *,
    phase: tuple[int, float],
    control_row: int,
) -> FloatArray:
    """Run the control kernel; return one row of it in straight lines between its times.

    `phase` is the row of an LFO and its phase at note start.
    """
    from voice import _controls  # noqa: PLC0415  numba loads here

    phases = np.zeros((_controls.N_PHASES, LANES), np.float32)
    phases[phase[0]] = check_scalar("phase_cycles", phase[1], 0.0, 1.0, "cycles")
    block = block_length(SAMPLE_RATE_HZ)
    controls = empty_controls(int(np.ceil(times.max() * SAMPLE_RATE_HZ / block)) + 1)
    _controls.render_controls(
        pack_values(values), phases, pack_note(note, SAMPLE_RATE_HZ), np.float32(note.gate_s),
        block, controls,
    )  # fmt: skip
    grid_s = np.arange(len(controls)) * block / SAMPLE_RATE_HZ
    return np.interp(times, grid_s, controls[:, control_row, 0].astype(np.float64))
