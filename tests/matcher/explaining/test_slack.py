"""Slack and trade-offs of patches with known construction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.explaining.clock import Clock
from matcher.explaining.fitting import Fitter
from matcher.explaining.slack import slack_of_patch
from tests.explained_notes import BRASS, TRADED, known_patch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.explaining import SlackOfPatch

# Every control of a patch is moved both ways, and the others are fitted at every step.
pytestmark = pytest.mark.slow

# Sounds as the target does, with other settings: a third of an octave from one to the other.
SHIFTED = {
    **TRADED,
    "filter.cutoff_hz": TRADED["filter.cutoff_hz"] * 2.0 ** (-1 / 3),
    "filter_env.depth_octaves": TRADED["filter_env.depth_octaves"] + 1 / 3,
}


def _slack(
    target: Mapping[str, float], patch: Mapping[str, float], seconds: float
) -> SlackOfPatch:
    """Measure the slack of a patch."""
    with known_patch(target, patch_values=patch) as prepared, Clock(seconds) as clock:
        clock.begin(1.0)
        return slack_of_patch(prepared, clock)


@pytest.fixture(scope="module")
def traded() -> SlackOfPatch:
    """Measure a patch in which cutoff and envelope depth only count together."""
    return _slack(TRADED, SHIFTED, 1e4)


def test_every_control_at_work_has_its_slack(traded: SlackOfPatch) -> None:
    """With time enough, all that does something is measured, most exact first."""
    names = {slack.name for slack in traded.slacks}
    assert traded.missing == ()
    assert {"filter.cutoff_hz", "osc2.detune_cents", "amp_env.attack_s"} <= names
    assert "tune_cents" not in names
    assert traded.slacks[0].exactness == "exactly"


def test_slack_holds_where_the_patch_stands(traded: SlackOfPatch) -> None:
    """Both intervals lie around the value."""
    for slack in traded.slacks:
        assert slack.holds(slack.value)
        assert slack.alone_low <= slack.value <= slack.alone_high


def test_slack_holds_the_truth(traded: SlackOfPatch) -> None:
    """Every interval holds what the target was made with, though the patch stands elsewhere."""
    missed = [slack.name for slack in traded.slacks if not slack.holds(TRADED[slack.name])]
    assert missed == []
    cutoff = next(s for s in traded.slacks if s.name == "filter.cutoff_hz")
    assert cutoff.value == pytest.approx(SHIFTED["filter.cutoff_hz"])


def test_a_control_that_others_make_up_for_has_more_slack(traded: SlackOfPatch) -> None:
    """The cutoff may move by an octave if the depth follows, and by little alone."""
    cutoff = next(s for s in traded.slacks if s.name == "filter.cutoff_hz")
    assert np.log2(cutoff.high / cutoff.low) > 1.0
    assert np.log2(cutoff.alone_high / cutoff.alone_low) < 0.3


def test_detune_has_to_stand_exactly(traded: SlackOfPatch) -> None:
    """A cent of detune changes every beat, so its slack is less than that."""
    detune = next(s for s in traded.slacks if s.name == "osc2.detune_cents")
    assert detune.high - detune.low < 1.0
    assert detune.exactness == "exactly"


def test_the_trade_off_is_found_and_told(traded: SlackOfPatch) -> None:
    """A lower cutoff with more envelope depth sounds the same: octave for octave."""
    pairs = {frozenset((t.first, t.second)): t for t in traded.trade_offs}
    found = pairs[frozenset(("filter.cutoff_hz", "filter_env.depth_octaves"))]
    values = {found.first: found.first_values, found.second: found.second_values}
    lowered = np.log2(np.divide(*values["filter.cutoff_hz"][::-1]))
    deepened = values["filter_env.depth_octaves"][1] - values["filter_env.depth_octaves"][0]
    # The envelope is at its peak all the time, so one makes up for the other exactly; 10 %: what
    # a fit leaves that is judged by ear.
    assert deepened == pytest.approx(-lowered, rel=0.1)
    assert found.strength > 0.8
    assert "cutoff" in found.sentence
    assert "depth" in found.sentence


def test_little_time_leaves_controls_out_and_names_them() -> None:
    """What wasn't reached is told to be missing, instead of guessed."""
    found = _slack(BRASS, BRASS, 1e-3)
    assert found.slacks == ()
    assert len(found.missing) == 14
    assert "osc2.detune_cents" in found.missing


def test_fits_come_back_to_the_truth(rng: np.random.Generator) -> None:
    """From a tenth of every range away, a few slopes reach a fraction of the loss."""
    with known_patch(BRASS) as prepared:
        fitter = Fitter(prepared)
        columns = prepared.moving(prepared.vector)
        moved = prepared.vector[None, :].copy()
        moved[0, columns] += 0.1 * rng.standard_normal(len(columns))
        fitter.hold(moved)
        start = fitter.best(moved)
        fit = fitter.fit(start, columns, is_over=lambda: False)
        assert start.loss > 2.0
        assert fit.loss < 0.25 * start.loss


def test_controls_with_fine_steps_are_fitted_on_their_steps() -> None:
    """A panel of 128 positions is no rotary switch: fits move over it, and stay on it."""
    with known_patch(BRASS, structure="pit-console") as prepared:
        space = prepared.problem.space
        columns = prepared.moving(prepared.vector)
        moving = {space.names[i] for i in columns if i < len(space)}
        assert {"filter.cutoff_hz", "amp_env.attack_s"} <= moving
        assert not {"osc2.octave", "filter.slope_db_per_octave"} & moving
        fitter = Fitter(prepared)
        slopes = fitter.slopes(prepared.vector, columns)
        assert np.all(np.abs(slopes.rows).sum(axis=1) > 0.0)
        moved = prepared.vector.copy()
        moved[space.index("filter.cutoff_hz")] -= 0.08
        start = fitter.best(moved[None, :])
        fit = fitter.descend(start, slopes, n_rounds=4)
        assert fit.loss < 0.5 * start.loss
        cutoff = prepared.values_of(fit.vector)["filter.cutoff_hz"]
        assert min(abs(cutoff - choice) for choice in space["filter.cutoff_hz"].choices) < 1e-6
