"""The equaliser after the instrument, fitted when all else is found.

A channel of a mixer can give what no filter of the instrument has, such as a formant. Where its
bands belong stands in what is left between target and match over the whole note, third octave by
third octave; then they are fitted together with the other settings. Fewer bands are better, and
none is best: those that nobody hears are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from matcher.evaluator import Evaluator
from matcher.losses import breakdown, totals
from matcher.optimise import LocalFits
from matcher.playing import play_notes
from matcher.search.pruning import moving_columns
from matcher.voice_map import coupled_names
from shared import CATALOGUE, ParameterSpace
from shared.catalogue import EQUALISER_BANDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import Float32Array, FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["EQUALISER_SHARE", "Equalised", "with_equaliser"]

# What the fits may cost, as a share of the candidates of the search, and their most steps.
EQUALISER_SHARE, N_STEPS = 0.08, 6
# Fewer bands are as close if no term is worse by more of a just-noticeable difference.
HALF_STEP = 0.5
# A third octave that lies further below the loudest one tells nothing, and one in which the match
# has nothing can't be raised out of it.
RANGE_DB, MOST_DB = 50.0, 12.0
# About a just-noticeable difference of the level of a band (from memory).
LEAST_DB = 1.0
LOWEST_HZ, THIRD, FRAME_S = 50.0, 2.0 ** (1.0 / 3.0), 0.1
# Widths that bands are looked for with; the fit goes on from there.
WIDTHS_OCTAVES = (0.5, 1.0, 2.0)
# Two bands in one place are one, of a gain that no mixer has. Common practice, no source.
APART_OCTAVES = 1.0
# So many of them are heard before one is fitted: two groups of lanes.
N_BELLS = 32

_Bell = tuple[float, float, float]  # frequency in Hz, gain in dB, width in octaves


@dataclass(frozen=True, eq=False)
class Equalised:
    """A patch with the bands that are heard: what its vector is one of, and how it scores."""

    problem: Problem
    vector: FloatArray
    # Note by note, (n_notes, n_parts).
    scores: FloatArray


def with_equaliser(
    evaluator: Evaluator, notes: Sequence[TargetNote], vector: FloatArray, *, n_evaluations: int
) -> Equalised | None:
    """Fit an equaliser to the best candidate of a search; None if nobody hears it.

    The problem that comes back has the bands in its space beside what the search had. Without
    them the candidate is fitted on in the same way, so that they aren't credited with that.
    """
    problem, mixer = evaluator.problem, evaluator.problem.structure.mixer
    if not len(mixer):
        return None
    wide = replace(problem, space=ParameterSpace((*problem.space, *mixer)))
    parts = np.split(vector, [len(problem.space)])
    at_rest = np.concatenate([parts[0], mixer.encode(mixer.neutral()), parts[1]])
    with Evaluator(
        wide,
        evaluator.targets,
        evaluator.notes,
        weights=evaluator.weights,
        n_threads=evaluator.n_threads,
        seed=evaluator.seed,
    ) as own:
        fits = _Fits(own, n_evaluations)
        tried = [fits.near(at_rest, n_after=len(EQUALISER_BANDS) + 1)]
        for number in range(len(EQUALISER_BANDS)):
            values = wide.named_values(tried[-1])
            taken_hz = [values[f"{band}.frequency_hz"] for band in list(EQUALISER_BANDS)[:number]]
            bells = [
                bell
                for bell in _missing_bells(own, notes, tried[-1])
                if all(abs(np.log2(bell[0] / hz)) >= APART_OCTAVES for hz in taken_hz)
            ]
            starts = [_with_band(wide, tried[-1], number, bell) for bell in bells]
            start = fits.best_of(starts)
            if start is None:
                break
            tried.append(fits.near(start, n_after=len(EQUALISER_BANDS) - number))
        n_bands = _fewest(own, tried)
        if n_bands == 0:
            return None
        vector = fits.everything(_lowest_first(wide, tried[n_bands], n_bands))
        return Equalised(wide, vector, own.scores(vector[None])[:, 0])


def _fewest(evaluator: Evaluator, tried: Sequence[FloatArray]) -> int:
    """Count the bands of the first vector that is as close as the best."""
    means = evaluator.scores(np.array(tried)).mean(axis=0)
    best = int(np.argmin(totals(means, evaluator.weights)))
    terms = np.array([list(breakdown(mean, evaluator.weights).terms.values()) for mean in means])
    return int(np.argmax(np.all(terms - terms[best] <= HALF_STEP, axis=1)))


class _Fits:
    """Fits as long as there are candidates left."""

    def __init__(self, evaluator: Evaluator, n_evaluations: int) -> None:
        problem = evaluator.problem
        self._evaluator, self._n_left = evaluator, n_evaluations
        near = set().union(*(coupled_names(name) for name in problem.structure.mixer.names))
        names = problem.space.names
        self._is_near = np.zeros(problem.n_dimensions, dtype=np.bool_)
        self._is_near[: len(names)] = [name in near for name in names]

    def best_of(self, vectors: Sequence[FloatArray]) -> FloatArray | None:
        """Choose the best of some vectors; None without any, or without time for that."""
        if not 0 < len(vectors) <= self._n_left:
            return None
        self._n_left -= len(vectors)
        return vectors[int(np.argmin(self._evaluator.losses(np.array(vectors))))]

    def near(self, start: FloatArray, *, n_after: int) -> FloatArray:
        """Fit the bands with what trades with them; fits that come after keep their share."""
        return self._fitted(start, self._is_near, self._n_left // (1 + n_after))

    def everything(self, start: FloatArray) -> FloatArray:
        """Fit all, with what is left."""
        return self._fitted(start, np.ones(len(start), dtype=np.bool_), self._n_left)

    def _fitted(self, start: FloatArray, is_wanted: BoolArray, n_evaluations: int) -> FloatArray:
        """Fit what is wanted and does something; as it was if there is no time for that."""
        problem = self._evaluator.problem
        is_free = np.zeros(problem.n_dimensions, dtype=np.bool_)
        is_free[moving_columns(problem, start)] = True
        fits = LocalFits(
            self._measure,
            self._evaluator.residual_weights,
            circular=problem.circular,
            cells=problem.cells,
            n_evaluations=n_evaluations,
        )
        point, loss = fits.fitted(start, N_STEPS, free=is_free & is_wanted)
        self._n_left -= n_evaluations - fits.n_left
        return point if np.isfinite(loss) else start

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array]:
        """Score candidates, with the single differences."""
        losses, _, residuals = self._evaluator.losses_and_residuals(vectors)
        return losses, residuals


def _band_places(wide: Problem, number: int) -> slice:
    """Say where a vector has frequency, gain and width of a band, the first of which is 0."""
    first = len(wide.space) - 3 * (len(EQUALISER_BANDS) - number)
    return slice(first, first + 3)


def _with_band(wide: Problem, vector: FloatArray, number: int, bell: _Bell) -> FloatArray:
    """Set a band of a vector."""
    places, changed = _band_places(wide, number), vector.copy()
    parameters = list(wide.space)[places]
    changed[places] = [p.encode(value) for p, value in zip(parameters, bell, strict=True)]
    return changed


def _lowest_first(wide: Problem, vector: FloatArray, n_bands: int) -> FloatArray:
    """Order the bands that are on by their frequencies."""
    places = [_band_places(wide, number) for number in range(n_bands)]
    ordered = vector.copy()
    for place, band in zip(places, sorted(tuple(vector[p]) for p in places), strict=True):
        ordered[place] = band
    return ordered


def _missing_bells(
    evaluator: Evaluator, notes: Sequence[TargetNote], vector: FloatArray
) -> list[_Bell]:
    """List bells that take much off what is left between target and match."""
    sounds = play_notes(
        evaluator.problem, vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
    )
    total, n_telling = 0.0, 0.0
    for note, target, sound in zip(notes, evaluator.targets, sounds, strict=True):
        middles_hz, wanted_db = _third_octaves(note.signal, note.sample_rate_hz)
        found_db = _third_octaves(target.place(sound), note.sample_rate_hz)[1]
        is_told = wanted_db > wanted_db.max() - RANGE_DB
        left_db = np.clip(wanted_db - found_db, -MOST_DB, MOST_DB)
        total = total + np.sum(left_db * is_told, axis=0)
        n_telling = n_telling + np.sum(is_told, axis=0)
    weights = n_telling / np.max(n_telling)
    return _best_bells(middles_hz, total / np.maximum(n_telling, 1.0), weights)


def _third_octaves(signal: FloatArray, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Measure third octaves: their middles (n_bands,), and levels in dB (n_frames, n_bands)."""
    n = round(FRAME_S * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(signal, n // 2), n)[:: n // 4]
    powers = np.abs(np.fft.rfft(frames * np.hanning(n), axis=1)) ** 2
    sums = np.pad(np.cumsum(powers, axis=1), ((0, 0), (1, 0)))
    top_hz = min(CATALOGUE["eq1.frequency_hz"].high, 0.4 * rate_hz)
    n_bands = int(np.log(top_hz / LOWEST_HZ) / np.log(THIRD)) + 1
    middles_hz = LOWEST_HZ * THIRD ** np.arange(n_bands)
    edges = np.round(np.outer([THIRD**-0.5, THIRD**0.5], middles_hz) * n / rate_hz).astype(int)
    powers_of_bands = sums[:, np.maximum(edges[1], edges[0] + 1)] - sums[:, edges[0]]
    floor = 1e-12 * powers_of_bands.max() + 1e-30
    return middles_hz, 10.0 * np.log10(powers_of_bands + floor)


def _best_bells(middles_hz: FloatArray, left_db: FloatArray, weights: FloatArray) -> list[_Bell]:
    """Fit bells to what is left, (n_bands,), one at a time; those that leave least, `N_BELLS`.

    The level of the whole is free, as it is matched anyhow. None is in the list that raises or
    lowers by less than anybody hears.
    """
    rest = left_db - np.average(left_db, weights=weights)
    tried = []
    for hz, octaves in product(middles_hz[weights > 0.0].tolist(), WIDTHS_OCTAVES):
        shape = _bell_db(middles_hz, hz, octaves)
        shape = shape - np.average(shape, weights=weights)
        gain_db = float(np.sum(weights * shape * rest) / np.sum(weights * shape**2))
        gain_db = min(max(gain_db, -MOST_DB), MOST_DB)
        left = float(np.sum(weights * (rest - gain_db * shape) ** 2))
        tried.append((left, (hz, gain_db, octaves)))
    return [bell for _, bell in sorted(tried)[:N_BELLS] if abs(bell[1]) >= LEAST_DB]


def _bell_db(frequencies_hz: FloatArray, middle_hz: float, octaves: float) -> FloatArray:
    """Response of a bell in dB for each dB of its gain, taken at 6 dB (Audio EQ Cookbook)."""
    gain_db = 6.0
    a, x = 10.0 ** (gain_db / 40.0), frequencies_hz / middle_hz
    width = 2.0 * np.sinh(0.5 * np.log(2.0) * octaves) * x
    top, bottom = (np.hypot(1.0 - x**2, width * factor) for factor in (a, 1.0 / a))
    response_db: FloatArray = 20.0 * np.log10(top / bottom) / gain_db
    return response_db
