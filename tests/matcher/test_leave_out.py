"""Notes that were left out: chosen as the user names them, not fitted, and tried fairly."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import correlate

import matcher.leave_out
from matcher import load_run, match, match_leaving_out, save_run
from matcher.evaluator import Evaluator
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.target import Target
from matcher.target.note import choose_notes
from matcher.texts.match import format_match
from shared import ParameterError, ParameterSpace
from shared.files import sha256_digest
from tests.own_notes import RATE_HZ, own_target
from voice import render

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.result import MatchResult

QUICK = {"structure": "one-oscillator", "seed": 3, "n_threads": 1, "progress": False}


@pytest.fixture(scope="module")
def target() -> Target:
    """Return three notes of our own voice, named and pitched."""
    notes = own_target(48.0, 60.0, 72.04).notes
    names = ("low_C3", "scale-2", "C5")
    return Target(tuple(replace(n, name=name) for n, name in zip(notes, names, strict=True)))


@pytest.fixture(scope="module")
def result(target: Target) -> MatchResult:
    """Return a short match without the middle note."""
    return match_leaving_out(target, leave_out="scale-2", evals=150, **QUICK)


@pytest.mark.parametrize(
    ("leave_out", "places"),
    [
        ("scale-2", [1]),
        ("takes/low_C3.flac", [0]),
        ("C5.wav", [2]),
        ("C3", [0]),
        ("C4 -13 cents", [1]),
        ("72", [2]),
        (60.0, [1]),
        (48, [0]),
        (["C5", "low_C3"], [0, 2]),
        (["C5", 72], [2]),
        ("each", [0, 1, 2]),
    ],
)
def test_a_note_is_named_by_name_file_or_pitch(
    target: Target, leave_out: str | list[str], places: list[int]
) -> None:
    """Pitches mean the key, within what a badly tuned note is off."""
    assert choose_notes(target, leave_out) == places


def test_a_pitch_means_all_notes_of_its_key() -> None:
    """A soft and a loud C4 would tell each other's secrets."""
    two = own_target(60.0, 60.0, 67.0, velocities=(50, 100, 100))
    assert choose_notes(two, "C4") == [0, 1]


@pytest.mark.parametrize(
    ("leave_out", "message"),
    [
        ("D4", r"leave_out is D4, which is no note .* low_C3 \(C3\), scale-2 \(C4\), C5 \(C5 \+4"),
        ("gone.wav", r"leave_out is gone\.wav, which is no note of the target"),
        ([], r"leave_out is empty, which names no note; they must be some of the 3 notes"),
        (["C3", "C4", "C5"], r"leave_out is C3, C4, C5, which leaves no note to fit"),
        (["each", "C4"], r'leave_out is each, C4; "each" must stand alone'),
    ],
    ids=["pitch", "file", "nothing", "all", "each and more"],
)
def test_other_names_are_refused(target: Target, leave_out: str | list[str], message: str) -> None:
    """Before anything is searched, with the names there are."""
    with pytest.raises(ParameterError, match=message) as caught:
        match_leaving_out(target, leave_out=leave_out, evals=10)
    assert "\n" not in str(caught.value)


def test_one_note_can_not_be_left_out() -> None:
    """Neither by name nor in turn."""
    with pytest.raises(ParameterError, match=r"leaves no note to fit"):
        choose_notes(own_target(60.0), "C4")
    with pytest.raises(ParameterError, match=r'leave_out is "each", and the target has one note'):
        choose_notes(own_target(60.0), "each")


def test_the_search_never_sees_the_note(target: Target, result: MatchResult) -> None:
    """The patch is that of a match without it, to the bit."""
    rest = Target((target.notes[0], target.notes[2]))
    alone = match(rest, evals=150, **QUICK)
    assert result.patch.values == alone.patch.values
    assert result.target.digest == rest.digest
    assert result.end == alone.end
    assert [left.note.name for left in result.left_out] == ["scale-2"]


def test_the_patch_itself_is_tried(target: Target, result: MatchResult) -> None:
    """Nothing but phases moves: a render of the patch with them is the sound."""
    left = result.left_out[0]
    assert left.patch is result.patch
    note = target.notes[1]
    sound = render(
        result.patch.values,
        midi_pitch=note.note.midi_pitch,
        gate_s=note.note.gate_s,
        duration_s=0.6,
        sample_rate_hz=RATE_HZ,
        phases=left.phases,
        seed=3,
    )
    assert left.sound.shape == note.signal.shape
    products = correlate(sound, left.sound, method="fft")
    # 0.999: the same waveform somewhere on the timeline, but for the fade at its very end.
    assert products.max() > 0.999 * np.sqrt(np.sum(sound**2) * np.sum(left.sound**2))


def test_phases_are_fitted_not_drawn_once(tmp_path: Path) -> None:
    """A patch that is right is not blamed for where its oscillators and LFOs happen to stand."""
    values = {
        "osc1.saw_level": 1.0,
        "osc2.saw_level": 1.0,
        "osc2.detune_cents": 14.0,
        "osc1.vibrato.depth_cents": 20.0,
        "osc1.vibrato.rate_hz": 6.0,
        "filter.cutoff_hz": 1500.0,
    }
    path = tmp_path / "right.toml"
    fixed = "\n".join(f'"{name}" = {value}' for name, value in values.items())
    path.write_text(
        f'schema_version = 1\nname = "right"\nmeaning = "All known."\n[fixed]\n{fixed}\n'
        '[free]\n"tune_cents" = { low = -0.01, high = 0.01 }\n',
        encoding="utf-8",
    )
    target = own_target(60.0, 64.0, values=values)
    found = match_leaving_out(target, leave_out="C4", evals=32, **{**QUICK, "structure": path})
    left = found.left_out[0]
    scored = prepare_note(target.notes[0])
    problem = Problem(found.structure, ParameterSpace(()), found.patch.values, 1)
    rng = np.random.default_rng(11)
    with Evaluator(problem, [scored], [target.notes[0].note], n_threads=1) as evaluator:
        drawn = evaluator.losses(rng.random((64, problem.n_dimensions)))
    # Below the best of 64 others, which the refinement would have to be lucky to miss, and less
    # than half of what a single draw gives.
    assert left.loss.total < drawn.min()
    assert left.loss.total < 0.5 * np.median(drawn)


def test_each_note_is_left_out_in_turn(target: Target) -> None:
    """The patch that is kept knows all notes; each trial is a fit that doesn't know its note."""
    every = match_leaving_out(target, leave_out="each", evals=120, **QUICK)
    assert [left.note.name for left in every.left_out] == ["low_C3", "scale-2", "C5"]
    assert every.n_evaluations == 60
    assert every.target.digest == target.digest
    assert len(every.notes) == 3
    for i, left in enumerate(every.left_out):
        rest = Target(tuple(n for j, n in enumerate(target.notes) if j != i))
        fit = match(rest, evals=20, **QUICK)
        assert left.patch.values == fit.patch.values
        assert left.fitted == fit.end
    assert every.settings["leave_out"] == {
        "notes": ["low_C3", "scale-2", "C5"],
        "each": True,
        "seconds": None,
        "evals": 120,
        "phase_sets": 160,
    }


def test_too_few_evaluations_are_refused(target: Target) -> None:
    """Each fit has at least one."""
    with pytest.raises(ParameterError, match=r"evals is 5; it must be 6 or more"):
        match_leaving_out(target, leave_out="each", evals=5, **QUICK)


def test_a_stopped_search_still_tries_its_patch(target: Target) -> None:
    """What was found until then is judged; trials that never began are missing."""
    stopped = match_leaving_out(
        target, leave_out="C5", evals=1000, **{**QUICK, "stop": lambda: True}
    )
    assert stopped.stop_reason == "stopped"
    assert len(stopped.left_out) == 1
    every = match_leaving_out(
        target, leave_out="each", evals=1000, **{**QUICK, "stop": lambda: True}
    )
    assert every.stop_reason == "stopped"
    assert every.left_out == ()
    assert "the search ended before a note was tried" in format_match(every)


def test_ctrl_c_in_a_trial_keeps_what_is_done(
    target: Target, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The match and the trials before it aren't lost."""
    original = matcher.leave_out._try_on
    calls: list[int] = []

    def try_on(*arguments: object) -> object:
        calls.append(1)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return original(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(matcher.leave_out, "_try_on", try_on)
    found = match_leaving_out(target, leave_out=["C3", "C5"], evals=32, **QUICK)
    assert [left.note.name for left in found.left_out] == ["low_C3"]
    assert found.n_evaluations == 32


def test_an_estimated_gate_is_corrected(target: Target) -> None:
    """A gate that the ear got wrong isn't held against the patch; a given one stays."""
    wrong = replace(target.notes[1].note, gate_s=target.notes[1].note.gate_s + 0.06)
    given = replace(target.notes[1], note=wrong)
    guessed = replace(given, estimated=frozenset({"gate", "onset"}))
    losses = []
    for middle in (given, guessed):
        mixed = Target((target.notes[0], middle, target.notes[2]))
        found = match_leaving_out(mixed, leave_out="scale-2", evals=150, **QUICK)
        losses.append(found.left_out[0].loss.total)
        is_kept = found.left_out[0].note.note.gate_s == wrong.gate_s
        assert is_kept is (middle is given)
    assert losses[1] < losses[0]


def test_a_run_folder_keeps_the_trials(result: MatchResult, tmp_path: Path) -> None:
    """Both sounds, marked; losses, phases and level in run.json; all read back."""
    run = save_run(result, tmp_path / "run")
    assert [note.name for note in run.left_out] == ["scale-2"]
    assert run.left_out[0].match.name == "scale-2-left-out.wav"
    assert run.left_out[0].target.is_file()
    entry = run.run["left_out"][0]  # type: ignore[index]
    left = result.left_out[0]
    assert entry["is_left_out"] is True
    assert entry["loss"] == left.loss.to_dict()
    assert entry["fitted_loss"] == result.end.to_dict()
    assert entry["phases"] == dict(left.phases)
    assert entry["level_gap_db"] == left.level_gap_db
    assert run.run["settings"]["leave_out"]["notes"] == ["scale-2"]  # type: ignore[index]
    assert [note.name for note in load_run(tmp_path / "run").notes] == ["low_C3", "C5"]
    files = {file["path"]: file["sha256"] for file in run.run["files"]}  # type: ignore[attr-defined]
    assert files["match/scale-2-left-out.wav"] == sha256_digest(run.left_out[0].match)


def test_the_printout_compares_fitted_and_left_out(
    result: MatchResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Term by term, note by note, with what was done about phases; within 80 columns."""
    monkeypatch.chdir(tmp_path)
    text = format_match(result, save_run(result, "run"))
    section = text[text.index("Left out: does the patch hold") :]
    assert "The patch was not fitted to these notes." in section
    assert "best of 160" in " ".join(section.split())
    left = result.left_out[0]
    assert f"{result.end.total:.2f}" in section
    assert f"{left.loss.total:.2f}" in section
    assert f"{abs(left.level_gap_db):.1f} dB too" in section
    assert "NAME-left-out.wav" in section
    assert text.index("  scale-2\n") < text.index("Search:")
    assert max(map(len, text.splitlines())) <= 79
