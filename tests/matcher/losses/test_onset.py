"""The onset is found to the sample, and the right settings are placed where their target is."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.losses import NoteScorer, NoteTarget, totals
from matcher.losses.onset import SILENT_HOPS, find_onset
from shared import CATALOGUE, PHASE_NAMES, Note
from voice import NoteRenderer

HOP = 11
RATE_HZ = 22_050
# Attacks within the 1 ms level, at its end, and well behind it; the filter is far open.
ATTACKS_S = (0.0005, 0.0015, 0.006, 0.03)


def onset_of(signal: np.ndarray[tuple[int], np.dtype[np.float32]]) -> int:
    """Find the onset of a signal, with the silence that is wanted ahead of it."""
    padded = np.concatenate([np.zeros(SILENT_HOPS * HOP, np.float32), signal])
    return find_onset(padded, HOP, np.empty(len(padded) // HOP, np.float32))


@pytest.mark.parametrize("start", [0, 1, 7, 11, 12, 100, 999])
def test_a_later_sound_has_a_later_onset_to_the_sample(start: int) -> None:
    """Also where it moves by less than the grid, and where nothing is silent ahead of it."""
    ramp = np.minimum(np.arange(3000) / 500.0, 1.0)
    sound = (np.sin(0.5 * np.arange(3000)) * ramp).astype(np.float32)
    signal = np.concatenate([np.zeros(start, np.float32), sound])
    # 1 sample: the peak that the threshold counts from is taken on the grid.
    assert onset_of(signal) - onset_of(sound) == pytest.approx(start, abs=1)


@pytest.mark.parametrize("start", [0, 1, 10, 11, 12, 400])
def test_a_click_begins_where_it_is(start: int) -> None:
    """The level of the millisecond that ends with it is the first that it is in."""
    click = np.zeros(500, np.float32)
    click[start] = 1.0
    assert onset_of(click) == start


def test_silence_has_its_onset_at_0() -> None:
    """Nothing is found, and nothing fails."""
    assert onset_of(np.zeros(500, np.float32)) == 0


@pytest.mark.parametrize("attack_s", ATTACKS_S)
@pytest.mark.parametrize("n_ahead", [0, 3, 5, 441])
def test_the_right_settings_score_nothing(attack_s: float, n_ahead: int) -> None:
    """However hard the attack is, and wherever in the recording the note begins."""
    values = {**CATALOGUE.neutral(), "filter.cutoff_hz": 4000.0, "amp_env.attack_s": attack_s}
    row, phases = np.array([list(values.values())]), np.zeros((1, len(PHASE_NAMES)))
    note = Note(52.0, gate_s=0.2)
    whole = NoteRenderer(note, n_samples=RATE_HZ // 2, sample_rate_hz=RATE_HZ)
    sound = whole.render(row, phases)[:, 0].astype(np.float64)
    target = NoteTarget(
        np.concatenate([np.zeros(n_ahead), 0.3 * sound]),
        sample_rate_hz=RATE_HZ,
        midi_pitch=note.midi_pitch,
        gate_s=note.gate_s,
    )
    again = NoteRenderer(note, n_samples=target.n_render, sample_rate_hz=RATE_HZ)
    scores = NoteScorer(target).score(again.render(row, phases), 1)
    # 0.02 audible steps: float32, and up to one sample from the peak that is taken on a grid. On
    # a grid of 0.25 ms it was 0.6 to 1.7.
    assert totals(scores)[0] < 0.02
