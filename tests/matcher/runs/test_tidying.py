"""Who takes the lock of a folder tidies up after those that were killed with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher.comparing.folder import ComparisonFolder
from matcher.runs.lock import lock_run

if TYPE_CHECKING:
    from pathlib import Path


def test_the_lock_takes_leftovers_away(tmp_path: Path) -> None:
    """Hidden files and folders of writing that was cut off go; what looks like them stays."""
    (tmp_path / ".earwright-0123456789abcdef.tmp" / "match").mkdir(parents=True)
    (tmp_path / "versions").mkdir()
    (tmp_path / "versions" / ".0002.json.0123456789abcdef.tmp").touch()
    mine = [tmp_path / ".earwright-notes", tmp_path / "versions" / ".0002.json.tmp"]
    for path in mine:
        path.touch()
    with lock_run(tmp_path):
        found = {path for path in tmp_path.rglob("*") if path.name != ".lock"}
    assert found == {*mine, tmp_path / "versions"}


def test_an_inner_lock_leaves_what_is_being_written(tmp_path: Path) -> None:
    """Only the outermost block tidies up: the files may be those of the block around it."""
    with lock_run(tmp_path):
        own = tmp_path / ".earwright-0123456789abcdef.tmp"
        own.mkdir()
        with lock_run(tmp_path):
            assert own.is_dir()


@pytest.mark.parametrize(
    ("names", "after"),
    [
        ((".best.old",), {"best": ".best.old"}),
        (("best", ".best.old"), {"best": "best"}),
        (("best", ".best.tmp"), {"best": "best"}),
        ((".best.old", ".best.tmp"), {"best": ".best.old"}),
    ],
    ids=["between", "behind", "before", "in the middle"],
)
def test_the_best_run_of_a_comparison_is_never_lost(
    tmp_path: Path, names: tuple[str, ...], after: dict[str, str]
) -> None:
    """Killed while one run folder took the place of another, whole ones come back."""
    for name in names:
        (tmp_path / "runs" / name).mkdir(parents=True)
        (tmp_path / "runs" / name / "run.json").write_text(name, encoding="utf-8")
    ComparisonFolder(tmp_path).recover()
    found = {path.name: (path / "run.json").read_text() for path in (tmp_path / "runs").iterdir()}
    assert found == after
