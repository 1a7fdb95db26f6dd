"""The voice in the corners of its space: finite numbers, limited levels, tails that stay quick.

Run from the repository's root::

    python -m tests.benchmarks.bench_corners                 # 3,000 patches, two minutes
    python -m tests.benchmarks.bench_corners --patches 20000 --seed 4

Every parameter stands at its low end, its high end, at neutral or anywhere between; keys from 0
to 127, gates from a millisecond to a minute, rates from 8 to 192 kHz.
"""

from __future__ import annotations

import argparse
import io
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from shared import CATALOGUE, Note, limit_level, loudness_lufs, true_peak_db
from voice import render_batch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared import FloatArray

__all__ = ["Levels", "corner_values", "count_not_finite", "main", "measure_levels", "tail_ratio"]

RATES_HZ = (8000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000)
GATES_S = (0.001, 0.01, 0.1, 1.0, 60.0)
_LANES = 16


def corner_values(rng: np.random.Generator, n_patches: int) -> FloatArray:
    """Draw rows of all parameters, most of them at an end of their range."""
    n = len(CATALOGUE)
    unit = rng.choice([0.0, 1.0, -1.0, -2.0], size=(n_patches, n), p=[0.3, 0.4, 0.1, 0.2])
    neutral = CATALOGUE.encode(CATALOGUE.neutral())
    unit = np.where(unit == -1.0, neutral, unit)
    unit = np.where(unit == -2.0, rng.random((n_patches, n)), unit)
    values: FloatArray = CATALOGUE.decode(unit)
    return values


def _draw_note(rng: np.random.Generator) -> tuple[Note, int, int]:
    """Draw key, velocity, gate, rate and length; at most two seconds are rendered."""
    rate_hz = int(rng.choice(RATES_HZ))
    pitch = float(rng.choice([0.0, 127.0, rng.uniform(0.0, 127.0)]))
    note = Note(pitch, int(rng.choice([1, 64, 127])), float(rng.choice(GATES_S)))
    return note, rate_hz, round(rate_hz * min(2.0, note.gate_s + 0.5))


def count_not_finite(n_patches: int, *, seed: int) -> tuple[int, float]:
    """Render corners, 16 for each note; return how many aren't finite, and the largest sample."""
    rng = np.random.default_rng(seed)
    n_bad, largest = 0, 0.0
    for _ in range(-(-n_patches // _LANES)):
        note, rate_hz, n_samples = _draw_note(rng)
        values = corner_values(rng, _LANES)
        sounds = render_batch(values, note, n_samples=n_samples, sample_rate_hz=rate_hz)
        is_finite = np.isfinite(sounds).all(axis=1)
        n_bad += int((~is_finite).sum())
        if is_finite.any():
            largest = max(largest, float(np.abs(sounds[is_finite]).max()))
    return n_bad, largest


@dataclass(frozen=True)
class Levels:
    """The highest levels of files, read back."""

    true_peak_dbtp: float
    loudness_lufs: float


def measure_levels(n_patches: int, *, seed: int) -> Levels:
    """Write corners as commands do (limited, 24 bits), read them, and measure them."""
    rng = np.random.default_rng(seed)
    peak, loudness = -np.inf, -np.inf
    for _ in range(n_patches):
        note, rate_hz, n_samples = _draw_note(rng)
        sound = render_batch(
            corner_values(rng, 1), note, n_samples=n_samples, sample_rate_hz=rate_hz
        )[0].astype(np.float64)
        buffer = io.BytesIO()
        limited, _gain = limit_level(sound, rate_hz)
        soundfile.write(buffer, limited, rate_hz, format="WAV", subtype="PCM_24")
        buffer.seek(0)
        read, _rate = soundfile.read(buffer)
        peak = max(peak, true_peak_db(read, rate_hz))
        loudness = max(loudness, loudness_lufs(read, rate_hz))
    return Levels(peak, loudness)


def tail_ratio(*, n_repeats: int = 5, seconds: float = 10.0) -> float:
    """Compare the time for tails with that for held notes: numbers near zero may be slow.

    The tails fall for ten seconds from a gate of 50 ms, with the shortest releases, at which all
    states of the filters come below the smallest normal number; the best of some runs counts.
    """
    rng = np.random.default_rng(3)
    neutral = [parameter.neutral for parameter in CATALOGUE]
    values = np.tile(neutral, (_LANES, 1))
    values[:, CATALOGUE.index("filter.resonance_ratio")] = rng.uniform(0.0, 0.9, _LANES)
    values[:, CATALOGUE.index("filter.cutoff_hz")] = rng.uniform(200.0, 4000.0, _LANES)
    values[:, CATALOGUE.index("amp_env.release_s")] = 0.05
    rate_hz = 44_100
    times = {}
    for gate_s in (0.05, seconds):
        note = Note(60.0, 100, gate_s)
        runs = []
        for _ in range(n_repeats + 1):
            began = time.perf_counter()
            render_batch(values, note, n_samples=round(seconds * rate_hz), sample_rate_hz=rate_hz)
            runs.append(time.perf_counter() - began)
        times[gate_s] = min(runs[1:])
    return times[0.05] / times[seconds]


def main(argv: Sequence[str] | None = None) -> int:
    """Print what was found; exit status 1 if a promise is broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--patches", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(argv)
    n_bad, largest = count_not_finite(options.patches, seed=options.seed)
    print(f"not finite              {n_bad} of {options.patches}; largest sample {largest:.3g}")
    levels = measure_levels(max(1, options.patches // 10), seed=options.seed)
    print(f"highest true peak       {levels.true_peak_dbtp:.3f} dBTP")
    print(f"highest loudness        {levels.loudness_lufs:.3f} LUFS")
    print(f"a tail by a held note   {tail_ratio():.2f} times the time")
    is_kept = n_bad == 0 and levels.true_peak_dbtp < -0.99 and levels.loudness_lufs < -15.99
    return 0 if is_kept else 1


if __name__ == "__main__":
    sys.exit(main())
