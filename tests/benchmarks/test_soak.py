"""The soak in a few rounds; the command goes on for long."""

from __future__ import annotations

from typing import TYPE_CHECKING

import psutil
import pytest

from tests.benchmarks.soak import MEGABYTE, Course, soak_matches

if TYPE_CHECKING:
    from pathlib import Path


def test_matches_leave_no_file_open_and_nothing_behind(tmp_path: Path) -> None:
    """As many open files and threads after four matches as after one; no temporary file."""
    course = soak_matches(4, tmp_path)
    assert len(set(course.files)) == len(set(course.threads)) == 1
    assert not list(tmp_path.rglob(".*.tmp"))
    assert len(list(tmp_path.glob("run-*/run.json"))) == 4


def test_a_leak_shows_as_a_slope() -> None:
    """Two MB more each round are 200 in a hundred; the first half doesn't count."""
    course = Course(psutil.Process())
    course.note()
    assert course.megabytes[0] > 10_000_000 / MEGABYTE
    course.megabytes = [9.0, 90.0, 95.0] + [100.0 + 2.0 * i for i in range(5)]
    assert course.slope_mb() == pytest.approx(200.0)
