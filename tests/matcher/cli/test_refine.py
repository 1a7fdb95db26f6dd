"""refine, versions, changes, keep and back through the front door."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from matcher.cli import main
from matcher.runs import list_versions
from matcher.runs.folder import load_run
from shared import MAX_LOUDNESS_LUFS, MAX_TRUE_PEAK_DBTP, loudness_lufs, true_peak_db
from tests.matcher.cli.recordings_on_disk import write_note

pytestmark = pytest.mark.slow

QUICK = ("--tries", "48", "--quiet")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a recording and a run of it."""
    folder = tmp_path_factory.mktemp("made")
    write_note(folder / "reed.wav")
    arguments = ["match", str(folder / "reed.wav"), "--structure", "one-oscillator"]
    main([*arguments, "--tries", "64", "--out", str(folder / "run"), "--quiet", "--no-report"])
    return folder


@pytest.fixture(autouse=True)
def _in_copy(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a copy of the folder as the current one."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)


def _tree(folder: str = ".") -> dict[Path, bytes]:
    """Read all files below a folder."""
    return {path: path.read_bytes() for path in Path(folder).rglob("*") if path.is_file()}


def test_a_refinement_is_told_and_kept(capsys: pytest.CaptureFixture[str]) -> None:
    """What was moved, what it brought, what changed; the run has a version more."""
    # From a filter that is far off, so that there is something to bring.
    off = ["--set", "filter.cutoff_hz=300", "--only", "amp_env.attack_s"]
    assert main(["refine", "run", *off, *QUICK]) == 0
    capsys.readouterr()
    n_before = len(list_versions("run"))
    argv = ["--only", "filter*", "--lock", "filter_env.release_s", "--within", "20%"]
    argv += ["--tries", "96", "--comment", "softer attack", "--details"]
    assert main(["refine", "run", *argv]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in (
        "6 settings were moved, ",
        "Distance (0 is identical",
        "Changed",
        "filter.cutoff_hz",
        f"Version {n_before + 1} of run",
    ):
        assert words in out
    last = list_versions("run")[-1]
    assert last.note == "softer attack"
    moved = set(last.changed)
    assert moved
    assert all(name.startswith("filter") and name != "filter_env.release_s" for name in moved)


def test_groups_and_amounts_for_some(capsys: pytest.CaptureFixture[str]) -> None:
    """A group stands for its parameters, and a narrow range for one of them holds."""
    before = list_versions("run")[-1].patch.values["amp_env.attack_s"]
    within = ["--within", "amp_env.attack_s=0.001"]
    assert main(["refine", "run", "--only", "attack", *within, *QUICK]) == 0
    assert capsys.readouterr().out == "run\n"
    after = list_versions("run")[-1]
    groups = {name.partition(".")[0] for name in after.changed}
    assert groups <= {"amp_env", "filter_env"}
    # A rounding error more than the 1 ms that was asked for.
    assert abs(after.patch.values["amp_env.attack_s"] - before) <= 0.001 + 1e-12


def test_values_are_set_as_they_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """30ms is what the sheet says, and is a version; setting it again changes nothing."""
    argv = ["refine", "run", "--set", "amp_env.attack_s=30ms", "--tries", "0", "--details"]
    assert main(argv) == 0
    out = capsys.readouterr().out
    assert "Set, and not searched." in out
    assert "30 ms" in out
    assert load_run("run").patch.values["amp_env.attack_s"] == pytest.approx(0.03)
    assert list_versions("run")[-1].kind == "set"
    assert main(argv) == 0
    assert "Nothing changed: the distance is" in capsys.readouterr().out


def test_a_patch_file_is_refined_into_a_run_of_its_own(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A patch and recordings make a run folder with start and end; the file isn't touched."""
    shutil.copy("run/patch.json", "mine.json")
    before = Path("mine.json").read_bytes()
    argv = ["mine.json", "reed.wav", "--only", "amp_env*", "--out", "new"]
    assert main(["refine", *argv, *QUICK]) == 0
    assert capsys.readouterr().out == "new\n"
    assert Path("mine.json").read_bytes() == before
    assert [version.kind for version in list_versions("new")] == ["start", "final"]
    assert load_run("new").run["command_line"][:3] == [  # type: ignore[index]
        "earwright", "refine", "mine.json",
    ]  # fmt: skip


def test_versions_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """The latest stands first, with loss, parent, names and note, on 80 columns."""
    main(["refine", "run", "--only", "filter*", "--comment", "a note " * 20, *QUICK])
    main(["keep", "run", "softer attack"])
    capsys.readouterr()
    assert main(["versions", "run"]) == 0
    out = capsys.readouterr().out
    versions = list_versions("run")
    assert re.search(rf"^now +{len(versions)} refine filter\*", out, re.MULTILINE)
    assert "kept as: softer attack" in out
    assert "comment: a note a note" in out
    assert max(map(len, out.splitlines())) <= 79
    assert out.index("refine filter*") < out.index(" match ") < out.index(" start ")
    assert main(["versions", "run", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [each["number"] for each in document["versions"]] == [v.number for v in versions]
    assert document["versions"][-1]["values"] == dict(versions[-1].patch.values)


def test_changes_say_what_changed_and_what_is_heard(capsys: pytest.CaptureFixture[str]) -> None:
    """A cutoff an octave lower is told in Hz, raises the loss, and is heard as darker."""
    cutoff = list_versions("run")[-1].patch.values["filter.cutoff_hz"]
    values = [f"filter.cutoff_hz={cutoff / 2.0:.1f}", "amp_env.velocity_db=0.001"]
    main(["refine", "run", "--set", values[0], "--tries", "0", "--quiet"])
    capsys.readouterr()
    assert main(["changes", "run", "--version", "final", "--audio", "ab"]) == 0
    out = capsys.readouterr().out
    assert re.search(
        r"cutoff +[\d.]+ k?Hz -> [\d.]+ k?Hz   filter\.cutoff_hz\n +heard: .*darker", out
    )
    assert re.search(r"total +[\d.]+ +[\d.]+", out)
    assert "Heard between a and b" in out
    assert "Start with the monitor level down" in out
    sounds = [soundfile.read(f"ab/reed-{letter}.wav") for letter in "ab"]
    for sound, rate_hz in sounds:
        # A hundredth of a dB for the rounding to 24 bits.
        assert loudness_lufs(sound, rate_hz) <= MAX_LOUDNESS_LUFS + 0.01
        assert true_peak_db(sound, rate_hz) <= MAX_TRUE_PEAK_DBTP + 0.01
    assert sounds[0][0].shape == sounds[1][0].shape
    assert not np.array_equal(sounds[0][0], sounds[1][0])
    assert main(["changes", "run", "--version", "final", "--audio", "ab"]) == 2
    assert "ab exists" in capsys.readouterr().err


def test_a_patch_does_not_differ_from_itself(capsys: pytest.CaptureFixture[str]) -> None:
    """Equal patches are told as such, whether runs or files."""
    for pair in (("run", "--version", "final"), ("run/patch.json", "run/patch.json")):
        assert main(["changes", *pair]) == 0
        assert "All values are the same." in capsys.readouterr().out


def test_two_files_are_heard_on_a_plain_note(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a target there is no loss, and what is heard is still told."""
    shutil.copy("run/patch.json", "mine.json")
    main(["refine", "run", "--set", "amp_env.attack_s=0.2", "--tries", "0", "--quiet"])
    capsys.readouterr()
    assert main(["changes", "mine.json", "run/patch.json"]) == 0
    out = capsys.readouterr().out
    assert "-> 200 ms   amp_env.attack_s\n        heard: attack" in out
    assert "Distance" not in out


def test_a_change_too_small_to_print_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """The same text on both sides of an arrow would read like a mistake."""
    for number, attack_s in (("1", "0.2"), ("2", "0.2000001")):
        main(["refine", "run", "--set", f"amp_env.attack_s={attack_s}", "--tries", "0", "--quiet"])
        shutil.copy("run/patch.json", f"{number}.json")
    capsys.readouterr()
    assert main(["changes", "1.json", "2.json"]) == 0
    out = capsys.readouterr().out
    assert "200 ms, hardly moved   amp_env.attack_s" in out
    assert "->" not in out


def test_a_version_is_rendered(capsys: pytest.CaptureFixture[str]) -> None:
    """``--version`` plays that version, with the note of the run."""
    main(["refine", "run", "--set", "amp_env.attack_s=0.2", "--tries", "0", "--quiet"])
    for version, out in (("final", "before.wav"), ("now", "after.wav")):
        assert main(["render", "run", "--version", version, "--out", out]) == 0
    before, after = (soundfile.read(name)[0] for name in ("before.wav", "after.wav"))
    # 20 ms after its beginning a note with an attack of 200 ms is far below its peak.
    assert np.abs(after[:441]).max() < 0.5 * np.abs(before[:441]).max()
    capsys.readouterr()
    assert main(["render", "run", "--version", "nothing", "--out", "x.wav"]) == 2
    assert "has no version" in capsys.readouterr().err


def test_keep_and_back(capsys: pytest.CaptureFixture[str]) -> None:
    """A kept name leads back to its version, and the list only grows."""
    assert main(["keep", "run", "as matched"]) == 0
    assert "is kept as as matched" in capsys.readouterr().out
    n_matched = len(list_versions("run"))
    main(["refine", "run", "--set", "filter.cutoff_hz=900", "--tries", "0", "--quiet"])
    capsys.readouterr()
    assert main(["back", "run", "as matched", "--comment", "too dark"]) == 0
    assert f"run is back at version {n_matched}" in capsys.readouterr().out
    assert len(list_versions("run")) == n_matched + 2
    assert load_run("run").patch == list_versions("run")[n_matched - 1].patch


def test_going_back_writes_the_report_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A report takes seconds, and one of the present patch is enough."""
    written: list[str] = []
    monkeypatch.setattr("matcher.cli.versions.refresh_page", written.append)
    assert main(["back", "run", "final"]) == 0
    assert written == ["run"]


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["refine"], r"RUN_OR_PATCH is missing"),
        (
            ["refine", "run", "--only", "filtr*"],
            r'"filtr\*" names no parameter. Did you mean filt',
        ),
        (
            ["refine", "run", "--lock", "atack"],
            r'"atack" names no parameter. Did you mean .*attack',
        ),
        (["refine", "run", "--lock", "*"], r"there is nothing to search"),
        (["refine", "run", "--within", "far"], r'within is "far"'),
        (
            ["refine", "run", "--set", "filter.cutoff_hz"],
            r"NAME=VALUE in the parameter's own unit",
        ),
        (["refine", "run", "--set", "filter.cutof_hz=9"], r"Did you mean filter.cutoff_hz"),
        (["refine", "run", "--set", "osc2.saw_level=1"], r"osc2.saw_level is fixed"),
        (["refine", "run", "--tries", "0"], r"--tries is 0"),
        (["refine", "run", "--weights", "attack-first"], r"weights can't be given"),
        (["refine", "run/patch.json"], r"target is missing"),
        (["refine", "nowhere"], r"nowhere is no folder"),
        (["refine", "run", "--version", "99"], r"run has no version 99"),
        (["refine", "run", "--version", "finl"], r"Did you mean final"),
        (["refine", "--resume", "run"], r"run has no refinement that was interrupted"),
        (["refine", "--resume", "run", "--only", "attack"], r"--only can't stand beside --resume"),
        (["versions", "nowhere"], r"nowhere has no versions"),
        (["changes", "run", "nowhere"], r"nowhere holds no run"),
        (["keep", "run", "3"], r'"3" is no name'),
        (["keep", "run", "x", "--version", "99"], r"no version 99"),
        (["back", "run", "nothing"], r'no version "nothing"'),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_done_is_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was typed, what is accepted; exit 2, and nothing is changed."""
    before = _tree()
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert re.match(rf"earwright: .*({message})", err), err
    assert _tree() == before
