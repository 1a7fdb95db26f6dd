"""From readings to the next slip: how far, in which order, and what was turned in vain."""

from __future__ import annotations

import pytest

from matcher.correcting.reading import Reading
from matcher.correcting.turning import MOST_TURNS, Turned, next_turns
from shared import CATALOGUE
from tests.matcher.correcting.stand_in import PANEL
from voice import load_structure

STRUCTURE = load_structure(PANEL)
CUTOFF = "filter.cutoff_hz"
SCALE = STRUCTURE.controls[CUTOFF].scale


def _place(knob: float) -> float:
    """Return where in its range the cutoff is with the knob there."""
    assert SCALE is not None
    return float(CATALOGUE[CUTOFF].encode(SCALE.value(knob)))


def _reading(dialled: float, fitted: float, *, error: float = 0.005) -> Reading:
    """Read a cutoff that was dialled at one mark and sounds like another."""
    return Reading(CUTOFF, _place(dialled), _place(fitted), error, 1.0)


def _knob(reading: Reading, aim: float, *earlier: Turned) -> float | None:
    """Return where the knob is to stand next; None if it is not to be turned."""
    assert SCALE is not None
    turns, _ = next_turns([reading], {CUTOFF: SCALE.value(aim)}, {CUTOFF: earlier}, STRUCTURE)
    return SCALE.panel(turns[0].to_value) if turns else None


def test_the_bias_is_taken_off_on_the_marks_of_the_panel() -> None:
    """Dialled 4, sounds like 3.4, to be 4: 4.6 is wanted, and the knob stops at 4.5."""
    assert _knob(_reading(4.0, 3.4), 4.0) == pytest.approx(4.5)


def test_what_is_right_within_its_error_stays() -> None:
    """A bias that is smaller than what the fit can tell is none."""
    assert _knob(_reading(4.0, 3.4, error=0.1), 4.0) is None


def test_a_knob_that_moves_half_as_far_is_turned_twice_as_far() -> None:
    """Secant: from 4 to 5 it moved by half a mark, so 1 mark more needs 2."""
    before = Turned(_place(4.0), _place(3.0), 0.001)
    assert _knob(_reading(5.0, 3.5, error=0.001), 4.5, before) == pytest.approx(7.0)


def test_a_control_that_was_turned_in_vain_is_named() -> None:
    """Turned by two marks, and nothing moved: it isn't turned further."""
    assert SCALE is not None
    before = Turned(_place(4.0), _place(3.0), 0.005)
    turns, idle = next_turns(
        [_reading(6.0, 3.02)], {CUTOFF: SCALE.value(4.0)}, {CUTOFF: [before]}, STRUCTURE
    )
    assert (turns, idle) == ((), (CUTOFF,))


def test_the_heaviest_come_first() -> None:
    """In the order of what each does to the ear, whatever the order of the panel."""
    names = [name for name in STRUCTURE.space.names if "saw" not in name]
    readings = [Reading(name, 0.5, 0.3, 0.01, float(i)) for i, name in enumerate(names, 1)]
    aims = {name: float(CATALOGUE[name].decode(0.5)) for name in names}
    turns, _ = next_turns(readings, aims, {}, STRUCTURE)
    assert len(turns) > MOST_TURNS
    assert [turn.name for turn in turns] == list(reversed(names))
