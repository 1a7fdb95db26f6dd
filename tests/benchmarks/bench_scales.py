"""What just-noticeable changes of a patch do to each part of the loss.

Run from the repository's root::

    python -m tests.benchmarks.bench_scales

Prints the medians over eight brass- and string-like patches of the voice; the scales of
`matcher.losses.terms.PARTS` are read off this table.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS, NoteScorer, NoteTarget
from shared import CATALOGUE, PHASE_NAMES, Float32Array, FloatArray, Note
from voice import render_batch

if TYPE_CHECKING:
    from collections.abc import Mapping

RATE_HZ = 44_100
N_SAMPLES = 66_150
N_PATCHES = 8
# Change: factor or summand by parameter; "phases" draws other phases.
CHANGES: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "cutoff +5 %": {"filter.cutoff_hz": (1.05, 0.0)},
    "cutoff +10 %": {"filter.cutoff_hz": (1.1, 0.0)},
    "attack +25 %": {"amp_env.attack_s": (1.25, 0.0)},
    "attack doubled": {"amp_env.attack_s": (2.0, 0.0)},
    "sustain -2 dB": {"amp_env.sustain_ratio": (0.794, 0.0)},
    "detune +1 cent": {"osc2.detune_cents": (1.0, 1.0)},
    "tune +5 cents": {"tune_cents": (1.0, 5.0)},
    "vibrato rate +6 %": {f"{o}.vibrato.rate_hz": (1.06, 0.0) for o in ("osc1", "osc2")},
    "vibrato depth +20 %": {f"{o}.vibrato.depth_cents": (1.2, 0.0) for o in ("osc1", "osc2")},
    "pulse-width rate +10 %": {"osc1.pwm.rate_hz": (1.1, 0.0)},
    "other phases": {},
}

FREE = tuple(
    f"{part}.phase" for part in ("osc2", "osc1.vibrato", "osc2.vibrato", "osc1.pwm", "osc2.pwm")
)


def draw_patch(rng: np.random.Generator) -> dict[str, float]:
    """Draw a patch of two oscillators with vibrato and pulse-width modulation."""
    values = CATALOGUE.neutral() | {
        "osc1.pulse_level": 0.6,
        "osc1.pulse_width_ratio": 0.3,
        "osc1.pwm.rate_hz": 2.0,
        "osc1.pwm.depth_ratio": 0.15,
        "osc1.vibrato.depth_cents": 15.0,
        "osc2.saw_level": 1.0,
        "osc2.vibrato.rate_hz": 4.5,
        "osc2.vibrato.depth_cents": 15.0,
    }
    ranges = {
        "osc2.detune_cents": (2.0, 9.0),
        "filter.cutoff_hz": (300.0, 1500.0),
        "filter_env.depth_octaves": (1.0, 3.0),
        "filter_env.attack_s": (0.01, 0.1),
        "filter_env.decay_s": (0.1, 0.5),
        "filter_env.sustain_ratio": (0.2, 0.7),
        "amp_env.attack_s": (0.008, 0.06),
        "amp_env.decay_s": (0.1, 0.5),
        "amp_env.sustain_ratio": (0.4, 0.9),
        "amp_env.release_s": (0.03, 0.2),
    }
    return values | {name: float(rng.uniform(*limits)) for name, limits in ranges.items()}


def draw_phases(rng: np.random.Generator) -> FloatArray:
    """Draw phases of oscillator 2, the vibratos and the pulse widths; the others stand still."""
    return np.array([rng.random() if name in FREE else 0.0 for name in PHASE_NAMES])


def play(
    values: Mapping[str, float], note: Note, n_samples: int, phases: FloatArray
) -> Float32Array:
    """Render one patch."""
    row = np.array([values[name] for name in CATALOGUE.names])
    return render_batch(row, note, n_samples=n_samples, sample_rate_hz=RATE_HZ, phases=phases)[0]


def measure(n_patches: int = N_PATCHES) -> dict[str, FloatArray]:
    """Median of each part of the loss, shape (len(PARTS),), for each change."""
    rng = np.random.default_rng(3)
    found: dict[str, list[FloatArray]] = {change: [] for change in CHANGES}
    for _ in range(n_patches):
        values, phases = draw_patch(rng), draw_phases(rng)
        note = Note(float(rng.choice([48, 55, 60, 67])), gate_s=1.0)
        target = NoteTarget(
            play(values, note, N_SAMPLES, phases).astype(np.float64),
            sample_rate_hz=RATE_HZ,
            midi_pitch=note.midi_pitch,
            gate_s=note.gate_s,
        )
        scorer = NoteScorer(target)
        for change, steps in CHANGES.items():
            changed = values | {n: a * values[n] + b for n, (a, b) in steps.items()}
            sound = play(changed, note, target.n_render, phases if steps else draw_phases(rng))
            found[change].append(scorer.score(sound[:, None], 1)[0])
    return {change: np.median(rows, axis=0) for change, rows in found.items()}


def main() -> None:
    """Print the table."""
    print(f"{'change':24s}" + "".join(f"{part.name.rsplit('_', 1)[0]:>16s}" for part in PARTS))
    for change, row in measure().items():
        print(f"{change:24s}" + "".join(f"{x:16.3f}" for x in row))


if __name__ == "__main__":
    main()
