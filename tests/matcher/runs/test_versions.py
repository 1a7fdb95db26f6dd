"""Versions of a run: they are added, named and found, and nothing is ever overwritten."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.losses import LossBreakdown
from matcher.runs.versions import add_version, find_version, list_versions, name_version
from shared import ParameterError, Patch, RunFolderError

if TYPE_CHECKING:
    from pathlib import Path

LOSS = LossBreakdown(2.5, {"spectral": 3.0, "onset": 1.0}, {"spectrum_db": 1.5})


def _patch(cutoff_hz: float = 900.0) -> Patch:
    """Return a patch."""
    return Patch("one-oscillator", {"filter.cutoff_hz": cutoff_hz}, phases=({"osc2.phase": 0.3},))


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """Return a run with three versions."""
    add_version(tmp_path, _patch(), kind="start", title="start", parent=None, loss=LOSS)
    add_version(tmp_path, _patch(1200.0), kind="final", title="end", parent=1, gates_s=(0.25,))
    add_version(tmp_path, _patch(700.0), kind="refine", title="refine", parent=2, note="softer")
    return tmp_path


def test_versions_come_back_as_they_were(run: Path) -> None:
    """Patch, loss, gates, note and parent are read back to the bit, in the order of numbers."""
    first, second, third = list_versions(run)
    assert [v.number for v in (first, second, third)] == [1, 2, 3]
    assert (first.patch, first.loss, first.parent) == (_patch(), LOSS, None)
    assert (second.gates_s, second.parent, second.kind) == ((0.25,), 1, "final")
    assert (third.note, third.changed) == ("softer", {"filter.cutoff_hz": (1200.0, 700.0)})


def test_adding_leaves_earlier_files_as_they_are(run: Path) -> None:
    """Files of versions are the same bytes after another version and a name were added."""
    before = {path: path.read_bytes() for path in (run / "versions").iterdir()}
    add_version(run, _patch(), kind="set", title="set", parent=3)
    name_version(run, "softer", 3)
    assert before == {path: path.read_bytes() for path in before}


def test_a_version_is_found_by_number_name_and_kind(run: Path) -> None:
    """Numbers, kept names in any case, start, final and current all lead to a version."""
    name_version(run, "Softer front", 2)
    name_version(run, "take 2", 2)
    for wanted, number in (
        (1, 1), ("3", 3), ("softer FRONT", 2), ("take 2", 2), ("start", 1), ("final", 2),
        ("now", 3), (None, 3),
    ):  # fmt: skip
        assert find_version(run, wanted).number == number
    assert find_version(run, 2).names == ("Softer front", "take 2")
    assert find_version(run, 2).name == "take 2"


def test_a_name_stays_with_its_version(run: Path) -> None:
    """A name that is taken isn't given again, in whatever case."""
    name_version(run, "softer", 2)
    with pytest.raises(RunFolderError, match="has kept version 2"):
        name_version(run, "SOFTER", 3)
    assert find_version(run, "softer").number == 2


@pytest.mark.parametrize(
    "name",
    ["", "12", "../x", "a/b", ".x", "now", "current", "a\nb", "x" * 61, "con", "a.", "ab "[:0]],
)
def test_names_that_could_mean_something_else_are_refused(run: Path, name: str) -> None:
    """Numbers, paths, device names and reserved words are no names, and nothing is written."""
    with pytest.raises(ParameterError, match="is no name"):
        name_version(run, name)
    assert not (run / "versions" / "kept").exists()


@settings(max_examples=40)
@given(name=st.text(max_size=70))
def test_whatever_is_accepted_as_a_name_finds_its_version(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    """A name is refused with our error, or stands for its version from then on."""
    run = tmp_path_factory.mktemp("run")
    add_version(run, _patch(), kind="start", title="start", parent=None)
    add_version(run, _patch(1.0e3), kind="final", title="end", parent=1)
    try:
        name_version(run, name, 1)
    except ParameterError:
        return
    assert find_version(run, name).number == 1
    inside = {path.parent for path in run.rglob("*.json")}
    assert inside == {run / "versions", run / "versions" / "kept"}


def test_near_names_are_listed(run: Path) -> None:
    """A name that isn't there leads to those that are spelt alike; a number to the range."""
    name_version(run, "softer front", 2)
    with pytest.raises(RunFolderError, match="Did you mean softer front"):
        find_version(run, "softr front")
    with pytest.raises(RunFolderError, match="no version 9; 1 to 3"):
        find_version(run, 9)


def test_no_versions_at_all_is_said(tmp_path: Path) -> None:
    """A folder without versions has an empty list and none to find."""
    assert list_versions(tmp_path) == ()
    with pytest.raises(RunFolderError, match="has no versions"):
        find_version(tmp_path)


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("number", 7, "number"),
        ("what", "magic", "what"),
        ("parent", 5, "parent"),
        ("loss", {"total": "low"}, "loss"),
        ("gates_s", [-1.0], "gates_s"),
        ("gates_s", [10**400], "gates_s"),
        ("what", [], "what"),
        ("changed", {"filter.cutoff_hz": [1.0]}, "changed"),
        ("kind", "patch", "kind"),
    ],
)
def test_damaged_fields_are_named(run: Path, field: str, value: object, said: str) -> None:
    """A changed field is refused with file and field."""
    path = run / "versions" / "0003.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), field: value}))
    with pytest.raises(RunFolderError, match=rf"0003\.json, {said}"):
        list_versions(run)


def test_a_cut_file_is_named(run: Path) -> None:
    """Half a file is refused by its name; the others are still found."""
    path = run / "versions" / "0003.json"
    path.write_text(path.read_text()[:100])
    with pytest.raises(RunFolderError, match=r"0003\.json is no JSON"):
        find_version(run)
    assert find_version(run, 2).number == 2
