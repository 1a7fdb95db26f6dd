"""The patch sheet: what to set on the user's panel, and what a step of each control does."""

from __future__ import annotations

import re

import pytest

from matcher.hearing import JUST_NOTICEABLE
from matcher.sheet import patch_sheet, resting_controls
from matcher.step_effects import describe_steps, step_differences
from shared import Patch
from voice import Structure, load_structure

BRASS = {
    "osc1.saw_level": 1.0,
    "osc2.saw_level": 0.8,
    "osc2.detune_cents": 10.0,
    "osc1.vibrato.depth_cents": 20.0,
    "filter.cutoff_hz": 1750.0,
    "filter_env.depth_octaves": 2.1,
    "amp_env.sustain_ratio": 0.7,
}


@pytest.fixture(scope="module")
def desk() -> Structure:
    """Load the middling panel."""
    return load_structure("wagon-desk")


@pytest.fixture(scope="module")
def patch(desk: Structure) -> Patch:
    """Make a brass patch on the steps of that panel."""
    values = desk.space.to_dict(desk.space.clip({**desk.space.neutral(), **BRASS}))
    return Patch(desk.name, desk.complete(values))


def test_the_sheet_prints_panel_values(patch: Patch, desk: Structure) -> None:
    """Labels and values as they stand on the panel file; physical values beside them."""
    rows = {row.name: row for row in patch_sheet(patch, desk)}
    assert (rows["filter.cutoff_hz"].label, rows["filter.cutoff_hz"].panel) == ("CUTOFF", "6.0")
    assert rows["filter.cutoff_hz"].value == "1.75 kHz"
    assert rows["osc1.saw_level"].panel == "saw"
    assert rows["osc2.detune_cents"].panel == "1.00"
    assert rows["filter_env.depth_octaves"].panel == "3.0"
    assert rows["filter.cutoff_hz"].controller == "CC 74"
    assert rows["filter_env.depth_octaves"].part == "filter envelope"


def test_linked_rows_point_to_their_control(patch: Patch, desk: Structure) -> None:
    """One knob sets both vibratos, and is listed once with a value."""
    rows = {row.name: row for row in patch_sheet(patch, desk)}
    assert rows["osc2.vibrato.depth_cents"].linked_to == "osc1.vibrato.depth_cents"
    assert rows["osc2.vibrato.depth_cents"].panel is None
    assert rows["osc1.vibrato.depth_cents"].panel == "4.0"


def test_a_control_whose_own_oscillator_is_silent_is_listed() -> None:
    """The knob has to be set, as it also serves the oscillator that sounds."""
    structure = load_structure("pulse-strings-one-lfo")
    values = {"osc1.saw_level": 0.0, "osc2.saw_level": 1.0, "osc1.vibrato.depth_cents": 20.0}
    sheet = patch_sheet(Patch("x", structure.complete(values)), structure)
    assert "osc1.vibrato.rate_hz" in {row.name for row in sheet}


def test_what_the_panel_has_no_control_for_is_left_out(patch: Patch, desk: Structure) -> None:
    """The filter's slope is built in."""
    assert "filter.slope_db_per_octave" in {row.name for row in patch_sheet(patch)}
    assert "filter.slope_db_per_octave" not in {row.name for row in patch_sheet(patch, desk)}


def test_controls_at_rest_are_listed_apart(patch: Patch, desk: Structure) -> None:
    """Silent parts aren't on the sheet, but their knobs must stand at nothing."""
    resting = {row.label: row.panel for row in resting_controls(patch, desk)}
    assert resting["NOISE"] == "0.0"
    assert resting["KEY TRACK"] == "0"
    assert "CUTOFF" not in resting
    assert not resting_controls(patch, load_structure("complete"))


def test_without_a_panel_there_are_no_panel_values(patch: Patch) -> None:
    """A structure without a panel, or none at all, gives values in their own units."""
    for structure in (None, load_structure("two-oscillator")):
        assert {(row.panel, row.step) for row in patch_sheet(patch, structure)} == {(None, None)}


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("amp_env.attack_s", "attack"),
        ("amp_env.release_s", "release"),
        ("osc1.vibrato.rate_hz", "vibrato rate"),
        ("osc2.detune_cents", "beating"),
        ("filter.cutoff_hz", "brightness"),
    ],
)
def test_a_step_is_judged_by_its_own_threshold(
    name: str, kind: str, patch: Patch, desk: Structure
) -> None:
    """Times by time, rates by rate, detune by its beats, the cutoff by brightness."""
    (up, down) = step_differences(patch, desk, [name])[name]
    assert up is not None
    assert up.kind == kind
    assert up.threshold == JUST_NOTICEABLE[kind].threshold(up.target or 0.0)
    if name != "amp_env.attack_s":
        assert down is not None
        assert up.difference * down.difference < 0.0


def test_a_step_of_a_time_is_the_ratio_of_the_panel(patch: Patch, desk: Structure) -> None:
    """A log knob of 0.03 to 10 s has the same ratio between all its half marks (arithmetic)."""
    control = desk.controls["amp_env.release_s"]
    assert control.scale is not None
    ratio = (10.0 / 0.03) ** (1 / 20)
    text = describe_steps(patch, desk, ["amp_env.release_s"])["amp_env.release_s"]
    assert text == (
        f"one up: {100 * (ratio - 1):.0f} % longer, audible; "
        f"one down: {100 * (1 - 1 / ratio):.0f} % shorter, audible"
    )


def test_a_fine_step_is_not_audible(patch: Patch) -> None:
    """1/127 of a cutoff knob over nine octaves moves it by 5 %, less than an ear notices."""
    console = load_structure("pit-console")
    text = describe_steps(patch, console, ["filter.cutoff_hz"])["filter.cutoff_hz"]
    assert re.fullmatch(r"a step is not audible \(\d % brighter .*, \d % darker .*\)", text)


def test_a_step_that_changes_nothing_is_not_described() -> None:
    """Beside a loud sawtooth, 1/127 of a soft one is the same up and down: that is said once."""
    console = load_structure("pit-console")
    values = {"osc1.saw_level": 1.0, "osc1.triangle_level": 45 / 127}
    patch = Patch("x", console.complete({**console.space.neutral(), **values}))
    text = describe_steps(patch, console, ["osc1.triangle_level"])["osc1.triangle_level"]
    assert text == "a step is not audible"


def test_a_coarse_step_is_audible() -> None:
    """Eleven places over 6.6 octaves: each step of the tone control is heard."""
    box = load_structure("prompt-box")
    middle = box.space["filter.cutoff_hz"].choices[5]
    patch = Patch("x", box.complete({"filter.cutoff_hz": middle}))
    text = describe_steps(patch, box, ["filter.cutoff_hz"])["filter.cutoff_hz"]
    assert re.fullmatch(r"one up: \d+ % brighter .*, audible; one down: \d+ % darker .*", text)
    assert "not audible" not in text


def test_at_the_end_of_its_travel_a_control_moves_one_way(desk: Structure) -> None:
    """At 10 there is no step up."""
    top = Patch("x", desk.complete({"filter.cutoff_hz": 11_000.0}))
    text = describe_steps(top, desk, ["filter.cutoff_hz"])["filter.cutoff_hz"]
    assert text.startswith("one down: ")


def test_an_octave_is_called_one(patch: Patch, desk: Structure) -> None:
    """Nobody counts cents on a range switch."""
    text = describe_steps(patch, desk, ["osc2.octave"])["osc2.octave"]
    assert text == "one up: an octave higher, audible; one down: an octave lower, audible"
