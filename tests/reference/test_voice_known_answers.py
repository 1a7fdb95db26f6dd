"""The voice at known settings sounds like another program with the same settings.

The notes are those of `tests.known_notes`: Csound 6.18, with its own oscillators and filter, in
float64, every control at the full rate. See `tests/known_answers/note.csd`.

What is left, and why:

- -66 to -82 dB of the waveform for the filtered notes, and 0.02 dB of mel spectrogram: our
  controls are drawn in straight lines of 0.36 ms.
- -32 dB for the plain sawtooth: all of it lies above 18.5 kHz, where our partials fade out (0.42
  to 0.485 of the rate) and those of the other program end at half the rate; -68 dB below that.
- -41 dB for a pitch envelope with an attack of 0.5 ms: its peak falls between two of our
  controls, and the straight line between them cuts it off. That turns oscillator 2 by a
  thousandth of a cycle for the rest of the note, which another start of its (free-running) phase
  makes up for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from shared import CATALOGUE, PHASE_NAMES
from tests.judge import judge
from tests.known_notes import KnownNote, known_note, known_note_names
from voice import render_batch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

# Waveform residue in dB, at most: what was measured, and 3 dB for other processors.
RESIDUES_DB = {
    "single_saw": -29.0,
    "brass": -75.0,
    "brass_pitch_env_osc2": -38.0,
    "hard_brass": -67.0,
    "hard_brass_pitch_env_osc1": -63.0,
    "strings_vibrato": -66.0,
    "strings_pwm": -70.0,
    "strings_pwm_other_edge": -65.0,
    "lead_opposite": -65.0,
    "strings_full": -71.0,
    "brass_family_low": -77.0,
    "brass_family_middle": -79.0,
    "brass_family_high": -73.0,
    "hard_brass_family_low": -71.0,
    "hard_brass_family_middle": -68.0,
    "hard_brass_family_high": -64.0,
    "strings_family_low": -71.0,
    "strings_family_middle": -65.0,
    "strings_family_high": -73.0,
}


def play(known: KnownNote, phases: Mapping[str, float]) -> FloatArray:
    """Play a note at its true settings."""
    sounds = render_batch(
        [known.values[name] for name in CATALOGUE.names],
        known.note,
        n_samples=known.signal.size,
        sample_rate_hz=known.sample_rate_hz,
        phases=[phases.get(name, 0.0) for name in PHASE_NAMES],
    )
    return sounds[0].astype(np.float64)


def residue_db(known: KnownNote, sound: FloatArray, *, up_to_hz: float = 22_050.0) -> float:
    """Return what is left of the note after the sound, at its best gain, is taken off."""
    gain = sound @ known.signal / (sound @ sound)
    spectrum = np.fft.rfft(known.signal - gain * sound)
    frequencies_hz = np.fft.rfftfreq(known.signal.size, 1.0 / known.sample_rate_hz)
    residue = np.fft.irfft(np.where(frequencies_hz < up_to_hz, spectrum, 0.0), known.signal.size)
    return float(10.0 * np.log10(np.sum(residue**2) / np.sum(known.signal**2)))


def test_every_note_has_its_limit() -> None:
    """A new note needs a figure, and a reason if it is a high one."""
    assert set(RESIDUES_DB) == set(known_note_names())


@pytest.mark.parametrize("name", RESIDUES_DB)
def test_the_waveform_is_that_of_the_other_program(name: str) -> None:
    """Sample for sample, but for the reasons above."""
    known = known_note(name)
    assert residue_db(known, play(known, known.phases)) < RESIDUES_DB[name]


@pytest.mark.parametrize("name", RESIDUES_DB)
def test_the_sound_is_that_of_the_other_program(name: str) -> None:
    """By outside measures of level and spectrum, over the note and in its first 120 ms."""
    known = known_note(name)
    found = judge(known.signal, play(known, known.phases), known.sample_rate_hz)
    # 0.2 dB: twice the pitch envelope's 0.09 and 0.12 dB. The plain sawtooth has 0.45 dB, as the
    # highest of the 128 bands lie above 18.5 kHz.
    limit_db = 0.6 if name == "single_saw" else 0.2
    assert found.log_mel_db < limit_db
    assert found.onset_log_mel_db < limit_db
    assert found.envelope_db < 0.1
    assert found.pitch_cents == pytest.approx(0.0, abs=0.2)


def test_the_plain_sawtooth_differs_above_the_fade_alone() -> None:
    """Up to 0.42 of the rate, 18.5 kHz, the two programs agree within -65 dB."""
    known = known_note("single_saw")
    assert residue_db(known, play(known, known.phases), up_to_hz=18_500.0) < -65.0


def test_the_peak_between_two_controls_turns_the_phase_and_nothing_else() -> None:
    """With oscillator 2 turned by what the cut peak is worth, 16 dB more of the residue go.

    The envelope rises for 22.05 samples and falls with 2205; straight lines through its values
    at 0, 16 and 32 samples miss 1.38 samples of its area. At 234 Hz and -300 cents that is
    0.0013 cycles.
    """
    known = known_note("brass_pitch_env_osc2")
    attack, decay = 0.0005 * 44_100, 0.05 * 44_100
    missed = 0.5 * attack + decay * (1.0 - np.exp(-(32.0 - attack) / decay))
    first, second = 16.0 / attack, np.exp(-(32.0 - attack) / decay)
    missed -= 16.0 * (0.5 * first + 0.5 * (first + second))
    pitch_hz = 440.0 * 2.0 ** ((58.0 - 69.0) / 12.0 + 7.0 / 1200.0)
    turn_cycles = missed * pitch_hz / 44_100 * np.log(2.0) * 300.0 / 1200.0
    phases = {**known.phases, "osc2.phase": known.phases["osc2.phase"] - turn_cycles}
    assert residue_db(known, play(known, phases)) < -55.0
