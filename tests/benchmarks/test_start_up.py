"""How long the command line takes to come: help, and the first sound of a patch.

Figures to hold: help under 0.3 s, a warm ``render`` under 2 s. Run with::

    pytest tests/benchmarks/test_start_up.py --benchmark-enable --benchmark-only
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from shared import Patch

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

ROOT = Path(__file__).resolve().parents[2]


def _run(folder: Path, *argv: str) -> int:
    """Run the command in a process of its own, and return its exit status."""
    done = subprocess.run(  # noqa: S603  our own command
        [sys.executable, "-m", "matcher.cli", *argv],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=False,
        timeout=120.0,
    )
    return done.returncode


def test_help(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """Time from the shell to the help and back."""
    assert benchmark(_run, tmp_path, "--help") == 0


def test_warm_render(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """Time from the shell to a written note and back, with the voice compiled before."""
    Patch("mine", {"osc2.saw_level": 1.0, "filter.cutoff_hz": 900.0}).save(tmp_path / "mine.json")
    argv = ("render", "mine.json", "--out", "x.wav", "--force")
    assert _run(tmp_path, *argv) == 0
    assert benchmark(_run, tmp_path, *argv) == 0
