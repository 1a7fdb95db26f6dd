"""Every command of the README and its pages does what they say, with a tiny budget."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import optuna
import pandas as pd
import pytest
import soundfile

import matcher
from matcher.cli import main
from matcher.evaluator import Evaluator
from matcher.runs.folder import save_run
from tests.calibration_notes import known_places
from tests.page_server import serve_page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shared import FloatArray

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
TARGETS = ROOT / "targets"
# The README's files, played by demo targets.
RECORDINGS = {
    "horn_C4.flac": "horn_stab_C4_v100.flac",
    "C3.flac": "string_pad_C3_v80.flac",
    "C4.flac": "string_pad_C4_v80.flac",
    "C5.flac": "string_pad_C5_v80.flac",
    "horn_C3_v100.flac": "string_pad_C3_v80.flac",
    "horn_C4_v45.flac": "horn_stab_C4_v45.flac",
    "horn_C4_v100.flac": "horn_stab_C4_v100.flac",
    "horn_C5_v100.flac": "string_pad_C5_v80.flac",
}
SCALE = ("horn_stab_C4_v100.flac", "horn_stab_C4_v45.flac", "horn_stab_G4_v100.flac")


def readme_commands() -> Iterator[str]:
    """Go through what shell blocks call earwright with, once each, page by page."""
    for page in (README, *sorted((ROOT / "docs").glob("*.md"))):
        text = page.read_text(encoding="utf-8")
        for block in re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL):
            yield from re.findall(r"(?:^|\.venv/bin/)(earwright .*)$", block, flags=re.MULTILINE)


# What two pages show is run once, where it stands first.
COMMANDS = tuple(dict.fromkeys(readme_commands()))


def test_the_readme_has_commands() -> None:
    """The tests below are not empty."""
    assert len(COMMANDS) >= 8


@pytest.fixture(scope="module")
def folder_of_the_readme(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with the recordings that the README speaks of."""
    folder = tmp_path_factory.mktemp("readme")
    (folder / "targets").symlink_to(TARGETS)
    for name, source in RECORDINGS.items():
        shutil.copyfile(TARGETS / source, folder / name)
    for place in known_places("filter.cutoff_hz"):
        shutil.copyfile(place.path, folder / f"cutoff_{place.panel:g}.flac")
    pieces = [soundfile.read(TARGETS / name)[0] for name in SCALE]
    silence = np.zeros(22_050)
    joined = np.concatenate([part for piece in pieces for part in (piece, silence)])
    soundfile.write(folder / "scale.flac", joined, 44_100)
    song = np.zeros((30 * 44_100, 2))
    song[round(25.3 * 44_100) :][: len(pieces[0]), 0] = pieces[0]
    soundfile.write(folder / "song.flac", song, 44_100)
    (folder / "library.toml").write_text(
        "".join(f'[[target]]\nfile = "{name}"\n' for name in ("C3.flac", "horn_C4.flac")),
        encoding="utf-8",
    )
    return folder


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
@pytest.mark.parametrize("command", COMMANDS)
def test_commands_work(
    command: str,
    folder_of_the_readme: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each exits with 0 and says something; only the budget is made small."""
    monkeypatch.chdir(folder_of_the_readme)
    words = shlex.split(command)[1:]
    if words[0] == "page":
        with serve_page(folder_of_the_readme) as server:
            assert server.ask("/api/state").status == 200
        return
    if words[0] in {"compare", "batch"}:
        words = _with_tiny_runs(words)
    if words[0] == "correct":
        _record_a_take(Path(words[1]), Path(words[2]))
    words += {"explain": ["--seconds", "1"], "keyboard": ["--step", "24"]}.get(words[0], [])
    if words[0] == "match" and "--resume" in words:
        _interrupt_a_match(words[-1], monkeypatch)
    elif words[0] in {"match", "refine"}:
        for option in ("--seconds", "--tries"):
            if option in words:
                place = words.index(option)
                del words[place : place + 2]
        words += ["--tries", "256" if "--leave-out" in words else "48"]
    assert main(words) == 0
    assert capsys.readouterr().out


@pytest.fixture(scope="module")
def matched(folder_of_the_readme: Path) -> Path:
    """Make a folder with a run that the lines in Python can open."""
    folder = folder_of_the_readme / "python"
    folder.mkdir()
    (folder / "targets").symlink_to(TARGETS)
    for name in ("scale.flac", *RECORDINGS):
        shutil.copyfile(folder_of_the_readme / name, folder / name)
    target = matcher.load_target(folder / "horn_C4.flac")
    result = matcher.match(target, structure="two-oscillator", evals=48, progress=False)
    save_run(result, folder / "runs/horn")
    return folder


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
def test_the_lines_in_python_work(matched: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of the pages run as they are, one after the other; only budgets are small."""
    monkeypatch.chdir(matched)
    pages = [ROOT / "docs" / name for name in ("python.md", "several-notes.md")]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    blocks = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    names: dict[str, object] = {"matcher": matcher}
    for block in blocks:
        exec(re.sub(r"seconds=\d+", "evals=256", block), names)  # noqa: S102  our own README
    study, frame = names["study"], names["frame"]
    assert isinstance(study, optuna.Study)
    assert isinstance(frame, pd.DataFrame)
    assert len(frame) == 48
    # The study holds the best of all evaluations, and the same figures.
    assert study.best_value == pytest.approx(frame["loss"].min(), abs=0.0)


def _interrupt_a_match(folder: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave a match that Ctrl-C has ended, to be gone on with."""
    real = Evaluator.losses_and_scores
    counted = iter(range(3))

    def scored(self: Evaluator, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        if next(counted, None) is None:
            raise KeyboardInterrupt
        return real(self, vectors)

    with monkeypatch.context() as patch:
        patch.setattr(Evaluator, "losses_and_scores", scored)
        assert main(["match", "C4.flac", "--tries", "96", "--out", folder, "--no-report"]) == 0


def _record_a_take(run: Path, take: Path) -> None:
    """Record an instrument that plays a run's patch as the voice does, softer than before."""
    (match,) = (run / "match").glob("*.wav")
    sound, rate_hz = soundfile.read(match)
    gain = 0.5 ** len(list(run.glob("takes/*.wav")))
    soundfile.write(take, gain * sound, rate_hz)


def _with_tiny_runs(words: list[str]) -> list[str]:
    """Leave one run of 48 candidates for each target and structure, in this process."""
    kept, skipped = [], False
    for word in words:
        if not skipped and word not in {"--seconds", "--tries", "--seeds"}:
            kept.append(word)
        skipped = not skipped and word in {"--seconds", "--tries", "--seeds"}
    budget = [] if "--resume" in words else ["--tries", "48", "--seeds", "1"]
    return [*kept, *budget, "--processes", "1"]
