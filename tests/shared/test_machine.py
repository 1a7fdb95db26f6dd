"""What is used of a machine: its cores, and where compiled code goes if nothing can be written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from shared import machine, usable_cores

GROUPS = {
    "version-2": ("0::/box", {"box/cpu.max": "150000 100000"}, 1),
    "root-of-a-container": ("0::/", {"cpu.max": "300000 100000"}, 3),
    "name-from-outside": ("0::/docker/1a", {"cpu.max": "200000 100000"}, 2),
    "group-above": ("0::/a/b", {"a/cpu.max": "200000 100000", "a/b/cpu.max": "max 100000"}, 2),
    "less-than-one": ("0::/", {"cpu.max": "50000 100000"}, 1),
    "no-limit": ("0::/", {"cpu.max": "max 100000"}, 8),
    "version-1": (
        "5:cpu,cpuacct:/docker/1a\n2:memory:/docker/1a",
        {
            "cpu,cpuacct/cpu.cfs_quota_us": "400000\n",
            "cpu,cpuacct/cpu.cfs_period_us": "100000\n",
        },
        4,
    ),
    "version-1-no-limit": (
        "5:cpu:/",
        {"cpu/cpu.cfs_quota_us": "-1", "cpu/cpu.cfs_period_us": "100000"},
        8,
    ),
    "unreadable": ("0::/", {"cpu.max": "what"}, 8),
    "no-groups": (None, {}, 8),
}


@pytest.mark.parametrize(("membership", "files", "n_cores"), GROUPS.values(), ids=GROUPS)
def test_cores_are_those_that_a_container_grants(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    membership: str | None,
    files: dict[str, str],
    n_cores: int,
) -> None:
    """Of eight cores, a container's quota counts (Linux documentation, control groups 1 and 2)."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    if membership is not None:
        (tmp_path / "membership").write_text(membership)
    assert usable_cores(groups=tmp_path, membership=tmp_path / "membership") == n_cores


def test_cores_are_those_that_this_process_may_run_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process held to three cores uses three; where systems can't say, all count."""
    paths = {"groups": tmp_path, "membership": tmp_path / "none"}
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {1, 4, 6}, raising=False)
    assert usable_cores(**paths) == 3
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert usable_cores(**paths) == 1


def test_a_folder_is_given_where_none_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With neither installation nor home writable, numba gets a folder of its own."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    nowhere = tmp_path / "file"
    nowhere.write_text("")
    monkeypatch.setattr(machine, "usual_folders", lambda: (nowhere / "a", nowhere / "b"))
    # numba is loaded in this process: its own setting is put back, too.
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.delitem(sys.modules, "numba")
    machine.provide_cache_folder()
    given = Path(os.environ["NUMBA_CACHE_DIR"])
    assert given.is_dir()
    # Nobody else may put compiled code there.
    assert given.stat().st_mode & 0o077 == 0


def test_the_usual_places_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where numba can keep compiled code, nothing is set: it would be compiled every time."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    machine.provide_cache_folder()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_the_folder_goes_with_the_process(tmp_path: Path) -> None:
    """Nothing is left in the folder for temporary files."""
    program = (
        "from pathlib import Path; from shared import machine as c;"
        "c.usual_folders = lambda: (Path('/dev/null/a'), Path('/dev/null/b'));"
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
