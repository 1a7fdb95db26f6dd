"""The ladder: rungs down to the plain patch, and the one that is suggested."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.losses import PARTS
from matcher.matching import FEWEST_CYCLES, make_problem, match
from matcher.search.ladder import WalkedRung, choose
from tests.own_notes import own_target
from voice import load_structure

if TYPE_CHECKING:
    from shared import FloatArray

SPECTRUM = next(part.scale for part in PARTS if part.name == "spectrum_db")


def _rung(n_settings: int, spectrum_steps: float) -> WalkedRung:
    """Make a rung whose spectrum is some just-noticeable differences off."""
    score = np.zeros(len(PARTS))
    # Two parts make the term.
    score[0] = 2.0 * spectrum_steps * SPECTRUM
    return WalkedRung(np.array([float(n_settings)]), spectrum_steps, score, n_settings, 0)


RUNGS = [_rung(20, 1.0), _rung(15, 1.2), _rung(12, 1.4), _rung(9, 1.6), _rung(4, 3.0)]


def _nothing(_: FloatArray) -> dict[tuple[int, str], float]:
    """Name no difference."""
    return {}


def test_the_shortest_within_half_a_step_is_suggested() -> None:
    """0.4 steps behind the closest counts as the same, 0.6 don't."""
    assert choose(RUNGS, None, _nothing).n_settings == 12


@pytest.mark.parametrize(("steps", "chosen"), [(0.9, 12), (1.1, 15)], ids=["unheard", "heard"])
def test_a_named_difference_separates_where_it_is_heard(steps: float, chosen: int) -> None:
    """The rung of twelve settings has a difference of its own."""

    def named(vector: FloatArray) -> dict[tuple[int, str], float]:
        return {(0, "pitch"): steps if vector[0] == 12.0 else 0.3}

    assert choose(RUNGS, None, named).n_settings == chosen


@pytest.mark.parametrize(("wanted", "found"), [(16, 15), (9, 9), (2, 4)])
def test_a_number_of_settings_is_met_from_below(wanted: int, found: int) -> None:
    """Nothing is longer than what was asked for, unless nothing is that short."""
    assert choose(RUNGS, None, _nothing, n_settings=wanted).n_settings == found


@pytest.mark.parametrize(("gate_s", "is_left"), [(1.0, True), (0.1, False)])
def test_an_lfo_has_time_for_its_cycles_or_is_left_out(
    gate_s: float,
    is_left: bool,  # noqa: FBT001
) -> None:
    """The slowest rate goes through one and a half cycles; 15 Hz is beyond any vibrato."""
    target = own_target(60.0, gate_s=gate_s)
    space = make_problem(target, load_structure("standard")).space
    assert ("osc1.vibrato.depth_cents" in space) == is_left
    if is_left:
        assert space["osc1.vibrato.rate_hz"].low == pytest.approx(FEWEST_CYCLES / gate_s)


@pytest.mark.slow
def test_rungs_get_shorter_and_farther_and_one_is_the_patch() -> None:
    """A plain sawtooth through a filter: nothing else is suggested, and what it has is missed."""
    target = own_target(57.0, gate_s=0.4, values={"filter.cutoff_hz": 700.0})
    result = match(target, structure="two-oscillator", evals=1500, progress=False)
    counts = [rung.n_settings for rung in result.ladder]
    assert counts == sorted(set(counts), reverse=True)
    (suggested,) = (rung for rung in result.ladder if rung.is_suggested)
    assert suggested.patch.values == result.patch.values
    assert suggested.n_settings <= 5
    assert suggested.missed["low-pass filter"] > 1.0
