"""What is read: good files to spoil, files made from nothing, and the calls that read them."""

from __future__ import annotations

import io
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from hypothesis import strategies as st

from matcher import load_target
from matcher.cli import main
from matcher.target.manifest import read_every_instrument
from shared import CATALOGUE, Patch
from tests.benchmarks.fuzz.mutating import mutate_bytes, mutate_json, mutate_text
from tests.matcher.report.report_runs import check_keyboard, explain_run, small_run
from tests.matcher.small_match import RATE_HZ, played_note
from voice import check_structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["SUBJECTS", "Case", "Subject", "run_subject"]

_ROOT = Path(__file__).resolve().parents[3]
_FORMATS = {
    "wav": [("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAVEX", "PCM_24"), ("WAV", "IMA_ADPCM")],
    "flac": [("FLAC", "PCM_16")],
    "aiff": [("AIFF", "PCM_24")],
    "ogg": [("OGG", "VORBIS")],
    "mp3": [("MP3", "MPEG_LAYER_III")],
}


@dataclass(frozen=True)
class Case:
    """One input: a name for the table, the name that a refusal has to hold, and the call."""

    label: str
    names: str
    call: Callable[[], int | None]


@dataclass(frozen=True)
class Subject:
    """A kind of input: how a good one is spoilt, and how one is made from nothing."""

    name: str
    mutated: Callable[[np.random.Generator, Path], Case]
    made: st.SearchStrategy[tuple[str, bytes]] | None = None
    read: Callable[[Path], None] | None = None


def _read_recording(path: Path) -> None:
    load_target(path, midi_pitch=57.0)


def _read_structure(path: Path) -> None:
    check_structure(path)
    load_structure(path)


def _read_patch(path: Path) -> None:
    Patch.load(path)


def _read_manifest(path: Path) -> None:
    read_every_instrument(path)


def _sound_files() -> list[tuple[str, bytes]]:
    """Return a short note in every format that is read."""
    note = played_note()
    files = []
    for suffix, kinds in _FORMATS.items():
        for file_format, subtype in kinds:
            buffer = io.BytesIO()
            soundfile.write(buffer, note, RATE_HZ, format=file_format, subtype=subtype)
            files.append((f"take.{suffix}", buffer.getvalue()))
    return files


def _texts(*patterns: str) -> list[tuple[str, bytes]]:
    """Read files of the repository."""
    paths = [path for pattern in patterns for path in sorted(_ROOT.glob(pattern))]
    return [(path.name, path.read_bytes()) for path in paths]


def _patch_files() -> list[tuple[str, bytes]]:
    """Write a whole patch."""
    values = CATALOGUE.to_dict(CATALOGUE.decode(np.full(len(CATALOGUE), 0.5)))
    patch = Patch("complete", values, {"note": "soft", "seed": 1}, ({"osc2.phase": 0.25},))
    return [("brass.json", patch.to_json().encode())]


def _write_case(path: Path, content: bytes, read: Callable[[Path], None]) -> Case:
    path.write_bytes(content)
    return Case(path.name, path.name, lambda: read(path))


def _mutated(
    files: Callable[[], list[tuple[str, bytes]]],
    mutate: Callable[[np.random.Generator, bytes], bytes],
    read: Callable[[Path], None],
) -> Callable[[np.random.Generator, Path], Case]:
    """Spoil one of some good files."""
    known: list[tuple[str, bytes]] = []

    def make(rng: np.random.Generator, folder: Path) -> Case:
        known[:] = known or files()
        name, content = known[int(rng.integers(len(known)))]
        return _write_case(folder / name, mutate(rng, content), read)

    return make


@st.composite
def _made_sounds(draw: st.DrawFn) -> tuple[str, bytes]:
    """Write samples of any shape, rate, level and format: numbers that are none, too."""
    # Not OGG and MP3: their encoders end the process when given the noise below.
    suffix = draw(st.sampled_from(["aiff", "flac", "wav"]))
    file_format, subtype = draw(st.sampled_from(_FORMATS[suffix]))
    rate_hz = draw(st.sampled_from([8000, 11_025, 22_050, 48_000, 192_000, 7999, 1, 2**31 - 1]))
    n_samples = draw(st.sampled_from([0, 1, 2, 399, 400, 1000, 4096, 20_000]))
    n_channels = draw(st.integers(1, 9))
    levels = [0.0, 1e-300, 1e-9, 1e-3, 1.0]
    if subtype == "FLOAT":
        levels += [1e6, 1e30, 1e38, np.nan, np.inf]
    level = draw(st.sampled_from(levels))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    kind = draw(st.sampled_from(["noise", "impulse", "constant", "tone", "note"]))
    shape = {
        "noise": rng.standard_normal(n_samples),
        "impulse": np.eye(1, n_samples, n_samples // 2)[0] if n_samples else np.zeros(0),
        "constant": np.ones(n_samples),
        "tone": np.sin(0.05 * np.arange(n_samples)),
        "note": played_note(),
    }[kind]
    with np.errstate(invalid="ignore"):
        sound = np.outer(shape * level, rng.choice([1.0, -1.0, 0.0, 0.5], n_channels))
    buffer = io.BytesIO()
    try:
        soundfile.write(buffer, sound, rate_hz, format=file_format, subtype=subtype)
    except (soundfile.LibsndfileError, ValueError):
        # The format doesn't hold this rate or number of channels: take its header for another.
        soundfile.write(buffer, sound[:, :1], 8000, format="WAV", subtype="FLOAT")
    return f"take.{suffix}", buffer.getvalue()


def _run_files(folder: Path) -> list[Path]:
    """Name the files of a run that are read again."""
    found = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return [path for path in found if path.suffix not in {".wav", ".html", ".lock"}]


# Commands that only look, and those that write into the folder; each reads other files of it.
_RUN_COMMANDS: tuple[tuple[str, ...], ...] = (
    ("summary",),
    ("versions",),
    ("changes", "RUN", "--version", "start"),
    ("report",),
    ("keep", "RUN", "liked"),
    ("back", "RUN", "start"),
    ("refine", "RUN", "--set", "amp_env.attack_s=0.02", "--tries", "0"),
    ("render", "RUN/patch.json", "--held", "0.1", "--out", "OUT", "--force"),
    ("match", "--resume", "RUN"),
    ("match", "--extend", "RUN", "--tries", "16"),
    ("match", "--extend", "RUN", "--tries", "16"),
)
_RUNS: dict[Path, Path] = {}


def _good_run(folder: Path) -> Path:
    """Make a whole run once, with everything that a command may read."""
    if folder not in _RUNS:
        run = small_run(folder / "good", "reed")
        explain_run(run)
        check_keyboard(run)
        _RUNS[folder] = run.path
    return _RUNS[folder]


def _copy_run(folder: Path) -> Path:
    good, copy = _good_run(folder), folder / "runs" / "reed-run"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(good, copy)
    return copy


def _run_call(run: Path, place: int) -> Callable[[], int]:
    command = _RUN_COMMANDS[place % len(_RUN_COMMANDS)]
    words = [word.replace("RUN", str(run)) for word in command]
    words = [word.replace("OUT", str(run.parent / "out.wav")) for word in words]
    if len(words) == 1:
        words.append(str(run))
    return lambda: main(words)


def _mutated_run(rng: np.random.Generator, folder: Path) -> Case:
    """Spoil one file of a run, then use the run."""
    run = _copy_run(folder)
    files = _run_files(run)
    path = files[int(rng.integers(len(files)))]
    content = path.read_bytes()
    mutate = {".json": mutate_json, ".toml": mutate_text, ".log": mutate_text}.get(
        path.suffix, mutate_bytes
    )
    if rng.random() < 0.05:
        path.unlink()
    else:
        path.write_bytes(mutate(rng, content))
    place = int(rng.integers(len(_RUN_COMMANDS)))
    label = f"{path.relative_to(run)} / {' '.join(_RUN_COMMANDS[place])}"
    return Case(label, "", _run_call(run, place))


SUBJECTS = {
    subject.name: subject
    for subject in (
        Subject(
            "recordings",
            _mutated(_sound_files, mutate_bytes, _read_recording),
            _made_sounds(),
            _read_recording,
        ),
        Subject("patches", _mutated(_patch_files, mutate_json, _read_patch)),
        Subject(
            "structures",
            _mutated(lambda: _texts("voice/structures/*.toml"), mutate_text, _read_structure),
        ),
        Subject(
            "manifests",
            _mutated(lambda: _texts("targets/manifest.toml"), mutate_text, _read_manifest),
        ),
        Subject("runs", _mutated_run),
    )
}


def run_subject(
    subject: Subject, n_cases: int, seed: int, folder: Path, judge: Callable[[Case, str], None]
) -> None:
    """Judge so many inputs: spoilt ones, and where there are such a third made from nothing."""
    made, read = subject.made, subject.read
    n_made = 0 if made is None or read is None else n_cases // 3
    for place in range(n_cases - n_made):
        rng = np.random.default_rng([seed, place])
        judge(subject.mutated(rng, folder), f"{place}")
    if made is None or read is None:
        return
    for place, (name, content) in enumerate(_draw(made, n_made)):
        judge(_write_case(folder / name, content, read), f"made {place}")


def _draw(strategy: st.SearchStrategy[tuple[str, bytes]], n: int) -> list[tuple[str, bytes]]:
    """Draw examples as the tests do, each once, from a fixed seed."""
    from hypothesis import HealthCheck, Phase, given, settings  # noqa: PLC0415

    drawn: list[tuple[str, bytes]] = []

    @settings(
        max_examples=max(1, n),
        phases=[Phase.generate],
        database=None,
        derandomize=True,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def collect(example: tuple[str, bytes]) -> None:
        drawn.append(example)

    collect()
    return drawn[:n]
