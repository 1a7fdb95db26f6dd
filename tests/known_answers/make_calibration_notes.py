"""Render what an instrument would play for a calibration, with known values at each position.

Run from the repository's root, with Csound in the path: ``python -m
tests.known_answers.make_calibration_notes``. It writes ``calibration/*.flac`` and
``calibration/answers.toml`` beside this script. The graph is that of `make_known_answers`: another
program's oscillators, filter and arithmetic.
"""

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from shared import resample
from tests.csound_graph import csound_version, render_graph
from tests.known_answers.make_known_answers import at_safe_level, graph_of
from tests.known_answers.notes import KnownNote

FOLDER = Path(__file__).with_name("calibration")
# Position on the panel and value there, of each control; what else is set, and the key.
CONTROLS = {
    "filter.cutoff_hz": (
        ((0, 90.0), (2, 240.0), (4, 700.0), (6, 1900.0), (8, 4500.0)),
        {"amp_env.attack_s": 0.005},
        36.0,
    ),
    "amp_env.attack_s": (
        ((0, 0.01), (3, 0.04), (6, 0.12), (9, 0.3)),
        {"filter.cutoff_hz": 1500.0, "amp_env.release_s": 0.03},
        60.0,
    ),
    "amp_env.release_s": (
        ((0, 0.02), (5, 0.06), (10, 0.15)),
        {"filter.cutoff_hz": 1500.0, "amp_env.attack_s": 0.01},
        60.0,
    ),
    "filter_env.decay_s": (
        ((0, 0.04), (5, 0.1), (10, 0.25)),
        {
            "filter.cutoff_hz": 250.0,
            "filter_env.depth_octaves": 3.5,
            "filter_env.attack_s": 0.01,
            "filter_env.sustain_ratio": 0.2,
            "amp_env.attack_s": 0.003,
        },
        48.0,
    ),
}
GATE_S, DURATION_S = 0.45, 0.7
RATE_HZ = 44_100


def notes_of(parameter: str) -> list[tuple[int, float, KnownNote]]:
    """Return position, value and note of each place of a control."""
    places, others, midi_pitch = CONTROLS[parameter]
    label = parameter.replace(".", "_")
    return [
        (
            panel,
            value,
            KnownNote(
                f"{label}_{panel}",
                "",
                midi_pitch,
                GATE_S,
                DURATION_S,
                {"osc1.saw_level": 1.0, **others, parameter: value},
            ),
        )
        for panel, value in places
    ]


def main() -> None:
    """Render all places and write the answers."""
    FOLDER.mkdir(exist_ok=True)
    lines = [
        "# Written by make_calibration_notes.py; the key goes down at sample 0.",
        f'csound_version = "{csound_version()}"',
        f"gate_s = {GATE_S}",
    ]
    for parameter in CONTROLS:
        for panel, value, note in notes_of(parameter):
            # At four times the rate, a digital filter's response is that of an analogue one.
            graph = graph_of(note).replace("sr = 44100", f"sr = {4 * RATE_HZ}")
            with tempfile.TemporaryDirectory() as folder:
                signal, fast_hz = render_graph(graph, Path(folder))
            signal, sample_rate_hz = resample(signal, fast_hz, RATE_HZ), RATE_HZ
            # A recording begins before its note.
            silence = np.zeros(sample_rate_hz // 20)
            sound = np.concatenate([silence, at_safe_level(signal, sample_rate_hz)])
            soundfile.write(FOLDER / f"{note.name}.flac", sound, sample_rate_hz, subtype="PCM_16")
            lines += [
                "",
                "[[note]]",
                f'parameter = "{parameter}"',
                f"panel = {panel}",
                f"value = {value!r}",
                f"midi_pitch = {note.midi_pitch}",
                f'file = "{note.name}.flac"',
            ]
    (FOLDER / "answers.toml").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
