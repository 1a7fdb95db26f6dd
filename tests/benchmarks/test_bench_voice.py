"""The benchmark of the voice runs, and times what it says it times."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from shared import PHASE_NAMES
from tests.benchmarks import bench_voice
from tests.benchmarks.bench_voice import LADDER, PATCHES, TAIL, cost_ns, renderer_of, work_of
from tests.csound_graph import MISSING, csound_path
from tests.voice_sounds import row_of

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

    from shared import FloatArray


@pytest.mark.parametrize("name", PATCHES)
def test_rendering(benchmark: BenchmarkFixture, name: str) -> None:
    """One and a half seconds of 16 candidates, in buffers that are used again."""
    benchmark(work_of(renderer_of(), PATCHES[name]))


def heard(values: dict[str, float]) -> FloatArray:
    """Return the first tenth of a second of a patch."""
    renderer = renderer_of(n_samples=4410)
    return renderer.render(row_of(values)[None, :], np.zeros((1, len(PHASE_NAMES))))[:, 0].astype(
        np.float64
    )


@pytest.mark.parametrize("name", list(LADDER)[1:])
def test_every_part_that_is_timed_is_heard(name: str) -> None:
    """A part that made no sound would cost nothing."""
    bare = heard({})
    # -60 dB: far above rounding.
    assert np.mean((heard(LADDER[name]) - bare) ** 2) > 1e-6 * np.mean(bare**2)


def test_parts_that_are_off_are_silent() -> None:
    """What is timed as off is off."""
    np.testing.assert_array_equal(heard(bench_voice.OFF_BUT_SET), heard({}))


def test_the_tail_is_silent() -> None:
    """The note that is timed for denormal numbers ends in zeros, not in tiny numbers."""
    renderer = renderer_of(0.05)
    sound = renderer.render(row_of(TAIL)[None, :], np.zeros((1, len(PHASE_NAMES))))[:, 0]
    assert np.abs(sound[:2205]).max() > 0.1
    assert not sound[-renderer.n_samples // 2 :].any()


def test_the_cost_is_counted_for_each_candidate() -> None:
    """A figure of some nanoseconds: neither for a block nor for the group."""
    costs = cost_ns(renderer_of(n_samples=4410), {"bare": {}}, n_runs=1)
    assert 0.0 < costs["bare"] < 10_000.0


@pytest.mark.skipif(csound_path() is None, reason=MISSING)
def test_both_graphs_sound_alike() -> None:
    """Speed is compared at the same work: other phases alone would make 2 to 3 dB."""
    assert bench_voice.csound_difference_db() < 1.0


def test_the_table_is_printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """All lines, without Csound and without waiting for many runs."""
    monkeypatch.setattr(bench_voice, "csound_ns_per_sample", lambda: None)
    monkeypatch.setattr(bench_voice, "first_sound_s", lambda: 1.0)
    bench_voice.main(n_samples=4410, n_runs=1)
    printed = capsys.readouterr().out
    for line in (*PATCHES, *LADDER, "first sound", "long silent"):
        assert line in printed
