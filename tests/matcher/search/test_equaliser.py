"""The equaliser after the instrument: found where it is heard, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.matching import make_problem
from matcher.playing import prepare_note
from matcher.search.equaliser import Equalised, with_equaliser
from shared import PHASE_NAMES
from tests.own_notes import BRASS, own_target
from voice import load_structure
from voice.structure import parse_structure

PHASES = {**dict.fromkeys(PHASE_NAMES, 0.0), "osc2.phase": 0.25}
FORMANT = {"eq1.frequency_hz": 1700.0, "eq1.gain_db": 11.0, "eq1.bandwidth_octaves": 0.8}


def _found(values: dict[str, float], name: str = "two-oscillator") -> Equalised | None:
    """Give the search all but the equaliser of a note of our own."""
    target = own_target(values={**BRASS, **values}, phases=PHASES)
    problem = make_problem(target, load_structure(name))
    vector = problem.vector(BRASS, [PHASES])
    targets = [prepare_note(note) for note in target.notes]
    notes = [note.note for note in target.notes]
    with Evaluator(problem, targets, notes, n_threads=1) as evaluator:
        return with_equaliser(evaluator, target.notes, vector, n_evaluations=600)


def test_a_formant_comes_back_in_one_band() -> None:
    """Its frequency, gain and width, beside settings that were right already."""
    found = _found(FORMANT)
    assert found is not None
    values = found.problem.named_values(found.vector)
    # A third of a just-noticeable difference of the level (1 dB), and widths are heard less.
    assert values["eq1.frequency_hz"] == pytest.approx(1700.0, rel=0.03)
    assert values["eq1.gain_db"] == pytest.approx(11.0, abs=0.4)
    assert values["eq1.bandwidth_octaves"] == pytest.approx(0.8, abs=0.1)
    assert values["eq2.gain_db"] == values["eq3.gain_db"] == 0.0


def test_nothing_that_is_not_heard_is_kept() -> None:
    """A note that needs no equaliser gets none."""
    assert _found({}) is None


def test_a_structure_without_one_gets_none() -> None:
    """And says so in the file that a run keeps."""
    plain = load_structure("two-oscillator").without_equaliser()
    again = parse_structure(plain.toml, source="kept.toml")
    assert again == plain
    assert len(again.mixer) == 0
    assert again.space == load_structure("two-oscillator").space


def test_bands_are_numbered_from_low_to_high() -> None:
    """Two formants are bands 1 and 2, whichever was found first."""
    high = {"eq2.frequency_hz": 4000.0, "eq2.gain_db": -12.0, "eq2.bandwidth_octaves": 1.0}
    found = _found({**FORMANT, **high})
    assert found is not None
    values = found.problem.named_values(found.vector)
    assert values["eq1.gain_db"] > 5.0
    assert values["eq2.gain_db"] < -5.0
    assert values["eq1.frequency_hz"] < values["eq2.frequency_hz"]
    assert np.all(found.scores >= 0.0)


def test_bands_are_not_heaped_up_in_one_place() -> None:
    """Of 24 dB in one place one band has what a mixer gives, and no other one helps there."""
    bell = {"frequency_hz": 3000.0, "gain_db": 12.0, "bandwidth_octaves": 0.8}
    found = _found({f"{band}.{name}": x for band in ("eq1", "eq2") for name, x in bell.items()})
    assert found is not None
    values = found.problem.named_values(found.vector)
    bands = [n for n in ("eq1", "eq2", "eq3") if values[f"{n}.gain_db"] != 0.0]
    middles_hz = np.array([values[f"{band}.frequency_hz"] for band in bands])
    # They begin an octave apart, and the fit may bring them nearer.
    assert np.all(np.diff(np.log2(middles_hz)) > 0.5)
