"""Plain patches: of two that sound the same, the plainer one."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.plain import plain_vector
from matcher.problem import Problem
from shared import CATALOGUE, FloatArray
from voice import load_structure


def _problem(structure: str) -> Problem:
    """Make a problem of one note."""
    voice = load_structure(structure)
    return Problem(voice, voice.space, voice.complete({}), 1)


def _values(problem: Problem, vector: FloatArray) -> dict[str, float]:
    """Name the values of a vector."""
    return dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))


def _heard(values: dict[str, float]) -> dict[str, object]:
    """Say what is heard of a patch: its sounding oscillators, whichever they are, and the rest."""
    oscillators = []
    for osc, detune in (("osc1", 0.0), ("osc2", values["osc2.detune_cents"])):
        sound = {n[5:]: x for n, x in values.items() if n.startswith(osc) and "detune" not in n}
        if any(x for n, x in sound.items() if n.endswith("_level")):
            pitch = round(values["tune_cents"] + detune, 6)
            oscillators.append((pitch, tuple(sorted(sound.items()))))
    rest = {n: x for n, x in values.items() if not n.startswith(("osc", "tune"))}
    return {"oscillators": sorted(oscillators), **rest}


def _plain(problem: Problem, settings: dict[str, float], unheard: tuple[str, ...]) -> FloatArray:
    """Make a patch plain when only some parameters may be changed without being heard."""
    vector = problem.vector(settings)

    def heard(row: FloatArray) -> dict[str, object]:
        return _heard({**_values(problem, row), **dict.fromkeys(unheard, 0.0)})

    def losses(candidates: FloatArray) -> FloatArray:
        return np.array([1.0 if heard(row) == heard(vector) else 2.0 for row in candidates])

    return plain_vector(problem, vector, 1.0, losses, n_evaluations=2000)


def test_a_part_that_nobody_hears_goes_back_to_neutral() -> None:
    """A vibrato whose depth makes no difference is switched off, and one that does stays."""
    problem = _problem("complete")
    settings = {"osc1.vibrato.depth_cents": 7.0, "noise.level": 0.2}
    plain = _values(problem, _plain(problem, settings, ("osc1.vibrato.depth_cents",)))
    assert plain["osc1.vibrato.depth_cents"] == 0.0
    assert plain["noise.level"] == pytest.approx(0.2)


def test_one_oscillator_is_oscillator_1_in_tune_with_itself() -> None:
    """What oscillator 2 does alone moves to oscillator 1, its detune into the tuning."""
    problem = _problem("complete")
    settings = {
        "osc1.saw_level": 0.0,
        "osc2.pulse_level": 1.0,
        "osc2.pulse_width_ratio": 0.3,
        "osc2.detune_cents": 3.0,
        "tune_cents": -1.0,
    }
    plain = _values(problem, _plain(problem, settings, ()))
    assert plain["osc2.pulse_level"] == 0.0
    assert plain["osc1.pulse_level"] == pytest.approx(1.0)
    assert plain["osc1.pulse_width_ratio"] == pytest.approx(0.3)
    assert plain["tune_cents"] == pytest.approx(2.0)
    assert plain["osc2.detune_cents"] == pytest.approx(0.0, abs=1e-9)


def test_oscillators_that_both_sound_stay_where_they_are() -> None:
    """Nothing changes places while both are heard."""
    problem = _problem("complete")
    settings = {"osc1.saw_level": 0.5, "osc2.pulse_level": 1.0, "osc2.detune_cents": 3.0}
    plain = _values(problem, _plain(problem, settings, ()))
    assert plain["osc2.pulse_level"] == pytest.approx(1.0)
    assert plain["osc1.saw_level"] == pytest.approx(0.5)
