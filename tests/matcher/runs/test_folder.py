"""Run folders: whole or not there, and never in the way of anything else."""

from __future__ import annotations

import dataclasses
import json
import resource
import shutil
import signal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from matcher.optimise import SearchRecord
from matcher.runs import find_version, go_back, list_versions, shorten
from matcher.runs.folder import load_run, lock_new_run, save_run
from matcher.search.ladder import HALF_STEP
from shared import (
    MAX_LOUDNESS_LUFS,
    MAX_TRUE_PEAK_DBTP,
    Patch,
    RunFolderError,
    loudness_lufs,
    sha256_digest,
    true_peak_db,
)
from tests.matcher.small_match import small_match

if TYPE_CHECKING:
    from matcher import MatchResult

LISTED = {
    "patch.json",
    "record.npz",
    "evaluations.npz",
    "study.log",
    "target/reed.wav",
    "match/reed.wav",
}
# Besides: what stays as it is, once it is written, and the lock.
FILES = LISTED | {
    "run.json",
    ".lock",
    "searches/0001/request.json",
    "searches/0001/target.npz",
    "searches/0001/structure.toml",
}
# The same after another search has taken its place.
SECOND_FILES = {name.replace("0001", "0002") for name in FILES}


@pytest.fixture(scope="module")
def result() -> MatchResult:
    """Return a small match of one note."""
    return small_match()


@pytest.fixture(scope="module")
def saved_once(result: MatchResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Save that match."""
    return save_run(result, tmp_path_factory.mktemp("saved") / "run").path


@pytest.fixture
def kept(saved_once: Path, tmp_path: Path) -> Path:
    """Return a copy of the saved match, to be changed."""
    return Path(shutil.copytree(saved_once, tmp_path / "run"))


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


def _files(folder: Path) -> set[str]:
    """List all files below a folder, hidden ones too, but for versions."""
    below = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    return {name for name in below if not name.startswith("versions/")}


def _edit(folder: Path, **changes: object) -> None:
    """Change fields of run.json."""
    path = folder / "run.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))


def test_a_run_comes_back(result: MatchResult) -> None:
    """What was written is read back: patch, notes, record, and where they are."""
    saved = save_run(result, "out")
    loaded = load_run("out")
    assert loaded.path == saved.path == Path("out")
    assert loaded.patch == Patch.load("out/patch.json") == result.patch
    assert loaded.run == saved.run
    assert [note.name for note in loaded.notes] == ["reed"]
    assert loaded.notes[0].played == result.target.notes[0].note
    record = SearchRecord.from_npz(loaded.record)
    np.testing.assert_array_equal(record.losses, result.record.losses)
    assert _files(Path("out")) == FILES


def test_a_match_leaves_its_versions(result: MatchResult, saved_once: Path) -> None:
    """Start, end of each stage, rungs of the ladder and final patch, from the stage before."""
    versions = list_versions(saved_once)
    stages = [stage.kind for stage in result.stages]
    rungs = ["rung"] * len(result.ladder)
    assert [v.kind for v in versions] == [*stages, *rungs, "final"]
    assert len(stages) > 2
    assert stages[0] == "start"
    parents = [None, *range(1, len(stages)), *[len(stages)] * (len(rungs) + 1)]
    assert [v.parent for v in versions] == parents
    patches = [each.patch for each in (*result.stages, *result.ladder)]
    assert [v.patch for v in versions[:-1]] == patches
    assert versions[-1].patch == result.patch
    assert versions[-1].loss == result.end
    assert versions[0].loss == result.start
    assert versions[-1].gates_s == tuple(match.note.note.gate_s for match in result.notes)


def test_a_rung_is_found_by_its_settings(result: MatchResult, kept: Path) -> None:
    """By its name, or as the nearest below what was asked for; then it is the patch."""
    shortest, rung = result.ladder[-1], list_versions(kept)[-2]
    assert rung.title == f"{shortest.n_settings} settings"
    assert find_version(kept, rung.title).patch == shortest.patch
    assert shorten(kept, 1).parent == rung.number
    assert load_run(kept).patch == shortest.patch


def test_all_evaluations_open_as_a_table(result: MatchResult, saved_once: Path) -> None:
    """The columns of evaluations.npz are the record in physical units, one array each."""
    saved = load_run(saved_once)
    with np.load(saved.evaluations) as table:
        columns = dict(table)
    assert {len(column) for column in columns.values()} == {64}
    np.testing.assert_array_equal(columns["loss"], result.record.losses)
    np.testing.assert_array_equal(columns["evaluation"], np.arange(1, 65))
    best = int(np.argmin(columns["loss"]))
    name = "filter.cutoff_hz"
    place = result.record.candidates[best, result.record.names.index(name)]
    # One unit in the last place: one column is decoded there, a table here.
    np.testing.assert_allclose(columns[name][best], result.space[name].decode(place), rtol=1e-12)


def test_run_json_tells_everything(result: MatchResult) -> None:
    """Settings, seed, versions, command line, sources, figures, losses and history are there."""
    run: Any = save_run(result, "out", command_line=["earwright", "match", "reed.wav"]).run
    assert run["command_line"] == ["earwright", "match", "reed.wav"]
    assert run["seed"] == run["settings"]["seed"] == 3
    assert {"python", "numpy", "earwright"} <= set(run["versions"])
    assert run["structure"]["name"] == "one-oscillator"
    assert run["stop_reason"] == "evaluations"
    assert run["loss"] == {"start": result.start.to_dict(), "end": result.end.to_dict()}
    assert run["figures"]["evaluations"] == 64
    overhead = 1.0 - result.busy_s / result.elapsed_s
    assert run["figures"]["search_overhead_ratio"] == pytest.approx(overhead)
    # The patch may be shorter than the best candidate, and by so little worse that none hears it.
    best, kept = run["history"][-1]["loss"], result.end.total
    # 1e-6: what does nothing is put to rest behind the search, which moves the last digits.
    assert best <= kept * (1.0 + 1e-6)
    assert kept <= best + HALF_STEP + 1e-3
    assert run["target"]["digest"] == result.target.digest
    (note,) = run["notes"]
    assert note["played"]["sources"] == {"pitch": "heard", "velocity": "given", "gate": "heard"}
    assert note["heard"]["pitch_hz"] == pytest.approx(220.0, rel=1e-3)
    assert note["loss"] == result.notes[0].loss.to_dict()


def test_the_list_of_files_is_true(saved_once: Path) -> None:
    """Files that change with the current state are listed with size and digest."""
    saved = load_run(saved_once)
    listed: Any = saved.run["files"]
    assert {entry["path"] for entry in listed} == LISTED
    for entry in listed:
        path = saved.path / entry["path"]
        assert entry["bytes"] == path.stat().st_size
        assert entry["sha256"] == sha256_digest(path)


@pytest.mark.parametrize("gain", [0.001, 0.99], ids=["quiet", "loud"])
def test_both_sounds_have_one_gain(gain: float) -> None:
    """Target and match are level-matched and placed alike, and within the limits."""
    result = small_match(gain=gain)
    saved = save_run(result, "out")
    run: Any = saved.run
    factor = run["notes"][0]["gain"]
    (match,) = result.notes
    for path, sound in (
        (saved.notes[0].target, match.note.signal),
        (saved.notes[0].match, match.sound),
    ):
        written, rate_hz = soundfile.read(path)
        assert rate_hz == match.note.sample_rate_hz
        assert soundfile.info(path).subtype == "PCM_24"
        # One step of 24 bits is 2**-23.
        np.testing.assert_allclose(written, sound * factor, rtol=0.0, atol=2.0**-23)
        # A hundredth of a dB for the rounding to 24 bits.
        assert loudness_lufs(written, rate_hz) <= MAX_LOUDNESS_LUFS + 0.01
        assert true_peak_db(written, rate_hz) <= MAX_TRUE_PEAK_DBTP + 0.01


def test_the_study_opens_with_optuna(result: MatchResult, saved_once: Path) -> None:
    """Plain Optuna finds the study, its best value, and values in physical units."""
    optuna = pytest.importorskip("optuna")
    saved = load_run(saved_once)
    backend = optuna.storages.journal.JournalFileBackend(str(saved.study))
    study = optuna.load_study(study_name="match", storage=optuna.storages.JournalStorage(backend))
    assert study.best_value == pytest.approx(result.record.losses.min())
    name = "filter.cutoff_hz"
    best = int(np.argmin(result.record.losses))
    column = result.record.names.index(name)
    wanted = result.space[name].decode(float(result.record.candidates[best, column]))
    assert study.best_params[name] == pytest.approx(wanted, rel=1e-9)


def test_the_default_folder_takes_the_next_number(result: MatchResult) -> None:
    """Nothing is ever overwritten: numbers go on from what is there, also beside gaps."""
    Path("runs").mkdir()
    Path("runs/reed-one-oscillator-2").write_text("a file of that name")
    first = lock_new_run(result.target, "one-oscillator").path
    second = save_run(result).path
    assert first == Path("runs/reed-one-oscillator-1")
    assert second == Path("runs/reed-one-oscillator-3")


def test_an_unused_folder_goes_again(result: MatchResult, tmp_path: Path) -> None:
    """A search that fails leaves no empty folders behind."""
    with lock_new_run(result.target, "x", folder="deep/down/out") as locked:
        assert locked.path.is_dir()
    assert list(tmp_path.iterdir()) == []


def test_a_full_folder_is_refused(result: MatchResult) -> None:
    """Without force nothing is replaced, and an earlier run can be named as such."""
    save_run(result, "out")
    before = Path("out/run.json").read_bytes()
    with pytest.raises(RunFolderError, match=r"out is not empty.*add --force to replace the run"):
        save_run(result, "out")
    assert Path("out/run.json").read_bytes() == before


def test_force_replaces_a_run_and_keeps_the_rest(result: MatchResult) -> None:
    """Files of the earlier run go, also those of notes that are no more; notes.txt stays."""
    save_run(small_match("clarinet", "oboe"), "out")
    Path("out/notes.txt").write_text("mine")
    Path("out/match/mine.wav").write_text("mine, too")
    save_run(result, "out", force=True)
    assert _files(Path("out")) == {*SECOND_FILES, "notes.txt", "match/mine.wav"}


def test_force_never_touches_other_folders(result: MatchResult) -> None:
    """A folder without a run isn't written to, whatever is asked for."""
    Path("home").mkdir()
    Path("home/letter.txt").write_text("dear")
    Path("home/run.json").write_text('{"kind": "something else"}')
    with pytest.raises(RunFolderError, match="no run of earwright; --force replaces a run only"):
        save_run(result, "home", force=True)
    assert _files(Path("home")) == {"letter.txt", "run.json"}


def test_force_believes_no_foreign_paths(result: MatchResult) -> None:
    """A changed run.json can't make force delete files outside, or others inside."""
    save_run(result, "out")
    Path("precious.txt").write_text("keep")
    Path("out/precious.txt").write_text("keep")
    names = [
        "../precious.txt",
        "precious.txt",
        "target/../../precious.txt",
        str(Path("precious.txt").resolve()),
    ]
    _edit(Path("out"), files=[{"path": name} for name in names])
    save_run(result, "out", force=True)
    assert Path("precious.txt").exists()
    assert Path("out/precious.txt").exists()


def test_force_takes_what_an_interrupted_run_left(result: MatchResult) -> None:
    """A run without run.json was cut off; force may write there, and tidies up."""
    save_run(result, "out")
    Path("out/run.json").unlink()
    Path("out/.earwright-0123456789abcdef.tmp").mkdir()
    Path("out/.earwright-0123456789abcdef.tmp/half.wav").write_text("half")
    save_run(result, "out", force=True)
    assert _files(Path("out")) == SECOND_FILES


@pytest.mark.parametrize(
    ("folder", "message"),
    [
        ("file", r"file is a file; it must be a new or an empty folder"),
        ("file/out", r"file/out can't be written: file is no folder"),
        ("x" * 300, r"x+ can't be written: File name too long"),
    ],
    ids=["file", "below a file", "long"],
)
def test_a_place_that_is_no_folder_is_refused(
    folder: str, message: str, result: MatchResult, tmp_path: Path
) -> None:
    """One line says what is wrong, before anything is written."""
    Path("file").write_text("content")
    with pytest.raises(RunFolderError, match=message):
        lock_new_run(result.target, "x", folder=folder)
    assert _files(tmp_path) == {"file"}


def _save_on_a_full_disk(result: MatchResult, **options: bool) -> None:
    """Save where no file may grow over 20 kB: a real refusal that needs no full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(RunFolderError, match=r"out can't be written: File too large"):
            save_run(result, "out", **options)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_leaves_nothing_new_and_keeps_the_earlier_run(
    result: MatchResult, tmp_path: Path
) -> None:
    """A new folder goes; an earlier run is untouched until all of the new one is written."""
    _save_on_a_full_disk(result)
    assert list(tmp_path.iterdir()) == []
    save_run(result, "out")
    before = {name: sha256_digest(Path("out") / name) for name in _files(Path("out"))}
    _save_on_a_full_disk(result, force=True)
    assert {name: sha256_digest(Path("out") / name) for name in _files(Path("out"))} == before


def test_interrupts_wait_for_the_files(
    result: MatchResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while writing is let through afterwards: the folder is whole."""
    to_npz = SearchRecord.to_npz

    def interrupted(self: SearchRecord, *args: object, **options: object) -> None:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        to_npz(self, *args, **options)

    monkeypatch.setattr(SearchRecord, "to_npz", interrupted)
    with pytest.raises(KeyboardInterrupt):
        save_run(result, "out")
    assert load_run("out").patch == result.patch
    assert _files(Path("out")) == FILES


def test_strange_names_become_files() -> None:
    """Slashes, line feeds, leading dots, doubles, 300 signs, broken text: all get a file."""
    names = ["../up", "a\nb", ".dot", "same", "same", "x" * 300, "bad\udcff"]
    saved = save_run(small_match(*names), "out")
    assert [note.name for note in saved.notes] == names
    stems = [note.target.stem for note in saved.notes]
    assert stems == ["up", "a_b", "dot", "same", "same-2", "x" * 100, "bad"]
    inside = Path("out").resolve()
    for note in saved.notes:
        assert note.target.resolve().parent == inside / "target"
        assert note.match.resolve().parent == inside / "match"


def test_numbers_that_are_not_finite_become_null(result: MatchResult) -> None:
    """run.json is strict JSON for every reader, whatever a loss was."""
    broken = dataclasses.replace(result.end, total=float("inf"))
    saved = save_run(dataclasses.replace(result, end=broken), "out")

    def refuse(text: str) -> None:
        raise AssertionError(text)

    text = (saved.path / "run.json").read_text(encoding="utf-8")
    document = json.loads(text, parse_constant=refuse)
    assert document["loss"]["end"]["total"] is None


GOOD_FILES = {"target": "target/reed.wav", "match": "match/reed.wav"}
GOOD_NOTE = {"midi_pitch": 57.0, "velocity": 90, "gate_s": 0.5}


def _note(**changes: object) -> dict[str, Any]:
    """Describe a note with some of it changed."""
    return {"notes": [{"name": "reed", "files": GOOD_FILES, "played": GOOD_NOTE, **changes}]}


def _target(name: object) -> dict[str, Any]:
    """Describe a note whose target is elsewhere."""
    return _note(files={**GOOD_FILES, "target": name})


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"kind": "letter"}, r'kind is "letter"; it must be "earwright run"'),
        ({"schema_version": 2}, r"schema_version is 2; it must be 1"),
        ({"notes": []}, r"notes is \[\]; it must be a list"),
        ({"notes": [{"name": "reed"}]}, r"notes\[0\]\.files is missing"),
        (_target("../secret.wav"), r"it must be a file in target/"),
        (_target("target/.."), r"it must be a file in target/"),
        (_target("/etc/passwd"), r"it must be a file in target/"),
        (_target(7), r"files\.target is 7; it must be text"),
        (_note(played={**GOOD_NOTE, "midi_pitch": 300}), r"midi_pitch is 300"),
        (
            _note(played={**GOOD_NOTE, "midi_pitch": "C4"}),
            r'midi_pitch is "C4"; it must be a number',
        ),
        ({"loss": {"start": "far", "end": {}}}, r"loss\.start is .far"),
        ({"loss": {"end": {"total": "near"}}}, r"loss\.end\.total is"),
        ({"history": [{"evaluations": 1, "loss": [2.0]}]}, r"history\[0\]\.loss is"),
        ({"history": {}}, r"history is"),
        ({"figures": {"evaluations": True}}, r"figures\.evaluations is true"),
        ({"figures": {"evaluations": 10**400}}, r"figures\.evaluations is 1000"),
        ({"settings": []}, r"settings is"),
    ],
)
def test_a_wrong_field_is_named(changes: dict[str, Any], message: str, kept: Path) -> None:
    """File, field, what is there and what is accepted; paths lead into the folder only."""
    _edit(kept, **changes)
    with pytest.raises(RunFolderError, match=rf"run\.json, .*{message}"):
        load_run(kept)


def test_what_is_missing_or_null_is_accepted(kept: Path) -> None:
    """Other versions may have written less."""
    _edit(kept, loss=None, history=[{"loss": None}, None], figures={"evaluations": None})
    assert load_run(kept).run["loss"] is None


@pytest.mark.parametrize("field", ["loss", "files"])
def test_going_back_needs_what_it_renews(kept: Path, field: str) -> None:
    """In a run whose run.json lost a field it is refused, and changes no sound."""
    _edit(kept, **{field: [None]})
    sounds = {sound: sound.read_bytes() for sound in kept.rglob("*.wav")}
    with pytest.raises(RunFolderError, match=rf"run\.json, {field}"):
        go_back(kept, "start")
    assert {sound: sound.read_bytes() for sound in kept.rglob("*.wav")} == sounds


@pytest.mark.parametrize("name", sorted(LISTED - {"evaluations.npz"}))
def test_a_missing_file_is_named(name: str, kept: Path) -> None:
    """A run that was copied in part is no run, and the message says what is missing."""
    (kept / name).unlink()
    with pytest.raises(RunFolderError, match=rf"{name} is missing"):
        load_run(kept)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"{", r"run\.json is no JSON"),
        (b"\xff\xfe", r"run\.json isn't text in UTF-8"),
        (b"[1]", r"run\.json holds \[1\]; it must be an object"),
        (b"[" * 100_000, r"run\.json is no JSON"),
    ],
    ids=["cut off", "binary", "list", "deep"],
)
def test_a_damaged_run_json_is_refused(content: bytes, message: str) -> None:
    """Whatever stands in it, there is one clear error."""
    Path("out").mkdir()
    Path("out/run.json").write_bytes(content)
    with pytest.raises(RunFolderError, match=message):
        load_run("out")


@pytest.mark.parametrize(
    ("name", "message"),
    [("nowhere", "nowhere is no folder"), (".", r"has no run\.json")],
    ids=["missing", "empty"],
)
def test_what_is_no_run_folder_is_refused(name: str, message: str) -> None:
    """A wrong path is told apart from a folder that holds something else."""
    with pytest.raises(RunFolderError, match=message):
        load_run(name)
