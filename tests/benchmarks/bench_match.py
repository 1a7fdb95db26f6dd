"""What a match costs and how close it comes.

Run from the repository's root::

    python -m tests.benchmarks.bench_match                    # everything, some ten minutes
    python -m tests.benchmarks.bench_match speed run start    # without the matches
    python -m tests.benchmarks.bench_match quality --seconds 10 --structure two-oscillator

- *speed*: candidates per second on all usable cores for a note of 1.5 s at 44.1 kHz, the share
  of voice and losses, and the losses against the same windows done with librosa and numpy.
- *run*: memory over a long search, and what the search takes besides rendering and scoring.
- *quality*: real notes, judged by measures that the search does not use (`tests.judge`), beside
  what a prototype of this project reached in 35 to 50 s.
- *start*: time of the command line's help, and of a first sound in a fresh process.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import librosa
import numpy as np

from matcher.evaluator import LANES, Evaluator
from matcher.losses import NoteScorer, NoteTarget
from matcher.losses.windows import LOWEST_HZ
from matcher.matching import DEFAULT_STRUCTURE, make_problem, match
from matcher.target import Target, target_from_signal
from shared import usable_cores
from tests.judge import log_mel_difference_db, onset_log_mel_difference_db
from tests.placing import place
from tests.recordings import real_note
from voice import NoteRenderer, load_structure, render

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.target import TargetNote
    from shared import FloatArray

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 44_100
SECTIONS = ("speed", "run", "quality", "start")
STRUCTURES = ("two-oscillator", "complete")
BATCH = 4 * LANES


@dataclass(frozen=True)
class Floor:
    """A note, and what the prototype reached on one of the same instrument.

    Attributes
    ----------
    instrument : str
        A name of `tests.recordings.PROGRAMS`.
    midi_pitch : float
        Pitch of the note.
    log_mel_db, onset_db : float
        The prototype's differences: 128 bands, 2048/256, whole note; 256/64, first 120 ms.
    """

    instrument: str
    midi_pitch: float
    log_mel_db: float
    onset_db: float


FLOORS = (
    Floor("trumpet", 65.0, 3.8, 2.6),
    Floor("horn", 58.0, 4.3, 3.1),
    Floor("string ensemble", 60.0, 5.2, 4.2),
    Floor("brass section", 60.0, 5.8, 4.0),
    Floor("cello", 50.0, 6.3, 4.0),
    Floor("clarinet", 62.0, 7.1, 4.7),
)


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


def onset_128_bands_db(target: FloatArray, sound: FloatArray, sample_rate_hz: int) -> float:
    """Return the difference of the first 120 ms in 128 bands, as the prototype was judged.

    The narrowest of these bands hold no bin of a 256-point transform, and count as equal; the
    figure is smaller than that of `tests.judge` for that.
    """
    levels_db = []
    n_onset = round(0.12 * sample_rate_hz)
    for signal in place(target, sound, sample_rate_hz):
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Empty filters detected")
            mel = librosa.feature.melspectrogram(
                y=signal[:n_onset], sr=sample_rate_hz, n_fft=256, hop_length=64, n_mels=128
            )
        levels_db.append(librosa.power_to_db(mel, amin=1e-16, top_db=80.0))
    return float(np.mean(np.abs(levels_db[0] - levels_db[1])))


def _judged(target: FloatArray, sound: FloatArray) -> tuple[float, float, float]:
    """Return whole note, first 120 ms in 40 bands, and in 128 bands, in dB."""
    return (
        log_mel_difference_db(target, sound, RATE_HZ),
        onset_log_mel_difference_db(target, sound, RATE_HZ),
        onset_128_bands_db(target, sound, RATE_HZ),
    )


def bench_quality(
    *,
    seconds: float = 45.0,
    structure: str = DEFAULT_STRUCTURE,
    seed: int = 1,
    floors: Sequence[Floor] = FLOORS,
) -> None:
    """Print how close matches of real notes come, beside floor and plain sawtooth."""
    print(f"quality: {structure}, {seconds:g} s each, seed {seed}; differences in dB")
    print("  note                 whole note: match floor saw   first 120 ms, 40 bands: match saw")
    print("                                                     128 bands: match floor saw")
    for floor in floors:
        target = recorded_target(floor.instrument, floor.midi_pitch)
        note = target.notes[0]
        match(target, structure=structure, evals=LANES, progress=False)
        found = match(target, structure=structure, seconds=seconds, seed=seed, progress=False)
        saw = render({}, midi_pitch=floor.midi_pitch, gate_s=1.0, duration_s=1.5)
        own, plain = _judged(note.signal, found.notes[0].sound), _judged(note.signal, saw)
        print(
            f"  {floor.instrument:16s} {floor.midi_pitch:3.0f}   "
            f"{own[0]:5.1f} {floor.log_mel_db:5.1f} {plain[0]:5.1f}   "
            f"{own[1]:5.1f} {plain[1]:5.1f}   "
            f"{own[2]:5.1f} {floor.onset_db:5.1f} {plain[2]:5.1f}   "
            f"loss {found.start.total:.2f} to {found.end.total:.2f}, "
            f"{found.n_evaluations} evaluations"
        )


FIRST_SOUND = (
    "from voice import render; import numpy as np; "
    "assert np.any(render({}, midi_pitch=60.0, gate_s=0.5))"
)


def _process_s(arguments: Sequence[str], n_runs: int) -> float:
    """Return the median wall time of a fresh Python, after one run that fills the caches."""
    command = [sys.executable, *arguments]
    return _median_s(
        lambda: subprocess.run(command, cwd=ROOT, check=True, capture_output=True),  # noqa: S603, our own interpreter
        n_runs,
    )


def bench_start(*, n_runs: int = 5) -> None:
    """Print what a fresh process takes for the help and for a first sound."""
    help_s = _process_s(["-m", "matcher", "--help"], n_runs)
    bare_s = _process_s(["-c", "pass"], n_runs)
    sound_s = _process_s(["-c", FIRST_SOUND], n_runs)
    print(f"start: fresh processes, medians (Python alone {bare_s:.2f} s)")
    print(f"  help {help_s:.2f} s, first sound {sound_s:.2f} s")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the sections that are asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.bench_match", description=__doc__.splitlines()[0]
    )
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], metavar="SECTION")
    parser.add_argument(
        "--seconds", type=float, help="time of each search: 60 (run), 45 (quality)"
    )
    parser.add_argument("--structure", default=DEFAULT_STRUCTURE, help="for the quality section")
    parser.add_argument("--seed", type=int, default=1, help="for the quality section")
    chosen = parser.parse_args(arguments)
    sections = chosen.sections or SECTIONS
    if "speed" in sections:
        bench_speed()
    if "run" in sections:
        bench_run(seconds=chosen.seconds or 60.0)
    if "quality" in sections:
        bench_quality(seconds=chosen.seconds or 45.0, structure=chosen.structure, seed=chosen.seed)
    if "start" in sections:
        bench_start()


if __name__ == "__main__":
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        main()
    else:
        # The threads of librosa's matrix products wait for each other on a busy machine; read
        # when numpy is imported.
        command = [sys.executable, "-m", "tests.benchmarks.bench_match", *sys.argv[1:]]
        variables = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        sys.exit(subprocess.run(command, env=variables, check=False).returncode)  # noqa: S603, our own interpreter
