"""Pictures as files: both formats, whole, in the folder of the run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from matplotlib.image import imread

from matcher.report import write_plots
from shared import ParameterError
from tests.matcher.report.report_runs import HOSTILE, small_run

if TYPE_CHECKING:
    from pathlib import Path

    from matcher import RunFolder


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Return a run whose note has a hostile name."""
    return small_run(tmp_path_factory.mktemp("plots"), HOSTILE)


def test_every_picture_is_written_in_both_formats(run: RunFolder) -> None:
    """Eleven pictures as PNG and SVG in the folder `plots`; no date and no chance is in an SVG."""
    paths = write_plots(run)
    assert {path.parent for path in paths} == {run.path / "plots"}
    stems = {path.stem for path in paths}
    assert len(stems) == 11
    assert sorted(path.name for path in paths) == sorted(
        f"{stem}.{kind}" for stem in stems for kind in ("png", "svg")
    )
    assert all(path.stat().st_size > 1000 for path in paths)
    assert imread(run.path / "plots" / "convergence.png")[0, 0, :3].mean() > 0.5
    drawn = {path: path.read_bytes() for path in paths if path.suffix == ".svg"}
    assert {path: path.read_bytes() for path in write_plots(run, formats=["svg"])} == drawn


def test_an_unknown_format_is_refused(run: RunFolder) -> None:
    """The message names the formats."""
    with pytest.raises(ParameterError, match="they must be png and svg"):
        write_plots(run, formats=["gif"])


def test_a_replaced_run_takes_its_pictures_along(tmp_path: Path) -> None:
    """After --force there is no picture of the earlier run beside the new one."""
    from matcher import save_run  # noqa: PLC0415
    from tests.matcher.small_match import small_match  # noqa: PLC0415

    earlier = small_run(tmp_path, "reed")
    (path, *_) = write_plots(earlier, formats=["svg"])
    foreign = path.parent / "mine.png"
    foreign.write_bytes(b"mine")
    save_run(small_match("pipe"), earlier.path, force=True)
    assert sorted(path.parent.iterdir()) == [foreign]
