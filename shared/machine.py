"""What of this machine the project may use: its cores, and a place for compiled code."""

from __future__ import annotations

import atexit
import contextlib
import math
import os
import sys
from pathlib import Path

from shared.files import temporary_folder

__all__ = ["provide_cache_folder", "usable_cores"]

_SETTING = "NUMBA_CACHE_DIR"
_GROUPS = Path("/sys/fs/cgroup")
_MEMBERSHIP = Path("/proc/self/cgroup")


def usable_cores(*, groups: Path = _GROUPS, membership: Path = _MEMBERSHIP) -> int:
    """Count the cores that this process may run on, or that its container grants if that is less.

    `groups` and `membership` are where Linux says what containers grant and to which one this
    process belongs.
    """
    n_cores = (
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    )
    return max(1, math.floor(min(n_cores, _container_share(groups, membership))))


def _container_share(groups: Path, membership: Path) -> float:
    """Return the cores that control groups grant, those above ours included; or infinity.

    Linux kernel documentation: "Control Group v2", cpu.max; "CFS Bandwidth Control" for version 1.
    """
    try:
        lines = membership.read_text(encoding="ascii").splitlines()
    except (OSError, ValueError):
        return math.inf
    share = math.inf
    for _, controllers, name in (line.split(":", 2) for line in lines if line.count(":") > 1):
        if controllers and "cpu" not in controllers.split(","):
            continue
        # A container may see its own group as the root, whatever its name outside.
        top = groups / controllers
        own = top / name.strip("/")
        folders = [own, *own.parents[: len(own.parts) - len(top.parts)], top]
        share = min(share, *(_granted(folder) for folder in folders))
    return share


def _granted(folder: Path) -> float:
    """Return quota over period of one group, or infinity where nothing is limited."""
    for names in (("cpu.max",), ("cpu.cfs_quota_us", "cpu.cfs_period_us")):
        with contextlib.suppress(OSError, ValueError):
            texts = [(folder / name).read_text(encoding="ascii") for name in names]
            # "max" of version 2 is no number; version 1 writes -1.
            quota, period = map(int, " ".join(texts).split())
            return quota / period if quota > 0 and period > 0 else math.inf
    return math.inf


def provide_cache_folder() -> None:
    """Give numba a folder for this process only, if it could write nowhere else.

    numba keeps compiled kernels beside their modules, or else in the user's cache folder, and
    fails on import if it can write to neither: in a read-only installation, with no home folder.

    A lasting one in the folder for temporary files would be no good: compiled code is loaded
    from it, and others may write there.
    """
    if _SETTING in os.environ or any(map(_can_write, usual_folders())):
        return
    with contextlib.suppress(OSError):
        until_exit = contextlib.ExitStack()
        folder = str(until_exit.enter_context(temporary_folder()))
        atexit.register(until_exit.close)
        # Read by numba on its import, and by processes that this one starts.
        os.environ[_SETTING] = folder
        if "numba" in sys.modules:
            sys.modules["numba"].config.CACHE_DIR = folder


def usual_folders() -> tuple[Path, Path]:
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
