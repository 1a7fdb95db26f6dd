"""Documents of a run with fields of other kinds: refused in one line that names the field."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING, Any

import pytest

from matcher import load_run
from matcher.runs.searches import list_searches
from shared import RunFolderError
from tests.matcher.report.report_runs import edit_document, small_run

if TYPE_CHECKING:
    from pathlib import Path

    from matcher import RunFolder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Make a run."""
    return small_run(tmp_path_factory.mktemp("made"), "reed")


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"loss": {"start": "far", "end": {}}}, "loss.start"),
        ({"loss": {"end": {"total": "near"}}}, "loss.end.total"),
        ({"history": [{"evaluations": 1, "loss": [2.0]}]}, r"history\[0\].loss"),
        ({"history": {}}, "history"),
        ({"figures": {"evaluations": True}}, "figures.evaluations"),
        ({"figures": {"evaluations": 10**400}}, "figures.evaluations"),
        ({"settings": []}, "settings"),
    ],
)
def test_a_field_of_another_kind_is_named(
    made: RunFolder, tmp_path: Path, fields: dict[str, Any], name: str
) -> None:
    """The one who reads finds what was promised, or nothing at all."""
    shutil.copytree(made.path, tmp_path / "run")
    run = load_run(tmp_path / "run")
    edit_document(run, **fields)
    with pytest.raises(RunFolderError, match=rf"run\.json, {name} is .* is accepted"):
        load_run(run.path)


def test_what_is_missing_or_null_is_accepted(made: RunFolder, tmp_path: Path) -> None:
    """Older versions may have written less."""
    shutil.copytree(made.path, tmp_path / "run")
    run = load_run(tmp_path / "run")
    edit_document(run, loss=None, history=[{"loss": None}, None], figures={"evaluations": None})
    assert load_run(run.path).run["loss"] is None


@pytest.mark.parametrize("what", [{}, [], "dance", None])
def test_a_search_of_an_unknown_kind_is_named(
    made: RunFolder, tmp_path: Path, what: object
) -> None:
    """A list or an object in the place of a word is no traceback."""
    shutil.copytree(made.path, tmp_path / "run")
    path = next((tmp_path / "run").glob("searches/*/request.json"))
    path.write_text(json.dumps({**json.loads(path.read_text()), "what": what}))
    with pytest.raises(RunFolderError, match=r'json, what is .*; "match" or "refine" is'):
        list_searches(tmp_path / "run")
