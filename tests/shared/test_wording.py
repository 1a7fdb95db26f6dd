"""Tests for how values, units and ranges are printed."""

from __future__ import annotations

import pytest

from shared.catalogue import CATALOGUE


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("amp_env.attack_s", 0.24, "240 ms"),
        ("amp_env.attack_s", 0.0025, "2.5 ms"),
        ("amp_env.attack_s", 0.0005, "0.50 ms"),
        ("amp_env.attack_s", 0.00996, "10 ms"),
        ("amp_env.attack_s", 0.000997, "1.0 ms"),
        ("amp_env.attack_s", 0.0124, "12 ms"),
        ("amp_env.attack_s", 0.9994, "999 ms"),
        ("amp_env.attack_s", 0.9997, "1.00 s"),
        ("amp_env.attack_s", 1.254, "1.25 s"),
        ("osc1.vibrato.delay_s", 0.0, "0 ms"),
        ("osc1.vibrato.rate_hz", 5.2, "5.20 Hz"),
        ("osc1.pwm.rate_hz", 0.8, "0.80 Hz"),
        ("osc1.pwm.rate_hz", 9.996, "10.0 Hz"),
        ("filter.cutoff_hz", 20.0, "20.0 Hz"),
        ("filter.cutoff_hz", 99.96, "100 Hz"),
        ("filter.cutoff_hz", 900.0, "900 Hz"),
        ("filter.cutoff_hz", 999.7, "1.00 kHz"),
        ("filter.cutoff_hz", 2540.0, "2.54 kHz"),
        ("filter.cutoff_hz", 12_400.0, "12.4 kHz"),
        ("osc2.detune_cents", 7.2, "+7.2 cents"),
        ("osc2.detune_cents", -12.0, "-12.0 cents"),
        ("osc2.detune_cents", -0.01, "0.0 cents"),
        ("osc1.vibrato.depth_cents", 12.34, "12.3 cents"),
        ("osc1.saw_level", 0.355, "0.35"),
        ("osc1.saw_level", 0.0, "0.00"),
        ("noise.level", 0.0997, "0.10"),
        ("noise.level", 0.052, "0.052"),
        ("noise.level", 0.00996, "0.010"),
        ("noise.level", 0.0021, "0.0021"),
        ("noise.level", 0.00002, "0.00"),
        ("osc1.pulse_width_ratio", 0.5, "0.50"),
        ("osc1.vibrato.rate_key_track_ratio", -0.25, "-0.25"),
        ("filter_env.depth_octaves", 2.5, "+2.50 octaves"),
        ("filter_env.depth_octaves", -2.5, "-2.50 octaves"),
        ("filter_env.depth_octaves", 0.0, "0.00 octaves"),
        ("filter_env.velocity_octaves", 1.0, "+1.00 octaves"),
        ("osc1.octave", 1.0, "+1 octave"),
        ("osc1.octave", -1.0, "-1 octave"),
        ("osc1.octave", -2.0, "-2 octaves"),
        ("osc1.octave", 0.0, "0 octaves"),
        ("filter.drive_db", 6.25, "6.2 dB"),
        ("filter.slope_db_per_octave", 24.0, "24 dB/octave"),
    ],
)
def test_values_are_printed_in_panel_units(name: str, value: float, text: str) -> None:
    """Each kind of value is printed as a panel or a patch sheet shows it."""
    assert CATALOGUE[name].format(value) == text


@pytest.mark.parametrize("name", CATALOGUE.names)
def test_every_parameter_can_be_printed(name: str) -> None:
    """The ends of each range print as two different texts, short enough for a column."""
    parameter = CATALOGUE[name]
    low, high = parameter.format(parameter.low), parameter.format(parameter.high)
    assert low != high
    assert max(len(low), len(high)) <= len("-2400.0 cents")


@pytest.mark.parametrize(
    ("name", "label", "accepted"),
    [
        ("filter.cutoff_hz", "Hz", "20 to 20000 Hz"),
        ("amp_env.attack_s", "s", "0.0005 to 4 s"),
        ("osc1.saw_level", "", "0 to 1"),
        ("osc1.octave", "octaves", "-2 to 2 octaves in steps of 1"),
        ("filter.slope_db_per_octave", "dB/octave", "12 or 24 dB/octave"),
        ("filter.drive_db", "dB", "0 to 36 dB"),
        ("osc2.detune_cents", "cents", "-100 to 100 cents"),
    ],
)
def test_ranges_are_printed_with_their_unit(name: str, label: str, accepted: str) -> None:
    """Messages say what is accepted in the unit of the parameter."""
    assert (CATALOGUE[name].label, CATALOGUE[name].accepted) == (label, accepted)


def test_a_narrowed_range_is_printed_short() -> None:
    """Ends with many digits are rounded where they are only shown."""
    narrow = CATALOGUE.narrow(CATALOGUE.neutral(), 0.1)
    assert narrow["osc2.detune_cents"].accepted == "-4 to 4 cents"
