"""Render the notes with known settings, and write them down.

Run from the repository's root, with Csound in the path: ``python -m
tests.known_answers.make_known_answers``. It writes the ``.flac`` files and ``answers.toml`` beside
this script. Tests read only those, so that they need no Csound.

The graph is ``note.csd``. It shares nothing with our voice but the definitions of the parameters:
another program's oscillators (band-limited wavetables), filter and arithmetic (float64, every
control at the full rate). A parameter that a note does not list is at its neutral value. Velocity
is left alone; key tracking is set where a family of notes can tell it (`notes.py`).
"""

import tempfile
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile

from shared import CATALOGUE
from shared.types import FloatArray
from tests.csound_graph import csound_version, fill_template, render_graph
from tests.known_answers.notes import NOTES, KnownNote

FOLDER = Path(__file__).parent
PEAK_DBFS = -6.0
# Sound hurts: the files may be played, so none is louder than the project lets its renders be.
LOUDEST_LUFS = -16.0
NOT_IN_THE_GRAPH = frozenset(
    CATALOGUE.only(
        "noise*", "highpass*", "body*", "bank*", "eq*", "filter_lfo*", "*.attack_curve_ratio"
    ).names
) | {
    "filter.drive_db",
    "filter.slope_db_per_octave",
    "filter_env.velocity_octaves",
    "amp_env.velocity_db",
}
PHASES = {
    "osc2.phase": 0.0,
    "osc1.vibrato.phase": 0.0,
    "osc2.vibrato.phase": 0.0,
    "osc1.pwm.phase": 0.0,
    "osc2.pwm.phase": 0.0,
    "pulse.edge": 0.0,
    "pulse.polarity": 0.0,
}


def graph_of(note: KnownNote) -> str:
    """Return the filled-in graph of a note."""
    played = {
        "note.midi_pitch": note.midi_pitch,
        "note.gate_s": note.gate_s,
        "note.duration_s": note.duration_s,
    }
    return fill_template(
        (FOLDER / "note.csd").read_text(),
        {**CATALOGUE.neutral(), **note.values, **PHASES, **note.phases, **played},
        unused=NOT_IN_THE_GRAPH - set(note.values),
    )


def at_safe_level(signal: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Scale a signal to a peak of -6 dBFS, and down from there if it is louder than -16 LUFS."""
    signal = signal * (10.0 ** (PEAK_DBFS / 20.0) / np.abs(signal).max())
    loudness_lufs = pyloudnorm.Meter(sample_rate_hz).integrated_loudness(signal)
    gain = 10.0 ** (min(LOUDEST_LUFS - float(loudness_lufs), 0.0) / 20.0)
    return signal * gain


def table_of(note: KnownNote) -> str:
    """Return a note's table for ``answers.toml``."""
    lines = [
        f"[{note.name}]",
        f'file = "{note.name}.flac"',
        f'meaning = "{note.meaning}"',
        f"midi_pitch = {note.midi_pitch}",
        *([f'family = "{note.family}"'] if note.family else []),
        "velocity = 100",
        f"gate_s = {note.gate_s}",
        f"duration_s = {note.duration_s}",
    ]
    for heading, numbers in (("values", note.values), ("phases", note.phases)):
        lines += ["", f"[{note.name}.{heading}]"]
        lines += [f'"{name}" = {number!r}' for name, number in numbers.items()]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Render every note and write the answers."""
    sample_rate_hz = 0
    for note in NOTES:
        with tempfile.TemporaryDirectory() as folder:
            signal, sample_rate_hz = render_graph(graph_of(note), Path(folder))
        signal = at_safe_level(signal, sample_rate_hz)
        path = FOLDER / f"{note.name}.flac"
        soundfile.write(path, signal, sample_rate_hz, subtype="PCM_16")
        size_kib = path.stat().st_size / 1024.0
        print(f"{path.name}: {size_kib:.0f} KiB")  # noqa: T201, the script says what it wrote
    head = (
        "# Written by make_known_answers.py. The notes are rendered by Csound with these\n"
        "# settings; what is not listed is at its neutral value, and phases (in cycles) are 0.\n"
        "# The key goes down at sample 0.\n"
        f'csound_version = "{csound_version()}"\n'
        f"sample_rate_hz = {sample_rate_hz}\n\n"
    )
    (FOLDER / "answers.toml").write_text(head + "\n".join(map(table_of, NOTES)))


if __name__ == "__main__":
    main()
