"""A run that is searched for once, for all tests of what is done with runs."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from matcher import RunFolder, load_run
from tests.matcher.explaining.explained_run import explained_run

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture(scope="session")
def copy_of_run(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], RunFolder]:
    """Give a function that copies the run of a brass-like note to a place of its own."""
    made = explained_run(tmp_path_factory.mktemp("made") / "horn")

    def copied() -> RunFolder:
        path: Path = tmp_path_factory.mktemp("runs") / "horn"
        shutil.copytree(made.path, path)
        return load_run(path)

    return copied
