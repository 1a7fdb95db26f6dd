"""Where a search begins."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.search.starts import start_vectors
from matcher.target import first_values
from tests.own_notes import own_target
from voice import list_structures, load_structure


def named_starts(structure: str, *midi_pitches: float) -> list[dict[str, float]]:
    """Return the values of each start by name."""
    target = own_target(*midi_pitches)
    problem = make_problem(target, load_structure(structure))
    vectors = start_vectors(problem, target)
    n = len(problem.space)
    return [problem.space.to_dict(problem.space.decode(row[:n])) for row in vectors]


@pytest.mark.parametrize("structure", list_structures())
@pytest.mark.parametrize("midi_pitches", [(60.0,), (48.0, 72.0)], ids=["one note", "two notes"])
def test_starts_are_vectors_of_the_problem(
    structure: str, midi_pitches: tuple[float, ...]
) -> None:
    """Any structure, any number of notes: rows in [0, 1] that differ from each other."""
    target = own_target(*midi_pitches)
    problem = make_problem(target, load_structure(structure))
    starts = start_vectors(problem, target)
    assert starts.ndim == 2
    assert starts.shape[1] == problem.n_dimensions
    assert np.all((starts >= 0.0) & (starts <= 1.0))
    assert len(np.unique(starts, axis=0)) == len(starts) >= 2


def test_the_first_start_is_what_was_measured() -> None:
    """Every value that the analysis found, held to the structure's range."""
    found = named_starts("two-oscillator", 60.0)[0]
    space = load_structure("two-oscillator").space
    measured = first_values(own_target(60.0).notes[0])
    assert measured
    for name in set(measured) & set(found):
        value = float(np.clip(measured[name], space[name].low, space[name].high))
        # 1e-9: into the unit range and back.
        assert found[name] == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_several_notes_start_from_their_typical_values() -> None:
    """The median over the notes, so that one that was misread does not count."""
    pitches = (50.0, 60.0, 70.0)
    found = named_starts("two-oscillator", *pitches)[0]
    measured = [first_values(note) for note in own_target(*pitches).notes]
    expected = np.median([values["amp_env.decay_s"] for values in measured])
    assert found["amp_env.decay_s"] == pytest.approx(expected, rel=1e-9)


def test_another_start_leaves_the_filter_alone() -> None:
    """If the filter was misread, there is a start that does not build on it."""
    starts = named_starts("two-oscillator", 60.0)
    space = load_structure("two-oscillator").space
    resting = float(space.clip(space.neutral())[space.names.index("filter.cutoff_hz")])
    others = [start["filter.cutoff_hz"] for start in starts[1:]]
    assert any(value == pytest.approx(resting, rel=1e-9) for value in others)


def test_the_starts_are_the_same_every_time() -> None:
    """No chance is in them: the same notes, the same starts to the bit."""
    assert named_starts("complete", 55.0) == named_starts("complete", 55.0)
