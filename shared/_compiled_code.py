"""A place for compiled code where there is none.

numba keeps compiled kernels beside their modules, or else in the user's cache folder, and fails
on import if it can write to neither: in a read-only installation, with no home folder.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
from pathlib import Path

from shared.files import temporary_folder

__all__: list[str] = []

_SETTING = "NUMBA_CACHE_DIR"


def provide_cache_folder() -> None:
    """Give numba a folder for this process only, if it could write nowhere else.

    A lasting one in the folder for temporary files would be no good: compiled code is loaded
    from it, and others may write there.
    """
    if _SETTING in os.environ or any(map(_can_write, _usual_folders())):
        return
    with contextlib.suppress(OSError):
        until_exit = contextlib.ExitStack()
        folder = str(until_exit.enter_context(temporary_folder()))
        atexit.register(until_exit.close)
        # Read by numba on its import, and by processes that this one starts.
        os.environ[_SETTING] = folder
        if "numba" in sys.modules:
            sys.modules["numba"].config.CACHE_DIR = folder


def _usual_folders() -> tuple[Path, Path]:
    """Name the folders that numba tries."""
    cache = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")  # noqa: PTH111  Path.home() fails where there is none
    return Path(__file__).parent, Path(cache) / "numba"


def _can_write(folder: Path) -> bool:
    """Whether files can be made in a folder, which may have to be made first."""
    if folder.is_dir():
        return os.access(folder, os.W_OK)
    try:
        folder.mkdir(parents=True)
    except OSError:
        return False
    return True
