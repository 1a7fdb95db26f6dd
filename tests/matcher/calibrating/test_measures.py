"""What a recording of our own voice at a known value is measured as, and what it can't tell."""

from __future__ import annotations

import dataclasses
from functools import partial
from typing import TYPE_CHECKING

import pytest

from matcher.calibrating.calibrate import Circumstances, find_measure
from matcher.calibrating.contour import (
    fit_amplifier_envelope,
    fit_filter_envelope,
    fit_tuning,
    fit_vibrato,
)
from matcher.calibrating.tone import fit_highpass, fit_lowpass, fit_pulse_width, held_partials
from shared import CATALOGUE, ParameterError, TargetError
from tests.calibration_notes import recorded_note
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matcher.calibrating.fitting import Measured
    from matcher.target import TargetNote


def lowpass(note: TargetNote, slope_db: float = 24.0) -> Measured:
    """Measure the cutoff."""
    return fit_lowpass(held_partials(note), None, slope_db=slope_db)[0]


def highpass(note: TargetNote) -> Measured:
    """Measure the corner."""
    return fit_highpass(held_partials(note), None)


def decay(note: TargetNote) -> Measured:
    """Measure the decay of the amplifier envelope."""
    return fit_amplifier_envelope(note)["decay_s"]


def pulse_width(note: TargetNote) -> Measured:
    """Measure the width."""
    return fit_pulse_width(held_partials(note))


@pytest.mark.parametrize(
    ("cutoff_hz", "resonance_ratio", "slope_db"),
    [(90.0, 0.0, 12.0), (500.0, 0.5, 24.0), (2500.0, 0.5, 12.0), (2500.0, 0.0, 24.0)],
)
def test_cutoff_and_resonance_come_back(
    cutoff_hz: float, resonance_ratio: float, slope_db: float
) -> None:
    """Within 3 %, less than an ear hears, and within three standard errors and 2 %."""
    note = recorded_note(
        {
            "filter.cutoff_hz": cutoff_hz,
            "filter.resonance_ratio": resonance_ratio,
            "filter.slope_db_per_octave": slope_db,
        }
    )
    cutoff, resonance = fit_lowpass(held_partials(note), None, slope_db=slope_db)
    assert cutoff.value == pytest.approx(cutoff_hz, rel=0.03)
    # 2 %: the warped frequency axis of a filter at 96 kHz.
    assert abs(cutoff.value - cutoff_hz) <= 3.0 * cutoff.error + 0.02 * cutoff_hz
    assert resonance.value == pytest.approx(resonance_ratio, abs=0.03)
    assert not cutoff.remarks


def test_a_reference_takes_the_oscillator_off() -> None:
    """With a triangle the sawtooth's formula fails, and a recording with the filter open helps."""
    triangle = {"osc1.saw_level": 0.3, "osc1.triangle_level": 1.0}
    partials = held_partials(recorded_note({**triangle, "filter.cutoff_hz": 300.0}))
    reference = held_partials(recorded_note(triangle))
    alone, _ = fit_lowpass(partials, None, slope_db=24.0)
    helped, _ = fit_lowpass(partials, reference, slope_db=24.0)
    assert abs(helped.value - 300.0) < 0.3 * abs(alone.value - 300.0)
    assert helped.value == pytest.approx(300.0, rel=0.03)


@pytest.mark.parametrize("corner_hz", [150.0, 600.0])
def test_a_highpass_comes_back(corner_hz: float) -> None:
    """-3 dB at the corner, 6 dB/octave below."""
    note = recorded_note({"highpass.cutoff_hz": corner_hz})
    assert highpass(note).value == pytest.approx(corner_hz, rel=0.02)


@pytest.mark.parametrize("width_ratio", [0.5, 0.1])
def test_a_pulse_width_comes_back(width_ratio: float) -> None:
    """|sin(pi n w)| / n, the Fourier series of a pulse."""
    pulse = {"osc1.saw_level": 0.0, "osc1.pulse_level": 1.0, "osc1.pulse_width_ratio": width_ratio}
    measured = pulse_width(recorded_note(pulse, midi_pitch=48.0))
    assert measured.value == pytest.approx(width_ratio, abs=0.005)
    assert not measured.remarks


OPEN = {"filter.cutoff_hz": 15_000.0, "filter.slope_db_per_octave": 12.0}
LONG = {"amp_env.decay_s": 1.0, "amp_env.sustain_ratio": 0.0}
BEATS = {"osc2.saw_level": 1.0, "osc2.detune_cents": 40.0}


@pytest.mark.parametrize(
    ("values", "midi_pitch", "measure", "remark"),
    [
        (OPEN, 36.0, partial(lowpass, slope_db=12.0), "the filter is open"),
        ({"filter.cutoff_hz": 120.0}, 60.0, lowpass, "record a lower key"),
        ({"filter.cutoff_hz": 300.0}, 36.0, partial(lowpass, slope_db=12.0), "is this the slope"),
        ({"highpass.cutoff_hz": 25.0}, 60.0, highpass, "record a lower key"),
        ({"filter.cutoff_hz": 800.0}, 48.0, pulse_width, "not those of a pulse"),
        (LONG, 60.0, decay, "hold the key longer"),
        (BEATS, 60.0, decay, "doesn't follow an envelope"),
    ],
    ids=["open", "high key", "slope", "no high-pass", "sawtooth", "long decay", "beats"],
)
def test_what_a_note_does_not_tell_is_said(
    values: Mapping[str, float],
    midi_pitch: float,
    measure: Callable[[TargetNote], Measured],
    remark: str,
) -> None:
    """A remark says what is wrong with the recording, or what to change in it."""
    measured = measure(recorded_note(values, midi_pitch=midi_pitch))
    assert any(remark in each for each in measured.remarks)
    if measure is lowpass or values is BEATS:
        # Nothing is known of it, and the error bar says so.
        assert measured.error > 0.1 * measured.value


@pytest.mark.parametrize(
    ("attack_s", "decay_s", "sustain_ratio", "release_s"),
    [(0.01, 0.1, 0.3, 0.05), (0.2, 0.15, 0.0, 0.1)],
)
def test_an_amplifier_envelope_comes_back(
    attack_s: float, decay_s: float, sustain_ratio: float, release_s: float
) -> None:
    """Each setting within 2 % (times) and 0.01 (sustain)."""
    note = recorded_note(
        {
            "amp_env.attack_s": attack_s,
            "amp_env.decay_s": decay_s,
            "amp_env.sustain_ratio": sustain_ratio,
            "amp_env.release_s": release_s,
        },
        midi_pitch=60.0,
        gate_s=0.7,
        tail_s=0.4,
    )
    told = fit_amplifier_envelope(note)
    assert told["attack_s"].value == pytest.approx(attack_s, rel=0.02)
    assert told["decay_s"].value == pytest.approx(decay_s, rel=0.02)
    assert told["sustain_ratio"].value == pytest.approx(sustain_ratio, abs=0.01)
    if sustain_ratio:
        assert told["release_s"].value == pytest.approx(release_s, rel=0.02)


def test_what_an_envelope_does_not_tell_is_told() -> None:
    """An attack under the window, a sustain that never falls, a recording that ends too early."""
    note = recorded_note({"amp_env.attack_s": 0.001}, midi_pitch=36.0, gate_s=0.6, tail_s=0.0)
    told = fit_amplifier_envelope(note)
    assert "higher key" in told["attack_s"].remarks[0]
    assert "set the sustain to nothing" in told["decay_s"].remarks[0]
    assert "ends before the release" in told["release_s"].remarks[0]


@pytest.mark.parametrize(
    ("attack_s", "decay_s", "sustain_ratio", "depth_octaves"),
    [(0.06, 0.1, 0.3, 4.0), (0.15, 0.15, 0.0, 3.0)],
)
def test_a_filter_envelope_comes_back(
    attack_s: float, decay_s: float, sustain_ratio: float, depth_octaves: float
) -> None:
    """From a cutoff that moves: times within 10 %, half of what is heard; depth within 0.05."""
    note = recorded_note(
        {
            "filter.cutoff_hz": 250.0,
            "filter_env.depth_octaves": depth_octaves,
            "filter_env.attack_s": attack_s,
            "filter_env.decay_s": decay_s,
            "filter_env.sustain_ratio": sustain_ratio,
            "filter_env.release_s": 0.1,
            "amp_env.release_s": 0.5,
        },
        midi_pitch=48.0,
        gate_s=0.8,
        tail_s=0.5,
    )
    told = fit_filter_envelope(note, slope_db=24.0)
    assert told["attack_s"].value == pytest.approx(attack_s, rel=0.1)
    assert told["decay_s"].value == pytest.approx(decay_s, rel=0.1)
    assert told["sustain_ratio"].value == pytest.approx(sustain_ratio, abs=0.02)
    assert told["depth_octaves"].value == pytest.approx(depth_octaves, abs=0.05)


def test_a_tuning_comes_back() -> None:
    """Within a fifth of a cent; two semitones are no detune, and the key is asked about."""
    note = recorded_note({"tune_cents": -37.0}, midi_pitch=62.0)
    measured = fit_tuning(note)
    assert measured.value == pytest.approx(-37.0, abs=0.2)
    assert not measured.remarks
    played = dataclasses.replace(note.note, midi_pitch=60.0)
    measured = fit_tuning(dataclasses.replace(note, note=played))
    assert measured.value == pytest.approx(163.0, abs=0.5)
    assert "--pitch" in measured.remarks[0]


@pytest.mark.parametrize(("rate_hz", "depth_cents"), [(2.5, 20.0), (6.0, 35.0)])
def test_a_vibrato_comes_back(rate_hz: float, depth_cents: float) -> None:
    """Rate within 1 %, depth within 3 %: far finer than an ear."""
    note = recorded_note(
        {"osc1.vibrato.rate_hz": rate_hz, "osc1.vibrato.depth_cents": depth_cents},
        midi_pitch=60.0,
        gate_s=1.3,
    )
    told = fit_vibrato(note)
    assert told["rate_hz"].value == pytest.approx(rate_hz, rel=0.01)
    assert told["depth_cents"].value == pytest.approx(depth_cents, rel=0.03)


def test_no_vibrato_is_an_error() -> None:
    """A steady note has no rate."""
    with pytest.raises(TargetError, match=r"no vibrato is heard"):
        fit_vibrato(recorded_note({}, midi_pitch=60.0))


def test_a_short_note_is_refused() -> None:
    """Nothing of it is steady."""
    note = recorded_note({}, midi_pitch=60.0, gate_s=0.1)
    with pytest.raises(TargetError, match=r"too little that is steady.*Hold the key longer"):
        held_partials(note)


def test_built_in_key_tracking_is_taken_off() -> None:
    """Half tracking, two octaves under C4: the cutoff there is an octave under that at C4."""
    note = recorded_note(
        {
            "filter.cutoff_hz": 800.0,
            "filter.key_track_ratio": 0.5,
            "filter.slope_db_per_octave": 12.0,
        },
        midi_pitch=36.0,
    )
    measure = find_measure("filter.cutoff_hz")
    known = Circumstances(load_structure("prompt-box"))
    assert measure.measure("cutoff_hz", note, known).value == pytest.approx(800.0, rel=0.03)


@pytest.mark.parametrize("name", ["noise.decay_s", "osc1.octave", "amp_env.velocity_db"])
def test_what_can_not_be_measured_is_refused(name: str) -> None:
    """The message lists what can be, at least 25 parameters of the catalogue."""
    with pytest.raises(ParameterError, match=rf"{name} can't be measured") as caught:
        find_measure(name)
    listed = [known for known in CATALOGUE.names if known in str(caught.value)]
    assert len(listed) >= 25
    for known in ("tune_cents", "osc2.pulse_width_ratio", "filter_env.decay_s", "noise.level"):
        assert known in listed
        assert find_measure(known)
