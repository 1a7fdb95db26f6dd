"""Every command of the README does what the README says, with a tiny budget."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher.cli import main

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parents[1]
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
    """Go through the lines of shell blocks that call earwright."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for block in re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL):
        yield from (line for line in block.splitlines() if line.startswith("earwright "))


COMMANDS = tuple(readme_commands())


def test_the_readme_has_commands() -> None:
    """The tests below are not empty."""
    assert len(COMMANDS) >= 8


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with the recordings that the README speaks of."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "targets").symlink_to(TARGETS)
    for name, source in RECORDINGS.items():
        shutil.copyfile(TARGETS / source, folder / name)
    pieces = [soundfile.read(TARGETS / name)[0] for name in SCALE]
    silence = np.zeros(22_050)
    joined = np.concatenate([part for piece in pieces for part in (piece, silence)])
    soundfile.write(folder / "scale.flac", joined, 44_100)
    return folder


@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
@pytest.mark.parametrize("command", COMMANDS)
def test_commands_work(
    command: str,
    desk: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each exits with 0 and says something; only the budget is made small."""
    monkeypatch.chdir(desk)
    words = shlex.split(command)[1:]
    if words[0] == "match":
        for option in ("--seconds", "--evals"):
            if option in words:
                place = words.index(option)
                del words[place : place + 2]
        words += ["--evals", "256" if "--leave-out" in words else "48"]
    assert main(words) == 0
    assert capsys.readouterr().out
