"""One recording of several notes: cut, measured, named, and what is said about it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from matcher.target import load_target, target_from_signal
from shared.audio import Stretch
from shared.errors import EarwrightError, EarwrightWarning, ParameterError, TargetError
from tests.matcher.target.tones import RATE_HZ, padded, played_saw
from tests.sequences import Played, demo_notes, recorded_notes, sequence

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shared.types import FloatArray

ANY_NOTE = pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")


def written(folder: Path, signal: FloatArray, name: str = "scale.flac") -> Path:
    """Write a recording."""
    path = folder / name
    soundfile.write(path, signal, RATE_HZ, subtype="PCM_24")
    return path


def three_notes() -> FloatArray:
    """Return three notes, at 0.1, 0.9 and 1.7 s, the second at half the level."""
    notes = [
        padded(played_saw(key, gate_s=0.4), before_s=0.1)[: round(0.8 * RATE_HZ)]
        for key in (60, 62, 67)
    ]
    notes[1] = 0.5 * notes[1]
    return np.concatenate(notes)


@pytest.fixture(scope="module")
def scale(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the three notes, under a name that tells one pitch and one velocity."""
    return written(tmp_path_factory.mktemp("scale"), three_notes(), "horn_C4_v45.flac")


def test_each_note_is_measured_as_if_it_were_alone(tmp_path: Path) -> None:
    """Pitch, gate, attack and onset of recorded notes half a second apart."""
    played = recorded_notes("clarinet", [60, 64])
    signal, starts_s = sequence(played, gap_s=0.5)
    with pytest.warns(EarwrightWarning):
        notes = load_target(written(tmp_path, signal), split=True).notes
    assert len(notes) == len(played)
    for note, (sound, _), start_s in zip(notes, played, starts_s, strict=True):
        alone = target_from_signal(padded(sound, before_s=0.1), RATE_HZ)
        onset_s = start_s + alone.source_onset_s - 0.1
        assert note.source_onset_s == pytest.approx(onset_s, abs=0.002)
        assert note.note.midi_pitch == pytest.approx(alone.note.midi_pitch, abs=0.01)
        assert note.note.gate_s == pytest.approx(alone.note.gate_s, abs=0.01)
        assert note.analysis.attack_s == pytest.approx(alone.analysis.attack_s, rel=0.1)


@pytest.mark.parametrize("played", [demo_notes("horn_stab"), recorded_notes("clarinet", [60, 64])])
@ANY_NOTE
def test_tied_notes_keep_pitch_and_gate(played: Sequence[Played], tmp_path: Path) -> None:
    """A note ends where the next one begins; its release can't be known, but its gate can."""
    signal, starts_s = sequence(played, gap_s=0.0)
    notes = load_target(written(tmp_path, signal), split=True).notes
    assert len(notes) == len(played)
    for note, (sound, gate_s), start_s in zip(notes, played, starts_s, strict=True):
        alone = target_from_signal(padded(sound, before_s=0.1), RATE_HZ)
        assert note.note.midi_pitch == pytest.approx(alone.note.midi_pitch, abs=0.05)
        # The cut may lie 20 ms off, where the two notes overlap.
        assert note.source_onset_s == pytest.approx(start_s, abs=0.025)
        assert note.note.gate_s == pytest.approx(gate_s, abs=0.04)


def test_what_was_found_is_said(tmp_path: Path) -> None:
    """How many, at which seconds, how to correct it; and that velocities are unknown."""
    path = written(tmp_path, three_notes())
    with pytest.warns(EarwrightWarning) as caught:
        target = load_target(path, split=True)
    texts = [str(warning.message) for warning in caught]
    assert len(texts) == 2
    found = re.search(
        r"3 notes are found, at (.*) s\. If that is wrong, .*--split (\S+)$", texts[0]
    )
    assert found is not None
    assert found[1].replace(", ", ",") == found[2]
    # Half the level is 6.0 dB; the loudest 50 ms of a higher key holds other periods.
    assert re.search(r"velocity 100 is taken for all; .* lie within 6\.\d dB\.", texts[-1])
    assert target.notes[0].warnings == tuple(texts)
    assert [note.name for note in target.notes] == ["scale-1", "scale-2", "scale-3"]
    assert [note.note.velocity for note in target.notes] == [100, 100, 100]
    # What is proposed can be given, and then nothing is left to say about places.
    times_s = [float(time) for time in found[2].split(",")]
    given = load_target(path, split=times_s, velocity=[100, 60, 100])
    for one, other in zip(target.notes, given.notes, strict=True):
        assert one.source_onset_s == pytest.approx(other.source_onset_s, abs=1e-3)
        assert one.note.gate_s == pytest.approx(other.note.gate_s, abs=5e-3)
        assert other.warnings == ()


def test_times_by_hand_may_be_somewhat_off(scale: Path) -> None:
    """Up to 50 ms late, as early as there is silence; what lies before the first is left out."""
    target = load_target(scale, split=[0.94, 1.55], velocity=100)
    onsets = [note.source_onset_s for note in target.notes]
    assert onsets == pytest.approx([0.9, 1.7], abs=0.002)
    pitches = [note.note.midi_pitch for note in target.notes]
    assert pitches == pytest.approx([62.0, 67.0], abs=0.02)


@ANY_NOTE
def test_lists_go_over_the_notes_in_time(scale: Path) -> None:
    """Pitch, velocity and gate, one for each note; the name's velocity is that of all others.

    The name's pitch isn't: it can't be that of several notes.
    """
    target = load_target(
        scale, split=True, midi_pitch=["C4", None, 67], velocity=[100, 60, None], gate_s=0.35
    )
    notes = [note.note for note in target.notes]
    assert [note.velocity for note in notes] == [100, 60, 45]
    assert [note.gate_s for note in notes] == [0.35, 0.35, 0.35]
    assert notes[0].midi_pitch == 60.0
    assert notes[1].midi_pitch == pytest.approx(62.0, abs=0.02)


@ANY_NOTE
@pytest.mark.parametrize(
    ("error", "settings", "message"),
    [
        (ParameterError, {"velocity": [100, 60]}, "^velocity has 2 values for 3 found notes"),
        (TargetError, {"split": [0.0, 7.0]}, r"split: 7 s lies behind the end .* at 2\.40 s"),
    ],
)
def test_lists_and_times_that_do_not_fit_are_refused(
    scale: Path, error: type[Exception], settings: dict[str, Any], message: str
) -> None:
    """With the number of notes, and the length of the recording."""
    with pytest.raises(error, match=message):
        load_target(scale, **{"split": True, **settings})


@pytest.mark.parametrize(
    ("paths", "settings", "message"),
    [
        (["gone.flac"], {"split": True, "velocity": [100, 128]}, "velocity is 128"),
        (["gone.flac"], {"split": []}, "split is empty; they must be rising times"),
        (
            ["gone.flac"],
            {"split": [1.0, 0.5]},
            r"split is 1, 0\.5; they must be rising times in s from 0 on",
        ),
        (["gone.flac"], {"split": [0.5, 0.5]}, "rising times"),
        (["gone.flac"], {"split": [-0.1, 0.5]}, "rising times"),
        (["gone.flac"], {"split": [0.0, float("nan")]}, "rising times"),
        (["a.flac", "b.flac"], {"split": [0.0]}, "2 recordings; with times there must be one"),
        (["set.toml"], {"split": True}, r"set\.toml is a manifest"),
    ],
)
def test_wrong_settings_are_refused_before_any_file_is_read(
    paths: list[str], settings: dict[str, Any], message: str
) -> None:
    """Also while it isn't known how many notes there will be."""
    with pytest.raises(ParameterError, match=message):
        load_target(*paths, **settings)


@ANY_NOTE
def test_a_note_that_fails_is_named_with_its_place(tmp_path: Path) -> None:
    """A burst of noise among notes has no pitch; which one, and where, is in the message."""
    rng = np.random.default_rng(2)
    burst = np.zeros(RATE_HZ)
    burst[4410:22_050] = 0.3 * rng.standard_normal(17_640)
    path = written(tmp_path, np.concatenate([three_notes(), burst]))
    with pytest.raises(TargetError, match=r"note 4 \(at 2\.[45]\d s\): no pitch is found"):
        load_target(path, split=True)


@ANY_NOTE
def test_an_echo_is_named_and_kept_out_of_the_note(tmp_path: Path) -> None:
    """The note ends before it."""
    note = padded(played_saw(60.0, gate_s=0.2, tail_s=0.2), before_s=0.1, after_s=1.0)
    echoed = note + 0.4 * np.roll(note, round(0.5 * RATE_HZ))
    target = load_target(written(tmp_path, echoed), split=True, velocity=100)
    assert len(target.notes) == 1
    assert target.notes[0].signal.size < 0.5 * RATE_HZ
    assert any("taken for an echo" in text for text in target.notes[0].warnings)


@pytest.mark.parametrize(
    ("stretch", "pitch", "onset_s"),
    [(Stretch(0.8, 1.6), 62.0, 0.9), (Stretch(1.55), 67.0, 1.7)],
    ids=["from-to", "from"],
)
@ANY_NOTE
def test_a_stretch_is_used_alone(
    scale: Path, stretch: Stretch, pitch: float, onset_s: float
) -> None:
    """Of a longer recording the marked note is taken, and its time is that in the file."""
    (note,) = load_target(scale, stretch=stretch).notes
    assert note.note.midi_pitch == pytest.approx(pitch, abs=0.1)
    assert note.source_onset_s == pytest.approx(onset_s, abs=0.01)


@pytest.mark.parametrize(
    ("stretch", "message"),
    [
        ((0.8, 2.4), r"the stretch holds 2 notes, at 0\.\d+, 1\.\d+ s; it must hold one"),
        ((9.0, None), r"ends at 2\.40 s, and what is used of it would begin at 9 s"),
        ((0.0, 9.0), r"would end at 9 s"),
        ((1.0, 1.0), r"the end must be later"),
        ((0.85, 0.89), r"is 40 ms long"),
        ((0.0, None, "left"), r"has 1 channel, and side is left"),
        ((0.0, None, "rear"), r'side is "rear"; it must be left, right'),
    ],
    ids=["two-notes", "behind", "end-behind", "empty", "short", "mono", "no-side"],
)
@ANY_NOTE
def test_a_stretch_that_is_not_there_is_refused(
    scale: Path, stretch: tuple[Any, ...], message: str
) -> None:
    """Each with what was wrong, and what must be."""
    path = scale.with_name("longer.flac")
    soundfile.write(path, three_notes(), RATE_HZ)
    with pytest.raises(EarwrightError, match=message):
        load_target(path, stretch=Stretch(*stretch))


@pytest.mark.parametrize(
    ("sides", "used"),
    [((1.0, 0.0), "left"), ((0.2, 1.0), "right"), ((1.0, -1.0), "what differs")],
    ids=["left", "right", "sides"],
)
@ANY_NOTE
def test_the_side_where_the_note_is_clearest_is_used(
    tmp_path: Path, sides: tuple[float, float], used: str
) -> None:
    """Noise in the middle, or on the other side, of a stereo recording isn't folded in."""
    note = padded(played_saw(60, gate_s=0.4), before_s=0.1)
    noise = 0.2 * np.random.default_rng(1).standard_normal(note.size)
    heard = {"left": (0.0, 1.0), "right": (1.0, 0.0), "what differs": (1.0, 1.0)}[used]
    signal = 0.3 * (np.outer(note, sides) + np.outer(noise, heard))
    path = written(tmp_path, signal)
    (found,) = load_target(path).notes
    assert any(used in text for text in found.warnings)
    side = "sides" if used == "what differs" else used
    (chosen,) = load_target(path, stretch=Stretch(side=side)).notes
    np.testing.assert_array_equal(found.signal, chosen.signal)
