"""The compiled model against the sound of the voice, and its slopes against differences."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.partial_fit import model
from matcher.partial_fit.entries import NAMES
from matcher.partial_fit.tracks import PartialTracks, partial_tracks
from matcher.target import target_from_signal
from shared import PHASE_NAMES, FloatArray
from voice import render

RATE_HZ = 22_050
SETTINGS = {
    "tune_cents": 2.0,
    "osc2.detune_cents": -6.0,
    "osc2.phase": 0.3,
    "osc1.saw_level": 0.6,
    "osc1.pulse_level": 0.8,
    "osc2.saw_level": 0.4,
    "osc2.pulse_level": 1.0,
    "osc1.pulse_width_ratio": 0.35,
    "osc1.pwm.rate_hz": 1.7,
    "osc1.pwm.depth_ratio": 0.2,
    "osc1.pwm.phase": 0.15,
    "osc1.vibrato.rate_hz": 5.5,
    "osc1.vibrato.depth_cents": 9.0,
    "osc1.vibrato.phase": 0.6,
    "osc1.vibrato.delay_s": 0.3,
    "osc1.vibrato.rate_env_octaves": 0.5,
    "osc2.pulse_width_ratio": 0.25,
    "osc2.pwm.rate_hz": 0.8,
    "osc2.pwm.depth_ratio": 0.1,
    "osc2.pwm.phase": 0.7,
    "osc2.vibrato.rate_hz": 4.4,
    "osc2.vibrato.depth_cents": 12.0,
    "osc2.vibrato.phase": 0.1,
    "osc2.vibrato.delay_s": 0.0,
    "osc2.vibrato.rate_env_octaves": -0.4,
    "osc1.pitch_env.depth_cents": -20.0,
    "osc1.pitch_env.decay_s": 0.05,
    "osc2.pitch_env.depth_cents": 60.0,
    "osc2.pitch_env.decay_s": 0.2,
}


def as_vector(settings: dict[str, float]) -> FloatArray:
    """Put settings into the entries of the model."""
    return np.array(
        [
            np.log2(settings[n]) if n.endswith(("rate_hz", "decay_s")) else settings[n]
            for n in NAMES
        ]
    )


def tracks_of_voice(settings: dict[str, float]) -> PartialTracks:
    """Play settings for 0.7 s, from full level on, and follow the partials."""
    values = {name: value for name, value in settings.items() if name not in PHASE_NAMES}
    phases = {name: value for name, value in settings.items() if name in PHASE_NAMES}
    signal = render(
        values | {"amp_env.attack_s": 0.0005},
        midi_pitch=60.0,
        gate_s=0.7,
        sample_rate_hz=RATE_HZ,
        duration_s=0.8,
        phases=phases,
    )
    target = target_from_signal(signal, RATE_HZ, midi_pitch=60.0, velocity=100, gate_s=0.7)
    return partial_tracks(target)


def left_of(
    vector: FloatArray, tracks: PartialTracks, n_courses: int, *, has_slopes: bool = False
) -> FloatArray:
    """Return residuals, and slopes if they are wanted."""
    target = tracks.normalised(8)
    timing = np.array(
        [tracks.pitch_hz, tracks.step_s, float(tracks.first), 0.25 * tracks.window_s]
    )
    n_rows = model.N_PATH if has_slopes else model.N_PLAIN
    paths = np.empty((1, 2, n_rows, len(target)))
    model.set_paths(vector[None, :], timing, paths)
    rows = np.empty((2 * len(target), 8, 1 + model.N if has_slopes else 1))
    model.set_rows(vector, paths[0], target, n_courses, rows)
    return rows


def test_the_model_has_the_partials_of_the_voice() -> None:
    """Every part moving at once: the known settings leave hardly anything of the sound."""
    tracks = tracks_of_voice(SETTINGS)
    # The attack of a pitch envelope, half a millisecond here, isn't in the model; after it the
    # oscillator stands a little elsewhere, which a fit finds.
    left = [
        np.sum(left_of(as_vector({**SETTINGS, "osc2.phase": 0.3 + turn}), tracks, 1) ** 2, axis=0)
        for turn in np.linspace(-0.01, 0.01, 9)
    ]
    # 1 % of the power (0.03 % of partial 1 to 0.5 % of partial 8 seen).
    assert np.all(min(left, key=np.sum) < 0.01)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("osc2.detune_cents", 2.0),
        ("osc2.phase", 0.1),
        ("osc1.pwm.phase", 0.15),
        ("osc2.pwm.depth_ratio", 0.08),
        ("osc1.vibrato.depth_cents", 6.0),
        ("osc2.vibrato.phase", 0.3),
        ("osc1.vibrato.delay_s", 0.4),
        ("osc2.vibrato.rate_env_octaves", 1.0),
        ("osc2.pitch_env.depth_cents", 20.0),
        ("osc2.pitch_env.decay_s", 0.08),
    ],
)
def test_a_wrong_setting_leaves_more(name: str, change: float) -> None:
    """What the ear might hear, the residual sees."""
    tracks = tracks_of_voice(SETTINGS)
    right = np.sum(left_of(as_vector(SETTINGS), tracks, 1) ** 2)
    wrong = np.sum(left_of(as_vector({**SETTINGS, name: SETTINGS[name] + change}), tracks, 1) ** 2)
    assert wrong > 3.0 * right


@pytest.mark.parametrize("n_courses", [1, 3])
def test_a_gain_that_moves_slowly_changes_nothing(n_courses: int) -> None:
    """Any complex polynomial of the degree that is free, its own for each partial."""
    tracks = tracks_of_voice(SETTINGS)
    rng = np.random.default_rng(3)
    time = np.linspace(-1.0, 1.0, len(tracks.partials))[:, None]
    gains = 1.0 + sum(
        0.2 * (rng.standard_normal(8) + 1j * rng.standard_normal(8)) * time**degree
        for degree in range(n_courses)
    )
    vector = as_vector(SETTINGS)
    changed = PartialTracks(
        tracks.pitch_hz,
        tracks.step_s,
        tracks.first,
        tracks.partials[:, :8] * gains,
        tracks.window_s,
    )
    # What is left of a sound without such gains, and as much again: the gains weigh it anew.
    assert np.all(np.sum(left_of(vector, changed, n_courses)[:, :, 0] ** 2, axis=0) < 0.04)


def test_slopes_are_those_of_the_residuals() -> None:
    """Central differences along every entry, of a note that the model gives exactly."""
    vector, played = as_vector(SETTINGS), tracks_of_voice(SETTINGS)
    vector[model.MOVES + model.N_MOVES + model.DELAY] = 0.25  # at 0 it can't go lower
    timing = np.array([played.pitch_hz, played.step_s, float(played.first), 0.0])
    paths = np.empty((1, 2, model.N_PLAIN, len(played.partials)))
    model.set_paths(vector[None, :], timing, paths)
    exact = np.empty((len(played.partials), 8), np.complex128)
    model.set_partials(vector, paths[0], exact, np.empty((0, *exact.shape), np.complex128))
    tracks = PartialTracks(played.pitch_hz, played.step_s, played.first, exact)
    slopes = left_of(vector, tracks, 2, has_slopes=True)[:, :, 1:]
    for i in range(model.N):
        step = np.zeros(model.N)
        step[i] = 1e-5
        ahead, behind = (left_of(vector + s, tracks, 2)[:, :, 0] for s in (step, -step))
        wanted = (ahead - behind) / 2e-5
        # 2 %: the phase's slopes take the pitch for its logarithm's, and a difference over an
        # instant at which a fade sets in is no slope.
        assert np.linalg.norm(slopes[:, :, i] - wanted) < 0.02 * np.linalg.norm(wanted), NAMES[i]


def test_compiled_paths_are_those_of_plain_python() -> None:
    """The same numbers from the interpreter, for two vectors that share an oscillator."""
    vectors = np.stack([as_vector(SETTINGS)] * 2)
    vectors[1, model.MOVES + model.RATE] += 0.1
    timing = np.array([261.6, 0.009, 7.0, 0.004])
    paths = np.empty((2, 2, model.N_PATH, 20))
    model.set_paths(vectors, timing, paths)
    plain = np.empty_like(paths)
    for vector, path in zip(vectors, plain, strict=True):
        for o in range(2):
            moves = vector[model.MOVES + o * model.N_MOVES :][: model.N_MOVES]
            cents = vector[model.TUNE] + o * vector[model.DETUNE]
            model.set_phase.py_func(moves, cents, o * vector[model.PHASE], timing, path[o])
            model.set_width.py_func(moves, timing, path[o])
    # 1e-9: the last bits of sines and exponentials.
    np.testing.assert_allclose(paths, plain, rtol=1e-9, atol=1e-9)
