"""A real Dask scheduler and two worker processes on loopback, one of which is killed at work."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher import compare, continue_comparison, load_comparison
from shared import EarwrightError, ParameterError
from tests.matcher.comparing.dask_cluster import Cluster
from tests.matcher.comparing.small_jobs import without_search, write_notes

distributed = pytest.importorskip("distributed", reason="needs the extra `cluster`")

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """Make a cluster; each test starts what it needs of it."""
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        yield made
    finally:
        made.close()


@pytest.mark.slow
def test_a_lost_worker_loses_no_run(cluster: Cluster, tmp_path: Path) -> None:
    """Two workers share the runs; one is killed while it is at work; every run comes back.

    Results lie in the same folder as those of this machine, and are the same to the bit.
    """
    cluster.start("one", "two")
    paths = write_notes(tmp_path, "reed_A3.wav")
    killed_with: list[str] = []
    with distributed.Client(cluster.address, set_as_default=False) as onlooker:

        def kill_when_both_work() -> bool:
            if killed_with:
                return False
            workers = onlooker.scheduler_info()["workers"]
            names = {address: worker["name"] for address, worker in workers.items()}
            at_work = {names.get(where): keys for where, keys in onlooker.processing().items()}
            if at_work.get("one") and at_work.get("two"):
                killed_with.extend(at_work["one"])
                cluster.kill("one")
            return False

        settings = {"seeds": 3, "evals": 64, "progress": False}
        there = compare(
            paths,
            ["one-oscillator"],
            folder=tmp_path / "there",
            cluster=cluster.address,
            stop=kill_when_both_work,
            **settings,
        )
        assert list(onlooker.nthreads().values()) == [1]
    assert killed_with, "the worker was not killed while it was at work"
    assert (len(there.runs), there.n_missing, there.failed) == (3, 0, ())
    # One run of them is done here, too.
    here = compare(
        paths,
        ["one-oscillator"],
        folder=tmp_path / "here",
        **{**settings, "seeds": [1]},  # type: ignore[arg-type]
    )
    assert here.runs[0].key == there.of("one-oscillator", "reed_A3")[1].key
    assert here.runs[0].final == there.of("one-oscillator", "reed_A3")[1].final


@pytest.mark.slow
def test_a_lost_scheduler_is_told_and_costs_no_finished_run(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command ends with one line; what was finished is kept, and goes on without it."""
    # Dask tries to connect again for so long.
    monkeypatch.setattr("matcher.comparing.cluster.CONNECT_S", 2.0)
    cluster.start("two")
    paths = write_notes(tmp_path, "reed_A3.wav")
    folder = tmp_path / "out"

    def kill_after_the_first() -> bool:
        if list(folder.glob("jobs/*.json")) and cluster.is_running("scheduler"):
            cluster.kill("scheduler")
        return False

    settings = {"seeds": 4, "evals": 300, "progress": False, "folder": folder}
    with pytest.raises(EarwrightError, match=r"scheduler at tcp://127.0.0.1:[0-9]+ was lost"):
        compare(
            paths,
            ["one-oscillator"],
            cluster=cluster.address,
            stop=kill_after_the_first,
            **settings,
        )
    n_finished = len(load_comparison(folder).runs)
    assert n_finished >= 1
    finished = {path: path.stat().st_mtime_ns for path in folder.glob("jobs/*.json")}
    monkeypatch.setattr("matcher.comparing.local.run_job", without_search)
    rest = continue_comparison(folder, n_processes=1, progress=False)
    assert (len(rest.runs), rest.n_missing) == (4, 0)
    assert all(path.stat().st_mtime_ns == time for path, time in finished.items())


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("desk", "such as tcp://HOST:8786"),
        ("http://desk:8786", "such as tcp://HOST:8786"),
        # Port 9 (discard) of this machine: nobody listens.
        ("tcp://127.0.0.1:9", "no Dask scheduler answers there"),
    ],
)
def test_an_address_without_a_scheduler_is_told(
    address: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line says what is needed."""
    monkeypatch.setattr("matcher.comparing.cluster.CONNECT_S", 0.5)
    paths = write_notes(tmp_path, "reed_A3.wav")
    with pytest.raises(ParameterError, match=message):
        compare(
            paths, ["one-oscillator"], folder=tmp_path / "out", cluster=address, progress=False
        )
