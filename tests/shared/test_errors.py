"""Tests for `shared.errors`."""

from __future__ import annotations

import pickle

import pytest

import shared
from shared.errors import EarwrightError, suggest_names

FAMILY = [
    value
    for name in shared.__all__
    if isinstance(value := getattr(shared, name), type) and issubclass(value, EarwrightError)
]


@pytest.mark.parametrize("error_class", FAMILY, ids=lambda c: c.__name__)
def test_an_error_keeps_its_data_between_processes(error_class: type[EarwrightError]) -> None:
    """A worker's error arrives with its text, the field and the file."""
    error = error_class("too loud", name="level", path="a.json")
    for one in (error, pickle.loads(pickle.dumps(error))):  # noqa: S301 - our own bytes
        assert type(one) is error_class
        assert (str(one), one.name, one.path) == ("too loud", "level", "a.json")


def test_the_family_is_whole() -> None:
    """All seven kinds of refusal, and files, share one root."""
    assert {c.__name__ for c in FAMILY} == {
        "AudioError",
        "EarwrightError",
        "FileError",
        "ParameterError",
        "PatchError",
        "RunFolderError",
        "StructureError",
        "TargetError",
    }


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("filter.cutof_hz", "Did you mean filter.cutoff_hz?"),
        ("osc3.octave", "Did you mean osc2.octave or osc1.octave?"),
        ("qqq", ""),
    ],
)
def test_near_names_are_suggested(name: str, expected: str) -> None:
    """A slip of the keyboard gets the name that was meant; nonsense gets nothing."""
    known = ["filter.cutoff_hz", "osc1.octave", "osc2.octave", "tune_cents"]
    assert suggest_names(name, known) == expected


def test_an_endless_value_leaves_what_is_accepted_in_sight() -> None:
    """Both ends of a long message stay: what was wrong, and what to do."""
    message = str(EarwrightError(f"brass.toml, name: {'x' * 9000}; it must be a line. Edit it."))
    assert len(message) < 720
    assert message.startswith("brass.toml, name: xxx")
    assert message.endswith("it must be a line. Edit it.")
