"""What a sample of the voice costs, part by part, and beside Csound.

Run ``python -m tests.benchmarks.bench_voice``; it prints a table. All figures are nanoseconds of
processor time for each sample of each candidate, with the 16 candidates that a group holds, in
buffers that are used again (fresh memory has its own price). The shortest of several runs counts:
whatever else the machine does only makes them longer.
"""

from __future__ import annotations

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, PHASE_NAMES, Note
from tests.benchmarks.csound import NOTE, VALUES, csound_ns_per_sample, render_csound_voice
from tests.judge import judge
from tests.voice_sounds import row_of
from voice import NoteRenderer, render_batch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

__all__ = ["LADDER", "PATCHES", "cost_ns", "first_sound_s", "main", "renderer_of"]

LANES = 16
SAMPLE_RATE_HZ = 44_100
N_SAMPLES = round(1.5 * SAMPLE_RATE_HZ)
N_RUNS = 12

SAWS = {"osc1.saw_level": 1.0, "osc2.saw_level": 0.8, "osc2.detune_cents": 7.0}
LOWPASS = {
    "filter.cutoff_hz": 500.0,
    "filter_env.depth_octaves": 3.0,
    "filter_env.sustain_ratio": 0.5,
    "amp_env.sustain_ratio": 0.7,
}
VIBRATOS = {"osc1.vibrato.depth_cents": 10.0, "osc2.vibrato.depth_cents": 10.0}
PULSES = {
    "osc1.pulse_level": 0.5,
    "osc2.pulse_level": 0.5,
    "osc1.pwm.depth_ratio": 0.3,
    "osc2.pwm.depth_ratio": 0.3,
}
# The three sizes that count: most brass is plain, most strings move.
PATCHES: dict[str, dict[str, float]] = {
    "plain: two sawtooths, low-pass, envelopes": {**SAWS, **LOWPASS},
    "moving: with pulses, their widths and vibratos": {**SAWS, **LOWPASS, **VIBRATOS, **PULSES},
    "every part in": {
        **VALUES,
        "osc1.triangle_level": 0.4,
        "osc2.triangle_level": 0.4,
        "filter.drive_db": 6.0,
    },
}
# One sawtooth, and each part added to it alone.
LADDER: dict[str, dict[str, float]] = {
    "one sawtooth, all else off": {},
    "pulse": {"osc1.pulse_level": 0.5},
    "pulse with moving width": {"osc1.pulse_level": 0.5, "osc1.pwm.depth_ratio": 0.3},
    "triangle": {"osc1.triangle_level": 0.5},
    "second oscillator": {"osc2.saw_level": 0.8, "osc2.detune_cents": 7.0},
    "pitch envelope": {"osc1.pitch_env.depth_cents": -200.0},
    "vibrato": {"osc1.vibrato.depth_cents": 10.0},
    "noise": {"noise.level": 0.1},
    "noise, half of it past the filters": {"noise.level": 0.1, "noise.bypass_ratio": 0.5},
    "high-pass": {"highpass.cutoff_hz": 100.0},
    "low-pass 12 dB": {"filter.cutoff_hz": 2000.0, "filter.slope_db_per_octave": 12.0},
    "low-pass 24 dB": {"filter.cutoff_hz": 2000.0},
    "drive": {"filter.drive_db": 9.0},
    "body resonance": {"body.gain_db": 9.0},
    "filter bank, all twelve bands": dict.fromkeys(CATALOGUE.only("bank.*").names, 2.0),
}
# Settings that mean nothing while their parts are off.
OFF_BUT_SET = {
    "osc1.pitch_env.decay_s": 0.3,
    "osc1.vibrato.rate_hz": 7.0,
    "osc1.vibrato.delay_s": 0.5,
    "osc1.vibrato.rate_env_octaves": 1.0,
    "osc1.pwm.depth_ratio": 0.4,
    "osc2.octave": 1.0,
    "osc2.detune_cents": 30.0,
    "osc2.vibrato.depth_cents": 50.0,
    "osc2.pitch_env.depth_cents": 600.0,
    "noise.decay_s": 3.0,
    "noise.bypass_ratio": 0.5,
    "filter.resonance_ratio": 0.7,
    "body.frequency_hz": 300.0,
    "body.bandwidth_octaves": 0.5,
    "filter_env.decay_s": 2.0,
}
# A note that has died away long before its end, with a ringing filter and noise.
TAIL = {
    **SAWS,
    "noise.level": 0.3,
    "noise.decay_s": 0.005,
    "highpass.cutoff_hz": 100.0,
    "filter.cutoff_hz": 500.0,
    "filter.resonance_ratio": 0.5,
    "amp_env.release_s": 0.005,
}


def renderer_of(gate_s: float = 1.2, n_samples: int = N_SAMPLES) -> NoteRenderer:
    """Return a renderer for the note that is timed."""
    note = Note(NOTE.midi_pitch, gate_s=gate_s)
    return NoteRenderer(note, n_samples=n_samples, sample_rate_hz=SAMPLE_RATE_HZ)


def work_of(renderer: NoteRenderer, values: Mapping[str, float]) -> Callable[[], object]:
    """Return the work of rendering a full group of one patch; it has been done once."""
    rows = np.repeat(row_of(values)[None, :], LANES, axis=0)
    phases = np.tile(np.linspace(0.0, 0.8, len(PHASE_NAMES)), (LANES, 1))
    renderer.render(rows, phases)  # loads the compiled kernels
    return lambda: renderer.render(rows, phases)


def cost_ns(
    renderer: NoteRenderer, patches: Mapping[str, Mapping[str, float]], n_runs: int = N_RUNS
) -> dict[str, float]:
    """Time patches in turn, so that a slow minute of the machine meets all of them."""
    works = {name: work_of(renderer, values) for name, values in patches.items()}
    shortest_s = dict.fromkeys(works, np.inf)
    for _ in range(n_runs):
        for name, work in works.items():
            start_s = time.thread_time()
            work()
            shortest_s[name] = min(shortest_s[name], time.thread_time() - start_s)
    n_each = renderer.n_samples * LANES
    return {name: 1e9 * seconds / n_each for name, seconds in shortest_s.items()}


def cost_in_two_threads_ns(values: Mapping[str, float], n_samples: int, n_runs: int) -> float:
    """Time two threads that render at once; return the worse one's processor time."""
    renderers = [renderer_of(n_samples=n_samples) for _ in range(2)]
    for renderer in renderers:
        work_of(renderer, values)
    with ThreadPoolExecutor(2) as pool:
        return max(pool.map(lambda r: cost_ns(r, {"": values}, n_runs)[""], renderers))


def csound_difference_db() -> float:
    """Return how far the two graphs are apart, in dB of the mel spectrogram."""
    theirs, sample_rate_hz = render_csound_voice()
    ours = render_batch(
        [VALUES[name] for name in CATALOGUE.names],
        NOTE,
        n_samples=theirs.size,
        sample_rate_hz=sample_rate_hz,
        phases=np.zeros(len(PHASE_NAMES)),
    )[0]
    return judge(theirs, ours.astype(np.float64), sample_rate_hz).log_mel_db


def first_sound_s(n_runs: int = 3) -> float:
    """Return how long a new process takes to its first note, kernels compiled before, in s."""
    command = [sys.executable, "-c", "import voice; voice.render({})"]
    shortest_s = np.inf
    for _ in range(n_runs + 1):  # the first may have to compile
        start_s = time.perf_counter()
        subprocess.run(command, check=True)  # noqa: S603, our own interpreter
        shortest_s = min(shortest_s, time.perf_counter() - start_s)
    return shortest_s


def print_parts(renderer: NoteRenderer, n_runs: int) -> None:
    """Print what each part adds to one sawtooth."""
    bare, *_ = LADDER
    costs = cost_ns(renderer, {**LADDER, "off": OFF_BUT_SET}, n_runs)
    print(f"\n{bare:48}{costs[bare]:8.2f}")
    for name in list(LADDER)[1:]:
        print(f"  with {name:41}{costs[name]:8.2f}   {costs[name] - costs[bare]:+.2f}")
    print(f"  with other settings of parts that are off     {costs['off']:8.2f}   "
          f"{costs['off'] - costs[bare]:+.2f}")  # fmt: skip


def print_tail(n_samples: int, n_runs: int) -> None:
    """Print whether silence costs more than sound, as denormal numbers would make it."""
    sounding = cost_ns(renderer_of(1.4, n_samples), {"": TAIL}, n_runs)[""]
    silent = cost_ns(renderer_of(0.05, n_samples), {"": TAIL}, n_runs)[""]
    print(f"\na held note                                     {sounding:8.2f}")
    print(f"the same, let go after 50 ms and long silent    {silent:8.2f}   "
          f"{silent / sounding:.2f} times")  # fmt: skip


def print_csound(ours_ns: float) -> None:
    """Print what the same graph costs in Csound, and whether it is the same."""
    theirs_ns = csound_ns_per_sample()
    if theirs_ns is None:
        return
    print(f"\nevery part that Csound's graph has              {ours_ns:8.2f}")
    print(f"Csound                                          {theirs_ns:8.2f}   "
          f"{theirs_ns / ours_ns:.1f} times")  # fmt: skip
    print(f"  mel spectrograms differ by                    {csound_difference_db():8.2f} dB")


def main(*, n_samples: int = N_SAMPLES, n_runs: int = N_RUNS) -> None:
    """Print the table."""
    renderer = renderer_of(n_samples=n_samples)
    print(f"{'ns per sample and candidate':48}{'1 thread':>8}   2 at once, each")
    costs = cost_ns(renderer, {**PATCHES, "csound": VALUES}, n_runs)
    for name, values in PATCHES.items():
        at_once = cost_in_two_threads_ns(values, n_samples, n_runs)
        print(f"{name:48}{costs[name]:8.2f}{at_once:11.2f}")
    print_parts(renderer, n_runs)
    print_tail(n_samples, n_runs)
    print_csound(costs["csound"])
    print(f"\nfirst sound of a new process                    {first_sound_s():8.2f} s")


if __name__ == "__main__":
    main()
