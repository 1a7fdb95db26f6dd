"""A part with one control, from left out to exaggerated."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.explaining.patch_parts import present_parts, scaled_part
from shared import CATALOGUE, Note, ParameterError

NOTE = Note(60.0)
STRINGS = {
    **CATALOGUE.neutral(),
    "osc1.saw_level": 0.8,
    "osc2.pulse_level": 0.5,
    "osc2.detune_cents": 6.0,
    "osc1.vibrato.depth_cents": 10.0,
    "filter.cutoff_hz": 900.0,
    "filter_env.depth_octaves": 1.5,
    "amp_env.attack_s": 0.2,
}
VIBRATO = "vibrato, oscillator 1"


def test_only_what_does_something_is_there() -> None:
    """Parts at neutral are not offered."""
    parts = present_parts(STRINGS)
    assert {VIBRATO, "filter envelope", "low-pass filter", "oscillator 2"} <= set(parts)
    assert "vibrato, oscillator 2" not in parts
    assert "noise" not in parts


@pytest.mark.parametrize(
    ("amount", "depth_cents"), [(0.0, 0.0), (0.5, 5.0), (1.0, 10.0), (4.0, 40.0), (10.0, 100.0)]
)
def test_depths_follow_the_amount(amount: float, depth_cents: float) -> None:
    """Nothing, half, as it is, four times, and no further than the range goes."""
    changed = scaled_part(STRINGS, VIBRATO, amount, NOTE)
    assert changed["osc1.vibrato.depth_cents"] == pytest.approx(depth_cents)
    others = {name: value for name, value in STRINGS.items() if "vibrato" not in name}
    assert {name: changed[name] for name in others} == others


def test_alone_leaves_the_waveforms_and_the_part() -> None:
    """Filter, envelopes and detune rest at neutral; what carries the vibrato sounds."""
    changed = scaled_part(STRINGS, VIBRATO, 2.0, NOTE, is_alone=True)
    assert changed["osc1.vibrato.depth_cents"] == pytest.approx(20.0)
    assert changed["osc1.saw_level"] == STRINGS["osc1.saw_level"]
    for name in ("filter.cutoff_hz", "filter_env.depth_octaves", "osc2.detune_cents"):
        assert changed[name] == CATALOGUE[name].neutral


# Each part by some amounts; the ranges of values are checked, not sounds.
@settings(max_examples=40)
@given(part=st.sampled_from(present_parts(STRINGS)), amount=st.floats(0.0, 10.0))
def test_every_setting_is_one_of_the_voice(part: str, amount: float) -> None:
    """Whatever the amount, all values stay in their ranges."""
    CATALOGUE.validate(scaled_part(STRINGS, part, amount, NOTE))


def test_what_is_not_there_is_refused() -> None:
    """The message lists what is."""
    with pytest.raises(
        ParameterError, match=r"does nothing in this patch; it must be one of .*vibrato"
    ):
        scaled_part(STRINGS, "noise", 2.0, NOTE)
    with pytest.raises(ParameterError, match="it must be 0 to 10"):
        scaled_part(STRINGS, VIBRATO, 11.0, NOTE)


def test_silence_is_refused() -> None:
    """The only oscillator can't be left out."""
    with pytest.raises(ParameterError, match="all that sounds"):
        scaled_part(CATALOGUE.neutral(), "oscillator 1", 0.0, NOTE)
