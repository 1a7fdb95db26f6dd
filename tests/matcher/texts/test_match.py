"""The printout: everything that was promised, readable in 80 columns, and nothing else."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from matcher import match
from matcher.hearing import audible_differences
from matcher.losses import PARTS, TERMS, weights_for
from matcher.parts import used_parameters
from matcher.runs.folder import RunFolder
from matcher.sheet import panel_values, setting_text
from matcher.texts.match import (
    WIDTH,
    format_audible,
    format_files,
    format_heard,
    format_loss,
    format_match,
    format_patch,
    format_search,
)
from matcher.texts.stages import StageTeller
from shared import PHASE_NAMES, Patch
from tests.matcher.small_match import small_match
from voice import list_structures, load_structure

if TYPE_CHECKING:
    from matcher import MatchResult


@pytest.fixture(scope="module")
def result() -> MatchResult:
    """Return a small match of two notes."""
    return small_match("reed_low", "reed_high", structure="pulse-strings-one-lfo")


def _run(path: str) -> RunFolder:
    """Return a run of which only the place matters."""
    where = Path(path)
    return RunFolder(where, Patch("x"), {}, (), where / "record.npz", where / "study.log")


def test_the_whole_fits_into_80_columns(result: MatchResult) -> None:
    """No line is longer than 79 signs, and each is plain text."""
    text = format_match(result, _run("runs/reed-pulse-strings-one-lfo-1"))
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    assert text.isascii()
    assert all(line == line.rstrip() for line in text.splitlines())


@pytest.mark.parametrize("name", list_structures())
@pytest.mark.parametrize("unit", [0.0, 0.37, 1.0])
def test_every_patch_fits_into_80_columns(name: str, unit: float) -> None:
    """The table of any structure holds at the ends of all ranges."""
    structure = load_structure(name)
    values = structure.space.to_dict(structure.space.decode([[unit] * len(structure.space)])[0])
    text = format_patch(Patch(name, structure.complete(values)), structure)
    assert max(len(line) for line in text.splitlines()) <= WIDTH


def test_what_was_heard_is_told_with_its_source(result: MatchResult) -> None:
    """Pitch in note and cents, onset, gate, level; given, heard or assumed."""
    note = result.target.notes[0]
    text = format_heard([note])
    assert "reed_low" in text
    assert "A3" in text
    assert "220.0 Hz" in text
    for name, source in (("pitch", "measured"), ("key held", "measured"), ("velocity", "given")):
        (line,) = (line for line in text.splitlines() if line.strip().startswith(name))
        assert source in line
    assert f"{1000 * note.source_onset_s:.0f} ms" in text
    assert f"{note.level_db:.1f} dBFS" in text


def test_a_velocity_that_nobody_gave_is_assumed(result: MatchResult) -> None:
    """100 stands there because nothing else was said, and the line says so."""
    note = result.target.notes[0]
    guessed = dataclasses.replace(note, estimated=frozenset({"velocity"}))
    assert "assumed" in format_heard([guessed])


def test_a_pitch_of_the_file_name_is_told_apart(result: MatchResult) -> None:
    """What the name says isn't called given, and the measured pitch stands beside it."""
    note = result.target.notes[0]
    played = dataclasses.replace(note.note, midi_pitch=57.0)
    named = dataclasses.replace(note, name="reed_A3", note=played, estimated=frozenset())
    (line,) = (line for line in format_heard([named]).splitlines() if "pitch" in line)
    assert "file name; heard A3" in line


def test_losses_are_told_term_by_term_and_in_plain_units(result: MatchResult) -> None:
    """Start and end of the total, of each term, and of each part with its unit."""
    text = format_loss(result.start, result.end)
    for loss in (result.start, result.end):
        assert f"{loss.total:.2f}" in text
        for term in TERMS:
            assert f"{loss.terms[term]:.2f}" in text
        for name, value in loss.parts.items():
            unit = {"db": " dB", "octaves": " octaves", "cents": " cents", "hz": " Hz"}
            decimals = 1 if name.endswith("_cents") else 2
            assert f"{value:.{decimals}f}{unit.get(name.rsplit('_')[-1], '')}" in text
    words = text.split()
    for part in PARTS:
        # A long meaning goes on in the next row of its column, and nothing of it is lost.
        assert set(part.meaning.split()) <= set(words)


def test_single_notes_are_told_if_there_are_several(result: MatchResult) -> None:
    """With one note its loss is the loss; with two it says which one is worse."""
    losses = [(match.note.name, match.loss) for match in result.notes]
    text = format_loss(result.start, result.end, notes=losses)
    for name, loss in losses:
        (line,) = (line for line in text.splitlines() if name in line)
        assert line.endswith(f"{loss.total:.2f}")
    assert "reed_low" not in format_loss(result.start, result.end, notes=losses[:1])


def test_what_is_audible_stands_apart_from_what_is_not(result: MatchResult) -> None:
    """Two lists, each note by its name; the audible ones in full, the largest first."""
    compared = [
        (match.note.name, differences)
        for match, differences in zip(result.notes, audible_differences(result), strict=True)
    ]
    audible, _, quiet = format_audible(compared).partition("\nNot audible\n")
    words = " ".join(audible.split()), " ".join(quiet.split())
    assert words[0].startswith(
        "Still audible (just-noticeable differences, most figures from memory)"
    )
    for name, differences in compared:
        shown = [each for each in differences if each.is_audible][:6]
        assert shown
        for text in words:
            assert name in text
        places = [words[0].index(each.description) for each in shown]
        assert places == sorted(places)
        for each in differences:
            assert each.is_audible or each.summary in words[1]


def test_many_differences_of_one_note_are_all_told(result: MatchResult) -> None:
    """With several notes the list is cut, and says so; with one it is not."""
    differences = audible_differences(result)[0]
    several = tuple(dataclasses.replace(each, difference=1e6) for each in differences)
    assert len(several) > 6
    alone = " ".join(format_audible([("reed", several)]).split())
    assert all(each.description in alone for each in several)
    assert "run.json" not in alone
    assert "reed" not in alone
    text = format_audible([("low", several), ("high", several)])
    assert text.count(f"and {len(several) - 6} more, see run.json") == 2


def test_a_note_that_is_met_has_nothing_audible(result: MatchResult) -> None:
    """Said in words, not left blank; and the other way round."""
    differences = audible_differences(result)[0]
    met = tuple(dataclasses.replace(each, difference=0.0) for each in differences)
    assert "exceeds its published threshold\nNot audible" in format_audible([("reed", met)])
    far = tuple(dataclasses.replace(each, difference=1e6) for each in differences)
    assert format_audible([("reed", far)]).endswith("Not audible\n  nothing")


def test_the_weights_are_told(result: MatchResult) -> None:
    """By the name of their preset, or one by one."""

    def told(weights: object) -> str:
        settings = {**result.settings, "weights": weights}
        text = format_search(dataclasses.replace(result, settings=settings))
        return " ".join(text.split())

    assert "weights: balanced." in told({})
    assert "weights: attack first." in told(weights_for("attack first"))
    assert "weights: attack first." in told("attack-first")
    assert "onset 3, envelope 0.5" in told(weights_for(onset=3.0))


def test_the_search_is_told(result: MatchResult) -> None:
    """Evaluations, evaluations per second, seed, and why it ended."""
    text = " ".join(format_search(result).split())
    assert "64 tries" in text
    assert f"{result.evaluations_per_s:.0f} per second" in text
    assert "seed 3" in text
    assert "all tries are used" in text


@pytest.mark.parametrize(
    ("reason", "words"),
    [("deadline", "the time is used"), ("interrupted", "interrupted"), ("novel", "novel")],
)
def test_each_stop_reason_is_told(reason: str, words: str, result: MatchResult) -> None:
    """Also one that this module doesn't know yet."""
    assert words in format_search(dataclasses.replace(result, stop_reason=reason))


def test_the_patch_shows_what_is_used(result: MatchResult) -> None:
    """Each value at work stands there once with its unit; nothing else does."""
    text = format_patch(result.patch)
    rows = {line.split()[-1]: line for line in text.splitlines() if line.startswith("    ")}
    assert set(rows) == used_parameters(result.patch.values)
    for name, row in rows.items():
        assert setting_text(name, panel_values(result.patch.values)[name]) in row


def test_linked_parameters_are_named_as_linked(result: MatchResult) -> None:
    """The value stands there, with the control that sets it."""
    values = {"osc1.vibrato.depth_cents": 20.0, "osc2.saw_level": 1.0}
    values |= {"osc1.vibrato.rate_hz": 6.0}
    full = result.structure.complete(values)
    text = format_patch(result.patch.replace(values=full), result.structure)
    (line,) = (line for line in text.splitlines() if "= osc1.vibrato.rate_hz" in line)
    assert "6.00 Hz" in line
    assert "linked" in text


def test_what_a_switch_sets_is_no_equal() -> None:
    """A pulse that is full where the sawtooth is off is set by that switch, not equal to it."""
    desk = load_structure("wagon-desk")
    values = desk.complete({"osc1.saw_level": 0.0})
    text = format_patch(Patch(desk.name, values), desk)
    (line,) = (line for line in text.splitlines() if "osc1.saw_level" in line and "set by" in line)
    assert line.split() == ["pulse", "-", "100", "%", "set", "by", "osc1.saw_level"]


def test_phases_are_never_printed(result: MatchResult) -> None:
    """Nobody can dial a phase in."""
    text = format_match(result, _run("out"))
    assert not any(name in text for name in PHASE_NAMES)
    assert "phase" not in text


def test_what_the_target_cannot_tell_is_said() -> None:
    """One note tells neither key tracking nor the response to velocity."""
    text = " ".join(format_match(small_match()).split())
    assert "One note can't show key tracking or velocity response; both are off" in text
    assert "Give notes of several pitches and velocities" in text


def test_pitches_that_differ_tell_key_tracking(result: MatchResult) -> None:
    """With two pitches, only velocity is still missing."""
    text = " ".join(format_match(result).split())
    assert "These notes can't show velocity response; it is off." in text


def test_files_and_caution_are_named() -> None:
    """Where everything is, how to hear another note, and to start with the level down."""
    text = format_files(_run("runs/my horn"))
    assert "Files in runs/my horn" in text
    for command in ("render", "explain", "refine"):
        assert f"  earwright {command} 'runs/my horn'" in text
    assert text.splitlines()[-1].startswith("Start with the monitor level down")


def test_strange_names_stay_on_their_line(result: MatchResult) -> None:
    """A name that would break the line or move the cursor is shown as escapes."""
    note = dataclasses.replace(result.target.notes[0], name="a\nb\x1b[2Jc\udcff" + "x" * 200)
    lines = format_heard([note]).splitlines()
    assert len(lines) == 7
    assert lines[1].startswith(r"  a\nb\x1b[2Jc\udcffxxx")
    assert lines[1].endswith("...")
    assert len(lines[1]) <= WIDTH


@pytest.mark.slow
def test_stages_are_told_in_the_words_of_the_screen(result: MatchResult) -> None:
    """After each stage: its name, the distance, and what still sounds different most."""
    told: list[str] = []
    teller = StageTeller(result.target, told.append)
    match(result.target, structure="one-oscillator", evals=300, progress=False, watch=teller)
    assert told[0].startswith("first search: distance ")
    assert all(", still " in line or "no named difference" in line for line in told)
