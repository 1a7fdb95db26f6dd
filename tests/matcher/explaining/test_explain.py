"""Explaining a run: all sections, what is kept when it is stopped, and what is refused."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import pytest

from matcher import explain, load_run
from matcher.explaining import Explanation
from matcher.explaining.explain import default_seconds
from matcher.runs.lock import lock_run
from matcher.texts.explanation import format_explanation
from shared import ParameterError, RunFolderError, sha256_digest
from tests.matcher.explaining.explained_run import explained_run, set_patch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher import RunFolder

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def run(copy_of_run: Callable[[], RunFolder]) -> RunFolder:
    """Make a run whose patch is the true one."""
    run = copy_of_run()
    set_patch(run)
    return load_run(run.path)


@pytest.fixture(scope="module")
def explanation(run: RunFolder) -> Explanation:
    """Explain it within one second."""
    return explain(run.path, seconds=1.0, progress=False)


def test_all_sections_are_there_and_kept(run: RunFolder, explanation: Explanation) -> None:
    """The file holds what was returned: four sections, the patch's digest, the loss."""
    assert Explanation.load(run.path) == explanation
    assert explanation.stop_reason == "complete"
    assert explanation.notes == ("note0",)
    assert explanation.patch_digest == sha256_digest(run.path / "patch.json")
    sections = (explanation.search, explanation.parts, explanation.slack, explanation.build)
    assert all(section is not None for section in sections)


def test_the_sounds_of_the_build_order_are_there(run: RunFolder, explanation: Explanation) -> None:
    """Each step names its sound, which lies in the run folder; the run stays a run."""
    assert explanation.build is not None
    assert all((run.path / step.file).is_file() for step in explanation.build.steps)
    assert explanation.build.final_loss == explanation.loss
    assert load_run(run.path).patch == run.patch


def test_strict_json_without_numbers_that_are_none(
    run: RunFolder, explanation: Explanation
) -> None:
    """Other programs can read the file: no NaN, a kind and a version of the schema."""
    del explanation

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    text = (run.path / "explain.json").read_text()
    document = json.loads(text, parse_constant=refuse)
    assert document["kind"] == "earwright explanation"
    assert document["schema_version"] == 1


def test_all_is_printed_within_eighty_columns(explanation: Explanation) -> None:
    """Every section has its table or sentences, and no line is too wide for a terminal."""
    text = format_explanation(explanation)
    for title in ("Build it in this order", "What each part brings", "How exactly", "Over the"):
        assert title in text
    assert max(len(line) for line in text.splitlines()) <= 79


def test_a_stop_keeps_what_was_done(copy_of_run: Callable[[], RunFolder]) -> None:
    """Stopped in the first section, the file has that one, and says that it was stopped."""
    run = copy_of_run()
    found = explain(run, seconds=30.0, progress=False, stop=lambda: True)
    assert found.stop_reason == "stopped"
    assert found.build is not None
    assert found.slack is None
    assert Explanation.load(run.path) == found


def test_an_interrupt_keeps_what_was_done(
    copy_of_run: Callable[[], RunFolder], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C in a later section leaves the earlier ones in the file."""
    run = copy_of_run()

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("matcher.explaining.explain.parts_in_patch", interrupted)
    found = explain(run, seconds=1.0, progress=False)
    assert found.stop_reason == "stopped"
    assert found.search is not None
    assert found.parts is None
    assert Explanation.load(run.path) == found


def test_a_stop_keeps_what_an_earlier_one_found(
    run: RunFolder, explanation: Explanation, tmp_path: Path
) -> None:
    """Stopped at once, sections of the same patch stay; after a change of the patch they don't."""
    shutil.copytree(run.path, tmp_path / "copy")
    run = load_run(tmp_path / "copy")
    after = explain(run, seconds=30.0, progress=False, stop=lambda: True)
    assert after.stop_reason == "stopped"
    sections = ("build", "search", "parts", "slack")
    assert all(getattr(after, name) == getattr(explanation, name) for name in sections)
    assert Explanation.load(run.path) == after
    assert "(stopped; the rest is from before)" in format_explanation(after)
    set_patch(run, noise__level=0.1)
    other = explain(load_run(run.path), seconds=30.0, progress=False, stop=lambda: True)
    assert other.slack is None
    assert "(stopped; the rest is missing)" in format_explanation(other)


def test_by_default_it_takes_as_long_as_the_match(run: RunFolder) -> None:
    """The budget is the time of the match, at least five seconds."""
    figures = run.run["figures"]
    assert isinstance(figures, dict)
    assert default_seconds(run) == max(figures["elapsed_s"], 5.0)


@pytest.mark.parametrize("seconds", [0.0, -1.0, 1e6, float("nan")])
def test_a_budget_out_of_range_is_refused(run: RunFolder, seconds: float) -> None:
    """The message says what is accepted."""
    with pytest.raises(ParameterError, match="above 0 and up to 86400"):
        explain(run, seconds=seconds, progress=False)


def test_what_is_no_run_is_refused(tmp_path: Path) -> None:
    """A folder without run.json is told, and nothing is written into it."""
    with pytest.raises(RunFolderError, match=r"run\.json"):
        explain(tmp_path, seconds=1.0, progress=False)
    assert list(tmp_path.iterdir()) == []


def test_one_command_at_a_time(run: RunFolder) -> None:
    """While another process works on the run, it is refused."""
    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415

    with lock_run(run.path), ThreadPoolExecutor(1) as pool:
        job = pool.submit(explain, run, seconds=1.0, progress=False)
        with pytest.raises(RunFolderError, match="in use"):
            job.result()


def test_a_run_of_sounds_alone_can_be_explained(tmp_path: Path) -> None:
    """Without the kept search, the target is made from its sound; the loss stays the same."""
    run = explained_run(tmp_path / "horn", 60.0, 67.0)
    stop = {"progress": False, "stop": lambda: True}
    before = explain(run, seconds=1.0, **stop)  # type: ignore[arg-type]
    for path in sorted((run.path / "searches").rglob("*"), reverse=True):
        path.unlink() if path.is_file() else path.rmdir()
    after = explain(load_run(run.path), seconds=1.0, **stop)  # type: ignore[arg-type]
    # 1 %: the sounds are rounded to 24 bits.
    assert after.loss == pytest.approx(before.loss, rel=0.01)
