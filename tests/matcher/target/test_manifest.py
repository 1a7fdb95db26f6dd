"""Manifests: what they say of notes, and what is refused, with file and field."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import soundfile

from matcher.target import load_target
from matcher.target.manifest import read_manifest
from shared.errors import AudioError, ParameterError, TargetError
from tests.matcher.target.tones import RATE_HZ, padded, played_saw
from tests.sequences import TARGETS

if TYPE_CHECKING:
    from pathlib import Path

MANIFEST = TARGETS / "manifest.toml"


def written(folder: Path, text: str, *, name: str = "set.toml") -> Path:
    """Write a manifest."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_demo_manifest_gives_the_notes_of_one_instrument() -> None:
    """Pitch, velocity and gate are those of the file; nothing but the onset is estimated."""
    target = load_target(MANIFEST, instrument="horn_stab")
    played = [
        (note.name, note.note.midi_pitch, note.note.velocity, note.note.gate_s)
        for note in target.notes
    ]
    assert played == [
        ("horn_stab_C4_v45", 60.0, 45, 0.35),
        ("horn_stab_C4_v100", 60.0, 100, 0.35),
        ("horn_stab_G4_v100", 67.0, 100, 0.35),
    ]
    assert all(note.estimated == {"onset"} for note in target.notes)
    # The manifest says when the key goes down; the sound comes some ms later.
    assert all(0.1 <= note.source_onset_s < 0.13 for note in target.notes)


def test_a_manifest_of_one_instrument_needs_no_choice(tmp_path: Path) -> None:
    """Entries without an instrument are one instrument; what isn't said is heard."""
    (tmp_path / "low").mkdir()
    for name, key in (("low/a.wav", 48.0), ("b_v30.wav", 60.0)):
        soundfile.write(tmp_path / name, played_saw(key, gate_s=0.3), RATE_HZ)
    text = (
        'title = "Mine"\n[[target]]\nfile = "low/a.wav"\nvelocity = 64\nmood = "low"\n'
        '[[target]]\nfile = "./b_v30.wav"\npitch = 60\n'
    )
    notes = load_target(written(tmp_path, text)).notes
    assert [note.note.velocity for note in notes] == [64, 30]
    assert notes[0].note.midi_pitch == pytest.approx(48.0, abs=0.01)
    assert notes[0].estimated == {"pitch", "gate", "onset"}
    assert notes[1].estimated == {"gate", "onset"}


def test_what_the_user_gives_comes_before_the_manifest() -> None:
    """A list goes over all notes in the order of their naming; a gap leaves the file's."""
    target = load_target(
        TARGETS / "gut_pluck_D3_v95.flac",
        MANIFEST,
        instrument="horn_stab",
        velocity=[None, None, 90, None],
        gate_s=0.3,
    )
    assert [note.name for note in target.notes][:2] == ["gut_pluck_D3_v95", "horn_stab_C4_v45"]
    assert [note.note.velocity for note in target.notes] == [95, 45, 90, 100]
    assert {note.note.gate_s for note in target.notes} == {0.3}


def test_onsets_cut_one_file_into_notes(tmp_path: Path) -> None:
    """Two entries of one file: a note ends where the next one begins."""
    notes = [padded(played_saw(key, gate_s=0.4, tail_s=0.3), before_s=0.2) for key in (60.0, 64.0)]
    signal = [x for note in notes for x in note]
    soundfile.write(tmp_path / "two.wav", signal, RATE_HZ)
    second_s = notes[0].size / RATE_HZ + 0.2
    text = (
        f'[[target]]\nfile = "two.wav"\nonset_s = {second_s:.2f}\ngate_s = 0.4\n'
        '[[target]]\nfile = "two.wav"\nonset_s = 0.2\n'
    )
    target = load_target(written(tmp_path, text))
    assert [note.name for note in target.notes] == ["two-2", "two-1"]
    onsets = [note.source_onset_s for note in target.notes]
    assert onsets == pytest.approx([second_s, 0.2], abs=0.002)
    assert [note.note.midi_pitch for note in target.notes] == pytest.approx([64, 60], abs=0.02)


def test_an_absolute_path_is_taken(tmp_path: Path) -> None:
    """Whoever writes one means that very file."""
    path = TARGETS / "gut_pluck_D3_v95.flac"
    entry = read_manifest(written(tmp_path, f'[[target]]\nfile = "{path.as_posix()}"\n'))[0]
    assert entry.path == path


ENTRY = '[[target]]\nfile = "a.wav"\n'
BAD = {
    "no toml": ("this is no toml", r"set\.toml is no TOML: "),
    "no target": ('title = "x"', r"set\.toml, target is missing; it must be a list of at least 1"),
    "one table": (
        '[target]\nfile = "a.wav"',
        r"set\.toml, target is .*; it must be a list of at least 1",
    ),
    "no table": ("target = [1]", r"set\.toml, target\[0\] is 1; it must be an object"),
    "no file": (ENTRY + "[[target]]\npitch = 60", r"target 2, file is missing; it must be text"),
    "file is no text": (
        "[[target]]\nfile = 3",
        r"target 1, file is 3; it must be text that isn't empty",
    ),
    "out of the folder": (
        '[[target]]\nfile = "takes/../../a.wav"',
        r"target 1, file: 'takes/\.\./\.\./a\.wav' is given; it must be a path within",
    ),
    "backslash": ("[[target]]\nfile = '..\\a.wav'", r"target 1, file: .* with / between"),
    "bad pitch": (
        ENTRY + 'pitch = "H4"',
        r'target 1, pitch "H4" is not understood; it must be a note name',
    ),
    "pitch too high": (ENTRY + "pitch = 200", r'target 1, pitch "200" lies outside'),
    "pitch is a list": (ENTRY + "pitch = [60]", r"target 1, pitch.* is .*60.*must be"),
    "bad velocity": (
        ENTRY + "velocity = 128",
        r"target 1, velocity is 128; it must be a whole number from 1",
    ),
    "velocity in dB": (
        ENTRY + "velocity = -6.5",
        r"target 1, velocity is -6\.5; it must be a whole number from 1 to 127",
    ),
    "velocity true": (
        ENTRY + "velocity = true",
        r"target 1, velocity is true; it must be a whole",
    ),
    "gate in ms": (
        ENTRY + "gate_s = 350",
        r"target 1, gate_s is 350 s; it must be above 0 s and up to 60",
    ),
    "gate is text": (
        ENTRY + 'gate_s = "long"',
        r'target 1, gate_s is "long"; it must be a number from 0 up',
    ),
    "onset before": (
        ENTRY + "onset_s = -1",
        r"target 1, onset_s is -1; it must be a number from 0",
    ),
    "onset nan": (
        ENTRY + "onset_s = nan",
        r"target\[0\]\.onset_s is nan; it must be finite",
    ),
    "onset behind": (ENTRY + "onset_s = 9", r"target 1, onset_s: 9 s lies behind the end"),
    "a slip": (
        ENTRY + "gate = 0.3",
        r"target 1, gate: there is no such field\. Did you mean gate_s",
    ),
    "instrument": (
        ENTRY + "instrument = 3",
        r"target 1, instrument is 3; it must be text that isn't",
    ),
    "twice": (ENTRY + ENTRY, r"target 1, onset_s: none is given, and 2 notes are in a\.wav"),
    "same onset": (
        f"{ENTRY}onset_s = 1\n{ENTRY}onset_s = 1",
        r"target 1, onset_s: 1\.0 is given, and 2 notes",
    ),
    "several instruments": (
        f'{ENTRY}instrument = "horn"\n[[target]]\nfile = "b.wav"\ninstrument = "reed"',
        r"several instruments \(horn, reed\).*--instrument",
    ),
    "some without": (
        f'{ENTRY}instrument = "horn"\n[[target]]\nfile = "b.wav"',
        r"several instruments \(horn\)",
    ),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a recording."""
    folder = tmp_path_factory.mktemp("set")
    soundfile.write(folder / "a.wav", played_saw(60.0, gate_s=0.3), RATE_HZ)
    return folder


@pytest.mark.parametrize("case", BAD)
def test_a_wrong_manifest_is_one_line_with_file_and_field(case: str, folder: Path) -> None:
    """What is wrong, what is accepted, and where."""
    text, message = BAD[case]
    path = written(folder, text)
    with pytest.raises(TargetError, match=message) as caught:
        load_target(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_recording_is_named_with_its_entry(tmp_path: Path) -> None:
    """The manifest, the entry, and the path that was looked for."""
    path = written(tmp_path, '[[target]]\nfile = "gone.wav"')
    with pytest.raises(AudioError, match=r"set\.toml, target 1, file: .*gone\.wav doesn't exist"):
        load_target(path)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (str, r"set\.toml can't be read: .*Check the name"),
        (lambda path: path.mkdir(), r"set\.toml can't be read"),
        (lambda path: path.write_bytes(b"\xff\xfe\x00"), r"set\.toml isn't text in UTF-8"),
        (lambda path: path.write_text("#" * 1_000_001), r"it has more than 1000000 bytes"),
    ],
    ids=["missing", "folder", "no text", "huge"],
)
def test_a_file_that_is_no_manifest_is_refused(make: object, message: str, tmp_path: Path) -> None:
    """Before anything else is read."""
    path = tmp_path / "set.toml"
    make(path)  # type: ignore[operator]
    with pytest.raises(TargetError, match=message):
        load_target(path)


def test_an_unknown_instrument_is_answered_with_the_names() -> None:
    """All names of the manifest, and the nearest."""
    message = r'instrument is "horn_stap", and .*manifest\.toml has: horn_stab, muted_lead'
    with pytest.raises(TargetError, match=message) as caught:
        load_target(MANIFEST, instrument="horn_stap")
    assert str(caught.value).endswith("Did you mean horn_stab?")


def test_settings_that_do_not_fit_are_refused() -> None:
    """Before any recording is read: an instrument of no manifest, a list of another length."""
    with pytest.raises(ParameterError, match=r'instrument is "horn", and no manifest is given'):
        load_target("horn_C4.wav", instrument="horn")
    with pytest.raises(ParameterError, match="velocity has 2 values for 3 recordings"):
        load_target(MANIFEST, instrument="horn_stab", velocity=[1, 2])


@pytest.mark.parametrize("field", ["onset_s", "gate_s", "velocity", "pitch"])
@pytest.mark.parametrize("n_digits", [400, 5000])
def test_endless_numbers_are_refused(tmp_path: Path, field: str, n_digits: int) -> None:
    """Whole numbers have no limit in TOML; beyond what a float or Python reads, one line."""
    path = tmp_path / "takes.toml"
    path.write_text(f'[[target]]\nfile = "a.wav"\n{field} = {"9" * n_digits}\n')
    with pytest.raises(TargetError, match=r"takes\.toml") as caught:
        load_target(path)
    assert len(str(caught.value)) < 720
