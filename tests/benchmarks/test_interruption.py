"""The judge of interruptions finds what it looks for; the command tries every moment."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from matcher.cli import COMMANDS as CLI_COMMANDS
from tests.benchmarks.interruption.__main__ import main
from tests.benchmarks.interruption.commands import COMMANDS, Command, interrupt
from tests.benchmarks.interruption.looking import (
    broken,
    left_over,
    living,
    tracebacks,
    versions_of,
)
from tests.benchmarks.interruption.processes import WAYS, start, wait
from tests.matcher.report.report_runs import small_run

if TYPE_CHECKING:
    from pathlib import Path


def test_halves_and_leftovers_are_found(tmp_path: Path) -> None:
    """Half a document, a run without its sounds, temporary files in both places."""
    run = small_run(tmp_path, "reed").path
    (tmp_path / "tmp").mkdir()
    assert broken(tmp_path) == left_over(tmp_path) == []
    before = versions_of(tmp_path)
    assert before
    (run / "run.json").write_text((run / "run.json").read_text()[:99])
    (run / ".run.json.0123456789abcdef.tmp").touch()
    (tmp_path / "tmp" / "earwright-x").mkdir()
    assert len(broken(tmp_path)) == 1
    assert len(left_over(tmp_path)) == 2
    next((run / "versions").glob("*.json")).unlink()
    assert versions_of(tmp_path) != before


def test_tracebacks_are_found() -> None:
    """One line of ours isn't one."""
    assert tracebacks("earwright: interrupted; nothing was written.\n") == []
    assert tracebacks("Traceback (most recent call last):\n") != []


def test_processes_that_live_on_are_found(tmp_path: Path) -> None:
    """A command that still runs is named; one that has ended isn't."""
    process = start(["page", str(tmp_path), "--no-browser"], tmp_path)
    try:
        assert living(process.pid, patience_s=0.0)
    finally:
        process.kill()
    wait(process)
    assert living(process.pid) == []


# Ctrl-C at the very beginning meets Python itself, which then says so in its own way.
@pytest.mark.parametrize("way", [way for way in WAYS if way != "Ctrl-C twice"])
def test_a_quick_command_in_every_way(tmp_path: Path, way: str) -> None:
    """Interrupted at its very beginning, the same command works afterwards."""
    (tmp_path / "structures").mkdir()
    found = interrupt(Command("list", ("structures",)), way, 0.0, tmp_path)
    assert found.faults == ()
    assert found.next_status == 0


def test_the_commands_are_those_of_the_tool() -> None:
    """Each one begins with a command that exists, and goes on with one, too."""
    for command in COMMANDS:
        for words in (command.words, *command.then):
            assert words[0] in CLI_COMMANDS


def test_unknown_names_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """The command says what there is to interrupt."""
    with pytest.raises(SystemExit):
        main(["--only", "nothing"])
    assert re.search("match.*page", capsys.readouterr().err)
