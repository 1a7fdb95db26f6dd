"""What a recording of our own voice at a known value is measured as, and what it can't tell."""

from __future__ import annotations

import dataclasses

import pytest

from matcher.calibrating.contour import fit_amplifier_envelope, fit_filter_envelope
from matcher.calibrating.measures import Circumstances, find_measure
from matcher.calibrating.partials import held_partials
from matcher.calibrating.pitch import fit_tuning, fit_vibrato
from matcher.calibrating.tone import fit_highpass, fit_lowpass, fit_pulse_width
from shared import CATALOGUE, ParameterError, TargetError
from tests.calibration_notes import recorded_note
from voice import load_structure


@pytest.mark.parametrize("slope_db", [12.0, 24.0])
@pytest.mark.parametrize("cutoff_hz", [90.0, 500.0, 2500.0])
@pytest.mark.parametrize("resonance_ratio", [0.0, 0.5])
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


def test_an_open_filter_is_told() -> None:
    """No partial is taken away, so the cutoff may be anywhere above."""
    note = recorded_note({"filter.cutoff_hz": 15_000.0, "filter.slope_db_per_octave": 12.0})
    cutoff, _ = fit_lowpass(held_partials(note), None, slope_db=12.0)
    assert any("the filter is open" in remark for remark in cutoff.remarks)


def test_a_key_above_the_cutoff_is_told() -> None:
    """Only the slope is left, on which gain and cutoff can't be told apart."""
    note = recorded_note({"filter.cutoff_hz": 120.0}, midi_pitch=60.0)
    cutoff, _ = fit_lowpass(held_partials(note), None, slope_db=24.0)
    assert any("record a lower key" in remark for remark in cutoff.remarks)
    assert cutoff.error > 0.1 * cutoff.value


def test_another_slope_than_was_said_is_told() -> None:
    """The partials lie beside the response."""
    note = recorded_note({"filter.cutoff_hz": 300.0})
    cutoff, _ = fit_lowpass(held_partials(note), None, slope_db=12.0)
    assert any("is this the slope" in remark for remark in cutoff.remarks)


@pytest.mark.parametrize("corner_hz", [150.0, 600.0])
def test_a_highpass_comes_back(corner_hz: float) -> None:
    """-3 dB at the corner, 6 dB/octave below."""
    note = recorded_note({"highpass.cutoff_hz": corner_hz})
    measured = fit_highpass(held_partials(note), None)
    assert measured.value == pytest.approx(corner_hz, rel=0.02)


def test_a_highpass_far_below_the_key_is_told() -> None:
    """Nothing that is heard tells it."""
    note = recorded_note({"highpass.cutoff_hz": 25.0}, midi_pitch=60.0)
    assert "record a lower key" in fit_highpass(held_partials(note), None).remarks[0]


@pytest.mark.parametrize("width_ratio", [0.5, 0.37, 0.1])
def test_a_pulse_width_comes_back(width_ratio: float) -> None:
    """|sin(pi n w)| / n, the Fourier series of a pulse."""
    note = recorded_note(
        {
            "osc1.saw_level": 0.0,
            "osc1.pulse_level": 1.0,
            "osc1.pulse_width_ratio": width_ratio,
        },
        midi_pitch=48.0,
    )
    measured = fit_pulse_width(held_partials(note))
    assert measured.value == pytest.approx(width_ratio, abs=0.005)
    assert not measured.remarks


def test_a_sawtooth_is_no_pulse() -> None:
    """Its partials fit no width."""
    note = recorded_note({"filter.cutoff_hz": 800.0}, midi_pitch=48.0)
    assert "not those of a pulse" in fit_pulse_width(held_partials(note)).remarks[0]


@pytest.mark.parametrize(
    ("attack_s", "decay_s", "sustain_ratio", "release_s"),
    [(0.01, 0.1, 0.3, 0.05), (0.05, 0.15, 0.0, 0.1), (0.2, 0.1, 0.6, 0.03)],
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


def test_a_decay_that_is_not_over_is_told() -> None:
    """A decay of 1 s can't be seen in a note of 0.4 s."""
    note = recorded_note(
        {"amp_env.decay_s": 1.0, "amp_env.sustain_ratio": 0.0}, midi_pitch=60.0, gate_s=0.4
    )
    assert "hold the key longer" in fit_amplifier_envelope(note)["decay_s"].remarks[0]


def test_a_level_that_follows_no_envelope_is_told() -> None:
    """Two oscillators that beat; the error bar is wide."""
    note = recorded_note(
        {"osc2.saw_level": 1.0, "osc2.detune_cents": 40.0}, midi_pitch=60.0, gate_s=0.6
    )
    decay = fit_amplifier_envelope(note)["decay_s"]
    assert any("doesn't follow an envelope" in remark for remark in decay.remarks)
    assert decay.error >= 0.5 * decay.value


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


@pytest.mark.parametrize("cents", [-37.0, 0.0, 12.0])
def test_a_tuning_comes_back(cents: float) -> None:
    """Within a fifth of a cent."""
    note = recorded_note({"tune_cents": cents}, midi_pitch=60.0)
    assert fit_tuning(note).value == pytest.approx(cents, abs=0.2)


def test_a_note_far_off_its_key_is_told() -> None:
    """Two semitones are no detune."""
    note = recorded_note({}, midi_pitch=62.0)
    played = dataclasses.replace(note.note, midi_pitch=60.0)
    measured = fit_tuning(dataclasses.replace(note, note=played))
    assert measured.value == pytest.approx(200.0, abs=0.5)
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
    box = load_structure("prompt-box")
    note = recorded_note(
        {
            "filter.cutoff_hz": 800.0,
            "filter.key_track_ratio": 0.5,
            "filter.slope_db_per_octave": 12.0,
        },
        midi_pitch=36.0,
    )
    measure = find_measure("filter.cutoff_hz")
    measured = measure.measure("filter.cutoff_hz", note, Circumstances(box))
    assert measured.value == pytest.approx(800.0, rel=0.03)


@pytest.mark.parametrize("name", ["noise.decay_s", "osc1.octave", "amp_env.velocity_db"])
def test_what_can_not_be_measured_is_refused(name: str) -> None:
    """The message lists what can be."""
    with pytest.raises(ParameterError, match=rf"{name} can't be measured.*filter.cutoff_hz"):
        find_measure(name)


def test_what_is_listed_can_be_measured() -> None:
    """Every pattern of the list names at least one parameter."""
    names = [name for name in CATALOGUE.names if _is_found(name)]
    assert len(names) >= 25
    for name in ("tune_cents", "osc2.pulse_width_ratio", "filter_env.decay_s", "noise.level"):
        assert name in names


def _is_found(name: str) -> bool:
    """Whether a parameter has a measure."""
    try:
        find_measure(name)
    except ParameterError:
        return False
    return True
