"""``earwright match --resume`` and ``--extend`` through the front door."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher import resume_match
from matcher.cli import main
from matcher.evaluator import Evaluator
from matcher.optimise import SearchRecord
from matcher.runs import list_versions
from matcher.runs.folder import load_run
from shared import EarwrightWarning, Patch
from tests.matcher.cli.recordings_on_disk import write_note
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.runs import Version
    from shared import FloatArray

pytestmark = pytest.mark.slow

SETTINGS = (
    "--tries", "96", "--structure", "one-oscillator", "--seed", "4", "--quiet", "--no-report",
)  # fmt: skip


class CutOffError(Exception):
    """Stands for a process that ends without a word."""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a match that was finished."""
    folder = tmp_path_factory.mktemp("finished")
    recording = str(write_note(folder / "reed.wav"))
    main(["match", recording, *SETTINGS, "--out", str(folder / "out")])
    return folder / "out"


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)
    write_note("reed.wav")


def _cut_off(
    monkeypatch: pytest.MonkeyPatch,
    *argv: str,
    recordings: tuple[str, ...] = ("reed.wav",),
    n_calls: int = 5,
) -> None:
    """Run a match, and let it end at one of its evaluations."""
    _main_cut_off(monkeypatch, ["match", *recordings, *SETTINGS, *argv], n_calls=n_calls)


def _main_cut_off(monkeypatch: pytest.MonkeyPatch, argv: list[str], *, n_calls: int) -> None:
    """Run a command, and let it end at one of its evaluations."""
    real: Callable[[Evaluator, FloatArray], tuple[FloatArray, FloatArray]]
    real = Evaluator.losses_and_scores
    counted = iter(range(n_calls))

    def scored(self: Evaluator, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        if next(counted, None) is None:
            raise CutOffError
        return real(self, vectors)

    with monkeypatch.context() as patch:
        patch.setattr(Evaluator, "losses_and_scores", scored)
        with pytest.raises(CutOffError):
            main(argv)


def _without_rungs(run: str) -> list[Version]:
    """List versions without those of ladders, of which each match makes as many as it can."""
    return [version for version in list_versions(run) if version.kind != "rung"]


def test_an_interrupted_match_is_gone_on_with(
    finished: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The patch is that of a match in one go, also when the recording is no longer there."""
    _cut_off(monkeypatch, "--out", "cut")
    assert not Path("cut/run.json").exists()
    Path("reed.wav").unlink()
    assert main(["match", "--resume", "cut", "--quiet", "--no-report"]) == 0
    assert load_run("cut").patch == load_run(finished).patch
    cut, whole = (SearchRecord.from_npz(load_run(name).record) for name in ("cut", finished))
    np.testing.assert_array_equal(cut.candidates, whole.candidates)
    assert [v.patch for v in list_versions("cut")] == [v.patch for v in list_versions(finished)]


def test_a_structure_file_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Going on needs neither the user's structure file nor the one as it is by now."""
    Path("mine.toml").write_text(
        'schema_version = 1\nname = "mine"\nmeaning = "My own."\n[free]\n'
        '"filter.cutoff_hz" = {}\n"amp_env.attack_s" = {}\n'
    )
    _cut_off(monkeypatch, "--structure", "mine.toml", "--out", "cut")
    Path("mine.toml").unlink()
    assert main(["match", "--resume", "cut", "--quiet", "--no-report"]) == 0
    assert load_run("cut").patch.structure == "mine"


def test_notes_left_out_are_gone_on_with(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of fits that leave out each note, those that are done stay, and the rest follow."""
    soundfile.write("oboe.wav", played_note(60.0), RATE_HZ)
    # The fit that is kept takes 9 batches of this budget, each trial some 14.
    argv = ("--leave-out", "each", "--tries", "48")
    assert main(["match", "reed.wav", "oboe.wav", *SETTINGS, *argv, "--out", "whole"]) == 0
    _cut_off(monkeypatch, *argv, "--out", "cut", recordings=("reed.wav", "oboe.wav"), n_calls=28)
    assert main(["match", "--resume", "cut", "--quiet", "--no-report"]) == 0
    cut, whole = load_run("cut").run, load_run("whole").run
    assert cut["loss"] == whole["loss"]
    assert [note["loss"] for note in cut["left_out"]] == [  # type: ignore[attr-defined]
        note["loss"]
        for note in whole["left_out"]  # type: ignore[attr-defined]
    ]


def test_extend_adds_to_a_finished_match(
    finished: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The budget grows, the loss doesn't, and the earlier versions stay as they were."""
    shutil.copytree(finished, "out")
    before = {path: path.read_bytes() for path in Path("out/versions").iterdir()}
    matched = list_versions("out")[-1]
    assert matched.loss is not None
    assert main(["match", "--extend", "out", "--tries", "64", "--quiet", "--no-report"]) == 0
    run = load_run("out")
    assert run.run["figures"]["evaluations"] == 160  # type: ignore[index]
    *rungs, last = list_versions("out")[len(before) :]
    assert {version.kind for version in rungs} <= {"rung"}
    assert before == {path: path.read_bytes() for path in before}
    assert (last.kind, last.parent, last.patch) == ("final", matched.number, run.patch)
    assert last.loss is not None
    assert last.loss.total <= matched.loss.total
    assert main(["match", "--extend", "out", "--tries", "32", "--quiet", "--no-report"]) == 0
    assert load_run("out").run["figures"]["evaluations"] == 192  # type: ignore[index]
    capsys.readouterr()


def test_an_extended_match_comes_from_the_match(finished: Path) -> None:
    """What was set by hand in the meantime is not what the match went on from, and `log` tells."""
    shutil.copytree(finished, "out")
    matched = list_versions("out")[-1]
    assert matched.title == "match"
    main(["refine", "out", "--set", "amp_env.release_s=0.3", "--tries", "0", "--quiet"])
    for _ in range(2):
        main(["match", "--extend", "out", "--tries", "32", "--quiet", "--no-report"])
    *_, by_hand, last, further = _without_rungs("out")
    assert by_hand.kind == "set"
    assert (last.parent, last.title) == (matched.number, "match, extended")
    assert further.parent == last.number


def test_a_match_that_has_converged_is_finished(
    finished: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A search that has ended before its budget was used is not gone on with by itself."""
    shutil.copytree(finished, "out")
    path = Path("out/run.json")
    path.write_text(
        path.read_text().replace('"stop_reason": "evaluations"', '"stop_reason": "converged"')
    )
    assert load_run("out").run["stop_reason"] == "converged"
    assert main(["match", "--resume", "out"]) == 2
    assert "out is finished" in capsys.readouterr().err


def test_an_edited_patch_is_kept_when_a_match_goes_on(finished: Path) -> None:
    """What the user wrote into patch.json is a version before the match puts its own there."""
    shutil.copytree(finished, "out")
    edited = load_run("out").patch.replace(values={"amp_env.release_s": 0.333})
    edited.save("out/patch.json", overwrite=True)
    assert main(["match", "--extend", "out", "--tries", "32", "--quiet", "--no-report"]) == 0
    *_, by_hand, last = _without_rungs("out")
    assert (by_hand.kind, by_hand.patch.values["amp_env.release_s"]) == ("edit", 0.333)
    assert (last.kind, last.patch) == ("final", load_run("out").patch)


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["--resume", "out"], r"out is finished: its budget is used, .* Add to it with --extend"),
        (["--resume", "nowhere"], r"nowhere is no folder"),
        (["--resume", "."], r"\. holds no search to go on with"),
        (["--resume", "out", "reed.wav"], r"RECORDING can't stand beside --resume"),
        (["--resume", "out", "--seed", "2"], r"--seed can't stand beside --resume"),
        (["--resume", "out", "--extend", "out"], r"--extend can't stand beside --resume"),
        (["--resume", "out", "--tries", "64"], r"--tries can't stand beside --resume"),
        (["--extend", "out"], r"--extend needs --seconds or --tries"),
        (["--extend", "out", "--seconds", "5"], r"--seconds is 5, and the budget .* Give --tries"),
        (["--tries", "5"], r"RECORDING is missing"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_gone_on_with_is_one_line(
    argv: list[str], message: str, finished: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was typed and what to do instead; exit 2, and the run stays as it was."""
    shutil.copytree(finished, "out")
    before = {p: p.read_bytes() for p in Path("out").rglob("*") if p.is_file()}
    capsys.readouterr()
    assert main(["match", *argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert re.match(rf"earwright: .*({message})", err), err
    assert before == {p: p.read_bytes() for p in Path("out").rglob("*") if p.is_file()}


def test_a_folder_with_an_interrupted_search_is_not_taken(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A new match doesn't fall upon a search that can be gone on with; --force may replace it."""
    _cut_off(monkeypatch, "--out", "cut")
    assert main(["match", "reed.wav", *SETTINGS, "--out", "cut"]) == 2
    assert "go on with the search in it (earwright match --resume)" in capsys.readouterr().err
    assert main(["match", "reed.wav", *SETTINGS, "--out", "cut", "--force"]) == 0
    assert [path.name for path in Path("cut/searches").iterdir()] == ["0002"]


@pytest.mark.parametrize(
    "command", ["versions", "summary", "explain", "render", "refine", "report"]
)
def test_a_match_that_has_not_ended_is_named_with_its_cure(
    command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After a crash, other commands say how to come to a run."""
    _cut_off(monkeypatch, "--out", "cut")
    capsys.readouterr()
    assert main([command, "cut"]) == 2
    assert "earwright match --resume" in capsys.readouterr().err


def test_force_keeps_the_old_run_until_the_new_one_is_whole(
    finished: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A replacement that is cut off leaves the earlier run readable, and can be gone on with."""
    shutil.copytree(finished, "out")
    old = load_run("out").patch
    _cut_off(monkeypatch, "--out", "out", "--force", "--seed", "9")
    assert load_run("out").patch == old
    assert main(["match", "--resume", "out", "--quiet", "--no-report"]) == 0
    new = load_run("out")
    assert new.run["seed"] == 9
    assert list_versions("out")[-1].patch == new.patch != old
    assert [path.name for path in Path("out/searches").iterdir()] == ["0002"]


def test_other_versions_are_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search that began with another version of what decides about it says so."""
    _cut_off(monkeypatch, "--out", "cut")
    path = Path("cut/searches/0001/request.json")
    path.write_text(re.sub(r'"numpy": "[^"]*"', '"numpy": "1.0"', path.read_text()))
    with pytest.warns(EarwrightWarning, match=r"numpy 1\.0 then"):
        resume_match("cut", progress=False)
    assert Patch.load("cut/patch.json") == load_run("cut").patch
