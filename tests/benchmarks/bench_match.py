"""What a match costs; how close it comes is in `tests.benchmarks.quality`.

Run from the repository's root::

    python -m tests.benchmarks.bench_match                    # both, some three minutes
    python -m tests.benchmarks.bench_match speed

- *speed*: candidates per second on all usable cores for a note of 1.5 s at 44.1 kHz, the share
  of voice and losses, and the losses against the same windows done with librosa and numpy.
- *run*: memory over a long search, and what the search takes besides rendering and scoring.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import librosa
import numpy as np

from matcher.evaluator import LANES, Evaluator
from matcher.losses import NoteScorer, NoteTarget
from matcher.losses.windows import LOWEST_HZ
from matcher.matching import make_problem, match
from matcher.target import Target, target_from_signal
from shared import usable_cores
from tests.recordings import real_note
from voice import NoteRenderer, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.target import TargetNote
    from shared import FloatArray

SECTIONS = ("speed", "run")
STRUCTURES = ("two-oscillator", "complete")
BATCH = 4 * LANES


def recorded_target(
    instrument: str, midi_pitch: float, *, gate_s: float = 1.0, duration_s: float = 1.5
) -> Target:
    """Return a recorded note as a target; its pitch and gate are known."""
    note = real_note(instrument, midi_pitch, gate_s=gate_s, duration_s=duration_s)
    return Target(
        (
            target_from_signal(
                note.signal, note.sample_rate_hz, midi_pitch=midi_pitch, gate_s=gate_s
            ),
        )
    )


def _median_s(
    work: Callable[[], object], n_runs: int, clock: Callable[[], float] = time.perf_counter
) -> float:
    """Return the median time of some runs, after one that compiles and fills caches."""
    work()
    times_s = []
    for _ in range(n_runs):
        began = clock()
        work()
        times_s.append(clock() - began)
    return statistics.median(times_s)


def librosa_levels(signal: FloatArray, target: NoteTarget) -> list[FloatArray]:
    """Return mel levels in dB for all windows of the losses, as one would with librosa."""
    rate = target.sample_rate_hz
    levels = []
    for window in (*target.windows, target.onset):
        plan = window.plan
        mel = librosa.feature.melspectrogram(
            y=signal[: round(0.15 * rate)] if window is target.onset else signal,
            sr=rate,
            n_fft=plan.n_fft,
            hop_length=plan.hop,
            n_mels=plan.n_mels,
            fmin=LOWEST_HZ,
            fmax=min(plan.high_hz, rate / 2),
        )
        levels.append(librosa.power_to_db(mel, amin=1e-12, top_db=80.0))
    return levels


def librosa_differences(
    signal: FloatArray, analysed: Sequence[FloatArray], target: NoteTarget
) -> list[float]:
    """Compare a candidate with the target over all windows, with librosa and numpy."""
    return [
        float(np.mean(np.abs(own - other)))
        for own, other in zip(librosa_levels(signal, target), analysed, strict=True)
    ]


def scored_target(note: TargetNote) -> NoteTarget:
    """Return a note as the losses take it."""
    return NoteTarget(
        note.signal,
        sample_rate_hz=note.sample_rate_hz,
        midi_pitch=note.note.midi_pitch,
        gate_s=note.note.gate_s,
    )


def bench_speed(*, n_runs: int = 15, structures: Sequence[str] = STRUCTURES) -> None:
    """Print candidates per second, the parts of their cost, and the ratio to librosa."""
    target = recorded_target("trumpet", 65.0, gate_s=1.2, duration_s=1.5)
    note = target.notes[0]
    duration_s = len(note.signal) / note.sample_rate_hz
    print(f"speed: one note of {duration_s:.2f} s at {note.sample_rate_hz} Hz, medians")
    scored = scored_target(note)
    n_cores = usable_cores()
    for name in structures:
        problem = make_problem(target, load_structure(name))
        vectors = np.random.default_rng(1).random((BATCH, problem.n_dimensions))
        with Evaluator(problem, [scored], [note.note]) as evaluator:
            batch_s = _median_s(lambda e=evaluator, v=vectors: e.losses(v), n_runs)
            busy_s = _median_s(
                lambda e=evaluator, v=vectors: e.losses(v), n_runs, time.process_time
            )
        renderer = NoteRenderer(
            note.note, n_samples=scored.n_render, sample_rate_hz=note.sample_rate_hz
        )
        group = problem.values(vectors)[:LANES], problem.phases(vectors, 0)[:LANES]
        # Of one thread, its processor time: somebody else's work on the machine does not count.
        clock = time.thread_time
        render_s = _median_s(lambda r=renderer, g=group: r.render(*g), n_runs, clock)
        sounds = renderer.render(*group).copy()
        scorer = NoteScorer(scored)
        score_s = _median_s(lambda s=scorer, x=sounds: s.score(x, LANES), n_runs, clock)
        print(
            f"  {name:16s} {BATCH / batch_s:6.0f} evaluations/s "
            f"({n_cores * BATCH / busy_s:.0f} if all {n_cores} cores were free); "
            f"processor time of each: voice {1000 * render_s / LANES:.2f} ms, "
            f"losses {1000 * score_s / LANES:.2f} ms"
        )
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Empty filters detected")
        analysed = librosa_levels(note.signal, scored)
        sound = np.ascontiguousarray(sounds[: len(note.signal), 0])
        plain_s = _median_s(
            lambda: librosa_differences(sound, analysed, scored), max(1, n_runs // 3), clock
        )
    print(
        f"  the same windows with librosa: {1000 * plain_s:.1f} ms, "
        f"{plain_s / (score_s / LANES):.1f} times as long"
    )


def resident_mb() -> float:
    """Return the memory that this process occupies, in MB; its peak where there is no /proc."""
    status = Path("/proc/self/statm")
    if status.exists():
        import resource  # noqa: PLC0415, not on every system

        return int(status.read_text().split()[1]) * resource.getpagesize() / 1e6
    import resource  # noqa: PLC0415

    # Bytes on macOS, the one system without /proc that has this module; kB elsewhere.
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def bench_run(*, seconds: float = 60.0, structures: Sequence[str] = STRUCTURES) -> None:
    """Print memory and overhead of a long search."""
    target = recorded_target("trumpet", 65.0, gate_s=1.2, duration_s=1.5)
    print(f"run: searches of {seconds:g} s; memory at 10 %, at the end, highest")
    for name in structures:
        match(target, structure=name, evals=BATCH, progress=False)
        seen_mb: list[tuple[float, float]] = []
        began = time.monotonic()

        def look(seen: list[tuple[float, float]] = seen_mb, start: float = began) -> bool:
            seen.append((time.monotonic() - start, resident_mb()))
            return False

        found = match(target, structure=name, seconds=seconds, progress=False, stop=look)
        early = next((mb for at, mb in seen_mb if at >= 0.1 * seconds), seen_mb[0][1])
        print(
            f"  {name:16s} {early:.0f}, {seen_mb[-1][1]:.0f}, {max(mb for _, mb in seen_mb):.0f} "
            f"MB; {found.evaluations_per_s:.0f} evaluations/s, {found.n_evaluations} in all; "
            f"{100 * (1 - found.busy_s / found.elapsed_s):.1f} % is neither voice nor losses"
        )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the sections that are asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.bench_match", description=__doc__.splitlines()[0]
    )
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], metavar="SECTION")
    parser.add_argument("--seconds", type=float, default=60.0, help="time of each search")
    chosen = parser.parse_args(arguments)
    sections = chosen.sections or SECTIONS
    if "speed" in sections:
        bench_speed()
    if "run" in sections:
        bench_run(seconds=chosen.seconds)


if __name__ == "__main__":
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        main()
    else:
        # The threads of librosa's matrix products wait for each other on a busy machine; read
        # when numpy is imported.
        command = [sys.executable, "-m", "tests.benchmarks.bench_match", *sys.argv[1:]]
        variables = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        sys.exit(subprocess.run(command, env=variables, check=False).returncode)  # noqa: S603, our own interpreter
