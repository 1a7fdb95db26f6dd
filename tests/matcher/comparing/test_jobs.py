"""A job carries all it needs, its key names all that its result depends on, and it is a match."""

from __future__ import annotations

import dataclasses
import pickle
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from numba import get_num_threads
from scipy.fft import get_workers
from threadpoolctl import threadpool_info

from matcher import load_target, match
from matcher.comparing.jobs import JobReport, run_job
from matcher.comparing.sources import list_targets
from matcher.losses import weights_for
from shared import ParameterError, TargetError
from tests.matcher.comparing.small_jobs import small_plan, write_notes
from tests.matcher.small_match import RATE_HZ, played_note
from voice import load_structure

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.comparing.planning import Job

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning"),
]


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Make one job."""
    return next(small_plan(tmp_path_factory.mktemp("jobs")).jobs())


@pytest.fixture(scope="module")
def threads() -> list[tuple[int, ...]]:
    """Collect the threads that libraries have: before the job, then at work."""
    return []


@pytest.fixture(scope="module")
def report(job: Job, threads: list[tuple[int, ...]]) -> JobReport:
    """Do it, and look at the threads meanwhile."""

    def look() -> bool:
        pools = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
        threads.append((get_num_threads(), get_workers(), *pools))
        return False

    return run_job(job, job.target.read(), stop=look)


def test_a_job_is_a_match(job: Job, report: JobReport) -> None:
    """The patch is, to the bit, what `match` finds with the same seed and budget."""
    target = load_target(job.target.notes[0].path)
    result = match(target, structure="one-oscillator", evals=48, seed=0, progress=False)
    assert report.outcome is not None
    assert report.outcome.patch["values"] == dict(result.patch.values)
    assert report.outcome.final == result.end
    assert report.outcome.n_evaluations == 48


def test_the_curve_is_the_course_of_the_search(report: JobReport) -> None:
    """Losses fall, evaluations rise up to the budget, and each term has a value for each."""
    assert report.outcome is not None
    curve = report.outcome.curve
    assert np.all(np.diff(curve.loss) < 0.0)
    assert np.all(np.diff(curve.evaluations) > 0.0)
    assert curve.evaluations[0] == 1.0
    assert curve.evaluations[-1] <= 48.0
    assert {len(values) for values in curve.terms.values()} == {len(curve.loss)}


def test_a_job_brings_its_run_folder(report: JobReport, tmp_path: Path) -> None:
    """What comes back can be read as any run."""
    from matcher import load_run  # noqa: PLC0415

    for name, content in report.files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content)
    run = load_run(tmp_path)
    assert report.outcome is not None
    assert dict(run.patch.values) == report.outcome.patch["values"]


def test_jobs_and_reports_travel(job: Job, report: JobReport) -> None:
    """Both survive the way to another process."""
    assert pickle.loads(pickle.dumps(job)).key == job.key  # noqa: S301  our own bytes
    back = pickle.loads(pickle.dumps(report))  # noqa: S301
    assert back.outcome.final == report.outcome.final  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "changes",
    [
        {"seeds": [1]},
        {"evals": 49},
        {"evals": None, "seconds": 20.0},
        {"sampler": "random"},
        {"weights": {"onset": 2.0}},
        {"structures": ["two-oscillator"]},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_whatever_changes_the_result_changes_the_key(
    changes: dict[str, Any], job: Job, tmp_path: Path
) -> None:
    """No run is ever taken for one that was done otherwise."""
    assert next(small_plan(tmp_path, **changes).jobs()).key != job.key


def test_another_recording_of_the_same_name_changes_the_key(job: Job, tmp_path: Path) -> None:
    """The content counts, and so does what a manifest says of it."""
    path = tmp_path / "reed_A3.wav"
    soundfile.write(path, 0.7 * played_note(57.0), RATE_HZ)
    (tmp_path / "said.toml").write_text('[[target]]\nfile = "reed_A3.wav"\nvelocity = 30\n')
    others = list_targets([path, tmp_path / "said.toml"])
    assert len({job.key, *(dataclasses.replace(job, target=one).key for one in others)}) == 3


def test_what_does_not_change_the_result_does_not_change_the_key(job: Job, tmp_path: Path) -> None:
    """A library may move, weights and structures be given in other words; old names go on."""
    same = (
        {"weights": "balanced"},
        {"weights": weights_for("balanced")},
        {"structures": [load_structure("one-oscillator")]},
    )
    assert {next(small_plan(tmp_path, **words).jobs()).key for words in same} == {job.key}
    # A comparison that was begun before the default was called "staged" can go on.
    assert job.settings.sampler == "staged"
    settings = dataclasses.replace(job.settings, sampler="cmaes")
    assert dataclasses.replace(job, settings=settings).key == job.key


def test_a_structure_without_a_file_cannot_travel(tmp_path: Path) -> None:
    """Its text is what goes to the processes."""
    made = dataclasses.replace(load_structure("one-oscillator"), toml="")
    with pytest.raises(ParameterError, match="was made without a file"):
        small_plan(tmp_path, structures=[made])


def test_a_recording_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    """The message names the user's file, not the copy that the job works on."""
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ)
    job = next(small_plan(tmp_path).jobs())
    silent = dataclasses.replace(job, target=list_targets([tmp_path / "silent.wav"])[0])
    report = run_job(silent, silent.target.read())
    assert report.outcome is None
    assert report.failure is not None
    assert report.failure.startswith("silent.wav is silent")


def test_a_stopped_job_has_no_result(job: Job) -> None:
    """Half a run is no run."""
    report = run_job(job, job.target.read(), stop=lambda: True)
    assert (report.outcome, dict(report.files), report.failure) == (None, {}, None)


@pytest.mark.usefixtures("report")
def test_libraries_have_one_thread_in_a_job(threads: list[tuple[int, ...]]) -> None:
    """Numba, BLAS and FFT are held to one thread while a job runs, and get theirs back."""
    before, *at_work = threads
    assert at_work
    assert len(at_work[0]) > 2, "no BLAS was found to look at"
    assert {count for counts in at_work for count in counts} == {1}
    assert get_num_threads() == before[0]


def test_a_manifest_gives_a_target_for_each_instrument(tmp_path: Path) -> None:
    """Notes of one instrument belong together; a note without one stands alone."""
    write_notes(tmp_path, "low.wav", "high.wav", "bell.wav")
    (tmp_path / "all.toml").write_text(
        '[[target]]\nfile = "low.wav"\ninstrument = "reed"\npitch = "A3"\n'
        '[[target]]\nfile = "bell.wav"\n'
        '[[target]]\nfile = "high.wav"\ninstrument = "reed"\ngate_s = 0.4\n'
    )
    reed, bell = list_targets([tmp_path / "all.toml"])
    assert (reed.name, len(reed.notes), reed.notes[1].gate_s) == ("reed", 2, 0.4)
    assert (bell.name, len(bell.notes), bell.notes[0].is_plain) == ("bell", 1, True)


def test_recordings_that_are_missing_are_named_together(tmp_path: Path) -> None:
    """Whoever starts a library for the night learns of all of them at once."""
    write_notes(tmp_path, "there.wav")
    names = ["there.wav", *(f"gone{i}.wav" for i in range(7))]
    manifest = tmp_path / "all.toml"
    manifest.write_text("".join(f'[[target]]\nfile = "{name}"\n' for name in names))
    with pytest.raises(TargetError, match=r"7 recordings don't exist: .* 2 more\.") as caught:
        list_targets([manifest])
    assert "gone4.wav" in str(caught.value)
    assert "there.wav" not in str(caught.value)


def test_notes_of_one_file_end_where_others_begin(tmp_path: Path) -> None:
    """Two instruments in one recording are cut apart on the worker as by `load_target`."""
    both = np.concatenate([played_note(57.0), played_note(64.0)])
    soundfile.write(tmp_path / "both.wav", both, RATE_HZ)
    (tmp_path / "all.toml").write_text(
        '[[target]]\nfile = "both.wav"\ninstrument = "low"\nonset_s = 0.1\n'
        '[[target]]\nfile = "both.wav"\ninstrument = "high"\nonset_s = 0.8\n'
    )
    for source in list_targets([tmp_path / "all.toml"]):
        (tmp_path / source.name).mkdir()
        loaded = source.load(source.read(), tmp_path / source.name)
        expected = load_target(tmp_path / "all.toml", instrument=source.name)
        assert loaded.digest == expected.digest
