"""The single differences behind a score."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.losses import (
    PARTS,
    NoteScorer,
    NoteTarget,
    residual_weights,
    totals,
)
from shared import PHASE_NAMES, Float32Array, FloatArray, Note
from voice import NoteRenderer, load_structure

RATE_HZ = 44_100
NAMES = [part.name for part in PARTS]


def _group(target_s: float) -> tuple[NoteTarget, Float32Array]:
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
    n_samples = round(target_s * RATE_HZ)
    renderer = NoteRenderer(note, n_samples=n_samples, sample_rate_hz=RATE_HZ, seed=0)
    sound = np.ascontiguousarray(renderer.render(values, phases)[:, 0])
    target = NoteTarget(sound, sample_rate_hz=RATE_HZ, midi_pitch=60.0, gate_s=note.gate_s)
    longer = NoteRenderer(note, n_samples=target.n_render, sample_rate_hz=RATE_HZ, seed=0)
    return target, longer.render(values, phases)


def _scored(
    target: NoteTarget, group: Float32Array
) -> tuple[FloatArray, Float32Array, Float32Array]:
    """Score a group; scores, residuals and their weights."""
    weights = residual_weights(target, None, 1)
    residuals = np.empty((3, len(weights)), np.float32)
    return NoteScorer(target).score(group, 3, residuals), residuals, weights


def test_weighed_differences_add_up_to_the_loss_without_convergence() -> None:
    """What a search learns from is what it is judged by, but for one part."""
    target, group = _group(0.6)
    scores, residuals, weights = _scored(target, group)
    scores[:, NAMES.index("convergence_ratio")] = 0.0
    # 0.02: of the windows with more differences than are kept, every second frame counts.
    np.testing.assert_allclose(np.abs(residuals) @ weights, totals(scores), rtol=0.02, atol=1e-6)


def test_the_target_itself_leaves_no_difference() -> None:
    """Every difference of the same sound is 0."""
    target, group = _group(0.6)
    _, residuals, _ = _scored(target, group)
    assert not np.any(residuals[0])
    assert np.any(residuals[1])


def test_scores_are_the_same_with_and_without_residuals() -> None:
    """Asking for the differences changes no score."""
    target, group = _group(0.6)
    with_residuals, _, _ = _scored(target, group)
    np.testing.assert_array_equal(with_residuals, NoteScorer(target).score(group, 3))


@pytest.mark.parametrize("target_s", [0.5, 4.0])
def test_long_notes_give_no_more_differences_than_short_ones(target_s: float) -> None:
    """Memory stays bounded: long notes skip frames."""
    target, _ = _group(target_s)
    assert len(residual_weights(target, None, 1)) < 130_000
