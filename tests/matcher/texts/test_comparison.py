"""What is printed: plain lines for 80 columns that hold the figures."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from matcher.comparing import FailedRun
from matcher.comparing.running import duration_words, seconds_left
from matcher.texts.comparison import format_batch, format_comparison
from tests.matcher.comparing.made_runs import comparison_of, made_run

LONG = "a-structure-with-a-name-that-nobody-would-want-to-type-more-than-once"


def test_lines_fit_a_terminal() -> None:
    """Also with long names, large figures and every kind of section."""
    rng = np.random.default_rng(3)
    runs = [
        made_run(
            target,
            structure,
            seed,
            loss=float(rng.uniform(10.0, 40.0)),
            course=[(1, 0.1, 60.0), (654_321, 3599.9, 9.0)],
            n_evaluations=1_234_567,
            processor=f"model {seed}",
        )
        for target in ("horn", "pad")
        for structure in ("plain", LONG)
        for seed in range(5)
    ]
    comparison = dataclasses.replace(
        comparison_of(runs, n_missing=3),
        failed=(FailedRun("bell", "plain", 0, "bell.wav is silent. " * 8),),
    )
    for text in (format_comparison(comparison), format_batch(comparison)):
        # Names are cut in tables; a sentence keeps them whole.
        assert max(len(line) for line in text.splitlines() if LONG not in line) <= 79
    assert "3 runs are missing" in format_comparison(comparison)


def test_figures_stand_beside_their_structure() -> None:
    """The median of 1, 2 and 6 is 2, and a quarter lies below 1.5, a quarter above 4."""
    runs = [
        made_run(structure=structure, seed=s, loss=loss)
        for structure in ("plain", "rich")
        for s, loss in enumerate([1.0, 2.0, 6.0])
    ]
    text = format_comparison(comparison_of(runs))
    assert re.search(r"^  plain +2\.00 1\.5-4\.0", text, flags=re.MULTILINE)


def test_one_run_has_no_range() -> None:
    """Nothing spreads in a single run."""
    runs = [made_run(structure=structure, seed=0, loss=6.55) for structure in ("plain", "rich")]
    text = format_comparison(comparison_of(runs))
    assert re.search(r"^  plain +6\.55 - ", text, flags=re.MULTILINE)


def test_without_runs_no_run_folder_is_named() -> None:
    """What isn't there is not listed."""
    runs = [made_run(structure=structure) for structure in ("plain", "rich")]
    whole = comparison_of(runs, n_missing=2)
    assert "whole run of the best seed" in format_comparison(whole)
    text = format_comparison(dataclasses.replace(whole, runs=()))
    assert "whole run of the best seed" not in text
    assert "compare --resume" in text


def test_losses_that_nobody_reached_are_one_line() -> None:
    """A table of dashes helps nobody."""
    runs = [
        made_run(structure=structure, seed=s, course=[(1, 0.1, 9.0), (200 + s, 2.0, 3.5)])
        for structure in ("plain", "rich")
        for s in range(3)
    ]
    text = format_comparison(comparison_of(runs, thresholds=[20.0, 4.0, 2.0, 1.0]))
    assert "  No run reached 2 or less." in text
    assert re.search(r"^  plain +4 +3 of 3 +201 +2\.0$", text, flags=re.MULTILINE)
    # What the first candidate reached says nothing of the search.
    assert not re.search(r"^ .* 20 +3 of 3", text, flags=re.MULTILINE)


def test_a_large_library_names_the_worst() -> None:
    """Of 60 targets the worst stand on the list; the tables have all."""
    runs = [made_run(f"note-{i:02d}", loss=1.0 + i) for i in range(60)]
    lines = format_batch(comparison_of(runs)).splitlines()
    assert lines[0].startswith("With plain, the worst 15 of 60")
    assert lines[1].split()[:2] == ["note-59", "60.00"]
    assert lines[15].split()[:2] == ["note-45", "46.00"]
    assert lines[16].split() == ["median", "of", "60", "targets", "30.50"]
    # A page with the sounds of 60 targets would be a burden for every browser.
    assert not any("report.html" in line for line in lines)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"versions": {"earwright": "0.2.0"}},
            r"different versions of earwright \(0.1.0, 0.2.0\)",
        ),
        ({"processor": "model B"}, r"2 kinds of processor"),
        ({"n_evaluations": 2000}, r"some runs tried 100 % more than others"),
    ],
    ids=["versions", "processors", "speed"],
)
def test_runs_that_were_not_alike_are_told(changes: dict[str, object], said: str) -> None:
    """Whoever reads the figures knows where the comparison limps."""
    runs = [made_run(seed=s, loss=2.0 + 0.1 * s) for s in range(4)]
    runs.append(made_run(seed=4, loss=2.4, **changes))  # type: ignore[arg-type]
    notes = comparison_of(runs).notes
    assert len(notes) == 1
    assert re.search(said, notes[0])


def test_with_evaluations_as_budget_speed_does_not_matter() -> None:
    """Every run got the same, so nothing is said about processors."""
    runs = [made_run(seed=0), made_run(seed=1, loss=2.1, processor="model B", elapsed_s=99.0)]
    assert comparison_of(runs, evals=1000).notes == ()


def test_alike_runs_need_no_note() -> None:
    """Nothing to bear in mind."""
    runs = [made_run(seed=s, loss=2.0 + 0.1 * s) for s in range(5)]
    assert comparison_of(runs).notes == ()


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (99.4, "99 s"), (99.6, "2 min"), (5940, "99 min"), (6000, "1 h 40 min")],
)
def test_times_are_said_as_one_says_them(seconds: float, words: str) -> None:
    """Seconds, then minutes, then hours."""
    assert duration_words(seconds) == words


def test_the_time_left() -> None:
    """By the budget at first, then by what the runs took; unknown before one has ended."""
    # Five rounds of 20 s and 4 s beside them, of which 5 s are over.
    assert seconds_left(10, 0, 5.0, run_s=20.0, n_at_a_time=2) == 115.0
    assert seconds_left(10, 0, 500.0, run_s=20.0, n_at_a_time=2) is None
    assert seconds_left(6, 4, 44.0, run_s=20.0, n_at_a_time=2) == 66.0
    assert seconds_left(10, 0, 5.0, run_s=None, n_at_a_time=2) is None
