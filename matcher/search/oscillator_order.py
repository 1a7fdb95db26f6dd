"""Which oscillator is called 1: the one that sounds alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared import CATALOGUE, PHASE_NAMES

if TYPE_CHECKING:
    from matcher.problem import Problem
    from shared import FloatArray

__all__ = ["with_oscillator_1_first"]

_WAVES = ("saw", "pulse", "triangle")
_OTHER = str.maketrans("12", "21")


def with_oscillator_1_first(problem: Problem, vector: FloatArray) -> FloatArray | None:
    """Let oscillator 1 do what oscillator 2 does alone; None if it doesn't, or if it can't.

    Of two patches that sound the same, the one with one oscillator, in tune with itself, is read
    more easily. Only where each parameter of one oscillator is searched in the other, too.
    """
    values = dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))
    levels = {osc: [values[f"{osc}.{wave}_level"] for wave in _WAVES] for osc in ("osc1", "osc2")}
    if any(levels["osc1"]) or not any(levels["osc2"]):
        return None
    names = problem.space.names
    pairs = [(n, n.replace("osc2.", "osc1.")) for n in names if n.startswith("osc2.")]
    pairs = [(n, other) for n, other in pairs if n != "osc2.detune_cents"]
    tune = values["tune_cents"] + values["osc2.detune_cents"]
    is_equal = all(other in problem.space and _is_alike(problem, n, other) for n, other in pairs)
    has_tune = "tune_cents" in problem.space and "osc2.detune_cents" in problem.space
    if not is_equal or not has_tune or problem.structure.links:
        return None
    parameter = problem.space["tune_cents"]
    if not parameter.low <= tune <= parameter.high:
        return None
    swapped = vector.copy()
    for n, other in pairs:
        i, j = problem.space.index(n), problem.space.index(other)
        swapped[i], swapped[j] = vector[j], vector[i]
    swapped[problem.space.index("tune_cents")] = parameter.encode(tune)
    swapped[problem.space.index("osc2.detune_cents")] = problem.space["osc2.detune_cents"].encode(
        0.0
    )
    _swap_phases(problem, vector, swapped)
    return swapped


def _swap_phases(problem: Problem, vector: FloatArray, swapped: FloatArray) -> None:
    """Let each note begin where it did: LFOs change places, oscillator 1 stands where 2 stood."""
    names = [PHASE_NAMES[column] for column in problem.phase_columns]
    for i_note in range(problem.n_notes):
        first = len(problem.space) + i_note * len(names)
        for i, name in enumerate(names):
            part = name[:5].translate(_OTHER) + name[5:]
            if name != "osc1.phase" and part in names:
                swapped[first + i] = vector[first + names.index(part)]
        if "osc1.phase" in names:
            starts = problem.phases(vector[None, :], i_note)[0]
            place = starts[PHASE_NAMES.index("osc2.phase")]
            swapped[first + names.index("osc1.phase")] = place


def _is_alike(problem: Problem, name: str, other: str) -> bool:
    """Whether two parameters mean the same at the same place of their ranges."""
    a, b = problem.space[name], problem.space[other]
    return (a.low, a.high, a.step, a.choices) == (b.low, b.high, b.step, b.choices)
