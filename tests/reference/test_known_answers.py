"""The files with known answers are what their settings say, checked by other means."""

import tomllib
from pathlib import Path

import librosa
import numpy as np
import pyloudnorm
import pytest
import soundfile

from shared import CATALOGUE
from shared.types import FloatArray
from tests.csound_graph import MISSING, csound_path, render_graph
from tests.known_answers import make_known_answers
from tests.known_notes import (
    FOLDER,
    KnownNote,
    known_instrument,
    known_instrument_names,
    known_note,
    known_note_names,
)
from tests.placing import short_level

pytestmark = pytest.mark.slow

each_note = pytest.mark.parametrize("name", known_note_names())


def held_envelope(t: FloatArray, attack_s: float, decay_s: float, sustain: float) -> FloatArray:
    """Return a straight line to 1, then an exponential to `sustain` with a time constant."""
    falling = sustain + (1.0 - sustain) * np.exp(-np.maximum(t - attack_s, 0.0) / decay_s)
    return np.where(t < attack_s, t / attack_s, falling)


def envelope(t: FloatArray, known: KnownNote, group: str) -> FloatArray:
    """Return attack, decay, sustain and release of one of the two envelopes."""
    attack_s, decay_s, sustain, release_s = (
        known.values[f"{group}.{part}"]
        for part in ("attack_s", "decay_s", "sustain_ratio", "release_s")
    )
    held = held_envelope(np.minimum(t, known.note.gate_s), attack_s, decay_s, sustain)
    return held * np.exp(-np.maximum(t - known.note.gate_s, 0.0) / release_s)


def running_phase(rate_hz: FloatArray, known: KnownNote, start: float) -> FloatArray:
    """Return the phase in cycles of something that turns at a moving rate."""
    steps = rate_hz / known.sample_rate_hz
    return start + np.cumsum(steps) - steps


def octaves_over_c4(known: KnownNote) -> float:
    """Return how far the key lies above middle C, from which all key tracking counts."""
    return (known.note.midi_pitch - 60.0) / 12.0


def sawtooth(phase: FloatArray, n_partials: int) -> FloatArray:
    """Sum the Fourier series of the rising sawtooth (Abramowitz and Stegun, 23.1.16)."""
    wave = np.zeros_like(phase)
    for k in range(1, n_partials + 1):
        wave -= 2.0 / (np.pi * k) * np.sin(2.0 * np.pi * k * phase)
    return wave


def oscillator(t: FloatArray, known: KnownNote, osc: str) -> FloatArray:
    """Return one oscillator from Fourier series, with all that moves its pitch and width."""
    value = {name[5:]: x for name, x in known.values.items() if name.startswith(osc)}
    start = {name[5:]: x for name, x in known.phases.items() if name.startswith(osc)}
    bend = held_envelope(t, value["pitch_env.attack_s"], value["pitch_env.decay_s"], 0.0)
    rate_hz = value["vibrato.rate_hz"] * 2.0 ** (
        value["vibrato.rate_env_octaves"] * np.exp(-2 * t)
        + value["vibrato.rate_key_track_ratio"] * octaves_over_c4(known)
    )
    depth_octaves = value["vibrato.depth_key_track_ratio"] * octaves_over_c4(known)
    depth_cents = value["vibrato.depth_cents"] * 2.0**depth_octaves
    vibrato = running_phase(rate_hz, known, start.get("vibrato.phase", 0.0))
    fade = np.clip(2.0 * t / max(value["vibrato.delay_s"], 1e-9) - 1.0, 0.0, 1.0)
    cents = (
        value.get("detune_cents", 0.0)
        + value["pitch_env.depth_cents"] * bend
        + depth_cents * fade * np.sin(2.0 * np.pi * vibrato)
    )
    pitch_hz = librosa.midi_to_hz(known.note.midi_pitch) * 2.0 ** (cents / 1200.0)
    phase = running_phase(pitch_hz, known, start.get("phase", 0.0))
    pwm = running_phase(np.full_like(t, value["pwm.rate_hz"]), known, start.get("pwm.phase", 0.0))
    width = value["pulse_width_ratio"] + value["pwm.depth_ratio"] * np.sin(2.0 * np.pi * pwm)
    # A pulse whose other edge moves is one of the rest of the cycle; it may be turned over.
    width = 1.0 - width if known.phases.get("pulse.edge") else width
    pulse_level = value["pulse_level"] * (-1.0 if known.phases.get("pulse.polarity") else 1.0)
    n_partials = int(0.5 * known.sample_rate_hz / pitch_hz.max())
    wave = (value["saw_level"] + pulse_level) * sawtooth(phase, n_partials)
    if pulse_level:
        wave -= pulse_level * sawtooth(phase + width, n_partials)
    return wave


def ladder(signal: FloatArray, cutoff_hz: FloatArray, loop_gain: float, rate: int) -> FloatArray:
    """Filter by four equal one-pole stages in a loop, solved for each sample as linear equations.

    V. Zavalishin, "The Art of VA Filter Design", 2012, chapter 5 (trapezoidal integrators).
    """
    g = np.tan(np.pi * cutoff_hz / rate)
    state = [0.0] * 4
    out = np.empty_like(signal)
    for n, (x, gain) in enumerate(zip(signal.tolist(), g.tolist(), strict=True)):
        a = gain / (1.0 + gain)
        s1, s2, s3, s4 = (s / (1.0 + gain) for s in state)
        y = (a**4 * x + a**3 * s1 + a**2 * s2 + a * s3 + s4) / (1.0 + loop_gain * a**4)
        stage = x - loop_gain * y
        for i in range(4):
            v = a * (stage - state[i])
            stage = v + state[i]
            state[i] = stage + v
        out[n] = stage
    return out


def from_closed_forms(known: KnownNote) -> FloatArray:
    """Compute a note from its settings by Fourier series and textbook formulas."""
    t = np.arange(known.signal.size) / known.sample_rate_hz
    mix = oscillator(t, known, "osc1")
    if known.values["osc2.saw_level"] + known.values["osc2.pulse_level"] > 0.0:
        mix += oscillator(t, known, "osc2")
    if known.values["filter.cutoff_hz"] < 20_000.0:
        octaves = known.values["filter_env.depth_octaves"] * envelope(t, known, "filter_env")
        octaves += known.values["filter.key_track_ratio"] * octaves_over_c4(known)
        cutoff_hz = known.values["filter.cutoff_hz"] * 2.0**octaves
        loop_gain = 4.0 * known.values["filter.resonance_ratio"]
        mix = ladder(mix, cutoff_hz, loop_gain, known.sample_rate_hz)
    return mix * envelope(t, known, "amp_env")


@each_note
def test_the_sound_is_that_of_its_settings(name: str) -> None:
    """Fourier series, a textbook ladder and closed-form envelopes give the same waveform."""
    known = known_note(name)
    expected = from_closed_forms(known)
    gain = expected @ known.signal / (expected @ expected)
    residue = known.signal - gain * expected
    # -60 dB: the worst is the unfiltered sawtooth with -66 dB, whose highest partials the other
    # program's wavetables leave out; the filtered notes lie at -70 to -84 dB.
    assert 10.0 * np.log10(np.sum(residue**2) / np.sum(known.signal**2)) < -60.0


@each_note
def test_the_pitch_is_that_of_the_note(name: str) -> None:
    """ISO 16: A4 is 440 Hz; equal temperament gives the rest."""
    known = known_note(name)
    expected_hz = librosa.midi_to_hz(known.note.midi_pitch)
    held = known.signal[int(0.4 * known.sample_rate_hz) : int(0.9 * known.sample_rate_hz)]
    heard_hz = librosa.yin(
        held,
        fmin=expected_hz / 3.0,
        fmax=expected_hz * 3.0,
        sr=known.sample_rate_hz,
        frame_length=8192,
    )
    # Two oscillators are heard between their pitches: 10 cents is more than any detune here,
    # and a vibrato of 14 cents that is cut within a cycle moves the median by no more.
    assert 1200.0 * np.log2(np.median(heard_hz) / expected_hz) == pytest.approx(0.0, abs=10.0)


def cycle_power(known: KnownNote) -> tuple[FloatArray, int]:
    """Return the mean square over one cycle around each sample, and the samples in a cycle."""
    n_cycle = round(known.sample_rate_hz / librosa.midi_to_hz(known.note.midi_pitch))
    return np.convolve(known.signal**2, np.full(n_cycle, 1.0 / n_cycle), mode="same"), n_cycle


def test_the_attack_is_a_straight_line_from_start_to_peak() -> None:
    """Half the level is there after half the attack time."""
    known = known_note("single_saw")
    power, _ = cycle_power(known)
    half_s = np.argmax(power >= 0.25 * np.median(power)) / known.sample_rate_hz
    # 1 ms: the level is a mean over a cycle of 4.5 ms, within which a sawtooth's energy lies
    # at the ends.
    assert half_s == pytest.approx(0.5 * known.values["amp_env.attack_s"], abs=0.001)


def test_the_release_falls_to_1_over_e_in_its_time_constant() -> None:
    """RC discharging: 20 lg e = 8.69 dB down after each time constant."""
    known = known_note("single_saw")
    power, n_cycle = cycle_power(known)
    start = round((known.note.gate_s + 0.02) * known.sample_rate_hz)
    n_fall = 25 * n_cycle
    fall_db = 10.0 * np.log10(power[start] / power[start + n_fall])
    n_constants = n_fall / known.sample_rate_hz / known.values["amp_env.release_s"]
    # 0.1 dB: a cycle is 200.45 samples long, and the level is taken over 200.
    assert fall_db == pytest.approx(n_constants * 20.0 * np.log10(np.e), abs=0.1)


def test_the_front_edges_are_told_apart_by_their_short_level() -> None:
    """A hard brass note reaches half its 1 ms level sooner than one with a slower attack."""

    def half_level_s(name: str) -> float:
        known = known_note(name)
        level = short_level(known.signal, known.sample_rate_hz)
        return float(np.argmax(level >= 0.25 * level.max()) / known.sample_rate_hz)

    assert half_level_s("hard_brass") < half_level_s("brass") < half_level_s("strings_vibrato")


def test_the_pitch_envelope_is_all_that_differs_between_the_brass_notes() -> None:
    """With and without: one oscillator's pitch envelope, and nothing else."""
    plain, bent = known_note("brass"), known_note("brass_pitch_env_osc2")
    differing = {name for name in CATALOGUE.names if plain.values[name] != bent.values[name]}
    assert differing == {"osc2.pitch_env.depth_cents", "osc2.pitch_env.decay_s"}
    assert plain.phases == bent.phases


def test_every_note_belongs_to_one_patch() -> None:
    """The patches share the notes out among them."""
    shared_out = [
        note.name for name in known_instrument_names() for note in known_instrument(name)
    ]
    assert sorted(shared_out) == sorted(known_note_names())


@pytest.mark.parametrize("name", ["brass_family", "hard_brass_family", "strings_family"])
def test_a_family_is_one_patch_over_the_keyboard(name: str) -> None:
    """Three keys an octave apart, the same settings, key tracking among them; other phases."""
    low, middle, high = known_instrument(name)
    assert [note.note.midi_pitch for note in (low, middle, high)] == [48.0, 60.0, 72.0]
    assert low.values == middle.values == high.values
    assert any(low.values[p] != 0.0 for p in CATALOGUE.only("*key_track_ratio").names)
    phases = [tuple(note.phases.values()) for note in (low, middle, high)]
    assert len(set(phases)) == 3


@each_note
def test_the_settings_lie_within_the_catalogue(name: str) -> None:
    """Every setting has a parameter of ours, in its range; every phase is one of a voice's."""
    known = known_note(name)
    assert set(known.values) == set(CATALOGUE.names)
    CATALOGUE.validate(known.values)
    assert set(known.phases) <= set(make_known_answers.PHASES)
    assert all(0.0 <= phase < 1.0 for phase in known.phases.values())


@each_note
def test_the_file_is_small_and_safe_to_play(name: str) -> None:
    """Mono, 16 bits, 44.1 kHz; peak up to -6 dBFS and loudness up to -16 LUFS (BS.1770)."""
    entry = tomllib.loads((FOLDER / "answers.toml").read_text())[name]
    info = soundfile.info(FOLDER / entry["file"])
    assert (info.format, info.subtype, info.channels) == ("FLAC", "PCM_16", 1)
    assert (info.samplerate, info.duration) == (44_100, pytest.approx(entry["duration_s"]))
    signal = known_note(name).signal
    # 1e-3 dB and 0.01 dB: rounding to 16 bits.
    assert 20.0 * np.log10(np.abs(signal).max()) <= -6.0 + 1e-3
    assert pyloudnorm.Meter(44_100).integrated_loudness(signal) <= -16.0 + 0.01


def test_the_manifest_lists_every_file_and_what_the_script_has() -> None:
    """No file without an answer, no answer without a file, and no edit by hand."""
    text = (FOLDER / "answers.toml").read_text()
    files = {entry["file"] for entry in tomllib.loads(text).values() if isinstance(entry, dict)}
    assert files == {path.name for path in FOLDER.glob("*.flac")}
    assert known_note_names() == tuple(note.name for note in make_known_answers.NOTES)
    for note in make_known_answers.NOTES:
        assert make_known_answers.table_of(note) in text


def test_all_files_together_stay_under_1_and_a_half_megabytes() -> None:
    """The repository stays quick to fetch."""
    assert sum(path.stat().st_size for path in FOLDER.glob("*.flac")) < 1_500_000


@pytest.mark.skipif(csound_path() is None, reason=MISSING)
def test_the_script_still_makes_the_committed_file(tmp_path: Path) -> None:
    """Whoever has the other program gets the same samples from it."""
    note = next(note for note in make_known_answers.NOTES if note.name == "strings_full")
    signal, sample_rate_hz = render_graph(make_known_answers.graph_of(note), tmp_path)
    safe = make_known_answers.at_safe_level(signal, sample_rate_hz)
    # Two steps of 16 bits: rounding, and another build's arithmetic.
    np.testing.assert_allclose(safe, known_note("strings_full").signal, atol=2.0**-14)
