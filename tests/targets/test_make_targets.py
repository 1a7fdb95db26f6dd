"""The script that makes the demo targets gives the stored files, and notices others."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from targets import make_targets
from targets.cues import CUES

pytestmark = pytest.mark.slow

SCRIPT = Path(make_targets.__file__)


@pytest.fixture
def brass_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copy the three brass cues, for a script that knows no other."""
    monkeypatch.setattr(make_targets, "CUES", CUES[:3])
    for cue in CUES[:3]:
        shutil.copy(SCRIPT.parent / cue.file, tmp_path)
    manifest = make_targets.manifest_text(CUES[:3])
    (tmp_path / "manifest.toml").write_text(manifest, encoding="utf-8")
    return tmp_path


def test_check_finds_the_stored_targets_as_made() -> None:
    """Made anew, every target equals its file within one step, and so does the manifest."""
    assert make_targets.main(["--check"]) == 0


def test_same_cue_gives_the_same_bytes_twice() -> None:
    """Nothing but the cue decides about the sound."""
    first, second = (make_targets.flac_bytes(make_targets.make_samples(CUES[0])) for _ in "ab")
    assert first == second


def test_check_allows_one_step_and_no_more(brass_folder: Path) -> None:
    """A last bit may tip on another processor; two steps are another sound."""
    path = brass_folder / CUES[0].file
    samples, sample_rate_hz = sf.read(path, dtype="int16")
    samples[1_000] += 1
    sf.write(path, samples, sample_rate_hz, subtype="PCM_16")
    # The stored file itself may be one step away already, on another processor.
    made = make_targets.make_samples(CUES[0]).astype(np.int32)
    steps = int(np.abs(samples - made).max())
    assert (make_targets.differences(brass_folder) == []) == (steps <= 1)
    samples[1_000] += 10
    sf.write(path, samples, sample_rate_hz, subtype="PCM_16")
    (line,) = make_targets.differences(brass_folder)
    assert line.startswith(f"{CUES[0].file}: samples differ by up to 1")


def test_check_names_every_difference_and_fails(
    brass_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing, unreadable, cut and unknown files and a changed manifest are all listed."""
    (brass_folder / CUES[0].file).unlink()
    (brass_folder / CUES[1].file).write_bytes(b"no sound")
    samples, sample_rate_hz = sf.read(brass_folder / CUES[2].file, dtype="int16")
    sf.write(brass_folder / CUES[2].file, samples[:-1], sample_rate_hz, subtype="PCM_16")
    shutil.copy(brass_folder / CUES[2].file, brass_folder / "kazoo_C4_v100.flac")
    (brass_folder / "manifest.toml").write_text("show = 3\n", encoding="utf-8")
    assert make_targets.main(["--check", "--folder", str(brass_folder)]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == f"{CUES[0].file}: missing."
    assert lines[1].startswith(f"{CUES[1].file}: can't be read")
    assert lines[2].startswith(f"{CUES[2].file}: 44100 Hz and shape ({samples.size - 1},)")
    assert lines[3] == "manifest.toml: other text than the cue list gives."
    assert lines[4] == "kazoo_C4_v100.flac: not in the cue list."


def test_folder_that_is_missing_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistyped folder gives one line and the usual exit code of a wrong command line."""
    with pytest.raises(SystemExit) as stopped:
        make_targets.main(["--folder", str(tmp_path / "nowhere")])
    assert stopped.value.code == 2
    assert "is not a folder" in capsys.readouterr().err


def test_file_that_cannot_be_written_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever is in the way is named, without a traceback."""
    (tmp_path / CUES[0].file).mkdir()
    with pytest.raises(SystemExit) as stopped:
        make_targets.main(["--folder", str(tmp_path)])
    assert stopped.value.code == 2
    assert f"{CUES[0].file} can't be written" in capsys.readouterr().err


def test_manifest_is_toml_with_the_texts_as_they_are() -> None:
    """Quotes and accents in a title survive (TOML 1.0.0, basic strings)."""
    manifest = tomllib.loads(make_targets.manifest_text(CUES))
    assert [entry["title"] for entry in manifest["target"]] == [cue.title for cue in CUES]
    assert [entry["listen_for"] for entry in manifest["target"]] == [
        cue.listen_for for cue in CUES
    ]
