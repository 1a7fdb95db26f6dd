"""The one table of what is known of each parameter."""

import ast
from pathlib import Path

import pytest

from matcher.voice_map import (
    LEVELS,
    PHASE_DEPTHS,
    ROWS,
    SWITCHES,
    coupled_names,
    matching_names,
    names_where,
    off_value,
    switches,
    voice_row,
)
from shared import CATALOGUE, PHASE_NAMES, ParameterError

MATCHER = Path(__file__).parents[2] / "matcher"
# Tables that are about something else than a parameter each, or that still have to move.
ALLOWED = {
    "voice_map",
    "search.proposals",  # values that are set together
    "calibrating.calibrate",  # how a recording tells a parameter
    "partial_fit.entries",  # columns of the partial model
    "partial_fit.movements",
    "explaining.patch_parts",
}


def _names_in(node: ast.AST) -> set[str]:
    """Collect the strings below a node that name parameters, or are patterns of their names."""
    texts = {n.value for n in ast.walk(node) if isinstance(n, ast.Constant)} - {"*"}
    return {
        text for text in texts if isinstance(text, str) and "_" in text and matching_names([text])
    }


def test_every_parameter_has_exactly_one_row() -> None:
    """The table has the rows of the catalogue, in its order."""
    assert tuple(ROWS) == CATALOGUE.names
    assert all(name == row.name and row.label and row.title for name, row in ROWS.items())


def test_no_other_module_keeps_a_table_of_parameters() -> None:
    """Outside of the table and the allowed modules, no constant lists two parameters or more."""
    keeping = {
        ".".join(path.relative_to(MATCHER).with_suffix("").parts)
        for path in MATCHER.rglob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        if node.value is not None and len(_names_in(node.value)) > 1
    }
    assert keeping <= ALLOWED


def test_patterns_and_phases_of_the_table_name_something() -> None:
    """A misspelt pattern would be a rule that never holds."""
    for row in ROWS.values():
        assert all(matching_names([pattern]) for pattern in row.coupled), row.name
        assert row.phase in {"", *PHASE_NAMES}
    assert all(PHASE_DEPTHS[phase] for phase in PHASE_NAMES)


def test_an_oscillator_has_the_rows_of_the_other_but_for_detune() -> None:
    """Both come from one declaration; detune counts against oscillator 1."""
    first = {name[5:] for name in ROWS if name.startswith("osc1.")}
    second = {name[5:] for name in ROWS if name.startswith("osc2.")}
    assert second - first == {"detune_cents"}
    assert not first - second


def test_sweeps_lie_within_the_ranges_of_the_catalogue() -> None:
    """A sweep beyond a range would pile up at its end."""
    for name, row in ROWS.items():
        if row.sweep:
            low, high = row.sweep
            assert CATALOGUE[name].low <= low < high <= CATALOGUE[name].high


def test_silence_switches_a_waveform_off_and_neutral_everything_else() -> None:
    """The neutral sawtooth sounds; its off value is 0."""
    assert off_value(CATALOGUE["osc1.saw_level"]) == 0.0
    assert off_value(CATALOGUE["filter.cutoff_hz"]) == CATALOGUE["filter.cutoff_hz"].neutral
    assert set(LEVELS) < SWITCHES


def test_a_part_is_fitted_with_itself_and_what_any_change_moves() -> None:
    """Common practice, no source: detune and levels answer every change."""
    fitted = coupled_names("osc2.pwm.rate_hz")
    assert {"osc2.pwm.depth_ratio", "osc2.pulse_width_ratio", "osc2.detune_cents"} <= fitted
    assert names_where("is_always_fitted") <= fitted
    assert "osc1.pwm.depth_ratio" not in fitted


def test_what_is_left_out_can_be_switched_off() -> None:
    """Each entry says by which values, and takes along what then does nothing."""
    assert len({switch.title for switch in switches()}) == len(switches())
    for switch in switches():
        assert set(switch.off) <= set(switch.names)
    (vibrato,) = (s for s in switches() if s.title == "vibrato, oscillator 2")
    assert vibrato.off == {"osc2.vibrato.depth_cents": 0.0}
    assert "osc2.vibrato.rate_hz" in vibrato.names


def test_an_unknown_name_is_refused_with_a_suggestion() -> None:
    """The message has the name that was meant."""
    with pytest.raises(ParameterError, match=r"filter\.cutof_hz.*filter\.cutoff_hz"):
        voice_row("filter.cutof_hz")
