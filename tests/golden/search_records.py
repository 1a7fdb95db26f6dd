"""Pin what short searches do, to the bit, before code is moved, and compare afterwards.

    python -m tests.golden.search_records write FILE
    python -m tests.golden.search_records compare FILE [NAME ...]

The file belongs to one machine and one set of versions: sums come out otherwise elsewhere, and a
search takes another path after the first bit that differs. So it is not kept here. Searches with a
budget in seconds run on a clock that renders move (1 ms for each candidate), one thread.
"""

import hashlib
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import matcher
from shared.types import FloatArray
from voice import NoteRenderer

TARGETS = Path(__file__).parents[2] / "targets"
KNOWN = Path(__file__).parents[1] / "known_answers"
HORN = TARGETS / "horn_stab_C4_v100.flac"
STRINGS = sorted(TARGETS.glob("string_pad_C?_v80.flac"))
BRASS = KNOWN / "brass.flac"


class RenderClock:
    """A clock that only renders move, so that searches by time can be repeated."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        original = NoteRenderer.render

        def render(renderer: NoteRenderer, values: FloatArray, *rest: object) -> object:
            self.now_s += 0.001 * len(values)
            return original(renderer, values, *rest)

        NoteRenderer.render = render
        time.monotonic = time.perf_counter = lambda: self.now_s


def _match(paths: object, **options: object) -> matcher.MatchResult:
    """Match without a bar, on one thread."""
    target = matcher.load_target(*np.atleast_1d(paths))
    return matcher.match(target, progress=False, n_threads=1, **options)


def _refine() -> matcher.MatchResult:
    """Refine the patch of a short match, with new phases."""
    first = _match(HORN, structure="two-oscillator", evals=800, seed=4)
    return matcher.refine(
        first.patch, first.target, only=["filter*", "osc2*"], evals=600, seed=2, progress=False
    )


SEARCHES: dict[str, Callable[[], matcher.MatchResult]] = {
    "plain_evals": lambda: _match(HORN, structure="two-oscillator", evals=1500, seed=0),
    "complete_evals": lambda: _match(HORN, structure="complete", evals=4000, seed=1),
    "strings_evals": lambda: _match(STRINGS[0], structure="pulse-strings", evals=2500, seed=2),
    "several_evals": lambda: _match(STRINGS, structure="complete", evals=2500, seed=0),
    "panel_evals": lambda: _match(HORN, structure="wagon-desk", evals=1500, seed=0),
    "complete_seconds": lambda: _match(BRASS, structure="complete", seconds=6.0, seed=0),
    "several_seconds": lambda: _match(STRINGS, structure="pulse-strings", seconds=8.0, seed=3),
    "random_evals": lambda: _match(BRASS, structure="two-oscillator", evals=200, sampler="random"),
    "refine": _refine,
}


def _digest(result: matcher.MatchResult) -> dict[str, object]:
    """Say what a search did: digests of its record and patch, and figures to see how far off."""
    record = result.record
    values = np.array(list(result.patch.values.values()))
    return {
        "n": len(record),
        "candidates": hashlib.sha256(np.array(record.candidates).tobytes()).hexdigest(),
        "losses": hashlib.sha256(np.array(record.losses).tobytes()).hexdigest(),
        "patch": hashlib.sha256(values.tobytes()).hexdigest(),
        "loss": result.end.total,
        "stop": result.stop_reason,
    }


def main() -> int:
    """Write or compare; 1 if anything differs."""
    RenderClock()
    kind, path, *names = sys.argv[1:]
    pinned = json.loads(Path(path).read_text(encoding="utf-8")) if kind == "compare" else {}
    is_same = True
    for name in names or SEARCHES:
        found = _digest(SEARCHES[name]())
        if kind == "compare":
            same = found == pinned[name]
            is_same &= same
            print(name, "same" if same else f"DIFFERS: {pinned[name]} -> {found}", flush=True)
        else:
            pinned[name] = found
            print(name, found["n"], found["loss"], flush=True)
    if kind == "write":
        Path(path).write_text(json.dumps(pinned, indent=1), encoding="utf-8")
    return 0 if is_same else 1


if __name__ == "__main__":
    sys.exit(main())
