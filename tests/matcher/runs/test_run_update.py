"""Bringing a run up to date when its document was damaged."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from matcher.cli import main
from tests.matcher.report.report_runs import small_run

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("field", ["loss", "files"])
def test_a_damaged_document_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], field: str
) -> None:
    """Going back in a run whose run.json lost a field is refused, and changes no sound."""
    run = small_run(tmp_path).path
    path = run / "run.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), field: [None]}))
    sounds = {sound: sound.read_bytes() for sound in run.rglob("*.wav")}
    assert main(["back", str(run), "start"]) == 2
    assert f"run.json, {field}" in capsys.readouterr().err
    assert {sound: sound.read_bytes() for sound in run.rglob("*.wav")} == sounds
