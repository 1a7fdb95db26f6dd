"""The parts of `bench_match` run once, tiny, so that none rots; and a batch is timed.

``pytest tests/benchmarks/test_match.py --benchmark-enable --benchmark-only`` times a batch; the
tables come from ``python -m tests.benchmarks.bench_match``.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.matching import make_problem
from tests.benchmarks import bench_match
from tests.benchmarks.bench_match import FLOORS, STRUCTURES, recorded_target, scored_target
from voice import load_structure

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture


@pytest.mark.parametrize("structure", STRUCTURES)
def test_evaluations(benchmark: BenchmarkFixture, structure: str) -> None:
    """A batch of 64 candidates of a note of 1.5 s, rendered and scored on all cores."""
    target = recorded_target("trumpet", 65.0, gate_s=1.2)
    problem = make_problem(target, load_structure(structure))
    n_candidates = bench_match.BATCH if benchmark.enabled else 4
    vectors = np.random.default_rng(1).random((n_candidates, problem.n_dimensions))
    note = target.notes[0]
    scored = scored_target(note)
    with Evaluator(problem, [scored], [note.note]) as evaluator:
        losses = benchmark.pedantic(
            evaluator.losses, args=(vectors,), rounds=10, warmup_rounds=int(benchmark.enabled)
        )
    assert np.all(np.isfinite(losses))


def numbers(text: str) -> list[float]:
    """Return the numbers of a text."""
    return [float(x) for x in re.findall(r"\d+(?:\.\d+)?", text)]


def test_the_speed_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Evaluations per second, the two costs, and the ratio to librosa are figures above 0."""
    bench_match.bench_speed(n_runs=1, structures=("two-oscillator",))
    head, line, ratio = capsys.readouterr().out.splitlines()
    assert "44100 Hz" in head
    assert re.search(r"[1-9]\d* evaluations/s .*voice \d+\.\d\d ms, losses \d+\.\d\d ms", line)
    assert min(numbers(ratio)) > 0.0


def test_the_memory_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Three figures of memory, and the overhead as a share."""
    bench_match.bench_run(seconds=0.2, structures=("two-oscillator",))
    line = capsys.readouterr().out.splitlines()[1]
    early, late, highest, *_, share = numbers(line)
    assert 0.0 < min(early, late) <= highest
    assert 0.0 <= share < 100.0


def test_the_quality_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Match, floor and sawtooth in one line for each note."""
    bench_match.bench_quality(seconds=0.2, floors=FLOORS[:1])
    line = capsys.readouterr().out.splitlines()[-1]
    assert line.split()[0] == "trumpet"
    assert numbers(line)[2] == FLOORS[0].log_mel_db
    assert numbers(line)[7] == FLOORS[0].onset_db


def test_the_start_table(capsys: pytest.CaptureFixture[str]) -> None:
    """Help and first sound, each in a process of its own."""
    bench_match.bench_start(n_runs=1)
    assert re.search(r"help \d+\.\d\d s, first sound \d+\.\d\d s", capsys.readouterr().out)


def test_the_windows_done_with_librosa_agree_with_the_losses() -> None:
    """What is timed against ours measures the same: no difference for the same sound."""
    note = recorded_target("trumpet", 65.0).notes[0]
    target = scored_target(note)
    levels = bench_match.librosa_levels(note.signal, target)
    assert len(levels) == len(target.windows) + 1
    assert bench_match.librosa_differences(note.signal, levels, target) == [0.0] * len(levels)


def test_sections_are_chosen_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those named run, with the time that is given; an unknown name is refused."""
    called: dict[str, dict[str, object]] = {}
    for name in bench_match.SECTIONS:
        monkeypatch.setattr(
            bench_match, f"bench_{name}", lambda n=name, **options: called.update({n: options})
        )
    bench_match.main(["run", "quality", "--seconds", "3"])
    assert called.keys() == {"run", "quality"}
    assert called["run"] == {"seconds": 3.0}
    bench_match.main([])
    assert called.keys() == set(bench_match.SECTIONS)
    with pytest.raises(SystemExit):
        bench_match.main(["sped"])
