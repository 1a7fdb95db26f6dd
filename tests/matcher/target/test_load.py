"""Targets from files and from samples: what is kept, estimated, warned about and refused."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from matcher.target import Target, TargetNote, first_values, load_target, target_from_signal
from matcher.target.load import about_levels, about_velocities
from shared import Note
from shared.errors import AudioError, EarwrightWarning, ParameterError, TargetError
from tests.matcher.target.tones import RATE_HZ, padded, played_saw
from tests.own_notes import own_target
from tests.recordings import real_note
from tests.sequences import TARGETS

if TYPE_CHECKING:
    from pathlib import Path

    from shared.types import FloatArray


@cache
def plain_note() -> TargetNote:
    """Return a plain sawtooth as a note."""
    return target_from_signal(played_saw(60.0, gate_s=0.4), RATE_HZ, name="a")


def written(folder: Path, name: str, signal: FloatArray, rate_hz: int = RATE_HZ) -> Path:
    """Write a file."""
    path = folder / name
    soundfile.write(path, signal, rate_hz, subtype="PCM_24")
    return path


def test_a_named_file_gives_the_whole_note(tmp_path: Path) -> None:
    """Name, pitch, velocity, gate and onset of a file that says what it is."""
    path = written(tmp_path, "horn_C4_v64.flac", padded(played_saw(60.0), before_s=0.3))
    target = load_target(path)
    note = target.notes[0]
    assert note.name == "horn_C4_v64"
    assert note.note.midi_pitch == 60.0
    assert note.note.velocity == 64
    assert note.note.gate_s == pytest.approx(0.8, abs=0.02)
    assert note.source_onset_s == pytest.approx(0.3, abs=0.001)
    assert note.estimated == {"gate", "onset"}
    assert note.warnings == ()
    assert target.sample_rate_hz == RATE_HZ


def test_the_signal_starts_20_ms_before_the_onset() -> None:
    """Sound before the onset is kept, silence is put where there is none, the level stays."""
    rng = np.random.default_rng(5)
    tone = played_saw(60.0, attack_s=0.002)
    early = target_from_signal(padded(tone, after_s=2.0), RATE_HZ)
    recording = padded(tone, before_s=0.5) + 1e-4 * rng.normal(size=tone.size + RATE_HZ // 2)
    late = target_from_signal(recording, RATE_HZ)
    for note in (early, late):
        assert note.onset_s == pytest.approx(0.02)
    n_before = round(0.02 * RATE_HZ)
    np.testing.assert_array_equal(early.signal[: n_before - 50], 0.0)
    assert np.all(late.signal[:n_before] != 0.0)
    # It ends with the sound: the silence after the note is gone.
    assert early.signal.size < 1.4 * RATE_HZ
    first = round(late.source_onset_s * RATE_HZ) - n_before
    np.testing.assert_array_equal(late.signal, recording[first : first + late.signal.size])


@pytest.mark.parametrize(("rate_hz", "own_hz"), [(22_050, 44_100), (96_000, 22_050)])
def test_files_are_resampled_to_the_working_rate(
    tmp_path: Path, rate_hz: int, own_hz: int
) -> None:
    """Any file comes out at the rate of the target, with the same pitch and gate."""
    times = np.arange(rate_hz) / rate_hz
    tone = sum(np.sin(2 * np.pi * 220.0 * h * times) / h for h in range(1, 40))
    tone *= 0.2 * np.where(times < 0.7, 1.0, np.exp(-(times - 0.7) / 0.03))
    path = written(tmp_path, "tone.wav", np.asarray(tone), rate_hz)
    target = load_target(path, sample_rate_hz=own_hz)
    assert target.sample_rate_hz == own_hz
    assert target.notes[0].note.midi_pitch == pytest.approx(57.0, abs=0.01)
    assert target.notes[0].note.gate_s == pytest.approx(0.7, abs=0.02)


def test_what_is_given_overrides_name_and_sound(tmp_path: Path) -> None:
    """One setting serves all notes, or each its own; None among them takes name or sound."""
    paths = [
        written(tmp_path, f"n_{name}.wav", played_saw(key, gate_s=0.4))
        for name, key in (("C4_v64", 60.0), ("x", 62.0))
    ]
    target = load_target(*paths, midi_pitch=["C4+10", None], velocity=[90, 20], gate_s=0.5)
    first, second = (note.note for note in target.notes)
    assert (first.midi_pitch, first.velocity, first.gate_s) == (60.1, 90, 0.5)
    assert (second.velocity, second.gate_s) == (20, 0.5)
    assert second.midi_pitch == pytest.approx(62.0, abs=0.01)
    assert [note.estimated for note in target.notes] == [{"onset"}, {"onset", "pitch"}]


def test_a_name_that_the_sound_contradicts_is_warned_about(tmp_path: Path) -> None:
    """The warning is issued and kept."""
    path = written(tmp_path, "horn_D4.wav", played_saw(60.0))
    with pytest.warns(EarwrightWarning, match="the name says D4"):
        note = load_target(path).notes[0]
    assert note.note.midi_pitch == pytest.approx(60.0, abs=0.01)
    assert len(note.warnings) == 1


def test_warnings_of_reading_are_kept_and_issued_once(tmp_path: Path) -> None:
    """What `read_recording` assumed comes first among the note's warnings."""
    tone = played_saw(60.0)
    path = written(tmp_path, "C4.wav", np.stack([tone, -tone], axis=1))
    with pytest.warns(EarwrightWarning) as issued:
        note = load_target(path).notes[0]
    assert len(issued) == 1
    assert len(note.warnings) == 1
    assert "clearest" in note.warnings[0]


def test_a_noisy_recording_is_warned_about(rng: np.random.Generator) -> None:
    """Noise less than 40 dB under the peak is too much."""
    tone = padded(played_saw(60.0), before_s=0.4, after_s=0.4)
    with pytest.warns(EarwrightWarning, match="is noisy: the noise before or after"):
        target_from_signal(tone + 0.01 * rng.normal(size=tone.size), RATE_HZ)


def test_a_second_sound_is_warned_about() -> None:
    """One note for each recording: the others are named with their time, and left out."""
    two = np.concatenate([played_saw(60.0, gate_s=1.2), played_saw(64.0, gate_s=0.5)])
    with pytest.warns(EarwrightWarning, match=r"other sounds \(at 1\.70 s\).*the one at 0\.00 s"):
        note = target_from_signal(two, RATE_HZ)
    assert note.note.midi_pitch == pytest.approx(60.0, abs=0.01)
    assert note.signal.size < 1.75 * RATE_HZ


def test_only_the_first_seconds_are_used() -> None:
    """A long note is cut after its onset, with a warning."""
    long = padded(played_saw(57.0, gate_s=1.5), before_s=0.5)
    with pytest.warns(EarwrightWarning, match="only the first 1 s after its onset are used"):
        note = target_from_signal(long, RATE_HZ, gate_s=1.0, max_duration_s=1.0)
    assert note.signal.size == round(1.02 * RATE_HZ)


def test_an_offset_is_taken_off_samples_as_it_is_off_files() -> None:
    """A constant offset would hide the onset."""
    tone = padded(played_saw(60.0), before_s=0.2)
    with pytest.warns(EarwrightWarning, match="constant offset of 0.050"):
        note = target_from_signal(tone + 0.05, RATE_HZ)
    assert note.source_onset_s == pytest.approx(0.2, abs=0.001)


def test_the_level_is_that_of_the_loudest_50_ms() -> None:
    """A sine of amplitude 0.1 has an RMS of -23.01 dB, and the recording's level is kept."""
    times = np.arange(RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 440.0 * times) * (times < 0.7)
    note = target_from_signal(tone, RATE_HZ)
    assert note.level_db == pytest.approx(-23.01, abs=0.01)
    assert np.abs(note.signal).max() == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize(
    ("signal", "error", "message"),
    [
        (
            np.zeros(0),
            TargetError,
            "x is silent: its peak is 0 of full scale; it must be 0.0001 or more",
        ),
        (np.zeros(RATE_HZ), TargetError, "x is silent"),
        (np.ones(RATE_HZ), TargetError, "x is silent"),
        (played_saw(60.0, gate_s=0.02, tail_s=0.01), TargetError, "50 ms or more are needed"),
        (np.eye(1, RATE_HZ, 9000)[0], TargetError, "has 0 ms of sound above its noise"),
        (np.zeros((100, 2)), AudioError, r"shape \(100, 2\)"),
        (np.full(RATE_HZ, np.nan), AudioError, "finite"),
    ],
    ids=["empty", "zeros", "offset", "short", "click", "stereo", "nan"],
)
def test_signals_without_a_note_are_refused(
    signal: FloatArray, error: type[Exception], message: str
) -> None:
    """Each message says what is wrong and what is needed."""
    with pytest.raises(error, match=message):
        target_from_signal(signal, RATE_HZ, name="x")


def test_a_gate_beyond_the_sound_is_told_and_still_gives_a_start() -> None:
    """A key may be held for longer than its note sounds, and no figure is taken of nothing."""
    recording = padded(played_saw(57.0, gate_s=0.6), before_s=0.2, after_s=0.5)
    with pytest.warns(
        EarwrightWarning, match="held is given as 30.00 s, and the sound is over after"
    ):
        note = target_from_signal(recording, RATE_HZ, gate_s=30.0)
    assert note.note.gate_s == 30.0
    # A sawtooth is not hollow, so no square wave is taken.
    assert "osc1.pulse_level" not in first_values(note)


def test_noise_is_refused_unless_a_pitch_is_given(rng: np.random.Generator) -> None:
    """Without a pitch there is nothing to play; with one there is."""
    hiss = padded(0.1 * rng.normal(size=20_000), before_s=0.2, after_s=0.2)
    with pytest.raises(TargetError, match="no pitch is found in the sound"):
        target_from_signal(hiss, RATE_HZ)
    note = target_from_signal(hiss, RATE_HZ, midi_pitch="C4", gate_s=0.4)
    assert note.note.midi_pitch == 60.0
    assert note.analysis.pitch_hz is None
    assert note.analysis.pitch_track is None


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ({"midi_pitch": "H4"}, 'pitch "H4" is not understood'),
        ({"midi_pitch": 128.0}, "it must be 0 to 127"),
        ({"midi_pitch": float("nan")}, "midi_pitch is nan"),
        ({"velocity": 0}, "velocity is 0"),
        ({"gate_s": 0.0}, "gate_s is 0 s"),
        ({"max_duration_s": 0.01}, r"max_duration_s is 0\.01 s; it must be 0\.05 to 60 s"),
        ({"velocity": [1, 2]}, "velocity has 2 values for 1 recording;"),
        ({"sample_rate_hz": 4000}, "sample_rate_hz is 4000 Hz; it must be 8000 to 192000 Hz"),
    ],
)
def test_settings_out_of_range_are_refused_before_the_file_is_read(
    tmp_path: Path, setting: dict[str, Any], message: str
) -> None:
    """The message names the setting; the file needn't even exist."""
    with pytest.raises(ParameterError, match=message):
        load_target(tmp_path / "missing.wav", **setting)


def test_a_target_needs_a_file_that_is_there(tmp_path: Path) -> None:
    """The file is named."""
    with pytest.raises(AudioError, match=r"missing\.wav"):
        load_target(tmp_path / "missing.wav")
    with pytest.raises(TargetError, match="No recording is given"):
        load_target()


def test_a_target_needs_notes_of_one_rate() -> None:
    """Notes of two rates can't be matched together."""
    note = plain_note()
    with pytest.raises(TargetError, match="no note"):
        Target(())
    with pytest.raises(TargetError, match=r"22050 Hz, 44100 Hz"):
        Target((note, replace(note, sample_rate_hz=22_050)))


def test_the_digest_is_that_of_signals_and_settings() -> None:
    """Another sample or setting changes it; another name doesn't, nor does a second loading."""
    note = plain_note()
    again = target_from_signal(played_saw(60.0, gate_s=0.4), RATE_HZ, name="b")
    digest = Target((note,)).digest
    assert len(digest) == 64
    assert Target((again,)).digest == digest
    changed = note.signal.copy()
    changed[5000] += 1e-12
    others = [
        replace(note, signal=changed),
        replace(note, note=replace(note.note, velocity=99)),
        replace(note, note=replace(note.note, gate_s=0.5)),
        replace(note, note=replace(note.note, midi_pitch=60.5)),
        replace(note, onset_s=0.021),
        replace(note, sample_rate_hz=48_000),
    ]
    assert len({digest, *(Target((other,)).digest for other in others)}) == 7
    assert Target((note, note)).digest != digest


def test_the_arrays_of_a_target_are_read_only() -> None:
    """The digest stays true, and threads may share a target; the caller's own is left alone."""
    note = plain_note()
    track = note.analysis.pitch_track
    assert track is not None
    arrays = note.signal, track.hz, note.analysis.level_track.level_db, note.analysis.centroid_hz
    for array in arrays:
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0
    signal = played_saw(60.0, gate_s=0.4)
    target_from_signal(signal, RATE_HZ)
    np.testing.assert_array_equal(signal, played_saw(60.0, gate_s=0.4))
    assert signal.flags.writeable


def test_louder_in_same_note() -> None:
    """Pitch, gate and onset don't depend on the recording's level."""
    signal = real_note("horn", 60.0).signal
    one, other = (target_from_signal(size * signal, RATE_HZ) for size in (1.0, 0.01))
    assert other.note.midi_pitch == pytest.approx(one.note.midi_pitch, abs=1e-6)
    assert other.note.gate_s == pytest.approx(one.note.gate_s, abs=1e-3)
    assert other.source_onset_s == pytest.approx(one.source_onset_s, abs=1e-4)


NOTE = own_target(60.0).notes[0]
KNOWN = frozenset({"onset"})


def note_of(
    velocity: int, level_db: float, *, midi_pitch: float = 60.0, known: bool = True
) -> TargetNote:
    """Return a note of this velocity and level."""
    return replace(
        NOTE,
        name=f"v{velocity}",
        note=Note(midi_pitch, velocity, 0.5),
        level_db=level_db,
        estimated=KNOWN if known else KNOWN | {"velocity"},
    )


def test_a_soft_and_a_loud_note_of_one_level_are_pointed_out() -> None:
    """Which notes, how equal, at which velocities, and what it means."""
    (text,) = about_levels([note_of(45, -12.4), note_of(100, -12.0), note_of(70, -12.1)])
    assert text.startswith(
        "v45 and v100 are equally loud (within 0.4 dB) at velocities 45 and 100"
    )
    assert "normalised" in text


@pytest.mark.parametrize(
    "notes",
    [
        [note_of(45, -24.0), note_of(100, -12.0)],
        [note_of(90, -12.0), note_of(100, -12.0)],
        [note_of(45, -12.0), note_of(100, -12.0, midi_pitch=67.0)],
        [note_of(45, -12.0, known=False), note_of(100, -12.0)],
        [note_of(45, -12.0)],
    ],
    ids=["levels differ", "velocities don't", "other keys", "not known", "one note"],
)
def test_otherwise_nothing_is_said(notes: list[TargetNote]) -> None:
    """Silence where levels tell something, or can't be compared."""
    assert about_levels(notes) == []


def test_normalised_recordings_of_two_dynamics_warn(tmp_path: Path) -> None:
    """Two files of a real instrument, each brought to the same peak."""
    paths = []
    for velocity in (50, 110):
        note = real_note("trumpet", 60, velocity=velocity)
        path = tmp_path / f"trumpet_C4_v{velocity}.wav"
        soundfile.write(path, 0.5 * note.signal / abs(note.signal).max(), note.sample_rate_hz)
        paths.append(path)
    with pytest.warns(EarwrightWarning, match=r"equally loud .* velocities 50 and 110"):
        target = load_target(*paths)
    assert "normalised" in target.notes[0].warnings[-1]


def test_the_demo_stabs_tell_their_levels() -> None:
    """They were recorded at one gain: soft is softer, so nothing has to be said."""
    paths = [TARGETS / f"horn_stab_C4_v{velocity}.flac" for velocity in (45, 100)]
    assert all(note.warnings == () for note in load_target(*paths).notes)


def test_velocities_are_spoken_of_where_nobody_told_them() -> None:
    """One unknown among others is named; known ones and a single note need no word."""
    assert about_velocities([note_of(45, -12.0), note_of(100, -6.0)]) == []
    assert about_velocities([note_of(100, -6.0, known=False)]) == []
    (text,) = about_velocities([note_of(45, -12.0), note_of(100, -6.0, known=False)])
    assert text.startswith(
        "Nothing tells how hard v100 was struck, so velocity 100 is taken. Give"
    )
