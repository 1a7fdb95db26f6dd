"""What all commands share: help, version, misspelt words, errors on one line."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from matcher.cli import COMMANDS, main
from matcher.cli.wording import as_options, one_line
from shared import EarwrightWarning

if TYPE_CHECKING:
    from pathlib import Path


def test_without_arguments_the_help_comes(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever types the name only sees what there is."""
    assert main([]) == 0
    out = capsys.readouterr().out
    assert all(command in out for command in COMMANDS)


@pytest.mark.parametrize("argv", [["--help"], *([command, "--help"] for command in COMMANDS)])
def test_each_help_has_examples(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Help goes to stdout, ends well, and shows commands to copy."""
    assert main(argv) == 0
    out, err = capsys.readouterr()
    assert "examples:\n  earwright " in out
    assert err == ""


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """Name and version, or the word that it isn't installed."""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("earwright ")


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["rendr", "x.wav"], 'there is no command "rendr". Did you mean render?'),
        (["zzz"], f'there is no command "zzz". Commands are {", ".join(COMMANDS)}.'),
        (["match", "x.wav", "--secs", "3"], "there is no option --secs."),
        (["match", "x.wav", "--struct=x"], "there is no option --struct. Did you mean --struct"),
        (["match"], "RECORDING is missing. See earwright match --help."),
        (["log", "run"], '"log" is called versions now.'),
        (["diff"], '"diff" is called changes now.'),
        (["show", "run"], '"show" is called summary now.'),
        (["match", "--evals=5"], "--evals is called --tries now."),
        (["match", "x.wav", "--sampler", "tpe"], "--sampler is called --search now."),
        (["refine", "run", "--hold", "osc1*"], "--hold is called --lock now."),
        (["back", "run", "1", "--note", "x"], "--note is called --comment now."),
        (["render", "x.json", "--gate", "1"], "--gate is called --held now."),
        (["render", "tests@3"], '"tests@3" is written tests --version 3 now'),
        (["--frobnicate"], "there is no option --frobnicate."),
        (["--"], "a command is missing."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_misspelt_words_are_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """No usage, no traceback: one line on stderr, exit 2."""
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"earwright: {message}")
    assert err.count("\n") == 1


def test_errors_of_the_system_are_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An error of the system that the library doesn't know is no traceback either."""

    def fail(_: object) -> int:
        raise PermissionError(13, "Permission denied", "/somewhere")

    monkeypatch.setitem(COMMANDS, "structures", replace(COMMANDS["structures"], run=fail))
    assert main(["structures"]) == 2
    assert capsys.readouterr().err == "earwright: /somewhere: Permission denied.\n"


def test_an_error_of_our_own_code_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mistake in the program must show where it is."""

    def fail(_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setitem(COMMANDS, "structures", replace(COMMANDS["structures"], run=fail))
    with pytest.raises(ZeroDivisionError):
        main(["structures"])


def test_warnings_are_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ours become one line each, every time; Python's own form isn't for users."""

    def warn(_: object) -> int:
        for _ in range(2):
            warnings.warn("take.wav: this\nwas assumed.", EarwrightWarning, stacklevel=1)
        return 0

    monkeypatch.setitem(COMMANDS, "structures", replace(COMMANDS["structures"], run=warn))
    assert main(["structures"]) == 0
    assert capsys.readouterr().err == "earwright: warning: take.wav: this was assumed.\n" * 2


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("midi_pitch is 300; it must be 0 to 127.", "--pitch is 300; it must be 0 to 127."),
        ("gate_s has 2 values for 3.", "--held has 2 values for 3."),
        ("a.wav ends. Give gate_s if you know.", "a.wav ends. Give --held if you know."),
        ("gate_s.wav is empty.", "gate_s.wav is empty."),
        ("my midi_pitch is.wav is silent.", "my midi_pitch is.wav is silent."),
    ],
)
def test_arguments_are_named_as_options(message: str, expected: str) -> None:
    """The user reads what can be typed; names of files stay as they are."""
    assert as_options(message) == expected


def test_messages_stay_on_one_line() -> None:
    """A file whose name moves the cursor can't play tricks with the terminal."""
    assert one_line("a\nb\x1b[2J\tc") == r"a b\x1b[2J c"


def test_the_working_folder_may_be_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Relative names lead nowhere then, which is said like any other wrong name."""
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    assert main(["match", "x.wav"]) == 2
    assert "x.wav doesn't exist" in capsys.readouterr().err
