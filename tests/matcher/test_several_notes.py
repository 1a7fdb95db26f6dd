"""What several notes tell and one can't: key tracking and response to velocity come out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher import match_leaving_out
from matcher.target import Target, target_from_signal
from tests.own_notes import RATE_HZ
from voice import render
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import MatchResult
    from voice import Structure

pytestmark = pytest.mark.slow


def structure_of(fixed: Mapping[str, float], free: Mapping[str, str]) -> Structure:
    """Return a structure as a user would write it, with few free parameters."""
    lines = ["schema_version = 1", 'name = "pit"', 'meaning = "Mine."', "[fixed]"]
    lines += [f'"{name}" = {value}' for name, value in fixed.items()]
    lines += ["[free]", *(f'"{name}" = {{ {limits} }}' for name, limits in free.items())]
    return parse_structure("\n".join(lines), source="pit.toml")


def target_of(
    values: Mapping[str, float],
    notes: Sequence[tuple[float, int]],
    *,
    gate_s: float,
    duration_s: float,
) -> Target:
    """Return notes that our own voice plays, at half its level."""
    played = []
    for midi_pitch, velocity in notes:
        signal = render(
            values,
            midi_pitch=midi_pitch,
            velocity=velocity,
            gate_s=gate_s,
            duration_s=duration_s,
            sample_rate_hz=RATE_HZ,
        )
        played.append(
            target_from_signal(
                0.5 * signal,
                RATE_HZ,
                name=f"note{len(played)}",
                midi_pitch=midi_pitch,
                velocity=velocity,
                gate_s=gate_s,
            )
        )
    return Target(tuple(played))


BRIGHT_FIXED = {
    "osc1.saw_level": 1.0,
    "filter.resonance_ratio": 0.2,
    "filter_env.attack_s": 0.02,
    "filter_env.sustain_ratio": 0.4,
    "amp_env.attack_s": 0.01,
    "amp_env.decay_s": 0.2,
    "amp_env.sustain_ratio": 0.7,
    "amp_env.release_s": 0.06,
}
BRIGHT_FREE = {
    "filter.cutoff_hz": "low = 100, high = 8000",
    "filter.key_track_ratio": "",
    "filter_env.depth_octaves": "low = 0, high = 6",
    "filter_env.decay_s": "low = 0.02, high = 2",
    "filter_env.velocity_octaves": "",
    "amp_env.velocity_db": "",
}
# Value, and how close the search has to come. The worst of ten seeds with 1200 evaluations was
# off by a third of it; below, by 60 %.
BRIGHT = {
    "filter.cutoff_hz": (500.0, 25.0),
    "filter.key_track_ratio": (0.6, 0.06),
    "filter_env.depth_octaves": (3.0, 0.15),
    "filter_env.velocity_octaves": (1.5, 0.3),
    # Half of the just-noticeable difference of level (about 1 dB, from memory).
    "amp_env.velocity_db": (18.0, 0.5),
}
MOVING_FIXED = {
    "osc1.saw_level": 1.0,
    "filter.cutoff_hz": 2000.0,
    "amp_env.attack_s": 0.05,
    "amp_env.release_s": 0.06,
}
MOVING_FREE = {
    "osc1.vibrato.rate_hz": "low = 2, high = 10",
    "osc1.vibrato.depth_cents": "",
    "osc1.vibrato.rate_key_track_ratio": "",
    "osc1.vibrato.depth_key_track_ratio": "",
}
MOVING = {
    "osc1.vibrato.rate_hz": (5.0, 0.2),
    "osc1.vibrato.depth_cents": (25.0, 2.5),
    "osc1.vibrato.rate_key_track_ratio": (0.35, 0.05),
    "osc1.vibrato.depth_key_track_ratio": (-0.4, 0.15),
}


@pytest.fixture(scope="module")
def bright() -> MatchResult:
    """Return a match of three keys and three velocities, without the soft middle note."""
    truth = {name: value for name, (value, _) in BRIGHT.items()}
    values = {**BRIGHT_FIXED, **truth, "filter_env.decay_s": 0.15}
    notes = ((48, 100), (60, 40), (60, 100), (72, 70), (60, 70))
    target = target_of(values, notes, gate_s=0.25, duration_s=0.45)
    return match_leaving_out(
        target,
        leave_out="note4",
        structure=structure_of(BRIGHT_FIXED, BRIGHT_FREE),
        evals=1200,
        seed=1,
        progress=False,
    )


@pytest.fixture(scope="module")
def moving() -> MatchResult:
    """Return a match of C3 and C5 that was tried on C4."""
    truth = {name: value for name, (value, _) in MOVING.items()}
    notes = ((48, 100), (60, 100), (72, 100))
    target = target_of({**MOVING_FIXED, **truth}, notes, gate_s=1.0, duration_s=1.2)
    return match_leaving_out(
        target,
        leave_out="C4",
        structure=structure_of(MOVING_FIXED, MOVING_FREE),
        evals=1200,
        seed=1,
        progress=False,
    )


@pytest.mark.parametrize("name", BRIGHT)
def test_keys_and_velocities_come_out_of_the_notes(bright: MatchResult, name: str) -> None:
    """Key tracking of the cutoff, velocity to brightness and velocity to level, all at once."""
    value, tolerance = BRIGHT[name]
    assert bright.patch.values[name] == pytest.approx(value, abs=tolerance)


@pytest.mark.parametrize("name", MOVING)
def test_lfo_rates_and_depths_over_the_keyboard_come_out(moving: MatchResult, name: str) -> None:
    """Faster and shallower up the keyboard, from two keys two octaves apart."""
    value, tolerance = MOVING[name]
    assert moving.patch.values[name] == pytest.approx(value, abs=tolerance)


@pytest.mark.parametrize("case", ["bright", "moving"])
def test_the_note_between_is_met_like_those_around_it(
    case: str, request: pytest.FixtureRequest
) -> None:
    """What holds at both ends by a rule holds between them."""
    result: MatchResult = request.getfixturevalue(case)
    left = result.left_out[0]
    # Half an audible step; phases of the left-out note are found in fewer tries.
    assert left.loss.total < left.fitted.total + 0.5
    # As a patch that is wrong between the notes would not do: the start of the search isn't near.
    assert left.loss.total < 0.6 * result.start.total


def test_the_level_between_velocities_is_met_too(bright: MatchResult) -> None:
    """The left-out velocity lies between those that were fitted, and so does its level."""
    # The just-noticeable difference of level is about 1 dB (from memory).
    assert abs(bright.left_out[0].level_gap_db) < 1.0
