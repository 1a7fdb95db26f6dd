"""The sentence says what the runs show, and no more."""

from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from tests.matcher.comparing.made_runs import comparison_of, made_run

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.comparing import RunOutcome

NOISE = 0.05 * np.random.default_rng(8).standard_normal(5)
TERMS = {"spectral": 4.0, "onset": 6.0, "envelope": 1.0, "modulation": 2.0, "pitch": 0.5}


def runs_of(
    structure: str,
    change: Mapping[str, float] | None = None,
    *,
    loss: float = 4.0,
    spread: float = 1.0,
) -> list[RunOutcome]:
    """Make five runs of a structure, with some terms changed."""
    rng = np.random.default_rng(len(structure))
    runs = []
    for seed, noise in enumerate(NOISE):
        own = spread * 0.05 * rng.standard_normal(6)
        terms = {
            name: value + (change or {}).get(name, 0.0) + noise + own[i]
            for i, (name, value) in enumerate(TERMS.items())
        }
        runs.append(
            made_run(structure=structure, seed=seed, loss=loss + noise + own[5], terms=terms)
        )
    return runs


def test_a_clear_and_audible_difference_is_named_with_its_term() -> None:
    """Loss from 4 to 2.5 and front edge from 6 to 3: percentages, intervals, audible steps."""
    said = comparison_of(runs_of("plain") + runs_of("rich", {"onset": -3.0}, loss=2.5)).verdict
    assert said.startswith("On this target, with 20 s for each run and 5 seeds: rich lowers ")
    assert "lowers the distance by 38 % (" in said or "lowers the distance by 37 % (" in said
    assert re.search(r"the attack distance by 5\d % \(\d+ to \d+; 3\.0\)", said)


def test_what_gets_worse_is_said_too() -> None:
    """A structure that is better in all and worse in one term: both directions are named."""
    change = {"onset": -3.0, "spectral": -1.0, "pitch": 2.0}
    said = comparison_of(runs_of("plain") + runs_of("rich", change, loss=3.0)).verdict
    assert re.search(r"lowers the distance by 2\d % .*, the attack distance by 5\d % ", said)
    assert " and raises the pitch distance by " in said


def test_a_structure_that_brings_nothing() -> None:
    """All intervals lie within one audible step: only then is it said that nothing is heard."""
    said = comparison_of(runs_of("plain") + runs_of("richer")).verdict
    assert "richer brings nothing audible against plain" in said


def test_scattered_runs_are_not_read_as_no_difference() -> None:
    """Runs that scatter widely show neither a difference nor that there is none."""
    said = comparison_of(runs_of("plain") + runs_of("wild", spread=60.0)).verdict
    assert "wild shows no clear difference against plain" in said
    assert "can't be ruled out" in said
    assert "nothing audible" not in said


def test_terms_that_remain_open_are_named() -> None:
    """The loss differs by less than a step, and one term scatters: only that is left open."""
    rich = [
        msgspec.structs.replace(
            run,
            final=dataclasses.replace(
                run.final, terms={**run.final.terms, "pitch": 0.5 + 3.0 * (run.seed % 2)}
            ),
        )
        for run in runs_of("rich")
    ]
    said = comparison_of(runs_of("plain") + rich).verdict
    assert "rich makes less than 1 of distance against plain" in said
    assert said.endswith("and for the pitch distance these runs don't tell.")


def test_a_clear_difference_below_one_step_is_not_called_audible() -> None:
    """From 4 to 3.5 is clear here, and half an audible step."""
    said = comparison_of(runs_of("plain") + runs_of("rich", loss=3.5)).verdict
    assert "; less than 1)" in said


def test_one_seed_is_not_taken_for_evidence() -> None:
    """However large the difference, one run each may be chance."""
    runs = [made_run(structure="plain", loss=9.0), made_run(structure="rich", loss=1.0)]
    said = comparison_of(runs, evals=200).verdict
    assert "with 200 tries for each run and 1 seed:" in said
    assert "better than plain in 1 of 1 pair" in said
    assert "can't tell that from chance" in said
    assert "lowers" not in said


def test_unfinished_work_is_said_to_be_unfinished() -> None:
    """A sentence over a part of the runs says so."""
    said = comparison_of(runs_of("plain") + runs_of("rich"), n_missing=5).verdict
    assert said.startswith("So far (10 of 15 runs), on this target")


@pytest.mark.parametrize("runs", [[], [made_run()]], ids=["no run", "one structure"])
def test_without_two_structures_nothing_is_compared(runs: list[RunOutcome]) -> None:
    """Nothing to compare is said in words."""
    said = comparison_of(runs).verdict
    assert said.endswith(("nothing can be said.", "so there is nothing to compare."))
