"""Pictures, sounds, scales, places and events: the parts of the page, each by itself."""

from __future__ import annotations

import base64
import json
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.page.jobs import PageJobs, read_events, write_event
from matcher.page.routing import answer
from matcher.page.sounds import LONGEST_GATE_S, SoundCache, picture
from matcher.page.structures import PageStructures, describe_parameters, describe_values
from matcher.page.targets import manifest_text
from matcher.page.workspace import Workspace
from matcher.target.manifest import read_manifest
from shared import CATALOGUE, FileError, Note, ParameterError, Patch, StructureError
from voice import list_structures, load_structure, render

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow

RATE_HZ = 44_100


@pytest.mark.parametrize("hz", [110.0, 440.0, 1000.0, 5000.0])
def test_a_tone_is_brightest_in_its_band(hz: float) -> None:
    """The picture of a sine has its maximum at the frequency of the sine."""
    times_s = np.arange(RATE_HZ) / RATE_HZ
    shown = picture(np.sin(2 * np.pi * hz * times_s), RATE_HZ)
    rows, columns = shown["n_bands"], shown["n_columns"]
    grey = np.frombuffer(base64.b64decode(str(shown["spectrogram"])), np.uint8)
    column = grey.reshape(int(rows), int(columns))[:, int(columns) // 2]  # type: ignore[call-overload]
    bands_hz = np.array(shown["band_hz"])
    # A bin is 21.5 Hz wide, a band a sixteenth of an octave or so.
    assert bands_hz[int(column.argmax())] == pytest.approx(hz, rel=0.06, abs=22.0)


def test_half_the_amplitude_is_six_decibels_down() -> None:
    """20 log10(1/2) = -6.02 dB, and silence lies at the end of the range."""
    times_s = np.arange(RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 440.0 * times_s)
    steps = np.where(times_s < 0.3, 1.0, np.where(times_s < 0.7, 0.5, 0.0))
    shown = picture(tone * steps, RATE_HZ)
    levels = np.array(shown["level_db"])
    n = len(levels)
    assert levels[n // 6] == pytest.approx(0.0, abs=0.1)
    assert levels[n // 2] == pytest.approx(-6.02, abs=0.1)
    assert levels[int(0.9 * n)] == -float(str(shown["range_db"]))


def test_sounds_are_kept_and_let_go() -> None:
    """The same key gives the same object; more than fits makes room for itself."""
    cache = SoundCache(max_bytes=100_000)
    patch = Patch("values")
    first = cache.play(patch, Note(60.0, gate_s=0.2))
    assert cache.play(patch, Note(60.0, gate_s=0.2)) is first
    for pitch in range(61, 70):
        cache.play(patch, Note(float(pitch), gate_s=0.2))
    assert cache.play(patch, Note(60.0, gate_s=0.2)) is not first
    assert cache.play(patch, Note(60.0, gate_s=0.2)).wav == first.wav


def test_a_key_that_is_let_go_sounds_the_same_until_then() -> None:
    """The page goes over from the held note to the one that is let go: equal up to there."""
    values = {"noise.level": 0.2, "osc1.vibrato.depth_cents": 30.0, "osc2.saw_level": 0.5}
    held, let_go = (render(values, gate_s=gate_s) for gate_s in (1.0, 0.3))
    n_held = round(0.3 * RATE_HZ)
    # Control values are set once in a block, so the last one before the gate ends may differ.
    np.testing.assert_array_equal(held[: n_held - 64], let_go[: n_held - 64])
    assert not np.array_equal(held[n_held : n_held + 4000], let_go[n_held : n_held + 4000])


def test_no_key_sounds_for_ever() -> None:
    """A gate of a minute is cut, so that no request renders more than seconds of sound."""
    sound = SoundCache().play(Patch("values"), Note(60.0, gate_s=60.0))
    assert len(sound.wav) < 2 * RATE_HZ * (LONGEST_GATE_S + 2.0)


@pytest.mark.parametrize("name", list_structures())
def test_every_place_of_a_slider_is_accepted(name: str) -> None:
    """Places rise, are values of the structure, and switches have exactly their positions."""
    structure = load_structure(name)
    controls = [each for part in describe_parameters(structure) for each in part["controls"]]  # type: ignore[attr-defined]
    assert {each["name"] for each in controls} >= set(structure.space.names)
    for control in controls:
        values = [value for value, _, _ in control["places"]]
        assert values == sorted(set(values))
        if control["is_free"]:
            parameter = structure.settable[control["name"]]
            assert [parameter.validate(value) for value in values] == pytest.approx(values)
            assert len(values) == len(parameter.choices) or not parameter.choices


def test_values_say_what_works() -> None:
    """The neutral patch is a sawtooth: its level works, a vibrato without depth doesn't."""
    shown = describe_values(CATALOGUE.neutral())
    assert shown["osc1.saw_level"]["is_used"]
    assert not shown["osc1.vibrato.rate_hz"]["is_used"]
    assert shown["filter.cutoff_hz"]["text"] == CATALOGUE["filter.cutoff_hz"].format(20_000.0)


@pytest.mark.parametrize("name", ["..", ".", "", "a/b", "a\\b", ".hidden", "a\0b", "x" * 300])
def test_names_that_are_paths_are_no_names(name: str, tmp_path: Path) -> None:
    """Whatever leads elsewhere, or is hidden, is refused before the disk is asked."""
    with pytest.raises(ParameterError, match="not here"):
        Workspace(tmp_path).inside(tmp_path, name)


def test_the_folder_must_be_there(tmp_path: Path) -> None:
    """A folder that doesn't exist isn't made by mistake."""
    with pytest.raises(FileError, match="is no folder"):
        Workspace(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_a_structure_file_is_kept_only_if_it_is_one(tmp_path: Path) -> None:
    """The user's own panel appears in the list; what can't be understood leaves nothing."""
    structures = PageStructures(Workspace(tmp_path))
    good = (
        b'schema_version = 1\nname = "mine"\nmeaning = "Mine."\n[free]\n"filter.cutoff_hz" = {}\n'
    )
    assert structures.add("../mine.toml", good) == "mine.toml"
    assert structures.add("mine.toml", good) == "mine-2.toml"
    assert structures.load("mine.toml").name == "mine"
    with pytest.raises(StructureError):
        structures.add("bad.toml", b"schema_version = 1")
    own = [each["name"] for each in structures.list_all() if each["is_own"]]
    assert own == ["mine-2.toml", "mine.toml"]


@pytest.mark.parametrize("name", ['a"b', "a\\b", "tab\there", "\x7f", "Klang ä 🎺"])
def test_any_name_survives_a_manifest(name: str, tmp_path: Path) -> None:
    """TOML 1.0 basic strings: quotes, backslashes, control characters, any letter."""
    (tmp_path / "m.toml").write_text(
        manifest_text([{"file": "x.wav", "pitch": "C4", "onset_s": 0.25}], name), encoding="utf-8"
    )
    (entry,) = read_manifest(tmp_path / "m.toml")
    assert (entry.instrument, entry.onset_s) == (name, 0.25)


def test_a_job_that_is_being_started_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its file is there, its process not yet: another window that looks sees it start."""
    jobs, seen = PageJobs(Workspace(tmp_path)), []

    def start(*_: object, **__: object) -> SimpleNamespace:
        seen.extend(job.state for job in jobs.list_all())
        return SimpleNamespace(poll=lambda: None)

    monkeypatch.setattr("matcher.page.jobs.subprocess.Popen", start)
    assert jobs.start("match", "horn", {}).state == "starting"
    assert seen == ["starting"]


def test_half_a_line_does_not_end_the_story(tmp_path: Path) -> None:
    """A process that was killed while writing leaves half a line; the next one is read."""
    write_event(tmp_path, "begun", pid=1)
    events, place = read_events(tmp_path)
    assert [event["kind"] for event in events] == ["begun"]
    with (tmp_path / "events.jsonl").open("a") as file:
        file.write('{"kind": "prog')
    assert read_events(tmp_path, place) == ([], place)
    with (tmp_path / "events.jsonl").open("a") as file:
        file.write("\n")
    write_event(tmp_path, "done", loss=float("nan"))
    events, _ = read_events(tmp_path, place)
    assert [(event["kind"], event["loss"]) for event in events] == [("done", None)]


def test_names_that_are_no_text_are_sent_as_codes() -> None:
    """A run in a folder whose name isn't UTF-8 takes nothing else of the page with it."""
    body = answer({"runs": ["\udcffhorn", "Fl\u00f6te"], "loss": float("nan")}).body
    assert json.loads(bytes(body)) == {"runs": ["\udcffhorn", "Fl\u00f6te"], "loss": None}
