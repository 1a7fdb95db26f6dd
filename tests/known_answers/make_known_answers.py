"""Render the notes with known settings, and write them down.

Run from the repository's root, with Csound in the path: ``python -m
tests.known_answers.make_known_answers``. It writes the ``.flac`` files and ``answers.toml`` beside
this script. Tests read only those, so that they need no Csound.

The graph is ``note.csd``. It shares nothing with our voice but the definitions of the parameters:
another program's oscillators (band-limited wavetables), filter and arithmetic (float64, every
control at the full rate). A parameter that a note does not list is at its neutral value. Velocity
and key tracking are left alone: one note can't tell them.
"""

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile

from shared import CATALOGUE
from shared.types import FloatArray
from tests.csound_graph import csound_version, fill_template, render_graph

FOLDER = Path(__file__).parent
PEAK_DBFS = -6.0
# Sound hurts: the files may be played, so none is louder than the project lets its renders be.
LOUDEST_LUFS = -16.0
NOT_IN_THE_GRAPH = frozenset(CATALOGUE.only("noise*", "highpass*", "body*").names) | {
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
}


@dataclass(frozen=True)
class KnownNote:
    """A note and all that is set for it.

    Attributes
    ----------
    name : str
        File name without suffix.
    meaning : str
        What the note is there for, one line.
    midi_pitch, gate_s, duration_s : float
        Pitch (69 = A4), time to the key's release and length of the file in seconds.
    values : Mapping[str, float]
        Parameters that are not at neutral, in physical units.
    phases : Mapping[str, float]
        Phases at the start that are not 0, in cycles.
    """

    name: str
    meaning: str
    midi_pitch: float
    gate_s: float
    duration_s: float
    values: Mapping[str, float]
    phases: Mapping[str, float] = field(default_factory=dict)


BRASS = {
    "osc1.saw_level": 1.0,
    "osc2.saw_level": 0.8,
    "osc2.detune_cents": 7.0,
    "filter.cutoff_hz": 500.0,
    "filter.resonance_ratio": 0.1,
    "filter_env.depth_octaves": 2.6,
    "filter_env.attack_s": 0.06,
    "filter_env.decay_s": 0.25,
    "filter_env.sustain_ratio": 0.55,
    "filter_env.release_s": 0.12,
    "amp_env.attack_s": 0.035,
    "amp_env.decay_s": 0.4,
    "amp_env.sustain_ratio": 0.75,
    "amp_env.release_s": 0.08,
}
HARD_BRASS = {
    **BRASS,
    "osc2.detune_cents": -5.0,
    "filter.cutoff_hz": 300.0,
    "filter.resonance_ratio": 0.25,
    "filter_env.depth_octaves": 4.2,
    "filter_env.attack_s": 0.018,
    "filter_env.decay_s": 0.14,
    "filter_env.sustain_ratio": 0.6,
    "amp_env.attack_s": 0.006,
}
STRINGS = {
    "filter.cutoff_hz": 3000.0,
    "amp_env.attack_s": 0.22,
    "amp_env.release_s": 0.1,
}
VIBRATOS = {
    "osc1.vibrato.rate_hz": 5.6,
    "osc1.vibrato.depth_cents": 14.0,
    "osc1.vibrato.delay_s": 0.4,
    "osc2.vibrato.rate_hz": 4.7,
    "osc2.vibrato.depth_cents": 11.0,
}
PWMS = {
    "osc1.pulse_width_ratio": 0.5,
    "osc1.pwm.rate_hz": 0.9,
    "osc1.pwm.depth_ratio": 0.3,
    "osc2.pulse_width_ratio": 0.42,
    "osc2.pwm.rate_hz": 1.3,
    "osc2.pwm.depth_ratio": 0.25,
}

NOTES = (
    KnownNote(
        "single_saw",
        "one plain sawtooth: nothing else may be found",
        57.0,
        1.0,
        1.4,
        {"osc1.saw_level": 1.0, "amp_env.attack_s": 0.04, "amp_env.release_s": 0.06},
    ),
    KnownNote(
        "brass",
        "two detuned sawtooths with an opening filter, no pitch envelope",
        58.0,
        1.0,
        1.5,
        BRASS,
        {"osc2.phase": 0.37},
    ),
    KnownNote(
        "brass_pitch_env_osc2",
        "the same note with a quick pitch envelope on oscillator 2 alone",
        58.0,
        1.0,
        1.5,
        {
            **BRASS,
            "osc2.pitch_env.depth_cents": -300.0,
            "osc2.pitch_env.decay_s": 0.05,
        },
        {"osc2.phase": 0.37},
    ),
    KnownNote(
        "hard_brass",
        "low note with a hard front edge and some resonance",
        46.0,
        1.0,
        1.5,
        HARD_BRASS,
        {"osc2.phase": 0.81},
    ),
    KnownNote(
        "hard_brass_pitch_env_osc1",
        "high note whose oscillator 1 alone overshoots its pitch",
        70.0,
        0.9,
        1.4,
        {
            **HARD_BRASS,
            "osc1.pitch_env.depth_cents": 200.0,
            "osc1.pitch_env.attack_s": 0.012,
            "osc1.pitch_env.decay_s": 0.06,
        },
        {"osc2.phase": 0.12},
    ),
    KnownNote(
        "strings_vibrato",
        "two detuned sawtooths, each with a vibrato of its own",
        60.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **VIBRATOS,
            "osc1.saw_level": 1.0,
            "osc2.saw_level": 0.9,
            "osc2.detune_cents": 6.0,
        },
        {"osc2.phase": 0.55, "osc1.vibrato.phase": 0.2, "osc2.vibrato.phase": 0.7},
    ),
    KnownNote(
        "strings_pwm",
        "two detuned pulses, each with pulse-width modulation of its own",
        64.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **PWMS,
            "osc1.saw_level": 0.0,
            "osc1.pulse_level": 1.0,
            "osc2.pulse_level": 0.9,
            "osc2.detune_cents": -5.0,
        },
        {"osc2.phase": 0.27, "osc1.pwm.phase": 0.1, "osc2.pwm.phase": 0.6},
    ),
    KnownNote(
        "strings_full",
        "sawtooth and pulse in both oscillators, two vibratos, two pulse-width modulations",
        55.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **VIBRATOS,
            **PWMS,
            "osc1.saw_level": 0.8,
            "osc1.pulse_level": 0.5,
            "osc2.saw_level": 0.5,
            "osc2.pulse_level": 0.7,
            "osc2.detune_cents": 8.0,
            "osc2.vibrato.rate_env_octaves": -0.8,
            "filter.cutoff_hz": 1400.0,
            "filter_env.depth_octaves": 1.2,
            "filter_env.attack_s": 0.3,
            "filter_env.decay_s": 0.6,
            "filter_env.sustain_ratio": 0.5,
            "filter_env.release_s": 0.2,
        },
        {
            "osc2.phase": 0.64,
            "osc1.vibrato.phase": 0.45,
            "osc2.vibrato.phase": 0.05,
            "osc1.pwm.phase": 0.8,
            "osc2.pwm.phase": 0.3,
        },
    ),
)


def graph_of(note: KnownNote) -> str:
    """Return the filled-in graph of a note.

    Raises
    ------
    ParameterError
        If the graph has no part for a value that isn't at neutral.
    """
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
