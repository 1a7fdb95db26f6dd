"""The table of known answers tells what came back and what didn't."""

from __future__ import annotations

from typing import Any

import pytest

from tests.benchmarks import bench_known_answers
from tests.benchmarks.recovery import QUANTITIES, check_patch, swap_oscillators
from tests.known_notes import known_instrument, known_instrument_names

# What a patch with every part is moved by, and the quantity that has to notice: within, beyond.
MOVES = {
    "filter.cutoff_hz": ("strings_full", 1.09, 1.11, "highest cutoff"),
    "amp_env.attack_s": ("brass", 1.14, 1.16, "attack"),
    "filter_env.attack_s": ("hard_brass", 1.2, 1.23, "filter attack"),
    "osc2.detune_cents": ("brass", 1.2, 1.22, "detune"),
    "osc2.pitch_env.depth_cents": ("brass_pitch_env_osc2", 1.19, 1.21, "pitch envelope depth"),
    "osc2.pitch_env.decay_s": ("brass_pitch_env_osc2", 1.24, 1.26, "pitch envelope decay"),
    "osc2.vibrato.rate_hz": ("strings_full", 1.039, 1.041, "vibrato rate"),
    "osc1.vibrato.depth_cents": ("strings_full", 0.76, 0.74, "vibrato depth"),
    "osc1.pwm.rate_hz": ("strings_full", 0.93, 0.91, "pulse-width rate"),
    "osc1.pwm.depth_ratio": ("strings_full", 1.24, 1.26, "pulse-width depth"),
    "osc1.vibrato.rate_key_track_ratio": ("strings_family", 1.2, 1.3, "vibrato rate tracking"),
}


def true_values(name: str) -> dict[str, float]:
    """Return the settings of a known patch."""
    return known_instrument(name)[0].values


def missed(name: str, found: dict[str, float]) -> set[str]:
    """Name the quantities that are out of tolerance."""
    keys = [known.note.midi_pitch for known in known_instrument(name)]
    checks = check_patch(found, true_values(name), keys)
    return {q for q, own in checks.items() if not all(check.is_within for check in own)}


def test_the_true_patch_is_back_in_either_order() -> None:
    """With the oscillators as they were, and in each other's place; no column stays empty."""
    asked = set()
    for name in known_instrument_names():
        values = true_values(name)
        swapped = swap_oscillators(values)
        assert missed(name, values) == missed(name, swapped) == set()
        assert swap_oscillators(swapped) == values
        keys = [known.note.midi_pitch for known in known_instrument(name)]
        asked |= set(check_patch(values, values, keys))
    assert asked == {quantity.name for quantity in QUANTITIES}


@pytest.mark.parametrize("parameter", MOVES)
def test_tolerances_are_those_that_are_told(parameter: str) -> None:
    """A value inside is back, one just outside is not, and nothing else is called wrong."""
    name, inside, outside, quantity = MOVES[parameter]
    values = true_values(name)
    assert missed(name, {**values, parameter: inside * values[parameter]}) == set()
    assert missed(name, {**values, parameter: outside * values[parameter]}) == {quantity}


def test_what_is_invented_or_missing_is_noticed() -> None:
    """A modulator that is deep enough to be heard, unless its oscillator is silent; and none."""
    for part, quantity in {"pitch_env": "no pitch envelope", "vibrato": "no vibrato"}.items():
        depth = f"osc2.{part}.depth_cents"
        assert missed("brass", {**true_values("brass"), depth: 4.9}) == set()
        assert missed("brass", {**true_values("brass"), depth: 5.1}) == {quantity}
        assert missed("single_saw", {**true_values("single_saw"), depth: 90.0}) == set()
    values = true_values("brass_pitch_env_osc2")
    wrong = {"pitch envelope depth", "pitch envelope decay"}
    assert missed("brass_pitch_env_osc2", {**values, "osc2.pitch_env.depth_cents": 0.0}) == wrong


def a_row(**changes: Any) -> dict[str, Any]:  # noqa: ANN401  JSON values
    """Return a run that has found the true patch of `brass`."""
    row = {"note": "brass", "structure": "two-oscillator", "evals": 9, "seed": 1}
    return {**row, "found": true_values("brass"), "loss": 0.1, "true_loss": 0.1, **changes}


def test_the_limit_is_told() -> None:
    """Search, loss and structure, by the losses and by the parts that there are."""
    assert bench_known_answers.verdict(a_row(loss=0.2)).startswith("search")
    assert bench_known_answers.verdict(a_row(loss=0.1)).startswith("loss")
    lacking = bench_known_answers.verdict(a_row(note="strings_vibrato"))
    assert lacking.startswith("structure")


def test_counts_and_failures_stand_in_the_table() -> None:
    """One run of two has a wrong detune: one of two in its column, and one line for it."""
    wrong = {**true_values("brass"), "osc2.detune_cents": 12.0}
    rows = [a_row(), a_row(seed=2, found=wrong, loss=0.4)]
    line = next(x for x in bench_known_answers.recovery_table(rows).splitlines() if "brass" in x)
    *counts, loss, true_loss = line.split()[1:]
    assert counts == ["2/2"] * 5 + ["1/2"] + ["2/2"] * 3
    assert (loss, true_loss) == ("0.25", "0.10")
    (failure,) = bench_known_answers.failures(rows)
    assert "brass, seed 2: loss 0.40, true settings 0.10: search" in failure
    assert "detune 12 cents (true 7 cents)" in failure
