"""The parts of the voice by themselves: envelopes, LFOs, oscillators, noise and filters.

They run the kernels that the voice runs, for tests, plots and notebooks. Times count from the
moment the key goes down, in seconds; an attack lasts from the start to the peak, decay and
release are exponential, their time is the time constant (63.2 % of the way). LFOs are sines
whose phase, in cycles, is 0 where the sine rises through zero; rates and depths are those of C4,
key tracking counts in octaves for each octave of key. Control values come every 0.36 ms, with
straight lines between. A wave runs from -1 to 1; its phase is 0 where the sawtooth jumps down
and the triangle rises through zero, and a pulse is high for the last `width` of its cycle, with
its mean taken away. Filters have zero-delay feedback with trapezoidal integrators [1]_, stable
at every setting and while the cutoff moves; responses are those of the analogue prototypes on a
warped axis, right at the cutoff itself.

References
----------
.. [1] V. Zavalishin, "The Art of VA Filter Design", 2012, chapters 3 (trapezoidal integration,
   cutoff prewarping), 4 (state-variable filter) and 5 (ladder).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, Float32Array, FloatArray, Note, ParameterError, suggest_names
from voice._arguments import (
    LONGEST_S,
    SAMPLE_RATES_HZ,
    check_control,
    check_n_samples,
    check_range,
    check_sample_rate,
    check_scalar,
    check_signal,
    check_times,
    check_whole,
)
from voice.packing import (
    CYCLE,
    LANES,
    block_length,
    empty_controls,
    empty_settings,
    pack_note,
    pack_values,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from shared import FloatArray

__all__ = [
    "adsr_level",
    "body_resonance",
    "drive",
    "equaliser",
    "filter_bank",
    "filter_lfo_octaves",
    "highpass",
    "lowpass",
    "oscillator",
    "pitch_envelope_cents",
    "pulse_width_ratio",
    "vibrato_cents",
    "white_noise",
]

LONGEST_GATE_S = 60.0
SAMPLE_RATE_HZ = 44_100
_MIDDLE_HZ = 1000.0
# Levels of sawtooth plus pulse, of the turned sawtooth that is taken away, and of the triangle.
WAVEFORMS = {"sawtooth": (1.0, 0.0, 0.0), "pulse": (1.0, -1.0, 0.0), "triangle": (0.0, 0.0, 1.0)}
HIGHEST_OF_RATE = 0.48
# The noise is as loud as a sawtooth with peaks of 1.
NOISE_RMS = 3.0**-0.5
LONGEST_NOISE = round(LONGEST_S * SAMPLE_RATES_HZ[1])


def adsr_level(
    times_s: npt.ArrayLike,
    gate_s: float,
    *,
    attack_s: float,
    decay_s: float,
    sustain_ratio: float,
    release_s: float,
    attack_curve_ratio: float = 0.0,
) -> FloatArray:
    """Compute the level of an attack-decay-sustain-release envelope."""
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    times = check_times(times_s).astype(np.float32)
    gate = np.float32(check_scalar("gate_s", gate_s, 0.0, LONGEST_GATE_S, "s"))
    attack = np.float32(check_scalar("attack_s", attack_s, 1e-4, 60.0, "s"))
    decay = np.float32(check_scalar("decay_s", decay_s, 1e-4, 60.0, "s"))
    sustain = np.float32(check_scalar("sustain_ratio", sustain_ratio, 0.0, 1.0))
    release = np.float32(check_scalar("release_s", release_s, 1e-4, 60.0, "s"))
    curve = np.float32(check_scalar("attack_curve_ratio", attack_curve_ratio, -1.0, 1.0))
    shape = attack, curve, decay, sustain
    at_gate_end = control_kernels.held_envelope(gate, *shape)
    return np.array(
        [control_kernels.envelope(t, gate, *shape, release, at_gate_end) for t in times],
        dtype=np.float64,
    )


def pitch_envelope_cents(
    times_s: npt.ArrayLike, *, depth_cents: float, attack_s: float, decay_s: float
) -> FloatArray:
    """Compute what a pitch envelope adds to the pitch."""
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    times = check_times(times_s).astype(np.float32)
    depth = check_scalar("depth_cents", depth_cents, -2400.0, 2400.0, "cents")
    attack = np.float32(check_scalar("attack_s", attack_s, 1e-4, 60.0, "s"))
    decay = np.float32(check_scalar("decay_s", decay_s, 1e-4, 60.0, "s"))
    zero = np.float32(0.0)
    shape = [control_kernels.held_envelope(t, attack, zero, decay, zero) for t in times]
    return depth * np.array(shape, dtype=np.float64)


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
    """Compute what a vibrato adds to the pitch."""
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
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    steps = _controls_at(
        times,
        values,
        note,
        phase=(control_kernels.PHASE_VIBRATO, phase_cycles),
        control_row=control_kernels.STEP,
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
    """Compute the width of a pulse whose width an LFO moves."""
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
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    note = Note(midi_pitch)
    turns = _controls_at(
        times,
        values,
        note,
        phase=(control_kernels.PHASE_PWM, phase_cycles),
        control_row=control_kernels.TURN,
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
    """Compute what the LFO on the cutoff adds to it."""
    times = check_times(times_s)
    values = _checked(
        "filter_lfo.",
        {"rate_hz": rate_hz, "depth_octaves": depth_octaves, "delay_s": delay_s},
    )
    # Low enough to be neither held at half the rate nor faded out.
    values["filter.cutoff_hz"] = _MIDDLE_HZ
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    tangents = _controls_at(
        times,
        values,
        Note(60.0),
        phase=(control_kernels.PHASE_FILTER, phase_cycles),
        control_row=control_kernels.CUTOFF,
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
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    phases = np.zeros((control_kernels.N_PHASES, LANES), np.float32)
    phases[phase[0]] = check_scalar("phase_cycles", phase[1], 0.0, 1.0, "cycles")
    block = block_length(SAMPLE_RATE_HZ)
    controls = empty_controls(int(np.ceil(times.max() * SAMPLE_RATE_HZ / block)) + 1)
    control_kernels.render_controls(
        pack_values(values), phases, pack_note(note, SAMPLE_RATE_HZ), np.float32(note.gate_s),
        block, controls,
    )  # fmt: skip
    grid_s = np.arange(len(controls)) * block / SAMPLE_RATE_HZ
    return np.interp(times, grid_s, controls[:, control_row, 0].astype(np.float64))


def oscillator(
    frequency_hz: npt.ArrayLike,
    *,
    n_samples: int,
    sample_rate_hz: int = 44_100,
    waveform: str = "sawtooth",
    pulse_width_ratio: npt.ArrayLike = 0.5,
    phase_cycles: float = 0.0,
) -> FloatArray:
    """Play one wave without filter and envelope."""
    rate = check_sample_rate(sample_rate_hz)
    n = check_n_samples(n_samples, rate)
    highest_hz = HIGHEST_OF_RATE * rate
    pitch_hz = check_control("frequency_hz", frequency_hz, n, 1.0, highest_hz, "Hz")
    width = check_control("pulse_width_ratio", pulse_width_ratio, n, 0.02, 0.98, "")
    phase = check_scalar("phase_cycles", phase_cycles, 0.0, 1.0, "cycles")
    if waveform not in WAVEFORMS:
        raise ParameterError(
            f"waveform is {waveform!r}; it must be one of {', '.join(WAVEFORMS)}. "
            f"{suggest_names(str(waveform), WAVEFORMS)}".rstrip(),
            name="waveform",
        )
    from voice import control_kernels, oscillator_kernels, setting_kernels, wavetables  # noqa: PLC0415  numba loads here

    is_still = len(pitch_hz) == len(width) == 1
    controls = empty_controls(1 if is_still else n)
    for row, control in (
        (control_kernels.PITCH, np.log2(pitch_hz / rate)),
        (control_kernels.STEP, pitch_hz / rate * CYCLE),
        (control_kernels.TURN, width * CYCLE),
    ):
        controls[:-1, row] = control[:, None]
        controls[-1, row] = control[-1]
    settings = np.zeros((setting_kernels.N_SETTINGS, LANES), np.float32)
    levels = np.array(WAVEFORMS[waveform])
    settings[setting_kernels.LEVELS : setting_kernels.LEVELS + len(levels)] = levels[:, None]
    settings[setting_kernels.MOVING] = float(len(pitch_hz) > 1)
    sound = np.empty((n, LANES), np.float32)
    oscillator_kernels.render_oscillators(
        settings, controls, np.full((2, LANES), phase, np.float32), n if is_still else 1,
        wavetables.sawtooth_tables(), wavetables.triangle_tables(), sound,
    )  # fmt: skip
    return sound[:, 0].astype(np.float64)


def white_noise(n_samples: int, *, seed: int = 0) -> Float32Array:
    """Make the noise of the voice: white, normally distributed, as loud as a sawtooth."""
    if not isinstance(seed, (int, np.integer)) or isinstance(seed, bool) or seed < 0:
        raise ParameterError(
            f"seed is {seed!r}; it must be a whole number from 0 on.", name="seed"
        )
    n_samples = check_whole("n_samples", n_samples, 0, LONGEST_NOISE)
    noise = np.random.default_rng(seed).standard_normal(n_samples) * NOISE_RMS
    return noise.astype(np.float32)


def lowpass(
    signal: npt.ArrayLike,
    cutoff_hz: npt.ArrayLike,
    *,
    sample_rate_hz: int,
    resonance_ratio: float = 0.0,
    slope_db_per_octave: float = 24.0,
) -> FloatArray:
    """Run a signal through the low-pass filter of the voice."""
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    cutoff = check_control("cutoff_hz", cutoff_hz, len(sound), 20.0, 20_000.0, "Hz")
    values = CATALOGUE.validate(
        {
            "filter.resonance_ratio": resonance_ratio,
            "filter.slope_db_per_octave": slope_db_per_octave,
        }
    )
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    lanes = pack_values(values)
    note = pack_note(Note(60.0), rate)
    controls = empty_controls(len(cutoff))
    still, no_swing = np.float32(0.0), np.zeros(LANES, np.float32)
    for first in range(0, len(cutoff), LANES):  # the kernel converts as many cutoffs at once
        part = cutoff[first : first + LANES]
        lanes[control_kernels.FILTER, : len(part)] = part
        scratch = np.empty((control_kernels.N_CONTROLS, LANES), np.float32)
        control_kernels.set_filter(lanes, still, still, note, no_swing, no_swing, scratch)
        for row in (control_kernels.CUTOFF, control_kernels.DRY):
            controls[first : first + len(part), row] = scratch[row, : len(part), None]
    controls[-1] = controls[-2]
    return _run(sound, lanes, rate, controls)


def highpass(signal: npt.ArrayLike, cutoff_hz: float, *, sample_rate_hz: int) -> FloatArray:
    """Run a signal through the high-pass filter of the voice, 6 dB/octave."""
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    lanes = pack_values(
        {"highpass.cutoff_hz": check_scalar("cutoff_hz", cutoff_hz, 20.0, 2000.0, "Hz")}
    )
    return _run(sound, lanes, rate, _open_controls())


def body_resonance(
    signal: npt.ArrayLike,
    frequency_hz: float,
    *,
    gain_db: float,
    bandwidth_octaves: float,
    sample_rate_hz: int,
) -> FloatArray:
    """Run a signal through the body resonance of the voice: one bell, raised or lowered."""
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    values = CATALOGUE.validate(
        {
            "body.frequency_hz": frequency_hz,
            "body.gain_db": gain_db,
            "body.bandwidth_octaves": bandwidth_octaves,
        }
    )
    return _run(sound, pack_values(values), rate, _open_controls())


def equaliser(
    signal: npt.ArrayLike,
    bands: Sequence[tuple[float, float, float]],
    *,
    sample_rate_hz: int,
) -> FloatArray:
    """Run a signal through the equaliser after the voice: frequency, gain and width of 3 bands."""
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    own = CATALOGUE.only("eq*")
    values = dict(zip(own.names, (x for band in bands for x in band), strict=True))
    return _run(sound, pack_values(CATALOGUE.validate(values)), rate, _open_controls())


def filter_bank(
    signal: npt.ArrayLike, gains_db: npt.ArrayLike, *, sample_rate_hz: int
) -> FloatArray:
    """Run a signal through the fixed filter bank of the voice: twelve bells in series."""
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    bands = CATALOGUE.only("bank.*")
    gains = check_range("gains_db", gains_db, -20.0, 20.0, "dB")
    if gains.shape != (len(bands),):
        raise ParameterError(
            f"gains_db have shape {gains.shape}; it must be ({len(bands)},), one for each band.",
            name="gains_db",
        )
    return _run(sound, pack_values(bands.to_dict(gains)), rate, _open_controls())


def drive(signal: npt.ArrayLike, drive_db: float) -> FloatArray:
    """Saturate a signal as the voice does before its low-pass filter."""
    sound = check_signal(signal)
    lanes = pack_values({"filter.drive_db": check_scalar("drive_db", drive_db, 0.0, 36.0, "dB")})
    return _run(sound, lanes, 44_100, _open_controls())


def _open_controls() -> Float32Array:
    """Return controls that let all of the sound pass by the low-pass."""
    from voice import control_kernels  # noqa: PLC0415  numba loads here

    controls = empty_controls(1)
    controls[:, control_kernels.DRY] = 1.0
    return controls


def _run(
    sound: FloatArray, lanes: Float32Array, sample_rate_hz: int, controls: Float32Array
) -> FloatArray:
    """Run the filter kernel on one sound, with the amplifier open and no noise."""
    from voice import control_kernels, filter_kernels, setting_kernels  # noqa: PLC0415  numba loads here

    settings = empty_settings()
    setting_kernels.prepare_settings(lanes, sample_rate_hz, settings)
    controls[:, control_kernels.AMP] = 1.0
    mix = np.zeros((len(sound), LANES), np.float32)
    mix[:, 0] = sound
    block = len(sound) if len(controls) == 2 else 1  # one block has two edges
    filter_kernels.run_filters(
        settings, controls, block, np.zeros((3, len(sound)), np.float32), mix
    )
    return mix[:, 0].astype(np.float64)
