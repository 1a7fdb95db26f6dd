"""What earwright keeps itself: comparisons, versions, searches under way, and names.

One file is spoilt, or one thing around it (a link in its place, a folder that is gone, a hostile
name), then the folder is given to a command.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import shutil
from typing import TYPE_CHECKING
from unittest import mock

import matcher.runs.searches
from matcher import match_and_save
from matcher.cli import main
from matcher.search.checkpoint import Checkpoint
from matcher.target import Target, target_from_signal
from tests.benchmarks.fuzz.mutating import mutate_bytes, mutate_json, mutate_text
from tests.benchmarks.fuzz.subjects import Case, Subject
from tests.matcher.cli.recordings_on_disk import write_note
from tests.matcher.report.report_runs import check_keyboard, explain_run, small_run
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np

__all__ = ["KEPT_SUBJECTS", "good_comparison", "good_run"]

_SIDES = ("-s", "one-oscillator", "-s", "two-oscillator", "--seeds", "1", "--tries", "16")
_NAMES = (
    "horn\nstab",
    "\u202ehorn",
    "horn\x1b[31m",
    "$(horn)",
    "-rf",
    "h" * 200,
    "ho\tr n",
    "\udcffhorn",
)


def _do(*words: str) -> None:
    """Run a command that has to work."""
    with contextlib.redirect_stdout(io.StringIO()):
        if main(list(words)):
            raise RuntimeError(" ".join(words))


@functools.cache
def good_run(folder: Path) -> Path:
    """Make a run with everything that a command may read: versions, names, what mattered."""
    run = small_run(folder / "good", "reed")
    explain_run(run)
    check_keyboard(run)
    _do("keep", str(run.path), "liked")
    _do("refine", str(run.path), "--set", "amp_env.attack_s=0.02", "--tries", "0", "--quiet")
    _do("back", str(run.path), "liked")
    return run.path


@functools.cache
def good_comparison(folder: Path) -> Path:
    """Compare two structures with a few candidates."""
    recording = write_note(folder / "reed.wav")
    _do("compare", str(recording), *_SIDES, "--quiet", "--processes", "1",
        "--out", str(folder / "sides"))  # fmt: skip
    return folder / "sides"


@functools.cache
def _interrupted_run(folder: Path) -> Path:
    """Make the folder of a search that was killed after some checkpoints."""
    run = folder / "interrupted"
    target = Target((target_from_signal(played_note(), RATE_HZ, name="reed", velocity=90),))
    often = functools.partial(Checkpoint, every_s=0.0)
    with mock.patch.object(matcher.runs.searches, "Checkpoint", often):
        n_asked = iter(range(8))
        match_and_save(
            target, run, structure="one-oscillator", evals=400, progress=False,
            stop=lambda: next(n_asked, None) is None,
        )  # fmt: skip
    return run


def _copy(good: Path, name: str) -> Path:
    """Make a copy that may be spoilt."""
    copy = good.parent / "copies" / name
    shutil.rmtree(copy.parent, ignore_errors=True)
    shutil.copytree(good, copy)
    return copy


def _spoil(rng: np.random.Generator, path: Path) -> str:
    """Spoil a file, put something else in its place, or take it away; say what was done."""
    kind = rng.random()
    if kind < 0.04:
        path.unlink()
        return "gone"
    if kind < 0.07:
        path.unlink()
        path.mkdir()
        return "a folder"
    if kind < 0.10:
        path.unlink()
        # A pipe of our own: nothing outside of the folder may be within reach of a mistake.
        pipe = path.with_name("pipe")
        os.mkfifo(pipe)
        targets = [path, pipe, path.parent / "nowhere" / "file", path.parent]
        path.symlink_to(targets[int(rng.integers(len(targets)))])
        return "a link"
    mutate = {".json": mutate_json, ".toml": mutate_text, ".csv": mutate_text}.get(
        path.suffix, mutate_bytes
    )
    path.write_bytes(mutate(rng, path.read_bytes()))
    return "spoilt"


def _case(
    rng: np.random.Generator, run: Path, files: Sequence[Path], commands: Sequence[tuple[str, ...]]
) -> Case:
    """Spoil one of the files, and give the folder to one of the commands."""
    path = files[int(rng.integers(len(files)))]
    done = _spoil(rng, path)
    words = commands[int(rng.integers(len(commands)))]
    label = f"{path.relative_to(run)} {done} / {' '.join(words)}"
    full = [word.replace("RUN", str(run)) for word in words]
    return Case(label, "", lambda: main(full))


def _comparison(rng: np.random.Generator, folder: Path) -> Case:
    """Spoil a comparison, then report it or go on with it."""
    copy = _copy(good_comparison(folder), "sides")
    files = [*copy.glob("*.json"), *copy.glob("jobs/*.json")] * 3 + list(
        copy.glob("runs/*/*.json")
    )
    commands = (
        ("report", "RUN"),
        ("compare", "--resume", "RUN", "--quiet", "--processes", "1"),
        ("compare", str(folder / "reed.wav"), *_SIDES, "--processes", "1", "--out", "RUN"),
    )
    return _case(rng, copy, sorted(files), commands)


def _versions(rng: np.random.Generator, folder: Path) -> Case:
    """Spoil a version, a name or what mattered, then use the history."""
    copy = _copy(good_run(folder), "reed-run")
    files = [*copy.glob("versions/**/*.json"), copy / "explain.json", copy / "keyboard.json"]
    commands = (
        ("versions", "RUN"), ("summary", "RUN"), ("report", "RUN"),
        ("changes", "RUN", "--version", "liked"),
        ("keep", "RUN", "better"), ("back", "RUN", "liked"), ("back", "RUN", "1"),
        ("render", "RUN", "--version", "liked", "--held", "0.1", "--out", "RUN/out.wav"),
        ("refine", "RUN", "--set", "amp_env.attack_s=0.03", "--tries", "0"),
    )  # fmt: skip
    return _case(rng, copy, sorted(files), commands)


def _search(rng: np.random.Generator, folder: Path) -> Case:
    """Spoil what a killed search goes on from."""
    copy = _copy(_interrupted_run(folder), "cut")
    for name in ("run.json", "patch.json", "record.npz"):
        if rng.random() < 0.5:
            (copy / name).unlink()
    files = [path for path in (copy / "searches").rglob("*") if path.is_file()]
    commands = (
        ("match", "--resume", "RUN", "--no-report"),
        ("match", "--extend", "RUN", "--tries", "8", "--no-report"),
        ("refine", "RUN", "--only", "amp_env*", "--tries", "8"),
        ("summary", "RUN"),
    )
    return _case(rng, copy, sorted(files), commands)


def _names(rng: np.random.Generator, folder: Path) -> Case:
    """Use files and folders with hostile names, behind links."""
    desk = folder / "names"
    shutil.rmtree(desk, ignore_errors=True)
    desk.mkdir()
    name, other = (str(rng.choice(_NAMES)) for _ in range(2))
    recording, run = desk / f"{name}.wav", desk / other
    write_note(desk / "note.wav")
    kind = int(rng.integers(4))
    if kind == 0:
        recording.symlink_to(desk / "note.wav")
    elif kind == 1:
        recording.symlink_to(recording)
    else:
        (desk / "note.wav").rename(recording)
    if rng.random() < 0.5:
        shutil.copytree(good_run(folder), run)
        words = [str(rng.choice(["summary", "versions", "report", "keep"])), str(run)]
        words += [name] if words[0] == "keep" else []
    else:
        words = ["match", str(recording), "--structure", "one-oscillator", "--tries", "16",
                 "--pitch", "A3", "--quiet", "--no-report", "--out", str(run)]  # fmt: skip

    return Case(f"{words[0]} {name!r} to {other!r}, kind {kind}", "", lambda: main(words))


KEPT_SUBJECTS = (
    Subject("comparisons", _comparison),
    Subject("versions", _versions),
    Subject("searches", _search),
    Subject("names", _names),
)
