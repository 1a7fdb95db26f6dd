"""Tests for `shared.patch_schema`: what other programs are told is what our loader does."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import jsonschema
import pytest
from hypothesis import given

from shared.errors import PatchError
from shared.make_patch_schema import main
from shared.patch import Patch
from shared.patch_schema import SCHEMA_PATH, build_patch_schema, schema_text
from tests.strategies import patches

if TYPE_CHECKING:
    from pathlib import Path

VALIDATOR = jsonschema.Draft202012Validator(build_patch_schema())
FINE: dict[str, Any] = {"schema_version": 1, "structure": "full"}

ACCEPTED = {
    "least": {},
    "values": {"values": {"noise.level": 0.5, "osc1.octave": -2, "tune_cents": -7.25}},
    "choice": {"values": {"filter.slope_db_per_octave": 12}},
    "float-version": {"schema_version": 1.0},
    "ends": {"values": {"filter.cutoff_hz": 20, "amp_env.attack_s": 4}},
    "provenance": {"provenance": {"seed": 1, "parent": None, "deep": [{"a": [True]}]}},
    "phases": {"phases": [{}, {"osc2.phase": 0.999}]},
}
REFUSED = {
    "version": {"schema_version": 2},
    "true-version": {"schema_version": True},
    "text-version": {"schema_version": "1"},
    "structure": {"structure": ""},
    "structure-number": {"structure": 3},
    "unknown-field": {"value": {}},
    "unknown-parameter": {"values": {"osc3.octave": 0}},
    "text": {"values": {"noise.level": "high"}},
    "null": {"values": {"noise.level": None}},
    "true": {"values": {"noise.level": True}},
    "above": {"values": {"filter.cutoff_hz": 20_001}},
    "below": {"values": {"filter.cutoff_hz": 19}},
    "step": {"values": {"osc1.octave": 0.5}},
    "choice": {"values": {"filter.slope_db_per_octave": 18}},
    "values-list": {"values": []},
    "provenance-list": {"provenance": []},
    "phases-object": {"phases": {}},
    "phase-number": {"phases": [3]},
    "phase-above": {"phases": [{"osc2.phase": 1}]},
    "phase-below": {"phases": [{"osc2.phase": -0.1}]},
    "unknown-phase": {"phases": [{"osc3.phase": 0}]},
}


def test_the_schema_is_a_schema() -> None:
    """JSON Schema, draft 2020-12, as its own meta-schema checks it."""
    jsonschema.Draft202012Validator.check_schema(build_patch_schema())


def test_the_committed_schema_is_the_generated_one() -> None:
    """The file for other programs follows the catalogue; `shared.make_patch_schema` renews it."""
    assert SCHEMA_PATH.read_text(encoding="utf-8") == schema_text()


def test_the_script_writes_the_schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The script puts the generated text where it is told to, also over an old one."""
    path = tmp_path / "patch.schema.json"
    path.write_text("old")
    monkeypatch.setattr("shared.make_patch_schema.SCHEMA_PATH", path)
    main()
    assert json.loads(path.read_text()) == build_patch_schema()


@given(patches())
def test_every_patch_fits_the_schema(patch: Patch) -> None:
    """Whatever we write, other programs find as the schema says."""
    VALIDATOR.validate(json.loads(patch.to_json()))


@pytest.mark.parametrize("fields", ACCEPTED.values(), ids=ACCEPTED)
def test_both_accept_the_same(fields: dict[str, Any]) -> None:
    """What the schema accepts, our loader accepts."""
    document = {**FINE, **fields}
    VALIDATOR.validate(document)
    assert isinstance(Patch.from_json(json.dumps(document)), Patch)


@pytest.mark.parametrize("fields", REFUSED.values(), ids=REFUSED)
def test_both_refuse_the_same(fields: dict[str, Any]) -> None:
    """What the schema refuses, our loader refuses."""
    document = {**FINE, **fields}
    assert not VALIDATOR.is_valid(document)
    with pytest.raises(PatchError, match=r"^patch"):
        Patch.from_json(json.dumps(document))


@pytest.mark.parametrize("missing", ["schema_version", "structure"])
def test_both_require_the_same(missing: str) -> None:
    """Version and structure can't be left out."""
    document = {key: value for key, value in FINE.items() if key != missing}
    assert not VALIDATOR.is_valid(document)
    with pytest.raises(PatchError, match=missing):
        Patch.from_json(json.dumps(document))
