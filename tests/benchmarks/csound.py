"""What the same voice costs in Csound: the figure that our voice has to beat.

Run ``python -m tests.benchmarks.csound`` for the figure, with a file name behind it to hear the
note. The graph is ``csound_voice.csd``: every part of our voice but the drive.
"""

import statistics
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import soundfile

from shared import CATALOGUE, PULSE_KIND, Note
from shared.types import FloatArray
from tests.csound_graph import MISSING, csound_path, fill_template, render_graph, run_graph
from tests.known_answers.make_known_answers import PHASES, at_safe_level

TEMPLATE = Path(__file__).with_name("csound_voice.csd")
NOT_IN_THE_GRAPH = frozenset(
    {
        "osc1.triangle_level",
        "osc2.triangle_level",
        "filter.drive_db",
        "filter.slope_db_per_octave",
        "filter_env.velocity_octaves",
        "amp_env.velocity_db",
        *CATALOGUE.only("*.attack_curve_ratio", "body2*", "bank.*", "eq*", "filter_lfo.*").names,
        "noise.attack_s",
        "noise.sustain_ratio",
        "noise.colour_ratio",
        *PULSE_KIND,
    }
)
NOTE = Note(58.0, gate_s=1.2)
# Every part does something; our voice can play the same settings.
VALUES: Mapping[str, float] = MappingProxyType(
    {
        **CATALOGUE.neutral(),
        "osc1.saw_level": 0.8,
        "osc1.pulse_level": 0.5,
        "osc1.pitch_env.depth_cents": 60.0,
        "osc1.pitch_env.attack_s": 0.01,
        "osc1.pitch_env.decay_s": 0.05,
        "osc1.vibrato.rate_hz": 5.6,
        "osc1.vibrato.depth_cents": 9.0,
        "osc1.vibrato.delay_s": 0.4,
        "osc1.vibrato.rate_env_octaves": -0.5,
        "osc1.pwm.rate_hz": 0.9,
        "osc1.pwm.depth_ratio": 0.3,
        "osc2.saw_level": 0.6,
        "osc2.pulse_level": 0.6,
        "osc2.detune_cents": 7.0,
        "osc2.pitch_env.depth_cents": -90.0,
        "osc2.pitch_env.decay_s": 0.04,
        "osc2.vibrato.rate_hz": 4.7,
        "osc2.vibrato.depth_cents": 7.0,
        "osc2.vibrato.delay_s": 0.3,
        "osc2.pulse_width_ratio": 0.42,
        "osc2.pwm.rate_hz": 1.3,
        "osc2.pwm.depth_ratio": 0.25,
        "noise.level": 0.1,
        "noise.decay_s": 0.1,
        "noise.bypass_ratio": 0.4,
        "highpass.cutoff_hz": 60.0,
        "filter.cutoff_hz": 500.0,
        "filter.resonance_ratio": 0.15,
        "body.frequency_hz": 1200.0,
        "body.gain_db": 6.0,
        "body.bandwidth_octaves": 1.5,
        "filter_env.depth_octaves": 3.0,
        "filter_env.attack_s": 0.05,
        "filter_env.decay_s": 0.3,
        "filter_env.sustain_ratio": 0.6,
        "amp_env.attack_s": 0.02,
        "amp_env.decay_s": 0.4,
        "amp_env.sustain_ratio": 0.8,
        "amp_env.release_s": 0.08,
    }
)


def csound_voice_graph(
    values: Mapping[str, float] = VALUES,
    *,
    note: Note = NOTE,
    phases: Mapping[str, float] = PHASES,
) -> str:
    """Return the filled-in graph."""
    played = {"note.midi_pitch": note.midi_pitch, "note.gate_s": note.gate_s}
    return fill_template(
        TEMPLATE.read_text(), {**values, **phases, **played}, unused=NOT_IN_THE_GRAPH
    )


def render_csound_voice(
    values: Mapping[str, float] = VALUES,
    *,
    note: Note = NOTE,
    phases: Mapping[str, float] = PHASES,
) -> tuple[FloatArray, int]:
    """Render the graph, to compare it with our voice."""
    with tempfile.TemporaryDirectory() as folder:
        return render_graph(csound_voice_graph(values, note=note, phases=phases), Path(folder))


def _processor_s(gate_s: float, folder: Path) -> float:
    """Perform a note without output; return the processor time that it took, in seconds."""
    import resource  # noqa: PLC0415, not on every system, and needed for the figure alone

    path = folder / "timed.csd"
    path.write_text(csound_voice_graph(note=Note(NOTE.midi_pitch, gate_s=gate_s)))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    run_graph(path, "-n")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def csound_ns_per_sample(
    *, n_runs: int = 5, short_s: float = 2.0, long_s: float = 50.0
) -> float | None:
    """Measure what one sample of the graph costs, one thread, start-up taken off.

    A short and a long note are performed without output, in turn; the difference of their
    processor times belongs to the difference of their lengths. Processor time, since somebody
    else's work on the machine does not count.
    """
    if csound_path() is None:
        print(MISSING)
        return None
    with tempfile.TemporaryDirectory() as folder:
        differences_s = [
            _processor_s(long_s, Path(folder)) - _processor_s(short_s, Path(folder))
            for _ in range(n_runs)
        ]
    return 1e9 * statistics.median(differences_s) / (44_100 * (long_s - short_s))


def main() -> None:
    """Print the figure; write the note too if a file name is given."""
    if (cost_ns := csound_ns_per_sample()) is not None:
        print(f"Csound: {cost_ns:.1f} ns per sample, one thread")
        if len(sys.argv) > 1:
            signal, sample_rate_hz = render_csound_voice()
            soundfile.write(sys.argv[1], at_safe_level(signal, sample_rate_hz), sample_rate_hz)
            print(f"{sys.argv[1]}: {signal.size / sample_rate_hz:.2f} s")


if __name__ == "__main__":
    main()
