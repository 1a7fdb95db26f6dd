"""Tests for `shared.patch`: patches, their files, and the schema that others are told of."""

from __future__ import annotations

import copy
import json
import pickle
from typing import TYPE_CHECKING, Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.catalogue import CATALOGUE, PHASE_NAMES
from shared.errors import FileError, ParameterError, PatchError
from shared.patch import NotePhases, Patch, build_patch_schema
from tests.strategies import patches

if TYPE_CHECKING:
    from pathlib import Path


# Each example is a patch of all values.
few = settings(max_examples=20)


def text_of(**fields: Any) -> str:  # noqa: ANN401 - any JSON
    """Write the JSON of a patch that is fine but for the given fields."""
    return json.dumps({"schema_version": 1, "structure": "full", **fields})


@few
@given(patches())
def test_a_patch_survives_its_text(patch: Patch) -> None:
    """What is written comes back equal, every float to the bit."""
    again = Patch.from_json(patch.to_json())
    assert again == patch
    assert [value.hex() for value in again.values.values()] == [
        value.hex() for value in patch.values.values()
    ]
    assert again.to_json() == patch.to_json()
    # Other programs find it as the schema says.
    VALIDATOR.validate(json.loads(patch.to_json()))


def test_a_patch_survives_its_file(tmp_path: Path) -> None:
    """Save and load give the same patch."""
    patch = Patch("brass", {"filter.cutoff_hz": 900.1}, {"seed": 7}, (NotePhases(),))
    patch.save(tmp_path / "brass.json")
    assert Patch.load(tmp_path / "brass.json") == patch
    assert Patch.load(str(tmp_path / "brass.json")) == patch


@few
@given(patches())
def test_a_patch_survives_pickling_and_copying(patch: Patch) -> None:
    """Workers get equal patches that hash equally."""
    for other in (pickle.loads(pickle.dumps(patch)), copy.deepcopy(patch)):  # noqa: S301
        assert other == patch
        assert hash(other) == hash(patch)


def test_a_patch_is_complete() -> None:
    """What is left out stands at neutral, in the order of the catalogue."""
    patch = Patch("brass", {"amp_env.attack_s": 0.02})
    assert tuple(patch.values) == CATALOGUE.names
    assert dict(patch.values) == {**CATALOGUE.neutral(), "amp_env.attack_s": 0.02}


def test_a_file_may_leave_out_what_is_neutral() -> None:
    """A patch typed by hand needs only what differs from neutral."""
    assert Patch.from_json(text_of(values={"noise.level": 0.5})) == Patch(
        "full", {"noise.level": 0.5}
    )
    assert Patch.from_json(text_of()) == Patch("full")


def test_a_patch_from_before_a_part_was_there_still_loads() -> None:
    """Parts that came later do nothing at neutral, so an old file sounds as it did."""
    later = {name for name in CATALOGUE.names if name.startswith(("body", "bank", "eq"))}
    later |= {name for name in CATALOGUE.names if name.startswith("filter_lfo")}
    later |= {"noise.attack_s", "noise.bypass_ratio", "noise.sustain_ratio", "noise.colour_ratio"}
    later |= {"filter_env.attack_curve_ratio", "amp_env.attack_curve_ratio"}
    old = {p.name: p.high for p in CATALOGUE if p.name not in later}
    assert len(old) == 55
    patch = Patch.from_json(text_of(values=old))
    assert patch.schema_version == 1
    assert dict(patch.values) == {**CATALOGUE.neutral(), **old}


def test_a_patch_cannot_be_changed() -> None:
    """Everybody who holds a patch holds the same one; what it was made from is copied."""
    values, provenance = {"noise.level": 0.5}, {"versions": {"numpy": "2"}}
    patch = Patch("full", values, provenance)
    values["noise.level"] = 0.7
    provenance["versions"]["numpy"] = "3"
    assert patch.values["noise.level"] == 0.5
    assert patch.provenance == {"versions": {"numpy": "2"}}
    with pytest.raises(TypeError):
        patch.values["noise.level"] = 0.7  # type: ignore[index]
    with pytest.raises(AttributeError):
        patch.structure = "other"  # type: ignore[misc]


def test_replace_changes_what_is_named() -> None:
    """A changed copy differs in the named values only; the other fields stay."""
    patch = Patch("full", {"noise.level": 0.5, "tune_cents": 3.0}, {"seed": 1}, (NotePhases(),))
    changed = patch.replace(values={"tune_cents": 4.0})
    assert changed == Patch(
        "full", {"noise.level": 0.5, "tune_cents": 4.0}, {"seed": 1}, (NotePhases(),)
    )
    assert patch.values["tune_cents"] == 3.0
    assert changed.replace(structure="lean", provenance={}, phases=()) == Patch(
        "lean", {"noise.level": 0.5, "tune_cents": 4.0}
    )


def test_provenance_keeps_what_json_holds() -> None:
    """Numbers of numpy become plain, tuples become lists."""
    patch = Patch("full", provenance={"loss": np.float64(0.5), "n": np.int64(3), "t": (1, (2,))})
    assert patch.provenance == {"loss": 0.5, "n": 3, "t": [1, [2]]}
    assert Patch.from_json(patch.to_json()) == patch


@pytest.mark.parametrize(
    ("provenance", "message"),
    [
        ({"loss": float("nan")}, r"provenance\.loss is nan, which a patch file can't hold"),
        ({"a": [{"b": object()}]}, r"provenance\.a\[0\]\.b is <object"),
        ({"signal": np.zeros(3)}, r"provenance\.signal is array"),
        ({"a": {1: 2}}, r"provenance\.a has the key 1; it must be text"),
        ({1: 2}, r"provenance has the key 1; it must be text"),
    ],
)
def test_provenance_refuses_what_json_cannot_hold(
    provenance: dict[Any, Any], message: str
) -> None:
    """What a file would lose or change is refused when the patch is made."""
    with pytest.raises(PatchError, match=message):
        Patch("full", provenance=provenance)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (
            {"filter.cutoff_hz": 30_000.0},
            "filter.cutoff_hz is 30000 Hz; it must be 20 to 20000 Hz",
        ),
        ({"filter.cutof_hz": 300.0}, r"Did you mean filter\.cutoff_hz"),
        ({"osc1.octave": 0.5}, "in steps of 1"),
        ({"noise.level": float("nan")}, "noise.level is nan; it must be 0 to 1"),
    ],
)
def test_a_patch_refuses_values_outside_the_catalogue(
    values: dict[str, float], message: str
) -> None:
    """A patch holds only what the voice can play."""
    with pytest.raises(ParameterError, match=message):
        Patch("full", values)


@pytest.mark.parametrize("structure", ["", None, 3])
def test_a_patch_needs_a_structure(structure: Any) -> None:  # noqa: ANN401
    """Without the name of a structure nobody knows which parts exist."""
    with pytest.raises(PatchError, match="it must be the name of a structure"):
        Patch(structure)


VALIDATOR = jsonschema.Draft202012Validator(build_patch_schema())
FINE: dict[str, Any] = {"schema_version": 1, "structure": "full"}
ACCEPTED = {
    "least": {},
    "values": {"values": {"noise.level": 0.5, "osc1.octave": -2, "tune_cents": -7.25}},
    "choice": {"values": {"filter.slope_db_per_octave": 12}},
    "ends": {"values": {"filter.cutoff_hz": 20, "amp_env.attack_s": 4}},
    "provenance": {"provenance": {"seed": 1, "parent": None, "deep": [{"a": [True]}]}},
    "phases": {"phases": [{}, {"osc2.phase": 0.999}]},
}
# One field that is wrong, and what the line about it says after the name of the file.
REFUSED: list[tuple[str, Any, str]] = [
    ("schema_version", 2, ", schema_version is 2; it must be 1. A newer earwright"),
    ("schema_version", True, ", schema_version is true; it must be 1"),
    ("schema_version", "1", ', schema_version is "1"; it must be 1'),
    ("structure", "", ', structure is ""; it must be text that isn\'t empty'),
    ("structure", 3, ", structure is 3; it must be text that isn't empty"),
    ("valeus", {}, ", valeus: no such field. Did you mean values"),
    ("values", [], r", values is \[\]; it must be an object"),
    (
        "values",
        {"noise.level": "high"},
        ', noise.level: "high" is not a number; it must be 0 to 1. .* for the neutral value',
    ),
    ("values", {"noise.level": None}, ", noise.level: None is not a number; it must be 0 to 1"),
    ("values", {"noise.level": True}, ", noise.level: True is not a number; it must be 0 to 1"),
    ("values", {"noise.level": 10**400}, ", noise.level is inf; it must be 0 to 1"),
    (
        "values",
        {"filter.cutoff_hz": 20_001},
        ", filter.cutoff_hz is 20001 Hz; it must be 20 to 20000 Hz",
    ),
    ("values", {"filter.cutoff_hz": 19}, ", filter.cutoff_hz is 19 Hz; it must be 20 to 20000 Hz"),
    (
        "values",
        {"osc1.octave": 0.5},
        ", osc1.octave is 0.5 octaves; it must be -2 to 2 octaves in steps",
    ),
    (
        "values",
        {"filter.slope_db_per_octave": 18},
        "is 18 dB/octave; it must be 12 or 24 dB/octave",
    ),
    ("values", {"filter.cutof_hz": 1}, r", filter.cutof_hz is no .* Did you mean filter\.cutoff"),
    ("provenance", "me", ', provenance is "me"; it must be an object'),
    ("phases", {}, r", phases is {}; it must be a list"),
    ("phases", [3], r", phases\[0\] is 3; it must be an object"),
    ("phases", [{}, {"osc2.phase": 1}], r", phases\[1\]\.osc2\.phase is 1; .* 0 to less than 1"),
    (
        "phases",
        [{"osc2.phase": -0.1}],
        r", phases\[0\]\.osc2\.phase is -0\.1; it must be a number from 0",
    ),
    (
        "phases",
        [{"osc2.phase": "up"}],
        r', phases\[0\]\.osc2\.phase is "up"; it must be a number from 0',
    ),
    ("phases", [{"osc2.phse": 0}], r", phases\[0\]\.osc2\.phse is no phase. Did you mean osc2"),
]


def test_the_schema_is_a_schema() -> None:
    """JSON Schema, draft 2020-12, as its own meta-schema checks it."""
    jsonschema.Draft202012Validator.check_schema(build_patch_schema())


@pytest.mark.parametrize("fields", ACCEPTED.values(), ids=ACCEPTED)
def test_schema_and_loader_accept_the_same(fields: dict[str, Any]) -> None:
    """What the schema accepts, our loader accepts."""
    document = {**FINE, **fields}
    VALIDATOR.validate(document)
    assert isinstance(Patch.from_json(json.dumps(document)), Patch)


@pytest.mark.parametrize(("field", "value", "message"), REFUSED)
def test_a_wrong_field_gives_one_line(field: str, value: object, message: str) -> None:
    """The line names the file, the field and what is accepted; the schema refuses it, too."""
    document = {**FINE, field: value}
    assert not VALIDATOR.is_valid(document)
    with pytest.raises(PatchError, match=rf"^brass\.json.*{message}") as caught:
        Patch.from_json(json.dumps(document), source="brass.json")
    assert "\n" not in str(caught.value)
    assert caught.value.path == "brass.json"


@pytest.mark.parametrize("missing", ["schema_version", "structure"])
def test_version_and_structure_are_needed(missing: str) -> None:
    """Neither loader nor schema does without them."""
    document = {key: value for key, value in FINE.items() if key != missing}
    assert not VALIDATOR.is_valid(document)
    with pytest.raises(PatchError, match=f"^patch, {missing} is missing; "):
        Patch.from_json(json.dumps(document))


@few
@given(st.text() | st.recursive(st.none() | st.floats() | st.text(), st.lists).map(json.dumps))
def test_no_text_does_anything_but_load_or_be_refused(text: str) -> None:
    """Whatever a file holds, the answer is a patch or an error of ours."""
    try:
        assert isinstance(Patch.from_json(text), Patch)
    except PatchError as error:
        assert str(error)  # noqa: PT017 - either outcome is fine, another exception isn't


def test_an_error_in_a_file_names_the_file_as_it_was_given(tmp_path: Path) -> None:
    """The line starts with the path that the user typed."""
    path = tmp_path / "brass.json"
    path.write_text(text_of(values={"noise.level": 3}))
    with pytest.raises(PatchError) as caught:
        Patch.load(path)
    assert str(caught.value).startswith(f"{path}, noise.level is 3; it must be 0 to 1.")


def test_a_saved_state_is_never_lost_by_accident(tmp_path: Path) -> None:
    """Saving over a file needs to be asked for."""
    path = tmp_path / "brass.json"
    Patch("old").save(path)
    with pytest.raises(FileError, match=r"brass\.json exists already and is kept"):
        Patch("new").save(path)
    assert Patch.load(path).structure == "old"
    Patch("new").save(path, overwrite=True)
    assert Patch.load(path).structure == "new"


def test_text_is_kept_as_it_is(tmp_path: Path) -> None:
    """Names in any script stay readable in the file."""
    patch = Patch("b\u00fchne", provenance={"title": "\u7b19"})
    patch.save(tmp_path / "a.json")
    assert "b\u00fchne" in (tmp_path / "a.json").read_text(encoding="utf-8")
    assert Patch.load(tmp_path / "a.json") == patch


def test_phases_are_complete_and_in_order() -> None:
    """Phases always have their names, whatever was given."""
    phases = NotePhases({"osc2.vibrato.phase": 0.25})
    assert tuple(phases) == PHASE_NAMES
    assert dict(phases) == {**dict.fromkeys(PHASE_NAMES, 0.0), "osc2.vibrato.phase": 0.25}
    assert phases == NotePhases(phases)
    assert hash(phases) == hash(NotePhases(phases))
    assert len(phases) == len(PHASE_NAMES)
    assert repr(phases).startswith("NotePhases({'osc2.phase': 0.0, 'osc1.vibrato.phase': 0.0")


def test_phases_may_be_given_as_mappings() -> None:
    """A patch takes plain dicts and keeps them as phases."""
    assert Patch("full", phases=({"osc2.phase": 0.5},)) == Patch(  # type: ignore[arg-type]
        "full", phases=(NotePhases({"osc2.phase": 0.5}),)
    )


@pytest.mark.parametrize(
    ("cycles", "message"),
    [
        ({"osc2.phase": 1.0}, r"osc2\.phase is 1 cycles; it must be 0 or more and below 1"),
        ({"osc2.phase": -0.1}, r"osc2\.phase is -0\.1 cycles"),
        ({"osc2.phase": float("nan")}, r"osc2\.phase is nan cycles"),
        ({"osc3.phase": 0.0}, r"osc3\.phase is no phase\. Did you mean osc[12]\.phase"),
    ],
)
def test_phases_outside_their_range_are_refused(cycles: dict[str, float], message: str) -> None:
    """A phase lies in [0, 1) cycles and has one of the known names."""
    with pytest.raises(ParameterError, match=message):
        NotePhases(cycles)
