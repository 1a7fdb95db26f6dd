"""Tell whether notes with known settings come back from their sound.

Another audio language made them (`tests/known_answers`).

Run from the repository's root::

    python -m tests.benchmarks.bench_known_answers              # brass and hard brass, 3 seeds
    python -m tests.benchmarks.bench_known_answers --note strings_vibrato --structure complete
"""

from __future__ import annotations

import argparse
import warnings
from typing import TYPE_CHECKING

from matcher.matching import match
from matcher.parts import used_parameters
from matcher.target import Target, target_from_signal
from shared import CATALOGUE
from tests.known_notes import known_note

if TYPE_CHECKING:
    from collections.abc import Sequence


def report(name: str, structure: str, evals: int, seed: int) -> str:
    """Match one note, and put what was found beside what was true."""
    known = known_note(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        note = target_from_signal(known.signal, known.sample_rate_hz, name=name)
    options = {"structure": structure, "evals": evals, "seed": seed}
    result = match(Target((note,)), progress=False, **options)
    found = result.patch.values
    lines = [f"{name}, {structure}, {evals} candidates, seed {seed}: loss {result.end.total:.2f}"]
    peaks = [
        values["filter.cutoff_hz"] * 2.0 ** values["filter_env.depth_octaves"]
        for values in (found, known.values)
    ]
    lines.append(f"  {'highest cutoff':32s}{peaks[0]:10.0f} Hz, true {peaks[1]:.0f} Hz")
    used = used_parameters(found) | used_parameters(known.values)
    lines += [
        f"  {p.name:32s}{p.format(found[p.name]):>13s}, true {p.format(known.values[p.name])}"
        for p in CATALOGUE
        if p.name in used
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print a report for each note and seed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--note", action="append", help="a name of tests.known_notes")
    parser.add_argument("--structure", default="two-oscillator")
    parser.add_argument("--evals", type=int, default=12_000)
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args(arguments)
    for name in options.note or ("brass", "hard_brass"):
        for seed in range(1, options.seeds + 1):
            print(report(name, options.structure, options.evals, seed))


if __name__ == "__main__":
    main()
