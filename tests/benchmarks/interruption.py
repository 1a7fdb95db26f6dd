"""Every long command, interrupted at random moments in every way, and then the next command.

Run from the repository's root (Linux)::

    python -m tests.benchmarks.interruption                     # one round, six minutes
    python -m tests.benchmarks.interruption --rounds 5 --seed 3 --only compare

A command is started as a process of its own and, after a random share of the time that it takes
when it is left alone, killed (kill -9), asked to end (SIGTERM), interrupted twice within a tenth
of a second as from a terminal (the whole group of processes), or stopped and continued. Then the
next command runs: the one that goes on, or the same again. It has to end with status 0; nothing
may have shown a traceback, every document has to be whole, every version of the patch that was
there before has to be there unchanged, no process may live on, and no temporary file may be left,
neither in the folder nor in the place for temporary files.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher import load_run
from tests.calibration_notes import known_places
from tests.matcher.cli.recordings_on_disk import write_note

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

__all__ = ["COMMANDS", "WAYS", "Command", "Finding", "interrupt", "main", "prepare"]

ROOT = Path(__file__).resolve().parents[2]
LONGEST_S = 240.0
_PLACES = [f"{place.panel:g}={place.path}" for place in known_places("filter.cutoff_hz")]
_SEARCH = ("--structure", "one-oscillator", "--seed", "6", "--quiet", "--no-report")
_SIDES = ("-s", "one-oscillator", "-s", "two-oscillator", "--seeds", "1", "--evals", "64")


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
        ("match", "reed.wav", *_SEARCH, "--evals", "500", "--out", "new"),
        (
            ("match", "--resume", "new", "--quiet"),
            ("match", "reed.wav", *_SEARCH, "--evals", "500", "--out", "new", "--force"),
        ),
    ),
    Command(
        "refine",
        ("refine", "run", "--only", "filter*", "--evals", "300", "--quiet"),
        (
            ("refine", "--resume", "run", "--quiet"),
            ("refine", "run", "--only", "filter*", "--evals", "60"),
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


@dataclass(frozen=True)
class Finding:
    """How one interruption went: when, exit statuses, and what is wrong."""

    command: str
    way: str
    after_s: float
    status: int
    next_status: int
    faults: tuple[str, ...]


def _kill(process: subprocess.Popen[str]) -> None:
    process.kill()


def _ask_to_end(process: subprocess.Popen[str]) -> None:
    process.terminate()


def _press_twice(process: subprocess.Popen[str]) -> None:
    """As a terminal does: the signal goes to every process of the command."""
    os.killpg(process.pid, signal.SIGINT)
    time.sleep(0.1)
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGINT)


def _suspend(process: subprocess.Popen[str]) -> None:
    os.killpg(process.pid, signal.SIGSTOP)
    time.sleep(0.3)
    os.killpg(process.pid, signal.SIGCONT)


# With what a command may end then: 128 plus the signal where it is answered, minus the signal
# where it isn't, 0 if the command was done.
WAYS: dict[str, tuple[Callable[[subprocess.Popen[str]], None], set[int]]] = {
    "kill -9": (_kill, {-signal.SIGKILL, 0}),
    "TERM": (_ask_to_end, {128 + signal.SIGTERM, -signal.SIGTERM, 0}),
    "Ctrl-C twice": (_press_twice, {128 + signal.SIGINT, -signal.SIGINT, 0}),
    "suspend": (_suspend, {0}),
}


def _environment(folder: Path) -> dict[str, str]:
    """Return the environment of a command; its temporary files are looked for afterwards."""
    (folder / "tmp").mkdir(exist_ok=True)
    return {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder / "tmp")}


def _start(words: Sequence[str], folder: Path) -> subprocess.Popen[str]:
    """Start a command in a session of its own."""
    return subprocess.Popen(  # noqa: S603  our own command
        [sys.executable, "-m", "matcher.cli", *words],
        cwd=folder,
        env=_environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=(folder / "stderr").open("w"),
        text=True,
        start_new_session=True,
    )


def _run(words: Sequence[str], folder: Path) -> tuple[int, str]:
    """Run a command to its end."""
    process = _start(words, folder)
    status = _wait(process)
    return status, (folder / "stderr").read_text()


def _wait(process: subprocess.Popen[str]) -> int:
    """Wait for a process; one that hangs is a fault, and is ended."""
    try:
        return process.wait(LONGEST_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return 999


def prepare(folder: Path) -> dict[str, float]:
    """Make a folder with recordings, a run and a structure file; time each command once.

    Returns
    -------
    dict of str to float
        Seconds that each command takes when nothing interrupts it.
    """
    write_note(folder / "reed.wav")
    write_note(folder / "pipe.wav", rate_hz=32_000)
    (folder / "notes.toml").write_text(
        "".join(f'[[target]]\nfile = "{name}.wav"\n' for name in ("reed", "pipe"))
    )
    for words in (
        ("match", "reed.wav", *_SEARCH, "--evals", "200", "--out", "run"),
        ("structures", "new", "mine.toml"),
    ):
        status, said = _run(words, folder)
        if status:
            raise RuntimeError(said)
    times = {}
    for command in COMMANDS:
        with _copied(folder) as copy:
            began = time.monotonic()
            status, said = _run(command.words, copy)
            if status:
                raise RuntimeError(f"{command.name}: {said}")
            times[command.name] = time.monotonic() - began
    return times


def _copied(folder: Path) -> tempfile.TemporaryDirectory[str]:
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
    """Interrupt a command, then run the next one, and look at what is there.

    Parameters
    ----------
    command : Command
        What is interrupted.
    way : str
        A name of `WAYS`.
    after_s : float
        When, after the start of the process.
    folder : Path
        As `prepare` has made it; it stays as it is.

    Returns
    -------
    Finding
        How it went.
    """
    act, accepted = WAYS[way]
    with _copied(folder) as copy:
        before = _versions(copy)
        process = _start(command.words, copy)
        try:
            process.wait(after_s)
        except subprocess.TimeoutExpired:
            act(process)
        status = _wait(process)
        faults = [] if status in accepted else [f"status {status}"]
        faults += _traceback((copy / "stderr").read_text())
        faults += _living(process.pid)
        faults += _broken(copy)
        next_status = -1
        for words in command.then or (command.words,):
            next_status, said = _run(words, copy)
            faults += _traceback(said)
            if next_status == 0:
                break
        else:
            faults.append(f"the next command: {said.strip()[-200:]}")
        faults += _broken(copy) + _left_over(copy)
        after = _versions(copy)
        faults += [
            f"{name} is lost or changed" for name in before if after.get(name) != before[name]
        ]
    return Finding(command.name, way, after_s, status, next_status, tuple(faults))


def _traceback(said: str) -> list[str]:
    """Find what a musician shouldn't see."""
    marks = ("Traceback", "Exception ignored", "leaked")
    return [f"said: {said.strip()[-600:]}"] if any(mark in said for mark in marks) else []


def _living(session: int) -> list[str]:
    """Name processes of a command that live on; they have a few seconds to end."""
    for _ in range(50):
        living = [str(pid) for pid in _session(session)]
        if not living:
            return []
        time.sleep(0.2)
    return [f"processes live on: {', '.join(living)}"]


def _session(session: int) -> Iterator[int]:
    """Go through the processes of a session that haven't ended."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                yield int(entry.name)


def _broken(folder: Path) -> list[str]:
    """Name documents that aren't whole, and runs with `run.json` that can't be read."""
    faults = []
    for path in folder.rglob("*.json"):
        if path.name.startswith("."):
            continue
        try:
            json.loads(path.read_text())
            if path.name == "run.json" and ".earwright-" not in str(path):
                load_run(path.parent)
        except Exception as error:  # noqa: BLE001  whatever it is, it is what we look for
            faults.append(f"{path.relative_to(folder)}: {error}")
    return faults


def _left_over(folder: Path) -> list[str]:
    """Name temporary files and folders."""
    names = [path.relative_to(folder).as_posix() for path in folder.rglob("*")]
    ends = (".tmp", ".old")
    return [
        f"left over: {name}" for name in names if name.endswith(ends) or name.startswith("tmp/")
    ]


def _versions(folder: Path) -> dict[str, str]:
    """Return a digest of each version of each patch."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.glob("run/versions/*.json")
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Print a table; status 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[command.name for command in COMMANDS], action="append")
    options = parser.parse_args(argv)
    rng = np.random.default_rng(options.seed)
    n_faults = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        times = prepare(folder)
        print(f"{'command':10}{'way':14}{'after':>14}{'status':>8}{'next':>6}  faults")
        for _ in range(options.rounds):
            for command in COMMANDS:
                for way in WAYS:
                    after_s = float(rng.uniform(0.05, 1.0)) * times[command.name]
                    if command.name not in (options.only or times):
                        continue
                    found = interrupt(command, way, after_s, folder)
                    moment = f"{after_s:.1f} of {times[command.name]:.1f} s"
                    print(
                        f"{found.command:10}{way:14}{moment:>14}{found.status:8}"
                        f"{found.next_status:6}  {'; '.join(found.faults) or '-'}",
                        flush=True,
                    )
                    n_faults += len(found.faults)
    print(f"{n_faults} faults")
    return 1 if n_faults else 0


if __name__ == "__main__":
    sys.exit(main())
