"""Reading a take: the voice fitted to it, near what was dialled.

What the fit says in place of what was dialled is the instrument's bias. A prior keeps each control
where its panel says, unless the sound says otherwise: moving it by `USUAL_BIAS` of its range costs
`PRIOR`, so a control moves only where that brings the distance down by more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.matching import make_problem
from matcher.optimise import LocalFits
from matcher.parts import used_parameters
from matcher.playing import play_notes
from matcher.problem import Problem
from matcher.search.gates import fit_gates
from shared import CATALOGUE, ParameterSpace

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from matcher.evaluator import Evaluator
    from matcher.refining import Refinement
    from shared import Float32Array, FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["Reading", "TakeFit", "read_take"]

# Knobs are off by some per cent of their travel; common practice, no source.
USUAL_BIAS = 0.05
# In just-noticeable differences of the loss: a tenth of what counts as a difference at all.
PRIOR = 0.02
# A control is told by what moves the loss by so much, the others following: what pruning allows.
TOLD_RATIO, TOLD_STEPS = 0.03, 0.05
# Phases are free: so many are drawn, and from the best ones the fit begins.
N_DRAWN, N_STARTS = 160, 6
FIRST_STEPS, LAST_STEPS = 6, 20


@dataclass(frozen=True)
class Reading:
    """One control as it sounds, in places of its range from 0 to 1.

    `error` is how far it could lie elsewhere with the others following; `weight` is how much of a
    difference lies between it and what it is to sound like.
    """

    name: str
    dialled: float
    fitted: float
    error: float
    weight: float

    @property
    def bias(self) -> float:
        """By how much the instrument is off."""
        return self.fitted - self.dialled


@dataclass(frozen=True, eq=False)
class TakeFit:
    """The voice fitted to a take: readings, and losses with the phases of the fit.

    Where it was dialled, where it fits best, and at the aims.
    """

    readings: tuple[Reading, ...]
    dialled_loss: float
    fitted_loss: float
    aim_loss: float
    values: dict[str, float]
    sound: FloatArray

    @property
    def settings_distance(self) -> float:
        """What the settings alone are away from the aims, whatever phases the take has."""
        return max(self.aim_loss - self.fitted_loss, 0.0)


def read_take(
    begun: Refinement,
    aims: Mapping[str, float],
    biases: Mapping[str, float] | None = None,
    *,
    seed: int = 0,
) -> TakeFit:
    """Fit the voice to a take; `begun` has the take as its target, and the dialled patch.

    `aims` is what controls are to sound like, `biases` by how much they were off in earlier takes,
    in places of their ranges.
    """
    problem = _problem(begun)
    with begun.evaluator(problem) as evaluator:
        dialled = problem.vector(begun.patch.values)
        expected = dialled.copy()
        for i, name in enumerate(problem.space.names):
            expected[i] = np.clip(dialled[i] + (biases or {}).get(name, 0.0), 0.0, 1.0)
        starts = _with_phases(evaluator, expected, seed)
        fit_gates(evaluator, starts[0], [True])
        fits = _fits(evaluator, expected)
        ends = [fits.fitted(start, FIRST_STEPS) for start in starts]
        point, _ = fits.fitted(min(ends, key=lambda end: end[1])[0], LAST_STEPS)
        point, is_told = _explained(evaluator, fits, expected, point)
        aim = problem.vector({**begun.patch.values, **aims})
        return _told(evaluator, fits, (dialled, aim), point, is_told)


def _problem(begun: Refinement) -> Problem:
    """Say what moves: what does something in the patch, and is no switch."""
    hearable = make_problem(begun.target, begun.structure).space.names
    used = used_parameters(begun.patch.values)
    linked = {source for name, source in begun.structure.links.items() if name in used}
    names = [
        name
        for name in hearable
        if name in used | linked and not _is_switch(begun, name) and not CATALOGUE[name].choices
    ]
    space = ParameterSpace(tuple(CATALOGUE[name] for name in names))
    return Problem(begun.structure, space, begun.patch.values, 1)


def _is_switch(begun: Refinement, name: str) -> bool:
    """Whether a control has positions and nothing between; it stands where it stands."""
    control = begun.structure.controls.get(name)
    return control is not None and control.scale is not None and control.scale.is_switch


def _with_phases(evaluator: Evaluator, dialled: FloatArray, seed: int) -> FloatArray:
    """Draw phases for what was dialled, and return the vectors that come closest."""
    n_names = len(evaluator.problem.space)
    rows = np.tile(dialled, (N_DRAWN, 1))
    rng = np.random.default_rng(seed)
    rows[1:, n_names:] = rng.random((N_DRAWN - 1, rows.shape[1] - n_names))
    best: FloatArray = rows[np.argsort(evaluator.losses(rows), kind="stable")[:N_STARTS]]
    return best


def _fits(evaluator: Evaluator, dialled: FloatArray) -> LocalFits:
    """Make fits whose controls want to stay where they were dialled."""
    problem = evaluator.problem
    n_names = len(problem.space)

    def measure(rows: FloatArray) -> tuple[FloatArray, Float32Array]:
        losses, _, residuals = evaluator.losses_and_residuals(rows)
        moved = (rows[:, :n_names] - dialled[:n_names]) / USUAL_BIAS
        priced = losses + PRIOR * np.abs(moved).sum(axis=1)
        return priced, np.concatenate([residuals, moved.astype(np.float32)], axis=1)

    prices = np.full(n_names, PRIOR, np.float32)
    return LocalFits(
        measure,
        np.concatenate([evaluator.residual_weights, prices]),
        circular=problem.circular,
        cells=np.zeros(problem.n_dimensions, np.int64),
    )


def _explained(
    evaluator: Evaluator, fits: LocalFits, expected: FloatArray, point: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Keep the few controls that explain a take, and fit them with the others as expected.

    Many together can stand in for one that is off. So they are taken up one by one, the one that
    brings the most first, as long as it brings what is heard.
    """
    n = len(evaluator.problem.space)
    is_told = np.zeros(n, bool)
    here = point.copy()
    here[:n] = expected[:n]
    loss = float(evaluator.losses(here[None, :])[0])
    while not np.all(is_told):
        places = np.flatnonzero(~is_told)
        rows = np.tile(here, (len(places), 1))
        rows[np.arange(len(places)), places] = point[places]
        losses = evaluator.losses(rows)
        best = int(np.argmin(losses))
        if loss - losses[best] < _heard(loss):
            break
        here, loss = rows[best], float(losses[best])
        is_told[places[best]] = True
    free = np.concatenate([is_told, np.ones(len(point) - n, bool)])
    return fits.fitted(here, LAST_STEPS, free=free)[0], is_told


def _heard(loss: float) -> float:
    """Say which difference of a loss counts."""
    return TOLD_RATIO * loss + TOLD_STEPS


def _told(
    evaluator: Evaluator,
    fits: LocalFits,
    ends: tuple[FloatArray, FloatArray],
    point: FloatArray,
    is_told: BoolArray,
) -> TakeFit:
    """Say control by control what the fit tells, and how surely; `ends` are dial and aim."""
    dialled, aim = ends
    problem = evaluator.problem
    names = problem.space.names
    n = len(names)
    rows = np.tile(point, (n + 3, 1))
    rows[np.arange(n), np.arange(n)] = aim[:n]
    rows[n + 1, :n], rows[n + 2, :n] = dialled[:n], aim[:n]
    losses = evaluator.losses(rows)
    fitted_loss, dialled_loss, aim_loss = (float(x) for x in losses[n:])
    errors = _errors(fits, point, is_told, _heard(fitted_loss))
    readings = tuple(
        Reading(
            name,
            float(dialled[i]),
            float(point[i]),
            float(errors[i]),
            float(losses[i] - fitted_loss),
        )
        for i, name in enumerate(names)
    )
    (sound,) = _played(evaluator, point)
    return TakeFit(
        readings, dialled_loss, fitted_loss, aim_loss, problem.named_values(point), sound
    )


def _played(evaluator: Evaluator, point: FloatArray) -> list[FloatArray]:
    """Play the fit on the take's timeline."""
    sounds = play_notes(
        evaluator.problem, point, evaluator.targets, evaluator.notes, seed=evaluator.seed
    )
    return [t.place(x) for t, x in zip(evaluator.targets, sounds, strict=True)]


def _errors(fits: LocalFits, point: FloatArray, is_told: BoolArray, allowed: float) -> FloatArray:
    """Say how far each control can move, those that are told following, until it is heard.

    The loss is taken for a parabola with the curvature of the reweighted differences, so it grows
    by ``error**2 / (2 * inverse curvature)``.
    """
    # What changes nothing may be anywhere.
    curvature = fits.curvature(point) + 2.0 * allowed * np.eye(len(point))
    n = len(is_told)
    following = np.concatenate([is_told, np.ones(len(point) - n, bool)])
    errors = np.empty(n)
    for i in range(n):
        kept = following.copy()
        kept[i] = True
        inverse = np.linalg.inv(curvature[np.ix_(kept, kept)])
        place = np.count_nonzero(kept[:i])
        errors[i] = np.sqrt(2.0 * allowed * inverse[place, place])
    return errors
