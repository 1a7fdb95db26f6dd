"""Where compiled code goes when nothing can be written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from shared import _compiled_code

if TYPE_CHECKING:
    import pytest


def test_a_folder_is_given_where_none_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With neither installation nor home writable, numba gets a folder of its own."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    nowhere = tmp_path / "file"
    nowhere.write_text("")
    monkeypatch.setattr(_compiled_code, "_usual_folders", lambda: (nowhere / "a", nowhere / "b"))
    # numba is loaded in this process: its own setting is put back, too.
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.delitem(sys.modules, "numba")
    _compiled_code.provide_cache_folder()
    given = Path(os.environ["NUMBA_CACHE_DIR"])
    assert given.is_dir()
    # Nobody else may put compiled code there.
    assert given.stat().st_mode & 0o077 == 0


def test_the_usual_places_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where numba can keep compiled code, nothing is set: it would be compiled every time."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    _compiled_code.provide_cache_folder()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_the_folder_goes_with_the_process(tmp_path: Path) -> None:
    """Nothing is left in the folder for temporary files."""
    program = (
        "from pathlib import Path; from shared import _compiled_code as c;"
        "c._usual_folders = lambda: (Path('/dev/null/a'), Path('/dev/null/b'));"
        "c.provide_cache_folder(); import os; assert os.environ['NUMBA_CACHE_DIR']"
    )
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    subprocess.run(  # noqa: S603  our own program
        [sys.executable, "-c", program],
        check=True,
        env={**environment, "TMPDIR": str(tmp_path)},
        cwd=Path(__file__).resolve().parents[2],
    )
    assert list(tmp_path.iterdir()) == []
