"""Readers of documents, given a pipe."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from matcher.target.manifest import read_every_instrument
from shared import EarwrightError, Patch
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.mark.parametrize(
    "read", [Patch.load, load_structure, read_every_instrument], ids=["patch", "toml", "manifest"]
)
def test_no_reader_waits_for_a_pipe(tmp_path: Path, read: Callable[[Path], object]) -> None:
    """A pipe that nobody writes to would be waited for without end."""
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(EarwrightError, match=r"pipe\.toml.*it is a pipe or a device"):
        read(pipe)
