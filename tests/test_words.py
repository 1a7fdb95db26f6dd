"""What players read is in a player's words: no word that was replaced comes back."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.cli import COMMANDS, main

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pytest

ROOT = Path(__file__).resolve().parents[1]
RUNS = ROOT / "tests" / "matcher" / "runs" / "earlier_runs.zip"

# What is said instead stands behind each.
OLD_WORDS = {
    r"\bloss(es)?\b": "distance",
    r"\bcloseness\b": "distance",
    r"\baudible steps?\b": "distance",
    r"\bevaluations?\b": "tries",
    r"\bcandidates?\b": "tries",
    r"\bfront[ -]edges?\b": "attack",
    r"\banimation\b": "movement",
    r"\bsamplers?\b": "search",
    r"\bgates?\b": "key held",
    r"\bslack\b": "tolerance",
    r"\bat rest\b|\bout of the way\b": "off",
    r"\bneutral\b": "off",
    r"\b(is|are) accepted\b": "must be",
    r"\bas an ear would\b|\bhonest account\b|\bnever hidden\b": "nothing",
    r"\bbend of the attack\b": "attack curve",
    r"\bfilter bank\b": "12-band equaliser",
    r"\bpast the filters\b": "filter bypass",
    r"earwright (log|diff|show)\b|\w@(start|final)\b": "versions, changes, summary, --version",
    r"--(evals|gate|hold|note|sampler)\b": "--tries, --held, --lock, --comment, --search",
}
# Labels that one instrument prints as a set.
OLD_LABELS = r"\b(PEAK|SPREAD|HOLD|RANGE|FOOTAGE|RISE|FALL|BEND|LET GO|WAVE A|SAW B)\b|\b16'"
# Names of files and fields, which old runs and manifests have; and what is no word of ours.
ALLOWED = (
    r"evaluations\.(npz|csv)",  # a file of every run
    r"\b(onset|gate|max_duration)_s\b",  # fields of a manifest
    r"curves, evaluations \.csv",  # the same, listed in short
    r"\bnoise gates?\b",  # the device
    r"\d+ front edges?|\d+ parts? back to neutral",  # stages, as an earlier run named them
)
# They speak of Python, where the field's terms stay, or in figures of measurements.
OF_PYTHON = ("python.md",)


def helps(capsys: pytest.CaptureFixture[str]) -> Iterator[tuple[str, str]]:
    """Read the help of the program and of each command."""
    for words in ([], *([name] for name in COMMANDS)):
        main([*words, "--help"])
        yield " ".join(["earwright", *words, "--help"]), capsys.readouterr().out


def pages() -> Iterator[tuple[str, str]]:
    """Read README and manual, without what stands in code marks."""
    for path in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))):
        if path.name not in OF_PYTHON:
            text = re.sub(
                r"```python\n.*?```", "", path.read_text(encoding="utf-8"), flags=re.DOTALL
            )
            yield path.name, re.sub(r"`[^`\n]*`", "", text)


def structures() -> Iterator[tuple[str, str]]:
    """Read the structure files, with labels and remarks."""
    for path in (ROOT / "voice").rglob("*.toml"):
        yield path.name, path.read_text(encoding="utf-8")


def printouts(folder: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[tuple[str, str]]:
    """Read what commands print of a run that was kept."""
    with zipfile.ZipFile(RUNS) as archive:
        archive.extractall(folder)
    run = str(folder / "run")
    for words in (["summary", run], ["summary", run, "--details"], ["versions", run],
                  ["changes", run, "--version", "start"]):  # fmt: skip
        assert main(words) == 0
        yield " ".join(words[::2]), capsys.readouterr().out


def faults(texts: Iterator[tuple[str, str]], old: dict[str, str]) -> list[str]:
    """Name each place where an old word stands, and what is said instead."""
    found = []
    for name, text in texts:
        for number, line in enumerate(re.sub("|".join(ALLOWED), "", text).splitlines(), 1):
            for pattern, word in old.items():
                if re.search(pattern, line, re.IGNORECASE):
                    found.append(f"{name}:{number}: {line.strip()[:90]} [say: {word}]")
    return found


def test_helps_and_printouts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command line says distance, tries, attack, and so on."""
    assert faults(helps(capsys), OLD_WORDS) == []
    assert faults(printouts(tmp_path, capsys), OLD_WORDS) == []


def test_manual() -> None:
    """README and manual say the same words; for report and page, see their own test."""
    assert faults(pages(), OLD_WORDS) == []


def test_structures() -> None:
    """No set of labels is that of one instrument; nothing is called a filter bank."""
    assert [name for name, text in structures() if re.search(OLD_LABELS, text)] == []
    assert faults(structures(), OLD_WORDS) == []
