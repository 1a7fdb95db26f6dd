"""Notes and batches: the same candidate always sounds the same, whatever stands beside it."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared import CATALOGUE, PHASE_NAMES, Note, NotePhases, ParameterError, Patch
from tests.strategies import note_phases, values_for
from tests.voice_sounds import play, row_of
from voice import (
    DEFAULT_PHASES,
    NoteRenderer,
    list_structures,
    load_structure,
    render,
    render_batch,
)
from voice.parts import body_resonance

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

N_SAMPLES = 700
# The key is let go within the sound, so that releases sound too.
NOTE = Note(47.6, velocity=61, gate_s=0.011)
LOUD = {"osc1.saw_level": 1.0, "amp_env.attack_s": 0.0005}


def random_candidates(rng: np.random.Generator, n_candidates: int) -> FloatArray:
    """Draw candidates of drawn structures, with about a third of all parts at neutral."""
    structures = [load_structure(name) for name in list_structures()]
    rows = []
    for _ in range(n_candidates):
        structure = structures[rng.integers(len(structures))]
        units = rng.uniform(0.0, 1.0, len(structure.space))
        row = structure.matrix(structure.space.decode(units))[0]
        rows.append(np.where(rng.uniform(size=len(row)) < 0.3, row_of({}), row))
    return np.array(rows)


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1), n_candidates=st.integers(1, 35), share=st.floats(0.0, 1.0))
def test_a_batch_equals_its_single_renders(seed: int, n_candidates: int, share: float) -> None:
    """To the bit, at any place of the batch, beside neighbours with other parts switched on."""
    rng = np.random.default_rng(seed)
    candidates = random_candidates(rng, n_candidates)
    phases = rng.uniform(0.0, 1.0, (n_candidates, len(PHASE_NAMES)))
    place = min(int(share * n_candidates), n_candidates - 1)
    batch = render_batch(candidates, NOTE, n_samples=N_SAMPLES, phases=phases)
    alone = render_batch(candidates[place], NOTE, n_samples=N_SAMPLES, phases=phases[place])
    np.testing.assert_array_equal(batch[place], alone[0])


@pytest.mark.parametrize("n_samples", [1, 15, 16, 17, 31, 160], ids="{} samples".format)
def test_a_shorter_sound_is_the_start_of_a_longer_one(n_samples: int) -> None:
    """The blocks of the controls leave no trace at the end of a sound."""
    candidates = random_candidates(np.random.default_rng(3), 16)
    longer = render_batch(candidates, NOTE, n_samples=N_SAMPLES)
    shorter = render_batch(candidates, NOTE, n_samples=n_samples)
    np.testing.assert_array_equal(shorter, longer[:, :n_samples])


def test_threads_change_nothing() -> None:
    """Two renderers in two threads give what one gives in a row, to the bit."""
    rng = np.random.default_rng(5)
    groups = [random_candidates(rng, 16) for _ in range(8)]
    phases = rng.uniform(0.0, 1.0, (16, len(PHASE_NAMES)))

    def work(chosen: list[FloatArray]) -> list[FloatArray]:
        renderer = NoteRenderer(NOTE, n_samples=4000, sample_rate_hz=44_100)
        return [renderer.render(group, phases).copy() for group in chosen]

    with ThreadPoolExecutor(2) as pool:
        even, odd = pool.map(work, (groups[::2], groups[1::2]))
    for i, expected in enumerate(work(groups)):
        np.testing.assert_array_equal((even, odd)[i % 2][i // 2], expected)


def test_a_renderer_keeps_nothing_between_calls() -> None:
    """The second note is not coloured by the first, nor by its tail in the filters."""
    rng = np.random.default_rng(6)
    first, second = random_candidates(rng, 16), random_candidates(rng, 16)
    phases = rng.uniform(0.0, 1.0, (16, len(PHASE_NAMES)))
    renderer = NoteRenderer(NOTE, n_samples=N_SAMPLES, sample_rate_hz=44_100)
    renderer.render(first, phases)
    used = renderer.render(second, phases).copy()
    fresh = NoteRenderer(NOTE, n_samples=N_SAMPLES, sample_rate_hz=44_100)
    np.testing.assert_array_equal(used, fresh.render(second, phases))


def test_lanes_beyond_the_candidates_repeat_the_last_one() -> None:
    """A group smaller than 16 leaves no uninitialised columns."""
    candidates = random_candidates(np.random.default_rng(7), 3)
    renderer = NoteRenderer(NOTE, n_samples=N_SAMPLES, sample_rate_hz=44_100)
    group = renderer.render(candidates, np.zeros((3, len(PHASE_NAMES))))
    np.testing.assert_array_equal(group[:, 3:], np.repeat(group[:, 2:3], 13, axis=1))


@given(values=values_for(CATALOGUE), phases=note_phases())
def test_the_same_seed_gives_the_same_sound(values: dict[str, float], phases: NotePhases) -> None:
    """Same patch, note, phases and seed: same samples, in every run."""
    arguments: dict[str, Any] = {"gate_s": 0.01, "duration_s": 0.02, "phases": phases, "seed": 8}
    np.testing.assert_array_equal(render(values, **arguments), render(values, **arguments))


def test_another_seed_gives_another_noise() -> None:
    """The seed reaches the noise, and nothing but the noise."""
    noisy = {**LOUD, "noise.level": 0.5}
    assert not np.array_equal(render(noisy, seed=1), render(noisy, seed=2))
    np.testing.assert_array_equal(render(LOUD, seed=1), render(LOUD, seed=2))


# The parts: what stays fixed with the part at neutral, and what then has nothing to say.
ONE_PULSE = {"osc1.pulse_level": 0.7}
PARTS: dict[str, tuple[dict[str, float], list[str]]] = {
    "oscillator 2": (
        {"osc2.saw_level": 0.0, "osc2.pulse_level": 0.0, "osc2.triangle_level": 0.0},
        ["osc2.octave", "osc2.detune_cents", "osc2.pulse_width_ratio", "osc2.pitch_env*",
         "osc2.vibrato*", "osc2.pwm*"],
    ),
    "pulse": ({"osc1.pulse_level": 0.0}, ["osc1.pulse_width_ratio", "osc1.pwm*"]),
    "pitch envelope": (
        {"osc1.pitch_env.depth_cents": 0.0},
        ["osc1.pitch_env.attack_s", "osc1.pitch_env.decay_s"],
    ),
    "vibrato": (
        {"osc1.vibrato.depth_cents": 0.0},
        ["osc1.vibrato.rate*", "osc1.vibrato.delay_s", "osc1.vibrato.depth_key*"],
    ),
    "pulse-width modulation": (
        {**ONE_PULSE, "osc1.pwm.depth_ratio": 0.0},
        ["osc1.pwm.rate*"],
    ),
    "noise": (
        {"noise.level": 0.0},
        ["noise.attack_s", "noise.decay_s", "noise.sustain_ratio", "noise.colour_ratio",
         "noise.bypass_ratio"],
    ),
    "noise that stays": ({"noise.level": 0.5, "noise.sustain_ratio": 1.0}, ["noise.decay_s"]),
    "low-pass": (
        {"filter.cutoff_hz": 20_000.0},
        ["filter.resonance_ratio", "filter.slope_db_per_octave"],
    ),
    "body resonance": (
        {"body.gain_db": 0.0},
        ["body.frequency_hz", "body.bandwidth_octaves"],
    ),
    "second body resonance": (
        {"body2.gain_db": 0.0},
        ["body2.frequency_hz", "body2.bandwidth_octaves"],
    ),
    "filter envelope": (
        {"filter.cutoff_hz": 700.0, "filter_env.depth_octaves": 0.0},
        ["filter_env.*_s", "filter_env.attack_curve_ratio", "filter_env.sustain_ratio"],
    ),
    "LFO on the cutoff": (
        {"filter.cutoff_hz": 700.0, "filter_lfo.depth_octaves": 0.0},
        ["filter_lfo.rate_hz", "filter_lfo.delay_s"],
    ),
    "decay": ({"amp_env.sustain_ratio": 1.0}, ["amp_env.decay_s"]),
}  # fmt: skip


@pytest.mark.parametrize("part", PARTS)
def test_a_part_at_neutral_changes_nothing(part: str) -> None:
    """With its depth at neutral, all else that belongs to the part is without effect."""
    held, globs = PARTS[part]
    rng = np.random.default_rng(9)
    others = CATALOGUE.only(*globs)
    drawn = others.decode(rng.uniform(0.0, 1.0, (15, len(others))))
    candidates = [row_of({**LOUD, **held})]
    candidates += [row_of({**LOUD, **held, **others.to_dict(row)}) for row in drawn]
    sounds = render_batch(candidates, Note(60.0, gate_s=0.01), n_samples=N_SAMPLES)
    np.testing.assert_array_equal(sounds, np.repeat(sounds[:1], 16, axis=0))


NOISE_ALONE = {"osc1.saw_level": 0.0, "noise.level": 1.0, "noise.decay_s": 0.3}
SHAPING = {
    "highpass.cutoff_hz": 900.0,
    "filter.drive_db": 20.0,
    "filter.cutoff_hz": 60.0,
    "body.gain_db": 20.0,
    "bank.gain_4000_hz_db": 12.0,
}


def test_noise_past_the_filters_is_as_if_they_were_off() -> None:
    """To the bit, whatever the filters, drive and body do; bank and envelope shape it."""
    envelope = {"amp_env.attack_s": 0.01, "amp_env.sustain_ratio": 0.4}
    bank = {name: value for name, value in SHAPING.items() if name.startswith("bank.")}
    bare = play({**NOISE_ALONE, **envelope, **bank}, note=NOTE, n_samples=N_SAMPLES)
    past = play(
        {**NOISE_ALONE, **envelope, **SHAPING, "noise.bypass_ratio": 1.0},
        note=NOTE,
        n_samples=N_SAMPLES,
    )
    assert np.abs(bare).max() > 0.5
    np.testing.assert_array_equal(past, bare)


def test_a_body_does_not_follow_the_key() -> None:
    """It colours the same noise in the same way on every key."""
    values = {**NOISE_ALONE, "body.frequency_hz": 500.0, "body.gain_db": 18.0}
    low, high = (play(values, note=Note(key), n_samples=N_SAMPLES) for key in (36.0, 84.0))
    np.testing.assert_array_equal(high, low)
    assert not np.array_equal(low, play(NOISE_ALONE, note=Note(36.0), n_samples=N_SAMPLES))


def test_no_noise_is_lost_between_its_two_ways() -> None:
    """What does not go past the filters goes through them."""
    still = {"filter.cutoff_hz": 700.0}  # without drive the two ways add up
    sounds = [
        play({**NOISE_ALONE, **still, "noise.bypass_ratio": share}, note=NOTE, n_samples=N_SAMPLES)
        for share in (0.0, 0.3, 1.0)
    ]
    # 1e-6: float32.
    np.testing.assert_allclose(sounds[1], 0.7 * sounds[0] + 0.3 * sounds[2], atol=1e-6)


@pytest.mark.parametrize(
    ("note", "globs"),
    [
        (Note(60.0, gate_s=0.01), ["*key_track_ratio"]),
        (Note(53.0, velocity=100, gate_s=0.01), ["*.velocity_*"]),
    ],
    ids=["key tracking at C4", "velocity 100"],
)
def test_the_reference_note_knows_no_tracking(note: Note, globs: list[str]) -> None:
    """C4 and velocity 100 are where key tracking and velocity start from."""
    every = CATALOGUE.decode(np.full(len(CATALOGUE), 0.6))
    tracking = CATALOGUE.only(*globs)
    plain = {**CATALOGUE.to_dict(every), **tracking.neutral()}
    tracked = {**plain, **tracking.to_dict(tracking.decode(np.ones(len(tracking))))}
    np.testing.assert_array_equal(
        play(plain, note=note, n_samples=N_SAMPLES), play(tracked, note=note, n_samples=N_SAMPLES)
    )


def test_a_note_lasts_until_its_release_has_died_away() -> None:
    """By default 7 time constants (-61 dB) and the fade of 10 ms follow the gate."""
    sound = render({"amp_env.release_s": 0.1}, gate_s=0.5)
    assert len(sound) == round((0.5 + 0.7 + 0.01) * 44_100)


@pytest.mark.parametrize("sample_rate_hz", [8_000, 22_050, 44_100, 192_000])
def test_a_note_lasts_as_long_as_it_is_told(sample_rate_hz: int) -> None:
    """The duration holds at every rate, the release notwithstanding."""
    sound = render({}, gate_s=0.2, duration_s=0.1, sample_rate_hz=sample_rate_hz)
    assert len(sound) == round(0.1 * sample_rate_hz)


def test_the_end_is_faded_and_the_rest_is_left_alone() -> None:
    """A note that is cut off ends in a straight line of 10 ms down to zero."""
    row = row_of(LOUD)
    n_samples = round(0.1 * 44_100)
    bare = render_batch(
        row, Note(60.0, gate_s=1.0), n_samples=n_samples, phases=list(DEFAULT_PHASES.values())
    )[0].astype(np.float64)
    n_fade = 441
    expected = np.ones(n_samples)
    expected[-n_fade:] = np.linspace(1.0, 0.0, n_fade)
    sound = render(LOUD, gate_s=1.0, duration_s=0.1)
    np.testing.assert_array_equal(sound, bare * expected)
    assert sound[-1] == 0.0


def test_a_patch_sounds_like_its_values() -> None:
    """What a mapping leaves out stands at neutral, as in a patch."""
    patch = Patch("two-oscillator", LOUD)
    np.testing.assert_array_equal(render(patch, gate_s=0.1), render(LOUD, gate_s=0.1))


def test_a_patch_brings_its_phases() -> None:
    """The phases of the patch's first note are heard, unless others are given."""
    values = {"osc2.saw_level": 1.0}
    phases = NotePhases({"osc2.phase": 0.4})
    patch = Patch("two-oscillator", values, phases=(phases,))
    np.testing.assert_array_equal(
        render(patch, gate_s=0.1), render(values, gate_s=0.1, phases=phases)
    )
    assert not np.array_equal(render(patch, gate_s=0.1), render(values, gate_s=0.1))
    np.testing.assert_array_equal(
        render(patch, gate_s=0.1, phases=DEFAULT_PHASES), render(values, gate_s=0.1)
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"midi_pitch": 128.0}, "midi_pitch is 128; it must be 0 to 127"),
        ({"velocity": 0}, "velocity is 0; it must be a whole number from 1 to 127"),
        ({"gate_s": 0.0}, "gate_s is 0 s; it must be above 0 s and up to 60 s"),
        ({"gate_s": math.nan}, "gate_s is nan s"),
        ({"duration_s": 0.0}, "duration_s is 0 s; it must be 0.001 to 120 s"),
        ({"duration_s": -1.0}, "duration_s is -1 s"),
        ({"duration_s": math.nan}, "duration_s is nan s"),
        ({"duration_s": 121.0}, "duration_s is 121 s"),
        ({"duration_s": "long"}, "duration_s is 'long', which is not a number"),
        ({"sample_rate_hz": 4_000}, "sample_rate_hz is 4000 Hz; it must be 8000 to 192000 Hz"),
        ({"sample_rate_hz": 44_100.5}, "sample_rate_hz is 44100.5 Hz; it must be a whole number"),
        ({"seed": -1}, "seed is -1; it must be a whole number from 0 on"),
        ({"seed": 1.5}, "seed is 1.5; it must be a whole number from 0 on"),
        ({"phases": {"osc3.phase": 0.1}}, "osc3.phase is no phase"),
    ],
)
def test_a_note_that_cannot_be_played_is_refused(change: Mapping[str, Any], message: str) -> None:
    """The message names the argument, its value and what is accepted."""
    with pytest.raises(ParameterError, match=message):
        render({}, **change)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"filter.cutof_hz": 100.0}, r"filter.cutof_hz is no parameter.*filter.cutoff_hz"),
        ({"filter.cutoff_hz": 5.0}, "filter.cutoff_hz is 5 Hz; it must be 20 to 20000 Hz"),
        ({"osc1.octave": 0.5}, "osc1.octave"),
    ],
)
def test_values_that_no_patch_has_are_refused(values: dict[str, float], message: str) -> None:
    """A note is not played with another patch than the one that was given."""
    with pytest.raises(ParameterError, match=message):
        render(values)


@pytest.mark.parametrize(
    ("values", "change", "message"),
    [
        (np.zeros((2, len(CATALOGUE) - 1)), {}, "shape"),
        (row_of({}) + 1e5, {}, "tune_cents is 100000"),
        (row_of({}) * np.nan, {}, "tune_cents is nan"),
        (row_of({}), {"phases": np.zeros(4)}, r"phases have shape \(4,\)"),
        (
            row_of({}),
            {"phases": np.zeros((2, 5))},
            rf"phases have shape \(2, 5\); it must be \(1, {len(PHASE_NAMES)}\)",
        ),
        (
            row_of({}),
            {"phases": np.full(6, 1.5)},
            "phases is 1.5 cycles; it must be 0 to 1 cycles",
        ),
        (row_of({}), {"phases": np.full(6, np.nan)}, "phases is nan"),
        (row_of({}), {"n_samples": 0}, "n_samples is 0"),
        (row_of({}), {"n_samples": 2.5}, "n_samples is 2.5; it must be a whole number"),
        (row_of({}), {"n_samples": 44_100 * 121}, "n_samples is 5.3361e"),
    ],
)
def test_a_batch_that_cannot_be_played_is_refused(
    values: FloatArray, change: dict[str, Any], message: str
) -> None:
    """The first wrong value is named, or the shape that was expected."""
    with pytest.raises(ParameterError, match=message):
        render_batch(values, NOTE, **{"n_samples": 100, **change})


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1))
def test_every_corner_of_the_space_is_finite(seed: int) -> None:
    """Parameters at the ends of their ranges give a sound without infinities, however odd."""
    rng = np.random.default_rng(seed)
    corners = CATALOGUE.decode(rng.integers(0, 2, (16, len(CATALOGUE))).astype(np.float64))
    note = Note(
        float(rng.choice([0.0, 21.0, 60.0, 108.0, 127.0])),
        velocity=int(rng.choice([1, 100, 127])),
        gate_s=0.03,
    )
    rate_hz = int(rng.choice([8_000, 22_050, 44_100, 96_000]))
    sounds = render_batch(corners, note, n_samples=2500, sample_rate_hz=rate_hz)
    assert np.isfinite(sounds).all()
    # 9 waves at full level (8 dB of them in a velocity above 100: 40 dB * 27 / 99 = 11 dB) times
    # the largest gain of a filter at the edge of self-oscillation, 1 / (2 * 0.001) at 12 dB, times
    # the 24 dB of each body resonance and 30 dB of the bank (twelve bands raised alike by 15 dB).
    assert np.abs(sounds).max() < 9.0 * 3.5 * 500.0 * 15.9 * 15.9 * 31.6


def test_the_second_body_is_as_the_first() -> None:
    """Either alone does the same to the bit; together, one follows the other."""
    bell = {"frequency_hz": 700.0, "gain_db": 12.0, "bandwidth_octaves": 0.7}
    first, second = (
        {f"{body}.{name}": value for name, value in bell.items()} for body in ("body", "body2")
    )
    once, again, twice = (
        play({**NOISE_ALONE, **bodies}, note=Note(60.0, gate_s=1.0), n_samples=4 * N_SAMPLES)
        for bodies in (first, second, first | second)
    )
    np.testing.assert_array_equal(again, once)
    shape = {"gain_db": 12.0, "bandwidth_octaves": 0.7, "sample_rate_hz": 44_100}
    doubled = body_resonance(once, 700.0, **shape)
    # The amplifier comes after both; its attack, 22 samples long, has died away in them by then.
    # 1e-3 of a peak of 2: a body of 700 Hz rings for some milliseconds.
    np.testing.assert_allclose(twice[600:], doubled[600:], atol=1e-3)
