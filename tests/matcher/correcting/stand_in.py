"""A stand-in for somebody's instrument: its panel, and what comes out when it is played.

The panel says one thing and the circuit does another; ``OFF`` says by how much. Two takes are
beside this file, so that tests need no Csound: of the patch as it is printed, and of what the
first correction says. ``python -m tests.matcher.correcting.stand_in`` records them anew.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from matcher import match_and_save
from matcher.correcting import correct
from matcher.target import Target, target_from_signal
from shared import Patch
from tests.csound_graph import fill_template, render_graph
from voice import load_structure, render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray
    from voice import Structure

__all__ = ["FIRST", "KNOBS", "OFF", "PANEL", "SECOND", "dialled_run", "play"]

FOLDER = Path(__file__).parent
PANEL = FOLDER / "stand_in.toml"
# By how much each knob is off in its middle, as a share of the value.
FIRST, SECOND = FOLDER / "first_A3.flac", FOLDER / "second_A3.flac"
NAMES = {
    "second": "osc2.saw_level",
    "detune": "osc2.detune_cents",
    "cutoff": "filter.cutoff_hz",
    "resonance": "filter.resonance_ratio",
    "depth": "filter_env.depth_octaves",
    "filter_attack": "filter_env.attack_s",
    "filter_decay": "filter_env.decay_s",
    "filter_sustain": "filter_env.sustain_ratio",
    "attack": "amp_env.attack_s",
    "decay": "amp_env.decay_s",
    "sustain": "amp_env.sustain_ratio",
    "release": "amp_env.release_s",
}
# The patch that was dialled, in marks of the panel.
KNOBS = {
    "second": 6.0,
    "detune": 2.0,
    "cutoff": 4.0,
    "resonance": 2.0,
    "depth": 4.0,
    "filter_attack": 2.0,
    "filter_decay": 5.0,
    "filter_sustain": 4.0,
    "attack": 3.0,
    "decay": 5.0,
    "sustain": 7.0,
    "release": 3.5,
}
OFF = {"cutoff": -0.25, "attack": 0.2, "decay": -0.15, "depth": 0.1}


def play(
    knobs: Mapping[str, float],
    *,
    midi_pitch: float = 57.0,
    gate_s: float = 0.6,
    seed: int = 1,
    off: Mapping[str, float] = OFF,
) -> tuple[FloatArray, int]:
    """Play a note with the knobs where they are; with another seed, phases and drift differ."""
    numbers = {
        **knobs,
        **{f"off_{name}": value for name, value in off.items()},
        "pitch": midi_pitch,
        "gate": gate_s,
        "length": gate_s + 0.5,
        "seed": seed,
    }
    text = fill_template(
        (FOLDER / "stand_in.csd").read_text(encoding="utf-8"), numbers, unused=frozenset()
    )
    with tempfile.TemporaryDirectory() as folder:
        signal, rate = render_graph(text, Path(folder))
    return np.asarray(signal, dtype=np.float64), rate


def mark(structure: Structure, name: str, value: float) -> float:
    """Return where a knob stands for a value of its parameter."""
    scale = structure.controls[name].scale
    assert scale is not None
    return scale.panel(value)


def dialled_run(folder: Path) -> Path:
    """Make a run whose patch is `KNOBS` as the panel prints it, and whose target it meets."""
    structure = load_structure(PANEL)
    values = {}
    for knob, name in NAMES.items():
        scale = structure.controls[name].scale
        assert scale is not None
        values[name] = scale.value(KNOBS[knob])
    patch = Patch(structure.name, structure.complete(values))
    sound = render(patch, midi_pitch=57, velocity=100, gate_s=0.6)
    signal = np.concatenate([np.zeros(2000), 0.5 * sound / np.abs(sound).max()])
    note = target_from_signal(
        signal, 44_100, name="horn_A3", midi_pitch=57, velocity=100, gate_s=0.6
    )
    _, run = match_and_save(
        Target((note,)), folder / "run", structure=PANEL, evals=40, progress=False
    )
    (run.path / "patch.json").unlink()
    patch.save(run.path / "patch.json")
    return run.path


def main() -> None:
    """Record both takes."""
    structure, knobs = load_structure(PANEL), dict(KNOBS)
    with tempfile.TemporaryDirectory() as folder:
        run = dialled_run(Path(folder))
        for seed, file in enumerate((FIRST, SECOND), 10):
            sound, rate = play(knobs, seed=seed)
            soundfile.write(file, sound, rate, subtype="PCM_16")
            for turn in correct(run, [file]).turns:
                knob = next(knob for knob, name in NAMES.items() if name == turn.name)
                knobs[knob] = mark(structure, turn.name, turn.to_value)


if __name__ == "__main__":
    main()
