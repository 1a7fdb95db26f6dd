"""Runs of a benchmark, kept as JSON lines, so that a long one goes on where it was stopped.

A row remembers with which state of the code it was made, and counts only for that: figures of two
states never meet in one table. Rows of other states stay in the file, to be compared.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["RunRecord", "code_digest", "evaluation_digest"]

ROOT = Path(__file__).resolve().parents[2]
EVALUATION = (
    "voice/*.py",
    "voice/structures/*.toml",
    "shared/*.py",
    "matcher/losses/*.py",
    "matcher/target/*.py",
    "matcher/problem.py",
    "matcher/evaluator.py",
    "tests/benchmarks/*.toml",
)
PACKAGES = ("voice", "shared", "matcher")


@functools.cache
def code_digest() -> str:
    """Return what the loaded modules of the project come to, 12 hexadecimal digits.

    Taken at the first call, before anything runs: what a benchmark doesn't import, such as the
    command line, can change without making its figures old. The losses, the search and the voice
    count whole, as they load some of their modules late.
    """
    loaded = {
        Path(module.__file__)
        for name, module in sys.modules.items()
        if name.split(".", maxsplit=1)[0] in PACKAGES and getattr(module, "__file__", None)
    }
    return _digest(loaded | _files(*EVALUATION, "matcher/search/*.py"))


@functools.cache
def evaluation_digest() -> str:
    """Return what rendering and scoring come to: all that another optimiser depends on."""
    return _digest(_files(*EVALUATION))


def _files(*patterns: str) -> set[Path]:
    """Collect files of the project."""
    return {path for pattern in patterns for path in ROOT.glob(pattern)}


def _digest(files: set[Path]) -> str:
    """Join names and contents."""
    digest = hashlib.sha256()
    for path in sorted(files):
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


class RunRecord:
    """Rows of figures in a file, each under the settings that it was measured with."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: list[dict[str, Any]] = []
        if path.exists():
            text = path.read_text(encoding="utf-8")
            # A line counts when its end was written.
            lines = text.split("\n")[:-1]
            self.rows = [json.loads(line) for line in lines if line.strip()]
            if not text.endswith("\n") and text:
                path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")

    def find(
        self, settings: Mapping[str, Any], *, code: str | None = None
    ) -> dict[str, Any] | None:
        """Return the row that was measured with these settings by this code, or None."""
        wanted = {**settings, "code": code or code_digest()}
        for row in self.rows:
            if all(row.get(name) == value for name, value in wanted.items()):
                return row
        return None

    def add(
        self, settings: Mapping[str, Any], figures: Mapping[str, Any], *, code: str | None = None
    ) -> dict[str, Any]:
        """Write a row to the disk, and return it."""
        row = {**settings, **figures, "code": code or code_digest()}
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
            file.flush()
            os.fsync(file.fileno())
        self.rows.append(row)
        return row
