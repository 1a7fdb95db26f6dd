"""Searches of a run: what was asked is read by its type, and the target to the bit."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher import match
from matcher.runs.searches import list_searches, new_search, read_target, write_target
from matcher.target import Target, target_from_signal
from shared import FileError, RunFolderError
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from pathlib import Path


def _target() -> Target:
    """Return two notes, one of them noise, in which no pitch is found."""
    noise = np.random.default_rng(3).standard_normal(RATE_HZ // 2) * 0.1
    return Target(
        (
            target_from_signal(played_note(), RATE_HZ, name="réed 1", velocity=90),
            target_from_signal(noise, RATE_HZ, name="noise", midi_pitch=60.0, gate_s=0.3),
        )
    )


def _assert_equal(a: Any, b: Any) -> None:  # noqa: ANN401  any field
    """Compare dataclasses field by field, arrays by their elements."""
    assert type(a) is type(b)
    if hasattr(a, "__dataclass_fields__"):
        for field in fields(a):
            _assert_equal(getattr(a, field.name), getattr(b, field.name))
    else:
        np.testing.assert_equal(a, b)


@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
def test_a_target_comes_back_to_the_bit(tmp_path: Path) -> None:
    """Signals, notes, analysis and warnings are the same, and so is what is matched to them."""
    target = _target()
    write_target(target, tmp_path / "target.npz")
    again = read_target(tmp_path / "target.npz")
    _assert_equal(again.notes[0], target.notes[0])
    _assert_equal(again.notes[1], target.notes[1])
    assert again.digest == target.digest
    settings: dict[str, Any] = {"structure": "one-oscillator", "evals": 48, "progress": False}
    assert match(again, **settings).patch == match(target, **settings).patch


@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
def test_files_that_are_missing_or_damaged_are_named(tmp_path: Path) -> None:
    """A missing, cut, changed or foreign file is refused in one line with its name."""
    path = tmp_path / "target.npz"
    with pytest.raises(RunFolderError, match=r"target\.npz is missing"):
        read_target(path)
    write_target(_target(), path)
    with pytest.raises(FileError, match="exists"):
        write_target(_target(), path)
    whole = path.read_bytes()
    for damaged in (whole[:1000], b"RIFF", whole.replace(b'"velocity": 90', b'"velocity": 91')):
        path.write_bytes(damaged)
        with pytest.raises(RunFolderError, match=r"target\.npz can't be read"):
            read_target(path)


def test_a_request_of_an_unknown_kind_is_named(tmp_path: Path) -> None:
    """A list or an object in the place of a word is no traceback."""
    path = new_search(tmp_path, "match", {"evals": 8}).path / "request.json"
    request = json.loads(path.read_text())
    for what in ({}, [], "dance", None):
        path.write_text(json.dumps({**request, "what": what}))
        with pytest.raises(
            RunFolderError, match=r'json, what is .*; it must be "match" or "refine"'
        ):
            list_searches(tmp_path)


def test_the_earlier_name_of_the_default_sampler_is_read(tmp_path: Path) -> None:
    """Files of runs that were made before the default was called "staged" say "cmaes"."""
    new_search(tmp_path, "match", {"sampler": "cmaes"})
    assert list_searches(tmp_path)[0].settings["sampler"] == "staged"
