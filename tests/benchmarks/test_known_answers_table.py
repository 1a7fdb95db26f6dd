"""The recovery table tells what came back and what didn't, and runs once, tiny."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import pytest

from shared import CATALOGUE
from tests.benchmarks import bench_known_answers
from tests.benchmarks.recovery import QUANTITIES, check_patch, swap_oscillators
from tests.known_notes import known_instrument, known_instrument_names

if TYPE_CHECKING:
    from pathlib import Path

each_patch = pytest.mark.parametrize("name", known_instrument_names())
# What a patch with every part is moved by, and the quantity that has to notice: within, beyond.
MOVES = {
    "filter.cutoff_hz": ("strings_full", 1.09, 1.11, "highest cutoff"),
    "amp_env.attack_s": ("brass", 1.14, 1.16, "attack"),
    "filter_env.attack_s": ("hard_brass", 1.2, 1.23, "filter attack"),
    "osc2.detune_cents": ("brass", 1.2, 1.22, "detune"),
    "osc2.pitch_env.depth_cents": ("brass_pitch_env_osc2", 1.19, 1.21, "pitch envelope depth"),
    "osc2.pitch_env.decay_s": ("brass_pitch_env_osc2", 1.24, 1.26, "pitch envelope decay"),
    "osc2.vibrato.rate_hz": ("strings_full", 1.039, 1.041, "vibrato rate"),
    "osc1.vibrato.depth_cents": ("strings_full", 0.81, 0.79, "vibrato depth"),
    "osc1.pwm.rate_hz": ("strings_full", 0.93, 0.91, "pulse-width rate"),
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


@each_patch
def test_the_true_patch_is_back_in_either_order(name: str) -> None:
    """With the oscillators as they were, and with both in each other's place."""
    assert missed(name, true_values(name)) == set()
    assert missed(name, swap_oscillators(true_values(name))) == set()


@each_patch
def test_swapping_keeps_both_pitches_and_is_its_own_inverse(name: str) -> None:
    """Tune, and tune and detune, change places; twice gives the patch that it was."""
    values = true_values(name)
    swapped = swap_oscillators(values)
    pitches = [
        (v["tune_cents"], v["tune_cents"] + v["osc2.detune_cents"]) for v in (values, swapped)
    ]
    assert pitches[0] == pitches[1][::-1]
    assert swap_oscillators(swapped) == values


@pytest.mark.parametrize("parameter", MOVES)
def test_tolerances_are_those_that_are_told(parameter: str) -> None:
    """A value inside is back, one just outside is not, and nothing else is called wrong."""
    name, inside, outside, quantity = MOVES[parameter]
    values = true_values(name)
    assert missed(name, {**values, parameter: inside * values[parameter]}) == set()
    assert missed(name, {**values, parameter: outside * values[parameter]}) == {quantity}


@pytest.mark.parametrize(
    ("octaves", "expected"), [(0.29, set()), (0.31, {"filter envelope depth"})]
)
def test_the_depth_of_the_filter_envelope_has_its_own_tolerance(
    octaves: float, expected: set[str]
) -> None:
    """0.3 octaves, with the highest cutoff where it was."""
    values = true_values("brass")
    changed = {
        "filter_env.depth_octaves": values["filter_env.depth_octaves"] + octaves,
        "filter.cutoff_hz": values["filter.cutoff_hz"] * 2.0**-octaves,
    }
    assert missed("brass", {**values, **changed}) == expected


@pytest.mark.parametrize("part", ["pitch_env", "vibrato"])
def test_what_is_invented_is_noticed(part: str) -> None:
    """A modulator that is deep enough to be heard, unless its oscillator is silent."""
    quantity = {"pitch_env": "no pitch envelope", "vibrato": "no vibrato"}[part]
    depth = f"osc2.{part}.depth_cents"
    assert missed("brass", {**true_values("brass"), depth: 4.9}) == set()
    assert missed("brass", {**true_values("brass"), depth: 5.1}) == {quantity}
    assert missed("single_saw", {**true_values("single_saw"), depth: 90.0}) == set()


def test_a_missing_part_is_noticed() -> None:
    """A pitch envelope at 0, or on an oscillator that is silent, hasn't come back."""
    values = true_values("brass_pitch_env_osc2")
    wrong = {"pitch envelope depth", "pitch envelope decay"}
    assert missed("brass_pitch_env_osc2", {**values, "osc2.pitch_env.depth_cents": 0.0}) == wrong
    silent = {**values, "osc2.saw_level": 0.0}
    assert missed("brass_pitch_env_osc2", silent) == {*wrong, "detune"}


def test_every_quantity_is_asked_for_by_some_patch() -> None:
    """No column of the table stays empty."""
    asked = {
        quantity
        for name in known_instrument_names()
        for quantity in check_patch(
            true_values(name),
            true_values(name),
            [known.note.midi_pitch for known in known_instrument(name)],
        )
    }
    assert asked == {quantity.name for quantity in QUANTITIES}


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
    assert "osc2.vibrato.depth_cents" in lacking


def test_counts_and_failures_stand_in_the_table() -> None:
    """One run of two has a wrong detune: one of two in its column, and one line for it."""
    wrong = {**true_values("brass"), "osc2.detune_cents": 12.0}
    rows = [a_row(), a_row(seed=2, found=wrong, loss=0.4)]
    line = next(x for x in bench_known_answers.recovery_table(rows).splitlines() if "brass" in x)
    assert line.split()[1:] == ["2/2", "2/2", "2/2", "2/2", "1/2", "2/2", "2/2", "0.25", "0.10"]
    (failure,) = bench_known_answers.failures(rows)
    assert "brass, seed 2: loss 0.40, true settings 0.10: search" in failure
    assert "detune 12 cents (true 7 cents)" in failure


@cache
def brass_loss() -> float:
    """Return the loss of the true settings of `brass`."""
    return bench_known_answers.best_true_loss(known_instrument("brass"))


def test_the_true_settings_are_nearly_without_loss() -> None:
    """The voice plays what the other program played; what is left is less than audible."""
    assert 0.0 < brass_loss() < 1.0


def test_a_run_is_kept_and_the_next_call_runs_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found and true values stand side by side, and the table says how it was measured."""
    record = tmp_path / "answers.jsonl"
    options = ["--note", "brass", "--structure", "two-oscillator", "--evals", "32"]
    options += ["--seeds", "1", "--record", str(record), "--patches"]
    assert bench_known_answers.main(options) == 0
    first = capsys.readouterr()
    assert "1 of 1: brass, seed 1" in first.err
    assert "two-oscillator, 32 evaluations, 1 seeds." in first.out
    assert f"true {CATALOGUE['osc2.detune_cents'].format(7.0)}" in first.out
    assert bench_known_answers.main(options) == 0
    assert capsys.readouterr() == (first.out, "")
    assert len(record.read_text().splitlines()) == 1
