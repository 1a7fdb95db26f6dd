"""The folder of a comparison: nothing is done twice, and work goes on from wherever it stopped."""

from __future__ import annotations

import csv
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from matcher import batch, compare, continue_comparison, load_comparison, load_run
from matcher.comparing import run_folder
from matcher.comparing.folder import read_outcome
from matcher.runs.lock import lock_run
from shared import AudioError, ParameterError, RunFolderError, StructureError, TargetError
from shared.documents import to_builtins, write_document
from tests.matcher.comparing.made_runs import made_run
from tests.matcher.comparing.small_jobs import without_search, write_notes
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher import Comparison

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning"),
]

STRUCTURES = ("one-oscillator", "two-oscillator")
HERE: dict[str, Any] = {"n_processes": 1, "progress": False}
SETTINGS: dict[str, Any] = {"evals": 96, **HERE}


def stop_after(n_runs: int, folder: Path) -> Callable[[], bool]:
    """Ask to stop once so many runs are finished."""
    return lambda: len(list(folder.glob("jobs/*.json"))) >= n_runs


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the search out of runs, where only the folder matters."""
    monkeypatch.setattr("matcher.comparing.local.run_job", without_search)


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    """Compare two structures on one note with two seeds."""
    folder = tmp_path_factory.mktemp("done")
    paths = write_notes(folder, "reed_A3.wav")
    return compare(paths, STRUCTURES, seeds=2, folder=folder / "out", **SETTINGS)


def test_every_structure_gets_the_same(done: Comparison) -> None:
    """Targets, seeds and budget are those of all."""
    assert [(run.structure, run.seed, run.n_evaluations) for run in done.runs] == [
        ("one-oscillator", 0, 96),
        ("two-oscillator", 0, 96),
        ("one-oscillator", 1, 96),
        ("two-oscillator", 1, 96),
    ]


def test_it_reads_back_as_it_was(done: Comparison) -> None:
    """What the folder holds says the same as what was returned."""
    back = load_comparison(done.folder)
    assert back.verdict == done.verdict
    assert back.pairs == done.pairs
    assert back.reached == done.reached
    assert [run.final for run in back.runs] == [run.final for run in done.runs]
    np.testing.assert_array_equal(back.runs[0].curve.loss, done.runs[0].curve.loss)


def test_the_best_run_is_kept_whole(done: Comparison) -> None:
    """Of each target and structure, the run folder of the best seed can be gone on with."""
    for structure in STRUCTURES:
        best = done.best(structure, "reed_A3")
        run = load_run(run_folder(done.folder, "reed_A3", structure))
        assert best is not None
        assert run.run["loss"]["end"]["total"] == best.final.total  # type: ignore[index]
        assert dict(run.patch.values) == best.patch["values"]


def test_the_tables_hold_the_figures(done: Comparison) -> None:
    """CSV files read by a CSV reader give back the very numbers."""
    tables = {
        path.stem: list(csv.DictReader(path.read_text().splitlines()))
        for path in done.folder.glob("*.csv")
    }
    assert set(tables) == {"runs", "evaluations", "curves", "reached", "effects"}
    assert [float(row["loss"]) for row in tables["runs"]] == [r.final.total for r in done.runs]
    first = [row for row in tables["evaluations"] if row["structure"] == STRUCTURES[0]]
    assert float(first[0]["loss"]) == done.runs[0].curve.loss[0]
    total = next(row for row in tables["effects"] if row["measure"] == "total")
    assert float(total["difference"]) == done.pairs[0].effects["total"].difference
    assert {row["axis"] for row in tables["curves"]} == {"evaluations", "seconds"}


def test_the_document_holds_verdict_and_figures(done: Comparison) -> None:
    """`compare.json` is strict JSON with all that is printed."""

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    text = (done.folder / "compare.json").read_text()
    document = json.loads(text, parse_constant=refuse)
    assert document["verdict"] == done.verdict
    assert document["n_finished"] == 4
    assert document["pairs"][0]["effects"]["total"]["n_pairs"] == 2


def test_finished_runs_are_never_repeated(done: Comparison) -> None:
    """The same call does nothing again: every file of a run stays untouched."""
    files = {path: path.stat().st_mtime_ns for path in done.folder.glob("jobs/*")}
    again = compare(
        [done.folder.parent / "reed_A3.wav"], STRUCTURES, seeds=2, folder=done.folder, **SETTINGS
    )
    assert len(files) == 4
    assert {path: path.stat().st_mtime_ns for path in done.folder.glob("jobs/*")} == files
    assert again.verdict == done.verdict


@pytest.mark.usefixtures("quick")
def test_stopped_work_goes_on_with_the_same_result(tmp_path: Path) -> None:
    """Stopped after one run, continued, stopped after three, continued: as if never stopped."""
    paths = write_notes(tmp_path, "reed_A3.wav")
    folder = tmp_path / "out"
    whole = compare(paths, STRUCTURES, seeds=2, folder=tmp_path / "whole", **SETTINGS)
    first = compare(
        paths, STRUCTURES, seeds=2, folder=folder, stop=stop_after(1, folder), **SETTINGS
    )
    assert (len(first.runs), first.n_missing) == (1, 3)
    assert first.verdict.startswith("So far (1 of 4 runs)")
    second = continue_comparison(folder, stop=stop_after(3, folder), **HERE)
    assert (len(second.runs), second.n_missing) == (3, 1)
    last = continue_comparison(folder, **HERE)
    assert last.n_missing == 0
    assert [run.final for run in last.runs] == [run.final for run in whole.runs]
    assert last.verdict == whole.verdict


@pytest.mark.usefixtures("quick")
def test_more_may_be_added(tmp_path: Path) -> None:
    """Another seed, structure and target: only what is new is done."""
    paths = write_notes(tmp_path, "reed_A3.wav", "reed_As3.wav")
    folder = tmp_path / "out"
    compare(paths[:1], STRUCTURES[:1], seeds=1, folder=folder, **SETTINGS)
    (first,) = folder.glob("jobs/*")
    before = first.stat().st_mtime_ns
    more = compare(paths, STRUCTURES, seeds=2, folder=folder, **SETTINGS)
    assert len(more.runs) == 8
    assert first.stat().st_mtime_ns == before


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"evals": 33}, r"evals 96, and 33 is asked for"),
        ({"evals": None, "seconds": 1.0}, r"seconds none, and 1.0 is asked for"),
        ({"seeds": [0]}, r"seed 1, and none of that name"),
        ({"structures": STRUCTURES[:1]}, r"structure two-oscillator, and none"),
        ({"weights": "attack first"}, r"with weights "),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_a_folder_stays_one_comparison(
    changes: dict[str, Any], message: str, done: Comparison
) -> None:
    """Runs that can't be compared are not mixed, and nothing that was asked for is dropped."""
    settings = {"seeds": 2, "structures": STRUCTURES, **SETTINGS, **changes}
    structures = settings.pop("structures")
    before = (done.folder / "compare.json").read_text()
    with pytest.raises(RunFolderError, match=message):
        compare([done.folder.parent / "reed_A3.wav"], structures, folder=done.folder, **settings)
    assert (done.folder / "compare.json").read_text() == before


@pytest.mark.usefixtures("quick")
def test_a_changed_recording_is_noticed(tmp_path: Path) -> None:
    """To go on with another sound under the same name would mix two targets."""
    (path,) = write_notes(tmp_path, "reed_A3.wav")
    folder = tmp_path / "out"
    stop = stop_after(1, folder)
    compare([path], STRUCTURES, seeds=1, folder=folder, stop=stop, **SETTINGS)
    soundfile.write(path, 0.5 * played_note(60.0), RATE_HZ)
    rest = continue_comparison(folder, **HERE)
    assert len(rest.runs) == 1
    assert "has changed since this comparison began" in rest.failed[0].message


def test_two_at_once_do_not_meet(done: Comparison) -> None:
    """A folder that is being worked on is left alone."""
    with ThreadPoolExecutor(1) as another, lock_run(done.folder):
        work = another.submit(continue_comparison, done.folder, progress=False)
        with pytest.raises(RunFolderError, match="is in use by another command"):
            work.result()


@pytest.mark.usefixtures("quick")
def test_a_damaged_run_is_named_and_done_again(done: Comparison, tmp_path: Path) -> None:
    """One line says which file it is and what helps."""
    copy = tmp_path / "copy"
    shutil.copytree(done.folder, copy)
    broken = next(copy.glob("jobs/*.json"))
    broken.write_text(broken.read_text()[:500])
    with pytest.raises(RunFolderError, match=r"remove .*, and that run is done again") as caught:
        load_comparison(copy)
    assert str(broken) in str(caught.value)
    broken.unlink()
    assert continue_comparison(copy, **HERE).n_missing == 0
    assert broken.exists()


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("n_evaluations", 10**400, "n_evaluations"),
        ("n_evaluations", 0, "n_evaluations is 0; it must be a whole number from 1"),
        ("n_threads", 1.5, "n_threads is 1.5"),
        ("elapsed_s", "long", 'elapsed_s is "long"'),
        ("curve", {"evaluations": [], "elapsed_s": [], "loss": [], "terms": {}}, "curve"),
        ("curve", {"evaluations": [1], "elapsed_s": [0.1, 1], "loss": [2], "terms": {}}, "length"),
        ("final", {"total": True, "terms": {}, "parts": {}}, "final.total is true"),
        ("final", {"total": 1.0, "terms": {}, "parts": {}}, "has no term spectral"),
        ("patch", [], "patch"),
    ],
)
def test_a_finished_run_with_impossible_figures_is_named(
    tmp_path: Path, field: str, value: object, message: str
) -> None:
    """What statistics are made of has to be finite numbers of the right kind."""
    path = tmp_path / "run.json"
    write_document(path, to_builtins(made_run()))
    assert read_outcome(path).n_evaluations == 1000
    path.write_text(json.dumps({**json.loads(path.read_text()), field: value}))
    with pytest.raises(RunFolderError, match=message):
        read_outcome(path)


@pytest.mark.parametrize("failed", [[{"target": 1}], {"a": 1}, [3], "all"])
def test_a_damaged_list_of_failures_is_named(
    done: Comparison, tmp_path: Path, failed: object
) -> None:
    """The list of targets that can't be matched is read from the document of the comparison."""
    document = json.loads((done.folder / "compare.json").read_text())
    (tmp_path / "compare.json").write_text(json.dumps({**document, "failed": failed}))
    with pytest.raises(RunFolderError, match=r"compare\.json, failed.*with another --out"):
        load_comparison(tmp_path)


def test_a_library_goes_on_past_targets_that_cannot_be_used(tmp_path: Path) -> None:
    """A silent file is named with its reason; the others are matched."""
    write_notes(tmp_path, "bell_As3.wav")
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ)
    names = ("silent", "bell_As3")
    (tmp_path / "all.toml").write_text(
        "\n".join(f'[[target]]\nfile = "{name}.wav"\n' for name in names)
    )
    structures, folder = ["one-oscillator"], tmp_path / "out"
    result = batch(tmp_path / "all.toml", structures, seeds=2, folder=folder, evals=32, **HERE)
    assert {run.target for run in result.runs} == {"bell_As3"}
    assert [(failed.target, failed.seed) for failed in result.failed] == [
        ("silent", 0),
        ("silent", 1),
    ]
    assert "silent.wav is silent" in result.failed[0].message
    assert str(tmp_path) not in result.failed[0].message
    assert result.n_missing == 0
    assert (tmp_path / "out" / "failed.csv").exists()


@pytest.mark.parametrize(
    ("changes", "error", "message"),
    [
        ({"targets": ["missing.wav"]}, TargetError, "doesn't exist"),
        ({"targets": []}, ParameterError, "targets is empty"),
        ({"targets": ["silent.wav"]}, AudioError, "^silent.wav is silent"),
        ({"targets": ["reed_A3.wav", "reed_A3.wav"]}, ParameterError, "given twice"),
        ({"structures": ["violin"]}, StructureError, "violin"),
        ({"structures": ["one-oscillator"] * 2}, ParameterError, "one-oscillator is given twice"),
        ({"seeds": 0}, ParameterError, "seeds is 0; it must be a number of seeds from 1"),
        ({"seeds": [1, 1]}, ParameterError, "each once"),
        (
            {"thresholds": [-1.0]},
            ParameterError,
            "thresholds is -1; they must be distances above 0",
        ),
        ({"evals": 0}, ParameterError, "evals is 0"),
        ({"n_processes": 100_000}, ParameterError, "the cores of this machine"),
        ({"sampler": "luck"}, ParameterError, "sampler 'luck' isn't known"),
        ({"folder": "taken"}, RunFolderError, "taken is not empty; it must be a new or"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_what_cannot_be_done_is_told_before_anything_is_written(
    changes: dict[str, Any],
    error: type[Exception],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One line, and no folder is left behind."""
    monkeypatch.chdir(tmp_path)
    write_notes(tmp_path, "reed_A3.wav")
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ)
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "diary.txt").write_text("Dear diary")
    settings = {
        "targets": ["reed_A3.wav"],
        "structures": ["one-oscillator"],
        "folder": "out",
        **SETTINGS,
        **changes,
    }
    with pytest.raises(error, match=message) as caught:
        compare(settings.pop("targets"), settings.pop("structures"), **settings)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()
    assert [path.name for path in (tmp_path / "taken").iterdir()] == ["diary.txt"]
