"""Each table is made once, tiny, so that none rots, and says what it is there to say."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import psutil
import pytest

from tests.benchmarks import (
    bench_known_answers,
    bench_match,
    bench_own_voice,
    bench_scales,
    bench_slack,
    bench_voice,
)
from tests.benchmarks.bench_corners import count_not_finite, measure_levels
from tests.benchmarks.bench_own_voice import LEVELS, STRUCTURE, draw_patch, units_of
from tests.benchmarks.csound import csound_ns_per_sample
from tests.benchmarks.quality import __main__ as quality
from tests.benchmarks.quality.tables import (
    audible_table,
    excess_table,
    instrument_table,
    note_table,
)
from tests.benchmarks.soak import MEGABYTE, Course, soak_matches
from tests.csound_graph import MISSING, csound_path
from tests.known_notes import known_instrument

if TYPE_CHECKING:
    from pathlib import Path

needs_csound = pytest.mark.skipif(csound_path() is None, reason=MISSING)


def test_the_table_of_the_voice(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line for each patch and part, without Csound and without waiting for many runs."""
    monkeypatch.setattr(bench_voice, "csound_ns_per_sample", lambda: None)
    monkeypatch.setattr(bench_voice, "first_sound_s", lambda: 1.0)
    bench_voice.main(n_samples=4410, n_runs=1)
    printed = capsys.readouterr().out
    for line in (*bench_voice.PATCHES, *bench_voice.LADDER, "first sound", "long silent"):
        assert line in printed


@needs_csound
def test_both_graphs_sound_alike() -> None:
    """Csound 6.18: speed is compared at the same work; other phases alone make 2 to 3 dB."""
    assert bench_voice.csound_difference_db() < 1.0
    cost_ns = csound_ns_per_sample(n_runs=1, short_s=0.5, long_s=10.0)
    assert cost_ns is not None
    assert cost_ns > 0.0


def test_the_tables_of_a_match(capsys: pytest.CaptureFixture[str]) -> None:
    """Candidates per second, the two costs, the ratio to librosa; memory and overhead."""
    bench_match.bench_speed(n_runs=1, structures=("two-oscillator",))
    bench_match.bench_run(seconds=0.2, structures=("two-oscillator",))
    _, speed, ratio, _, run = capsys.readouterr().out.splitlines()
    assert re.search(r"[1-9]\d* evaluations/s .*voice \d+\.\d\d ms, losses \d+\.\d\d ms", speed)
    assert "times as long" in ratio
    assert "% is neither voice nor losses" in run


def test_the_table_of_scales() -> None:
    """A bigger change of cutoff gives a bigger spectral difference."""
    table = bench_scales.measure(1)
    assert all(np.all(np.isfinite(row)) for row in table.values())
    assert table["cutoff +10 %"][0] > table["cutoff +5 %"][0] > 0.0


def test_the_table_of_slack() -> None:
    """Of a patch that sounds like its target, controls are looked at."""
    row = bench_slack.measure(20, "settled", seconds=60.0)
    assert row.loss < bench_slack.SETTLED_LOSS
    assert row.n_controls > 0


def test_the_corners_of_the_voice() -> None:
    """Finite at any rate, key and gate; EBU R 128: -1 dBTP; -16 LUFS, common practice, no source.

    0.01 dB: rounding to 24 bits moves the peak of soft sounds.
    """
    n_bad, largest = count_not_finite(320, seed=2)
    assert n_bad == 0
    assert 0.0 < largest < np.inf
    levels = measure_levels(24, seed=2)
    assert levels.true_peak_dbtp <= -1.0 + 0.01
    assert levels.loudness_lufs <= -16.0 + 0.01


def test_the_soak(tmp_path: Path) -> None:
    """As many open files and threads after three matches as after one; a leak has a slope."""
    course = soak_matches(3, tmp_path)
    assert len(set(course.files)) == len(set(course.threads)) == 1
    assert not list(tmp_path.rglob(".*.tmp"))
    leaking = Course(psutil.Process())
    leaking.note()
    assert leaking.megabytes[0] > 10_000_000 / MEGABYTE
    leaking.megabytes = [9.0, 90.0, 95.0] + [100.0 + 2.0 * i for i in range(5)]
    assert leaking.slope_mb() == pytest.approx(200.0)


def test_the_table_of_quality_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each optimiser gives a row; a second call runs nothing again."""
    record = tmp_path / "quality.jsonl"
    names = ("earwright", "random search")
    options = ["--notes", "1", "--seconds", "0.3", "--short", "--record", str(record)]
    options += [word for name in names for word in ("--only", name)]
    assert quality.main(options) == 0
    printed = capsys.readouterr().out
    assert all(name in printed for name in names)
    assert "Still audible after 0.3 s of earwright, in 1 runs" in printed
    rows = [json.loads(line) for line in record.read_text().splitlines()]
    assert [row["optimiser"] for row in rows] == list(names)
    assert quality.main(options) == 0
    assert capsys.readouterr().out == printed
    assert len(record.read_text().splitlines()) == len(rows)


def _judged(log_mel_db: float, *audible: str) -> dict[str, Any]:
    """Return the figures of a judged note."""
    measures = ("onset_log_mel_db", "envelope_db", "centroid_ratio", "pitch_cents")
    heard = [[quantity, 2.0] for quantity in audible]
    return {"log_mel_db": log_mel_db, **dict.fromkeys(measures, 0.1), "audible": heard}


def _a_run(optimiser: str, seconds: float, log_mel_db: float, *audible: str) -> dict[str, Any]:
    """Return a row of a run on one note."""
    settings = {"optimiser": optimiser, "note": "horn 55 v100", "seconds": seconds, "seed": 1}
    return {**settings, "loss": 1.0, "evaluations": 9, **_judged(log_mel_db, *audible)}


def test_medians_stand_in_the_table_of_quality() -> None:
    """Of three runs the middle one; what is audible is counted at our longest budget alone."""
    rows = [_a_run("cma", 15.0, x, *"ab"[:n]) for n, x in enumerate((3.0, 9.0, 4.0))]
    line = note_table(rows).splitlines()[1]
    assert "4.00 (3.50-6.50)" in line
    assert line.split()[-3] == "1.0"
    row = {"note": "horn", "fitted": [_judged(4.0)], "left_out": [_judged(5.0, "attack")]}
    fitted, left_out, *_ = instrument_table([row]).splitlines()[1:]
    assert "4.00" in fitted
    assert "5.00" in left_out
    rows = [
        _a_run("cma", 60.0, 4.0, "pitch"),
        _a_run("earwright", 15.0, 4.0, "level"),
        _a_run("earwright", 60.0, 4.0, "attack", "brightness"),
    ]
    text = audible_table(rows)
    assert "after 60 s of earwright, in 1 runs" in text
    assert "attack (2.0), brightness (2.0)" in text
    assert "level" not in text


def test_our_runs_depend_on_our_search_and_the_others_do_not() -> None:
    """A change of the search leaves the figures of the other optimisers as they are."""
    runs = quality.wanted_runs(quality._parse([]))
    assert len({run.code for run in runs}) == 2
    assert len({run.code for run in runs if run.optimiser == "earwright"}) == 1


def test_the_expected_time_counts_runs_that_never_came_there() -> None:
    """Of two runs of 15 s one is within a quarter of the best loss after 3 s: 18 s for one."""
    common = {"optimiser": "cma", "structure": "standard", "seconds": 15.0, "evaluation": "a"}
    rows = [
        {**common, "note": "C4", "loss": 2.4, "course": [(1.0, 5.0), (3.0, 2.4)]},
        {**common, "note": "D4", "loss": 3.0, "course": [(2.0, 3.0)]},
    ]
    best = [{**row, "loss": 2.0, "seconds": 60.0} for row in rows]
    other = [{**best[0], "evaluation": "b", "loss": 1.0}, {**best[0], "structure": "complete"}]
    line = excess_table(rows, [*rows, *best, *other]).splitlines()[1]
    assert line.split()[1:] == ["15", "2", "35.00", "(27.50-42.50)", "2.5", "2.5", "18.0", "never"]


def _found_row(units: np.ndarray[Any, Any]) -> dict[str, Any]:
    """Return a run on the first patch of our own that has found these places in the ranges."""
    found = STRUCTURE.space.to_dict(STRUCTURE.space.decode(units))
    row = {"patch": 0, "seed": 1, "found": found, "loss": 0.5, "start_loss": 2.0}
    return {**row, "middle_loss": 10.0, "true_loss": 0.1}


def test_found_and_missed_parameters_of_our_own_patches_are_counted() -> None:
    """The true patch has all of them; with the cutoff far off, or one level halved, it hasn't."""
    patch = draw_patch(0)
    n = int(patch.is_audible.sum())
    assert len(STRUCTURE.space) == 22
    text = bench_own_voice.own_voice_table([_found_row(patch.units)])
    assert f"100 % ({n} of {n})" in text
    assert "middle of the space: 0.050" in text
    away = patch.units.copy()
    place = STRUCTURE.space.names.index("filter.cutoff_hz")
    away[place] += 0.2 if away[place] < 0.5 else -0.2
    assert f"({n - 1} of {n})" in bench_own_voice.own_voice_table([_found_row(away)])
    values = STRUCTURE.space.to_dict(STRUCTURE.space.decode(patch.units))
    halved = {**values, **{name: 0.5 * values[name] for name in LEVELS}}
    np.testing.assert_allclose(units_of(halved), units_of(values), atol=1e-12)


@pytest.mark.parametrize(
    ("bench", "options", "said"),
    [
        (
            bench_own_voice,
            ["--patches", "1", "--evals", "40"],
            "staged, 22 parameters, 40 evaluations, 1 patches, 1 seeds.",
        ),
        (
            bench_known_answers,
            ["--note", "brass", "--structure", "two-oscillator", "--evals", "32", "--patches"],
            "two-oscillator, 32 evaluations, 1 seeds.",
        ),
    ],
    ids=["own voice", "known answers"],
)
def test_a_run_is_kept_and_the_next_call_runs_nothing(
    bench: Any,  # noqa: ANN401  a module
    options: list[str],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The table says how it was measured."""
    record = tmp_path / "runs.jsonl"
    options = [*options, "--seeds", "1", "--record", str(record)]
    assert bench.main(options) == 0
    first = capsys.readouterr()
    assert said in first.out
    assert bench.main(options) == 0
    assert capsys.readouterr() == (first.out, "")
    assert len(record.read_text().splitlines()) == 1


def test_the_true_settings_are_nearly_without_loss() -> None:
    """The voice plays what Csound 6.18 played; what is left is less than audible."""
    assert 0.0 < bench_known_answers.best_true_loss(known_instrument("brass")) < 1.0
