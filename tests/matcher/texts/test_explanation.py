"""What is printed of an explanation: signs, open ends, and what time was too short for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matcher.explaining import Explanation, PartEffect, PartsInPatch, Slack, SlackOfPatch
from matcher.texts.explanation import format_explanation

EMPTY = Explanation(
    patch_digest="0" * 64,
    structure="two-oscillator",
    loss=0.25,
    terms={"spectral": 0.5},
    notes=("horn",),
    created="2026-01-01T00:00:00+00:00",
    seconds=30.0,
    elapsed_s=1.5,
    stop_reason="complete",
)
CUTOFF = Slack(
    name="filter.cutoff_hz",
    part="low-pass filter",
    label="cutoff",
    value=400.0,
    low=380.0,
    high=430.0,
    is_low_open=False,
    is_high_open=False,
    alone_low=399.9,
    alone_high=400.1,
    exactness="exactly",
    sentence="",
)


def _line(text: str, start: str) -> str:
    """Find the line that begins so."""
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def _parts(*effects: PartEffect) -> str:
    """Print what parts bring."""
    return format_explanation(replace(EMPTY, parts=PartsInPatch(effects, {}, {})))


def _slack(slack: Slack, missing: tuple[str, ...] = ()) -> str:
    """Print how exactly one control has to stand."""
    return format_explanation(replace(EMPTY, slack=SlackOfPatch((slack,), (), missing)))


def test_nothing_has_no_sign() -> None:
    """A figure that rounds to zero is 0.0 from both sides."""
    times = {"attack": -0.04, "body": 0.04, "release": -0.0}
    text = _parts(PartEffect("fine tune", "inaudible", largest=-0.01, by_time=times))
    assert "-0.0" not in text
    assert _line(text, "fine tune").split()[2] == "0.0"


def test_the_longest_row_fits_into_80_columns() -> None:
    """Long names, large figures and the longest verdict."""
    times = dict.fromkeys(("attack", "body", "release"), 123.4)
    effect = PartEffect(
        "pulse-width modulation, oscillator 2",
        "replaceable",
        largest=123.4,
        refit_largest=123.4,
        by_time=times,
        sentence="",
    )
    assert max(map(len, _parts(effect).splitlines())) <= 79


def test_what_cannot_be_left_out_is_said() -> None:
    """The only oscillator has no figures."""
    text = _parts(PartEffect("oscillator 1", "needed"))
    assert "without it nothing sounds" in _line(text, "oscillator 1")
    assert "Time was too short" not in text


def test_fits_that_are_missing_are_said() -> None:
    """A dash in the table has its reason below it."""
    text = _parts(PartEffect("noise", "needed", largest=2.0))
    assert "(-); give more --seconds" in _line(text, "Time was too short to fit the rest")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, "380..430"),
        ({"is_low_open": True}, "up to 430"),
        ({"is_high_open": True}, "from 380"),
        ({"is_low_open": True, "is_high_open": True}, "anywhere"),
        ({"low": 399.9, "high": 400.1}, "only 400"),
    ],
    ids=["both", "low-open", "high-open", "open", "only"],
)
def test_intervals_read_as_words_where_they_have_no_two_ends(
    changes: dict[str, float | bool], told: str
) -> None:
    """An end of the range is no figure, and two ends that read alike are one."""
    line = _line(_slack(replace(CUTOFF, **changes)), "low-pass filter cutoff")  # type: ignore[arg-type]
    assert f"  {told}  " in line
    assert line.endswith("only 400")


def test_controls_that_time_was_too_short_for_are_named() -> None:
    """Up to eight by name, further ones by number."""
    names = [
        f"{part}.{name}"
        for part in ("filter_env", "amp_env")
        for name in ("attack_s", "decay_s", "sustain_ratio", "release_s")
    ]
    text = " ".join(_slack(CUTOFF, tuple(names)).split())
    assert "Time was too short for: filter envelope attack;" in text
    assert "amplifier envelope release. Give more --seconds." in text
    text = " ".join(_slack(CUTOFF, ("tune_cents", "noise.level", *names)).split())
    assert "; 2 more. Give more --seconds." in text
