"""Parts of the voice: every control has its place, and what does nothing is known as such."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.parts import parameter_label, used_parameters, voice_parts
from shared import CATALOGUE, Note, ParameterError
from voice import render, render_batch

if TYPE_CHECKING:
    from shared import Float32Array


def test_each_parameter_belongs_to_one_part() -> None:
    """Nothing of the catalogue is lost or shown twice."""
    names = [name for part in voice_parts() for name in part.names]
    assert sorted(names) == sorted(CATALOGUE.names)


@pytest.mark.parametrize("part", voice_parts(), ids=lambda part: part.title)
def test_labels_differ_within_a_part(part: object) -> None:
    """Two controls that stand together aren't called the same."""
    labels = [parameter_label(name) for name in part.names]  # type: ignore[attr-defined]
    assert len(labels) == len(set(labels)) > 0


def test_an_unknown_parameter_has_no_label() -> None:
    """A misspelt name is refused with names that are near."""
    with pytest.raises(ParameterError, match=r"filter\.cutof_hz.*Did you mean filter\.cutoff_hz"):
        parameter_label("filter.cutof_hz")


def test_a_neutral_voice_is_a_sawtooth_with_an_envelope() -> None:
    """Of the neutral patch nothing remains but what makes it sound."""
    assert used_parameters(CATALOGUE.neutral()) == {
        "osc1.saw_level",
        "amp_env.attack_s",
        "amp_env.sustain_ratio",
        "amp_env.release_s",
    }


@pytest.mark.parametrize(
    ("changes", "unused"),
    [
        ({"osc2.detune_cents": 9.0, "osc2.octave": 1.0}, "osc2.detune_cents"),
        ({"osc2.vibrato.depth_cents": 20.0}, "osc2.vibrato.rate_hz"),
        ({"osc1.vibrato.rate_hz": 7.0, "osc1.vibrato.delay_s": 1.0}, "osc1.vibrato.delay_s"),
        ({"osc1.pulse_width_ratio": 0.2}, "osc1.pulse_width_ratio"),
        ({"osc1.pwm.depth_ratio": 0.3}, "osc1.pwm.depth_ratio"),
        ({"filter_env.attack_s": 1.0, "filter.cutoff_hz": 500.0}, "filter_env.attack_s"),
        ({"amp_env.decay_s": 2.0}, "amp_env.decay_s"),
        ({"noise.decay_s": 2.0}, "noise.decay_s"),
        ({"body.frequency_hz": 500.0}, "body.frequency_hz"),
        ({"body.bandwidth_octaves": 3.0}, "body.bandwidth_octaves"),
        ({"noise.bypass_ratio": 0.5, "filter.cutoff_hz": 500.0}, "noise.bypass_ratio"),
        ({"noise.level": 0.5, "noise.bypass_ratio": 0.5}, "noise.bypass_ratio"),
        ({"noise.level": 0.002, "noise.bypass_ratio": 0.5}, "noise.level"),
        ({"osc2.saw_level": 0.001, "osc2.octave": 1.0}, "osc2.octave"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_does_nothing_is_left_out(changes: dict[str, float], unused: str) -> None:
    """Values of silent or idle parts don't count, whatever they are."""
    assert unused not in used_parameters({**CATALOGUE.neutral(), **changes})


def test_levels_count_against_the_loudest() -> None:
    """Absolute level is never searched: a quiet patch uses the same as a loud one."""
    loud = {**CATALOGUE.neutral(), "osc1.saw_level": 1.0, "osc2.pulse_level": 0.5}
    quiet = {**loud, "osc1.saw_level": 0.008, "osc2.pulse_level": 0.004}
    assert used_parameters(loud) == used_parameters(quiet)


@pytest.mark.parametrize(
    "shaping",
    [
        {"filter.cutoff_hz": 900.0},
        {"filter.drive_db": 6.0},
        {"highpass.cutoff_hz": 300.0},
        {"body.gain_db": 6.0},
        {"bank.gain_400_hz_db": -3.0},
    ],
    ids=lambda values: next(iter(values)),
)
def test_noise_goes_past_what_shapes_the_tone(shaping: dict[str, float]) -> None:
    """The share counts as soon as there is something that it passes by."""
    noise = {"noise.level": 0.1, "noise.bypass_ratio": 0.5}
    used = used_parameters({**CATALOGUE.neutral(), **noise, **shaping})
    assert {"noise.level", "noise.decay_s", "noise.bypass_ratio"} <= used


def test_noise_that_is_there_at_once_has_no_attack() -> None:
    """The attack is shown where it does something."""
    noise = {**CATALOGUE.neutral(), "noise.level": 0.1}
    assert "noise.attack_s" not in used_parameters(noise)
    assert "noise.attack_s" in used_parameters({**noise, "noise.attack_s": 0.05})
    assert "noise.attack_s" not in used_parameters({**CATALOGUE.neutral(), "noise.attack_s": 0.1})


def test_soft_noise_counts_where_nothing_masks_it() -> None:
    """What a low-passed tone would hide is heard above it."""
    soft = {**CATALOGUE.neutral(), "noise.level": 0.002, "filter.cutoff_hz": 900.0}
    assert "noise.level" not in used_parameters(soft)
    assert "noise.level" in used_parameters({**soft, "noise.bypass_ratio": 1.0})


def test_a_share_too_small_to_be_printed_counts_where_the_noise_is_loud() -> None:
    """0.4 % of loud noise is -48 dB above the tone; of soft noise nobody hears it."""
    loud = {"noise.level": 1.0, "noise.bypass_ratio": 0.004, "filter.cutoff_hz": 900.0}
    used = used_parameters({**CATALOGUE.neutral(), **loud})
    assert "noise.bypass_ratio" in used
    used = used_parameters({**CATALOGUE.neutral(), **loud, "noise.level": 0.05})
    assert "noise.bypass_ratio" not in used


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_a_body_that_colours_is_shown_whole(gain_db: float) -> None:
    """Gain, frequency and width belong together, whether the body raises or lowers."""
    used = used_parameters({**CATALOGUE.neutral(), "body.gain_db": gain_db})
    assert {"body.frequency_hz", "body.gain_db", "body.bandwidth_octaves"} <= used


def test_bands_of_the_bank_are_shown_one_by_one() -> None:
    """Each band is a control of its own; those at 0 dB do nothing."""
    neutral = CATALOGUE.neutral()
    used = used_parameters({**neutral, "bank.gain_1000_hz_db": -2.0})
    assert used - used_parameters(neutral) == {"bank.gain_1000_hz_db"}


def test_velocity_alone_brings_the_filter_envelope_in() -> None:
    """Depth 0 at velocity 100 is another depth at velocity 40, so it is shown."""
    values = {**CATALOGUE.neutral(), "filter_env.velocity_octaves": 2.0}
    assert {"filter_env.depth_octaves", "filter_env.attack_s"} <= used_parameters(values)


def test_an_lfo_on_the_cutoff_brings_the_low_pass_in() -> None:
    """Even an open filter is closed by it, twice in each cycle of a deep one."""
    used = used_parameters({**CATALOGUE.neutral(), "filter_lfo.depth_octaves": 1.0})
    assert {"filter_lfo.rate_hz", "filter_lfo.depth_octaves", "filter.cutoff_hz"} <= used
    still = {**CATALOGUE.neutral(), "filter_lfo.rate_hz": 2.0, "filter_lfo.delay_s": 1.0}
    assert not any(name.startswith("filter_lfo") for name in used_parameters(still))


# Two places in every range, away from its ends and from neutral, where every part is at work.
PLACE, OTHER_PLACE = 0.6, 0.35


@cache
def _changed_one_by_one(*, is_at_rest: bool) -> tuple[Float32Array, list[dict[str, float]]]:
    """Render a patch, then the same with each parameter moved, off C4 and velocity 100."""
    n = len(CATALOGUE)
    places = CATALOGUE.encode(CATALOGUE.neutral()) if is_at_rest else np.full(n, PLACE)
    rows = np.tile(places, (n + 1, 1))
    rows[np.arange(1, n + 1), np.arange(n)] = OTHER_PLACE
    values = CATALOGUE.decode(rows)
    sounds = render_batch(
        values, Note(52.3, velocity=60, gate_s=1.0), n_samples=66_000, sample_rate_hz=44_100
    )
    return sounds, [CATALOGUE.to_dict(row) for row in values]


@pytest.mark.parametrize("name", CATALOGUE.names)
def test_every_parameter_changes_the_sound_where_its_part_is_at_work(name: str) -> None:
    """Everything is at work, and one thing is moved."""
    sounds, _ = _changed_one_by_one(is_at_rest=False)
    assert not np.array_equal(sounds[1 + CATALOGUE.index(name)], sounds[0])


@pytest.mark.parametrize("name", CATALOGUE.names)
def test_a_parameter_of_a_part_at_rest_changes_nothing(name: str) -> None:
    """To the bit, if it is moved alone in the plain sawtooth and a sheet leaves it out."""
    sounds, values = _changed_one_by_one(is_at_rest=True)
    row = 1 + CATALOGUE.index(name)
    if name not in used_parameters(values[row]):
        np.testing.assert_array_equal(sounds[row], sounds[0])


@pytest.mark.parametrize("seed", range(24))
def test_what_is_left_out_makes_no_sound(seed: int) -> None:
    """Setting everything unused back to neutral leaves the sound as it was."""
    rng = np.random.default_rng(seed)
    values = CATALOGUE.neutral()
    drawn = CATALOGUE.to_dict(CATALOGUE.decode(rng.uniform(size=(1, len(CATALOGUE))))[0])
    # About a third of the parts each draws: many are silent or idle while others work.
    values |= {name: x for name, x in drawn.items() if rng.uniform() < 1 / 3}
    used = used_parameters(values)
    plain = {name: x if name in used else CATALOGUE[name].neutral for name, x in values.items()}
    # Waveforms have no neutral value of their own: osc1's sawtooth rests at 1.
    plain |= {n: 0.0 for n in plain if n.endswith("_level") and n not in used}
    options = {"midi_pitch": 55.3, "velocity": 60, "gate_s": 0.3, "duration_s": 0.5}
    before, after = render(values, **options), render(plain, **options)
    # A waveform of half a percent counts as silent, so that much may be missing. By energy: the
    # jumps of a driven sawtooth are so steep that a vibrato of 0.001 cents shows in a few samples.
    residue, whole = np.mean((after - before) ** 2), np.mean(before**2)
    assert residue <= 5e-3**2 * max(float(whole), 1e-18)
