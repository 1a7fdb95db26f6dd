"""Run folders as version 0.1.0 wrote them: `earlier_runs.zip` beside this file, made by its code.

``run`` is a match with seed 1 of one note of 0.3 s, a value set, a refinement and a step back to
the version kept as "dark one"; ``cut`` is a match of 96 evaluations that ended after a few.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from matcher import load_run, refine, resume_match
from matcher.playing import noise_seed
from matcher.runs import find_version, go_back, list_versions
from matcher.runs.searches import list_searches
from shared import ParameterError

pytestmark = pytest.mark.slow

FILE = Path(__file__).with_name("earlier_runs.zip")


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """Unpack both folders."""
    with zipfile.ZipFile(FILE) as archive:
        archive.extractall(tmp_path)
    return tmp_path


def test_an_earlier_run_opens(earlier: Path) -> None:
    """Patch, notes, versions with their names, and searches are there."""
    run = load_run(earlier / "run")
    assert [note.name for note in run.notes] == ["reed"]
    assert run.run["version"] == 9
    kinds = [version.kind for version in list_versions(run.path)]
    assert kinds == ["start", *["stage"] * 4, "final", "set", "refine", "back"]
    assert find_version(run.path, "dark one").number == 7
    assert find_version(run.path).patch == run.patch
    assert run.patch.values["filter.cutoff_hz"] == 900.0
    assert [search.request.made for search in list_searches(run.path, "refine")] == [(7,), (8,)]
    # The default sampler was called "cmaes" then.
    assert run.run["settings"]["sampler"] == "staged"  # type: ignore[index]
    assert noise_seed(run.patch.provenance["settings"]) == 1


def test_an_earlier_run_is_carried_on(earlier: Path) -> None:
    """It is refined and gone back in, in its own folder."""
    run = earlier / "run"
    refine(run, only=["filter*"], evals=24, progress=False)
    assert go_back(run, "final").number == 11
    assert load_run(run).patch == find_version(run, "final").patch


def test_an_earlier_search_says_why_it_cannot_go_on(earlier: Path) -> None:
    """Its vectors hold less than is searched today; the line says what to do instead."""
    with pytest.raises(ParameterError, match=r"saved search has version 3; .* Start the search"):
        resume_match(earlier / "cut", progress=False)
