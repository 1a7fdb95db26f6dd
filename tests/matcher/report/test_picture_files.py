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
    """Eleven pictures, each as PNG and SVG, all inside of the folder `plots`."""
    paths = write_plots(run)
    assert {path.parent for path in paths} == {run.path / "plots"}
    stems = {path.stem for path in paths}
    assert len(stems) == 11
    assert sorted(path.name for path in paths) == sorted(
        f"{stem}.{kind}" for stem in stems for kind in ("png", "svg")
    )
    assert all(path.stat().st_size > 1000 for path in paths)


@pytest.mark.parametrize(("theme", "is_light"), [("light", True), ("dark", False)])
def test_the_theme_sets_the_background(theme: str, *, is_light: bool, run: RunFolder) -> None:
    """The corner of a picture is light or dark."""
    path = next(p for p in write_plots(run, formats=["png"], theme=theme) if "attack" in p.stem)
    assert bool(imread(path)[0, 0, :3].mean() > 0.5) is is_light


def test_the_same_run_gives_the_same_pictures(run: RunFolder) -> None:
    """No date and no chance is in an SVG of the same run."""
    first = [path.read_bytes() for path in write_plots(run, formats=["svg"])]
    assert [path.read_bytes() for path in write_plots(run, formats=["svg"])] == first


def test_an_unknown_format_is_refused(run: RunFolder) -> None:
    """The message names the formats."""
    with pytest.raises(ParameterError, match="png and svg are accepted"):
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
