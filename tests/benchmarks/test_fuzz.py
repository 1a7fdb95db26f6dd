"""Spoilt input, in numbers that the suite can afford; the command tries thousands."""

from __future__ import annotations

import re
import time

import pytest

from shared import PatchError
from tests.benchmarks.fuzz.__main__ import fuzz, main
from tests.benchmarks.fuzz.every import EVERY
from tests.benchmarks.fuzz.guard import Tally, try_call
from tests.benchmarks.fuzz.subjects import SUBJECTS


@pytest.mark.parametrize("name", EVERY)
def test_spoilt_input_is_a_result_or_one_line(name: str) -> None:
    """No traceback, no warning of a library, no call over 10 s or 1 GB; the file is named."""
    # The later ones run whole commands.
    n_cases = 20 if name in SUBJECTS else 6
    tally = fuzz(name, n_cases=n_cases, seed=11)
    assert not tally.failures, tally.examples
    assert tally.read + tally.refused == n_cases
    # Of a folder with something damaged, the page shows the rest.
    assert tally.refused > 0 or name == "desk"


def _raise(error: Exception) -> None:
    raise error


def test_what_must_not_happen_is_counted() -> None:
    """A traceback, a missing name and a wrong exit status are failures; a named refusal isn't."""
    tally = Tally()
    try_call(lambda: _raise(PatchError("brass.json is empty.")), tally, "a", names="brass.json")
    assert (tally.refused, tally.failures.total()) == (1, 0)
    try_call(lambda: _raise(PatchError("it is empty.")), tally, "b", names="brass.json")
    try_call(lambda: _raise(KeyError("x")), tally, "c", names="")
    try_call(lambda: 1, tally, "d", names="")
    assert list(tally.examples.values()) == ["b", "c", "d"]


def test_a_call_that_hangs_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the time limit a call ends, and counts as a failure."""
    monkeypatch.setattr("tests.benchmarks.fuzz.guard.MAX_SECONDS", 1)

    def hang() -> None:
        end = time.monotonic() + 30.0
        while time.monotonic() < end:
            pass

    tally = Tally()
    try_call(hang, tally, "endless", names="")
    assert list(tally.examples.values()) == ["endless"]


def test_the_table_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """The command says how many were read, refused and failed, and ends with 0 if none failed."""
    assert main(["--only", "manifests", "--cases", "9"]) == 0
    assert re.search(r"manifests +9 ", capsys.readouterr().out)
