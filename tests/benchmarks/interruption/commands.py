"""The long commands, each interrupted and then gone on with."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.interruption.looking import (
    broken,
    left_over,
    living,
    tracebacks,
    versions_of,
)
from tests.benchmarks.interruption.processes import WAYS, Finding, run, start, wait
from tests.calibration_notes import known_places
from tests.matcher.cli.recordings_on_disk import write_note

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["COMMANDS", "Command", "copied", "interrupt", "prepare"]

_PLACES = [f"{place.panel:g}={place.path}" for place in known_places("filter.cutoff_hz")]
_SEARCH = ("--structure", "one-oscillator", "--seed", "6", "--quiet", "--no-report")
_SIDES = ("-s", "one-oscillator", "-s", "two-oscillator", "--seeds", "1", "--tries", "64")


@dataclass(frozen=True)
class Command:
    """A long command, and what goes on with it."""

    name: str
    words: tuple[str, ...]
    # Tried in turn until one ends with status 0; by default the same again.
    then: tuple[tuple[str, ...], ...] = ()


COMMANDS = (
    Command(
        "match",
        ("match", "reed.wav", *_SEARCH, "--tries", "500", "--out", "new"),
        (
            ("match", "--resume", "new", "--quiet"),
            ("match", "reed.wav", *_SEARCH, "--tries", "500", "--out", "new", "--force"),
        ),
    ),
    Command(
        "refine",
        ("refine", "run", "--only", "filter*", "--tries", "300", "--quiet"),
        (
            ("refine", "--resume", "run", "--quiet"),
            ("refine", "run", "--only", "filter*", "--tries", "60"),
        ),
    ),
    Command("compare", ("compare", "reed.wav", *_SIDES, "--quiet", "--out", "sides")),
    Command("batch", ("batch", "notes.toml", *_SIDES[:2], *_SIDES[4:], "--out", "all")),
    Command("explain", ("explain", "run", "--seconds", "4")),
    Command("report", ("report", "run", "--plots")),
    Command("keyboard", ("keyboard", "run", "--from", "C2", "--to", "C6")),
    Command("audition", ("audition", "run", "amplifier envelope", "low-pass filter")),
    Command("calibrate", ("calibrate", "mine.toml", "filter.cutoff_hz", *_PLACES)),
)


def prepare(folder: Path, names: Sequence[str]) -> dict[str, float]:
    """Make a folder with recordings, a run and a structure file; time some commands once."""
    write_note(folder / "reed.wav")
    write_note(folder / "pipe.wav", rate_hz=32_000)
    (folder / "notes.toml").write_text(
        "".join(f'[[target]]\nfile = "{name}.wav"\n' for name in ("reed", "pipe"))
    )
    for words in (
        ("match", "reed.wav", *_SEARCH, "--tries", "200", "--out", "run"),
        ("structures", "new", "mine.toml"),
    ):
        status, said = run(words, folder)
        if status:
            raise RuntimeError(said)
    times = {}
    for command in (each for each in COMMANDS if each.name in names):
        with copied(folder) as copy:
            began = time.monotonic()
            status, said = run(command.words, copy)
            if status:
                raise RuntimeError(f"{command.name}: {said}")
            times[command.name] = time.monotonic() - began
    return times


def copied(folder: Path) -> tempfile.TemporaryDirectory[str]:
    """Copy the folder to a place where a command may do what it likes."""
    place = _Copy()
    shutil.copytree(folder, place.name, dirs_exist_ok=True)
    return place


class _Copy(tempfile.TemporaryDirectory[str]):
    """A folder whose ``with`` block gives a Path."""

    def __enter__(self) -> Path:  # type: ignore[override]
        """Give the folder."""
        return Path(super().__enter__())


def interrupt(command: Command, way: str, after_s: float, folder: Path) -> Finding:
    """Interrupt a command, then run the next one, and look at what is there."""
    act, accepted = WAYS[way]
    with copied(folder) as copy:
        before = versions_of(copy)
        process = start(command.words, copy)
        try:
            process.wait(after_s)
        except subprocess.TimeoutExpired:
            act(process)
        status = wait(process)
        faults = [] if status in accepted else [f"status {status}"]
        faults += tracebacks((copy / "stderr").read_text())
        faults += living(process.pid)
        faults += broken(copy)
        next_status = -1
        for words in command.then or (command.words,):
            next_status, said = run(words, copy)
            faults += tracebacks(said)
            if next_status == 0:
                break
        else:
            faults.append(f"the next command: {said.strip()[-200:]}")
        faults += broken(copy) + left_over(copy)
        after = versions_of(copy)
        faults += [
            f"{name} is lost or changed" for name in before if after.get(name) != before[name]
        ]
    return Finding(command.name, way, after_s, status, next_status, tuple(faults))
