"""Many matches in one process, and the page under use for long: memory, open files, leftovers.

Run from the repository's root (Linux)::

    python -m tests.benchmarks.soak                           # 200 matches, the page for 30 min
    python -m tests.benchmarks.soak --matches 20 --minutes 1

A match has 64 candidates and is saved whole, with its search. The page is asked for what windows
ask for, in turn: a new target now and then, matches, keys, values changed by hand, versions kept
and gone back to, the sheet, the MIDI file, the report, and requests that it has to refuse. The
slope of the memory is a straight line through its second half, when everything is loaded,
compiled and filled: its caches are full after some rounds.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil

from matcher import match_and_save
from matcher.target import Target, target_from_signal
from tests.matcher.small_match import RATE_HZ, played_note
from tests.page_server import ROOT, PageServer, serve_page

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["Course", "main", "soak_matches", "soak_page"]

HORN = ROOT / "targets" / "horn_stab_C4_v100.flac"
MEGABYTE = 1_000_000.0
# A new target, with a match of its own, in every so many rounds; there is a limit to their number.
NEW_TARGET_EVERY = 20


@dataclass
class Course:
    """Memory, open files and threads of a process, round by round."""

    process: psutil.Process
    megabytes: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)

    def note(self) -> None:
        """Measure now."""
        with self.process.oneshot():
            self.megabytes.append(self.process.memory_info().rss / MEGABYTE)
            self.files.append(self.process.num_fds())
            self.threads.append(self.process.num_threads())

    def slope_mb(self) -> float:
        """Return the growth of the memory in MB per 100 rounds, over the second half."""
        half = np.array(self.megabytes[len(self.megabytes) // 2 :])
        return float(np.polyfit(np.arange(half.size), half, 1)[0] * 100.0)

    def told(self, what: str) -> str:
        """Write a row of the table."""
        middle = len(self.megabytes) // 2
        memory = [self.megabytes[i] for i in (0, middle, -1)]
        files = f"{self.files[0]}, {self.files[middle]}, {self.files[-1]}"
        return (
            f"{what:10}{len(self.megabytes):7}"
            f"{'{:.0f}, {:.0f}, {:.0f}'.format(*memory):>18}{self.slope_mb():12.2f}{files:>14}"
            f"{self.threads[middle]:5} to {self.threads[-1]}"
        )


def soak_matches(n_matches: int, folder: Path) -> Course:
    """Match the same note so often in this process, each time with another seed and folder."""
    course = Course(psutil.Process())
    target = Target((target_from_signal(played_note(), RATE_HZ, name="reed", velocity=90),))
    for i in range(n_matches):
        match_and_save(
            target, folder / f"run-{i}", structure="one-oscillator", evals=64, seed=i,
            progress=False,
        )  # fmt: skip
        # What waits to be collected is no leak.
        gc.collect()
        course.note()
    return course


def soak_page(minutes: float, folder: Path) -> tuple[Course, int]:
    """Use the page for so long, as several windows would."""
    n_requests = 0
    with serve_page(folder) as server:
        course = Course(psutil.Process(server.process.pid))
        end = time.monotonic() + 60.0 * minutes
        run = ""
        round_number = 0
        while time.monotonic() < end or round_number < 4:
            if round_number % NEW_TARGET_EVERY == 0:
                name = str(_expect(server.upload(HORN, name=f"stab-{round_number}.flac"), 201))
                run = _match(server, name)
                n_requests += 3
            n_requests += _use(server, run, round_number)
            course.note()
            round_number += 1
    return course, n_requests


def _match(server: PageServer, target: str) -> str:
    """Match a target with a few candidates, and return the run."""
    settings = {"kind": "match", "target": target, "structure": "one-oscillator", "evals": 64}
    job = _expect(server.post("/api/jobs", settings), 201)
    return str(server.wait_for_job(job)[-1]["run"])


def _use(server: PageServer, run: str, number: int) -> int:
    """Ask for everything once, with other keys and values each time."""
    key = {"midi_pitch": 36 + number % 48, "velocity": 1 + number % 127, "gate_s": 0.5}
    value = {"values": {"filter.cutoff_hz": 300.0 + 7.0 * (number % 500)}}
    home = f"/api/runs/{run}"
    posts: list[tuple[str, object, int]] = [
        (f"{home}/key", key, 200),
        (f"{home}/notes/0/play", value, 200),
        (f"{home}/keep", {"version": 1, "name": f"good-{number}"}, 200),
        (f"{home}/back", {"version": 1}, 200),
        (f"{home}/key", {"midi_pitch": "loud"}, 400),
        ("/api/jobs", {"kind": "match", "target": "nothing"}, 400),
    ]
    paths = ["/", "/api/state", home, f"{home}/versions", f"{home}/sheet", f"{home}/midi"]
    paths += [f"{home}/report"] if number % 5 == 0 else []
    for path in paths:
        answer = server.ask(path)
        _check(answer.status, 200, path, answer.body)
    for path, document, status in posts:
        answer = server.post(path, document)
        _check(answer.status, status, path, answer.body)
    bad = server.ask("/api/targets?name=bad.wav", method="POST", body=b"RIFF" + bytes(400))
    _check(bad.status, 400, "bad.wav", bad.body)
    return len(paths) + len(posts) + 1


def _expect(answer: object, status: int) -> str:
    """Return the name that an answer gives."""
    found = answer.status, answer.body  # type: ignore[attr-defined]
    _check(found[0], status, "name", found[1])
    return str(answer.document["name"])  # type: ignore[attr-defined]


def _check(found: int, wanted: int, what: str, body: bytes) -> None:
    """Stop where the page answers otherwise than it has to."""
    if found != wanted:
        raise RuntimeError(f"{what}: {found} instead of {wanted}: {body[:300]!r}")


def main(argv: Sequence[str] | None = None) -> int:
    """Print both courses and what is left over."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--matches", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=30.0)
    options = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        for name in ("tmp", "runs", "desk"):
            (home / name).mkdir()
        os.environ["TMPDIR"] = tempfile.tempdir = str(home / "tmp")
        head = f"{'':10}{'rounds':>7}{'MB at 0, 1/2, 1':>18}{'MB per 100':>12}"
        print(f"{head}{'files':>14}{'threads':>11}")
        parts: list[tuple[str, Callable[[], Course]]] = []
        if options.matches:
            parts.append(("matches", lambda: soak_matches(options.matches, home / "runs")))
        if options.minutes:
            parts.append(("page", lambda: _told_page(options.minutes, home / "desk")))
        for what, soak in parts:
            print(soak().told(what), flush=True)
        left = [*(home / "tmp").iterdir(), *home.rglob(".*.tmp")]
        tempfile.tempdir = None
    print(f"temporary files left: {', '.join(path.name for path in left) or 'none'}")
    return 1 if left else 0


def _told_page(minutes: float, folder: Path) -> Course:
    """Use the page, and say how often."""
    course, n_requests = soak_page(minutes, folder)
    print(f"the page answered {n_requests} requests in {minutes:g} minutes")
    return course


if __name__ == "__main__":
    sys.exit(main())
