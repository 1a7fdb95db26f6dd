"""What a score promises: nothing for the same sound, more for what differs more."""

from __future__ import annotations

import itertools
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.losses import (
    PARTS,
    NoteScorer,
    NoteTarget,
    breakdown,
    residual_weights,
    totals,
)
from matcher.problem import Problem
from shared import PHASE_NAMES, Float32Array, Note
from tests.matcher.losses.one_sound import score
from tests.plain_notes import plain_note
from voice import NoteRenderer, load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses.terms import Part
    from shared import FloatArray

RATE_HZ = 44_100


@cache
def target_of(sample_rate_hz: int = RATE_HZ) -> NoteTarget:
    """Return the plain note as a target."""
    note = plain_note(sample_rate_hz=sample_rate_hz)
    return NoteTarget(note, sample_rate_hz=sample_rate_hz)


@cache
def terms_of(change: str, value: float, sample_rate_hz: int = RATE_HZ) -> Mapping[str, float]:
    """Return the terms between the plain note and one with a change."""
    changed = plain_note(**{change: value}, sample_rate_hz=sample_rate_hz)
    return breakdown(score(target_of(sample_rate_hz), changed)).terms


@cache
def _differs_in_everything() -> FloatArray:
    """Score a note with another tone, attack, level over time, movement and pitch."""
    other = plain_note(slope=0.6, attack_s=0.15, dip_db=8.0, vibrato_cents=40.0, pitch_hz=224.0)
    return score(target_of(), other)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_a_target_against_itself_is_exactly_zero(rate_hz: int) -> None:
    """In every part, at every rate."""
    note = plain_note(sample_rate_hz=rate_hz)
    found = score(NoteTarget(note, sample_rate_hz=rate_hz), note)
    np.testing.assert_array_equal(found, np.zeros(len(PARTS)))


def test_a_recording_with_noise_against_itself_is_exactly_zero(rng: np.random.Generator) -> None:
    """Also where there is sound before the onset and no silence anywhere."""
    note = plain_note() + 0.001 * rng.standard_normal(len(plain_note()))
    found = score(NoteTarget(note, sample_rate_hz=RATE_HZ), note)
    np.testing.assert_array_equal(found, np.zeros(len(PARTS)))


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_every_part_sees_a_note_that_differs_in_everything(part: Part) -> None:
    """A part that were always 0 would cost time and say nothing."""
    found = breakdown(_differs_in_everything()).parts[part.name]
    # A just-noticeable difference at least, in a note that shares hardly more than its key.
    assert found > part.scale


@pytest.mark.parametrize("gain_db", [-60.0, -3.3, 40.0])
def test_absolute_level_changes_nothing(gain_db: float) -> None:
    """Neither the candidate's nor the recording's, up to rounding in single precision."""
    changed, ratio = plain_note(slope=1.2, attack_s=0.03), 10.0 ** (gain_db / 20.0)
    expected = score(target_of(), changed)
    # 1e-4 dB: no ear tells a hundredth of a dB; seen are 5e-6.
    np.testing.assert_allclose(score(target_of(), changed * ratio), expected, atol=1e-4)
    other = NoteTarget(plain_note() * ratio, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(score(other, changed), expected, rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("n_hops", [1, 7, 100])
def test_a_shift_by_whole_hops_changes_no_bit(n_hops: int) -> None:
    """A candidate counts from its own onset on."""
    changed = plain_note(slope=1.2, attack_s=0.03)
    later = np.concatenate([np.zeros(n_hops * target_of().hop), changed])
    np.testing.assert_array_equal(score(target_of(), later), score(target_of(), changed))


BIGGER_AND_BIGGER = [
    ("onset", "attack_s", (0.025, 0.06, 0.15)),
    ("envelope", "dip_db", (2.0, 4.0, 8.0)),
    ("spectral", "slope", (1.3, 1.1, 0.8)),
]


@pytest.mark.parametrize(("term", "change", "values"), BIGGER_AND_BIGGER)
def test_a_bigger_change_gives_a_bigger_difference(
    term: str, change: str, values: tuple[float, ...]
) -> None:
    """Attack, level and brightness: the term that is there for it follows the size."""
    found = [0.0, *(terms_of(change, value)[term] for value in values)]
    assert found == sorted(found)
    # Each step counts: none is swallowed.
    assert min(np.diff(found)) > 0.0


@pytest.mark.parametrize(
    ("first", "second"),
    list(itertools.combinations(BIGGER_AND_BIGGER, 2)),
    ids=["onset-envelope", "onset-spectral", "envelope-spectral"],
)
def test_each_term_reacts_to_what_it_is_for(
    first: tuple[str, str, tuple[float, ...]], second: tuple[str, str, tuple[float, ...]]
) -> None:
    """Of two terms and two changes, each term prefers its own, whatever the scales are."""
    by_first, by_second = (terms_of(each[1], each[2][1]) for each in (first, second))
    own = by_first[first[0]] * by_second[second[0]]
    cross = by_first[second[0]] * by_second[first[0]]
    # Twice: below that, one term would hardly add to what the other says.
    assert own > 2.0 * cross


@pytest.mark.parametrize("rate_hz", [22_050, 48_000])
@pytest.mark.parametrize(
    ("term", "change", "value"),
    [("onset", "attack_s", 0.15), ("envelope", "dip_db", 8.0), ("spectral", "slope", 0.8)],
)
def test_other_rates_give_similar_figures(
    term: str, change: str, value: float, rate_hz: int
) -> None:
    """A patch does not become better by rendering it at another rate."""
    # A fifth: windows are powers of two, 8 % shorter at 48 kHz, and the onset is found on a grid
    # of a quarter of a millisecond within the cycle; seen is a tenth.
    expected = pytest.approx(terms_of(change, value)[term], rel=0.2)
    assert terms_of(change, value, rate_hz)[term] == expected


@pytest.mark.parametrize(
    ("sound", "times"),
    [(np.zeros(1), 3.0), (np.array([0.0, 1.0]), 1.0)],
    ids=["silence", "click"],
)
def test_silence_and_a_click_give_a_large_finite_loss(sound: FloatArray, times: float) -> None:
    """The search leaves them alone, and no NaN comes of them."""
    found = score(target_of(), sound)
    assert np.all(np.isfinite(found))
    changed = [plain_note(attack_s=0.15), plain_note(dip_db=8.0), plain_note(slope=0.3)]
    assert totals(found[None, :])[0] > times * max(
        totals(score(target_of(), each)[None, :])[0] for each in changed
    )


def test_a_raised_floor_hides_what_lies_under_it(rng: np.random.Generator) -> None:
    """In a noisy recording, what the noise covers does not count."""
    note = plain_note()
    noisy = note + 1e-4 * rng.standard_normal(len(note))
    low, high = (
        score(NoteTarget(note, sample_rate_hz=RATE_HZ, floor_db=floor_db), noisy)
        for floor_db in (-80.0, -40.0)
    )
    assert breakdown(high).terms["spectral"] < 0.5 * breakdown(low).terms["spectral"]


def test_a_scorer_remembers_nothing(rng: np.random.Generator) -> None:
    """Loud, late and silent sounds before leave no trace in the buffers."""
    target, scorer = target_of(), NoteScorer(target_of())
    group = np.zeros((target.n_render, 4), np.float32)
    group[:, 0] = 100.0 * rng.standard_normal(target.n_render)
    group[-50:, 1] = 1.0
    group[:3000, 3] = plain_note(slope=1.2)[:3000]
    first = scorer.score(group, 4)
    scorer.score(np.ascontiguousarray(group[:, ::-1]), 4)
    scorer.score(group[:, :1], 1)
    np.testing.assert_array_equal(scorer.score(group, 4), first)


@pytest.fixture(scope="module")
def complete() -> Problem:
    """Return the problem of the complete voice for one note."""
    structure = load_structure("complete")
    return Problem(structure, structure.space, structure.complete({}), 1)


def evaluator(problem: Problem, n_threads: int = 2) -> Evaluator:
    """Return an evaluator against the plain note."""
    return Evaluator(problem, [target_of()], [Note(57.0, gate_s=0.5)], n_threads=n_threads, seed=3)


def test_corners_of_the_space_give_finite_losses(
    complete: Problem, rng: np.random.Generator
) -> None:
    """Every parameter at one end of its range, in all combinations that are drawn."""
    corners = rng.integers(0, 2, (64, complete.n_dimensions)).astype(np.float64)
    with evaluator(complete) as judge:
        losses, scores = judge.losses_and_scores(corners)
    assert np.all(np.isfinite(scores))
    assert np.all(scores >= 0.0)
    assert np.all(losses > 0.0)


def test_a_candidate_scores_the_same_in_any_batch_lane_and_thread(
    complete: Problem, rng: np.random.Generator
) -> None:
    """To the bit: alone, among others in another order, on one thread or several."""
    vectors = rng.random((21, complete.n_dimensions))
    order = rng.permutation(21)
    with evaluator(complete, 1) as judge:
        expected = judge.losses(vectors)
        np.testing.assert_array_equal(judge.losses(vectors[order]), expected[order])
        alone = np.array([judge.losses(vector[None, :])[0] for vector in vectors[:3]])
        np.testing.assert_array_equal(alone, expected[:3])
    with evaluator(complete, 3) as judge:
        np.testing.assert_array_equal(judge.losses(vectors), expected)
        parts = [judge.losses(part) for part in np.split(vectors, [1, 18])]
        np.testing.assert_array_equal(np.concatenate(parts), expected)


def group_of(target_s: float) -> tuple[NoteTarget, Float32Array]:
    """Make a target of a plain patch, and a group of that patch and two others."""
    structure = load_structure("two-oscillator")
    note = Note(60.0, 100, 0.7 * target_s)
    settings = (
        {},
        {"filter.cutoff_hz": 900.0},
        {"osc2.detune_cents": 9.0, "amp_env.attack_s": 0.05},
    )
    values = np.array([list(structure.complete(each).values()) for each in settings])
    phases = np.zeros((3, len(PHASE_NAMES)))
    short = NoteRenderer(note, n_samples=round(target_s * RATE_HZ), sample_rate_hz=RATE_HZ, seed=0)
    sound = np.ascontiguousarray(short.render(values, phases)[:, 0])
    target = NoteTarget(sound, sample_rate_hz=RATE_HZ, midi_pitch=60.0, gate_s=note.gate_s)
    longer = NoteRenderer(note, n_samples=target.n_render, sample_rate_hz=RATE_HZ, seed=0)
    return target, longer.render(values, phases)


def test_weighed_differences_add_up_to_the_loss_without_convergence() -> None:
    """What a search learns from is what it is judged by, but for one part.

    The same sound leaves no difference, and asking for differences changes no score.
    """
    target, group = group_of(0.6)
    weights = residual_weights(target, None, 1)
    residuals = np.empty((3, len(weights)), np.float32)
    scores = NoteScorer(target).score(group, 3, residuals)
    np.testing.assert_array_equal(scores, NoteScorer(target).score(group, 3))
    scores[:, [part.step is None for part in PARTS]] = 0.0
    # 0.02: of the windows with more differences than are kept, every second frame counts.
    np.testing.assert_allclose(np.abs(residuals) @ weights, totals(scores), rtol=0.02, atol=1e-6)
    assert not np.any(residuals[0])
    assert np.any(residuals[1])


def test_long_notes_give_no_more_differences_than_short_ones() -> None:
    """Memory stays bounded: long notes skip frames."""
    note = np.tile(plain_note(), 8)
    target = NoteTarget(note, sample_rate_hz=RATE_HZ)
    assert target.n_after > 4.0 * RATE_HZ
    assert len(residual_weights(target, None, 1)) < 130_000
