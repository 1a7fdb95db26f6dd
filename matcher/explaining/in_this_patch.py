"""What each part brings in this patch: leave it out, render, score, fit the rest, score again.

Free-running phases are no setting of a patch, so wherever a part is left out oscillator 2 starts
where it suits the rest best; a pitch envelope, for one, shifts the beats of all that follows.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.fitting import Fit, Fitter, place_on_lead
from matcher.explaining.model import PartEffect, PartsInPatch, StandIn
from matcher.explaining.patch_parts import held_names, left_out, part_title, switches
from matcher.losses import PARTS, breakdown, totals
from matcher.losses.note_target import MOVEMENT_WINDOW, ONSET_S
from matcher.losses.windows import WindowBuffers
from matcher.parts import parameter_label
from shared import PHASE_NAMES

if TYPE_CHECKING:
    BoolArray = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    from collections.abc import Callable, Mapping, Sequence

    from matcher.explaining.clock import Clock
    from matcher.explaining.patch_parts import Switch
    from matcher.explaining.prepared_run import PreparedRun
    from matcher.losses import NoteTarget
    from shared import FloatArray, Note
    from shared.types import IntArray

__all__ = ["AUDIBLE_STEPS", "parts_in_patch"]

# A measured part of the loss that grows by its scale, one just-noticeable difference, is heard.
AUDIBLE_STEPS = 1.0
_N_PHASES = 16
# How far each control is moved to find where a fit may begin, as shares of its range.
_PROBES = (-0.35, -0.12, -0.04, 0.04, 0.12, 0.35)
_FIT_SIGMA = 0.03
# A control stands in for a part if it has moved, and the loss rises when it is put back.
_SMALLEST_MOVE = 0.01
_SMALLEST_RISE = 0.05
_N_STAND_INS = 3
MOST_EVALUATIONS = 1200
_MOST_LINES = 4


def parts_in_patch(
    prepared: PreparedRun, clock: Clock, *, n_evaluations: int = MOST_EVALUATIONS, seed: int = 0
) -> PartsInPatch:
    """Measure what each part brings.

    Parameters
    ----------
    prepared : PreparedRun
        The patch with its target.
    clock : Clock
        Says when to stop; each part is left out once in any case.
    n_evaluations : int >= 0
        Candidates that the sampler may try in each fit, besides those along straight lines; with
        0 the rest isn't fitted.
    seed : int >= 0
        Seed of the fits.

    Returns
    -------
    PartsInPatch
        The part that is missed most first. Where time ran out before the rest was fitted again,
        its figures are missing.
    """
    present, absent = switches(prepared)
    fitter = Fitter(prepared)
    maps = [
        NoteMap(target, note)
        for target, note in zip(prepared.targets, prepared.evaluator.notes, strict=True)
    ]
    whole = prepared.sounds(prepared.vector)
    found: list[tuple[Switch, PartEffect, Fit | None]] = []
    for switch in present:
        clock.tell(f"without {switch.title}")
        vector = left_out(prepared, switch)
        if vector is None:
            found.append((switch, _only_one(switch), None))
            continue
        # Late, the phases stay where they are.
        bare = (
            fitter.best(vector[None, :])
            if clock.is_over()
            else best_phase(prepared, fitter, vector)
        )
        found.append((switch, _effect(prepared, switch, bare, maps, whole), bare))
    found.sort(key=lambda entry: -(np.inf if entry[1].rise is None else entry[1].rise))
    effects = []
    for number, (switch, effect, start) in enumerate(found):
        clock.tell(f"the rest fitted without {switch.title}")
        if start is None or n_evaluations == 0 or clock.is_over():
            effects.append(effect)
            continue
        is_over = clock.part_ends(1.0 / (len(found) - number))
        columns = prepared.moving(start.vector, without=held_names(switch, prepared))
        fit = _refit(
            fitter, start, columns, is_over=is_over, n_evaluations=n_evaluations, seed=seed
        )
        effects.append(_with_refit(prepared, fitter, switch, effect, fit))
    effects += [
        PartEffect(t, "absent", sentence=f"{_start(t)}: not in this patch.") for t in absent
    ]
    return PartsInPatch(tuple(effects), dict(TIMES), dict(BANDS))


def best_phase(prepared: PreparedRun, fitter: Fitter, vector: FloatArray) -> Fit:
    """Put oscillator 2 where it suits each note best, coarse then fine."""
    problem = prepared.problem
    column = PHASE_NAMES.index("osc2.phase")
    fit = fitter.best(vector[None, :])
    if column not in problem.phase_columns:
        return fit
    first = len(problem.space) + problem.phase_columns.index(column)
    places = first + len(problem.phase_columns) * np.arange(problem.n_notes)
    weights = {**(prepared.evaluator.weights or {}), "onset": 0.0}
    if not any(weights.values()):
        weights = {}
    for width in (1.0, 2.0 / _N_PHASES):
        offsets = width * (np.arange(_N_PHASES) / _N_PHASES - (0.0 if width == 1.0 else 0.5))
        trials = np.tile(fit.vector, (_N_PHASES, 1))
        trials[:, places] = (trials[:, places] + offsets[:, None]) % 1.0
        _, scores = fitter.score(trials)
        # Notes don't see each other's phases, so each takes the best of its own. The front edge
        # has no say: what a part does there can't be had by another phase, what beats can.
        chosen = [int(np.argmin(totals(rows, weights))) for rows in scores]
        joined = fit.vector.copy()
        joined[places] = trials[chosen, places]
        kept = scores[np.arange(len(scores)), chosen]
        fit = Fit(joined, float(prepared.losses_of(kept[:, None])[0]), kept)
    return fit


def _only_one(switch: Switch) -> PartEffect:
    """Describe what can't be left out."""
    text = f"{_start(switch.title)}: needed; without it nothing sounds."
    return PartEffect(switch.title, "needed", neutral=dict(switch.off), sentence=text)


def _effect(
    prepared: PreparedRun,
    switch: Switch,
    bare: Fit,
    maps: Sequence[NoteMap],
    whole: Sequence[FloatArray],
) -> PartEffect:
    """Describe the patch without a part, the rest as it is."""
    by_time, by_band, both = rises(maps, prepared.sounds(bare.vector), whole)
    largest = float(prepared.growth(bare.scores[:, None])[0])
    weights = prepared.evaluator.weights
    notes = zip(prepared.target.notes, bare.scores, prepared.scores, strict=True)
    effect = PartEffect(
        part=switch.title,
        verdict="needed" if largest >= AUDIBLE_STEPS else "inaudible",
        neutral=dict(switch.off),
        loss=bare.loss,
        rise=bare.loss - prepared.loss.total,
        largest=largest,
        by_term=_term_rises(prepared, bare),
        by_time=by_time,
        by_band=by_band,
        by_time_and_band=both,
        by_note={
            note.name: breakdown(without, weights).total - breakdown(with_it, weights).total
            for note, without, with_it in notes
        },
    )
    return replace(effect, sentence=_sentence(effect))


def _refit(
    fitter: Fitter,
    bare: Fit,
    columns: IntArray,
    *,
    is_over: Callable[[], bool],
    n_evaluations: int,
    seed: int,
) -> Fit:
    """Fit the rest without a part: probes, straight lines, search, straight lines."""
    fit = fitter.probe(bare, columns, _PROBES)
    fit = _along_lines(fitter, fit, columns, is_over)
    fit = fitter.search(
        fit, columns, n_evaluations=n_evaluations, sigma=_FIT_SIGMA, seed=seed, stop=is_over
    )
    return fit if is_over() else _along_lines(fitter, fit, columns, is_over)


def _along_lines(fitter: Fitter, fit: Fit, columns: IntArray, is_over: Callable[[], bool]) -> Fit:
    """Fit along straight lines, measured anew as long as that helps."""
    for _ in range(_MOST_LINES):
        before = fit.loss
        fit = fitter.straight(fit, columns, fitter.slopes(fit.vector, columns), n_rounds=3)
        if is_over() or not fit.loss < 0.98 * before:
            break
    return fit


def _with_refit(
    prepared: PreparedRun, fitter: Fitter, switch: Switch, effect: PartEffect, fit: Fit
) -> PartEffect:
    """Add what was found when the rest was fitted again."""
    largest = float(prepared.growth(fit.scores[:, None])[0])
    is_missed = effect.verdict == "needed"
    is_replaced = is_missed and largest < AUDIBLE_STEPS
    effect = replace(
        effect,
        verdict="replaceable" if is_replaced else effect.verdict,
        refit_loss=fit.loss,
        refit_rise=fit.loss - prepared.loss.total,
        refit_largest=largest,
        refit_by_term=_term_rises(prepared, fit),
        stand_ins=_stand_ins(prepared, fitter, switch, fit) if is_missed else (),
    )
    return replace(effect, sentence=_sentence(effect))


def _term_rises(prepared: PreparedRun, fit: Fit) -> dict[str, float]:
    """Say by how much each term grows."""
    terms = breakdown(fit.scores.mean(axis=0), prepared.evaluator.weights).terms
    return {name: value - prepared.loss.terms[name] for name, value in terms.items()}


def _stand_ins(
    prepared: PreparedRun, fitter: Fitter, switch: Switch, fit: Fit
) -> tuple[StandIn, ...]:
    """Name the controls that moved and matter where they are."""
    held = set(held_names(switch, prepared))
    space = prepared.problem.space
    moves = np.abs(fit.vector[: len(space)] - prepared.vector[: len(space)])
    moved = [
        i
        for i, name in enumerate(space.names)
        if name not in held and name in prepared.used and moves[i] >= _SMALLEST_MOVE
    ]
    if not moved:
        return ()
    back = np.tile(fit.vector, (len(moved), 1))
    back[np.arange(len(moved)), moved] = prepared.vector[moved]
    losses, _ = fitter.score(back)
    values = prepared.values_of(fit.vector)
    found = []
    for k in np.argsort(-losses):
        name = space.names[moved[int(k)]]
        if losses[k] < fit.loss + _SMALLEST_RISE:
            continue
        before, after = prepared.values[name], values[name]
        text = f"{part_title(name)}: {parameter_label(name)} {space[name].format(before)} to "
        found.append(StandIn(name, before, after, f"{text}{space[name].format(after)}"))
    return tuple(found[:_N_STAND_INS])


def _sentence(effect: PartEffect) -> str:
    """Say in words what a part brings."""
    start = f"{_start(effect.part)}: "
    if effect.verdict == "inaudible":
        return f"{start}leaving it out makes no audible difference."
    time = max(effect.by_time, key=lambda name: effect.by_time[name])
    band = max(effect.by_band, key=lambda name: effect.by_band[name])
    where = (
        f"{start}missed by {effect.largest:.1f} audible steps, most in the {time} and the {band}"
    )
    if effect.verdict == "replaceable":
        moved = "; ".join(stand_in.text for stand_in in effect.stand_ins)
        return f"{where}; others can take over{f' ({moved})' if moved else ''}."
    if effect.refit_largest is None:
        return f"{where}."
    return f"{where}; {effect.refit_largest:.1f} remain when the rest is fitted again."


def _start(title: str) -> str:
    """Begin a sentence with a title."""
    return f"{title[0].upper()}{title[1:]}"


TIMES = {
    "attack": "the first 150 ms, at most half of the held note",
    "body": "from there until the key is let go",
    "release": "after the key is let go",
}
_EDGES_HZ = (0.0, 250.0, 1000.0, 4000.0, np.inf)
BANDS = {
    "lows": "below 250 Hz",
    "low mids": "250 Hz to 1 kHz",
    "high mids": "1 to 4 kHz",
    "highs": "above 4 kHz",
}
# Bands this far under the loudest one of target and candidate are left out.
_RANGE_DB = 60.0
_SCALE_DB = next(part.scale for part in PARTS if part.name == "spectrum_db")


@dataclass(frozen=True, eq=False)
class Differences:
    """Mean differences from the target in audible steps.

    Parameters
    ----------
    cells : np.ndarray, shape=(3, 4)
        Within each stretch of time and band.
    times : np.ndarray, shape=(3,)
        Within each stretch of time.
    bands : np.ndarray, shape=(4,)
        Within each band.
    """

    cells: FloatArray
    times: FloatArray
    bands: FloatArray


class NoteMap:
    """Tells where sounds differ from one note of the target.

    Parameters
    ----------
    target : NoteTarget
        The note as the losses know it.
    note : Note
        What is played.
    """

    def __init__(self, target: NoteTarget, note: Note) -> None:
        window = target.windows[MOVEMENT_WINDOW]
        self._target = target
        self._buffers = WindowBuffers(window)
        self._placed = np.zeros(target.n_placed + target.n_behind, np.float32)
        plan, rate = window.plan, target.sample_rate_hz
        frames_s = np.arange(plan.n_frames) * plan.hop / rate
        attack_s = min(ONSET_S, note.gate_s / 2.0)
        self._times = [
            frames_s < attack_s,
            (frames_s >= attack_s) & (frames_s < note.gate_s),
            frames_s >= note.gate_s,
        ]
        middles_hz = (window.bands.starts + window.bands.ends - 1) / 2.0 * rate / plan.n_fft
        self._bands = [
            (middles_hz >= low) & (middles_hz < high)
            for low, high in itertools.pairwise(_EDGES_HZ)
        ]
        self._wanted = window.levels

    def differences(self, sound: FloatArray, other: FloatArray) -> tuple[Differences, Differences]:
        """Compare two sounds with the target, over what any of the three has.

        Parameters
        ----------
        sound, other : np.ndarray, shape=(n_signal,)
            On the timeline and at the level of the target.

        Returns
        -------
        tuple of Differences
            Those of the first sound, and those of the other one.
        """
        levels = [self._levels(one) for one in (sound, other)]
        every = np.maximum(np.maximum(levels[0], levels[1]), self._wanted)
        counts = every > every.max() - _RANGE_DB
        return (
            self._mean(np.abs(levels[0] - self._wanted), counts),
            self._mean(np.abs(levels[1] - self._wanted), counts),
        )

    def _mean(self, gaps: FloatArray, counts: BoolArray) -> Differences:
        """Average gaps in dB over stretches and bands."""

        def mean(chosen: BoolArray) -> float:
            mask = counts & chosen
            return float(gaps[mask].mean()) / _SCALE_DB if mask.any() else 0.0

        every = np.ones_like(counts)
        return Differences(
            np.array([[mean(t[:, None] & b[None, :]) for b in self._bands] for t in self._times]),
            np.array([mean(t[:, None] & every) for t in self._times]),
            np.array([mean(b[None, :] & every) for b in self._bands]),
        )

    def _levels(self, sound: FloatArray) -> FloatArray:
        """Return the band levels of a sound in dB, shape (n_frames, n_bands)."""
        place_on_lead(self._target, sound, self._placed)
        return self._buffers.analyse(self._placed, 1.0)[0].astype(np.float64)


def rises(
    maps: Sequence[NoteMap], sounds: Sequence[FloatArray], others: Sequence[FloatArray]
) -> tuple[Mapping[str, float], Mapping[str, float], Mapping[str, Mapping[str, float]]]:
    """Say by how much sounds are further from the target than others, by time and band."""
    pairs = [
        note_map.differences(sound, other)
        for note_map, sound, other in zip(maps, sounds, others, strict=True)
    ]
    cells = np.mean([a.cells - b.cells for a, b in pairs], axis=0)
    times = np.mean([a.times - b.times for a, b in pairs], axis=0)
    bands = np.mean([a.bands - b.bands for a, b in pairs], axis=0)
    return (
        dict(zip(TIMES, times.tolist(), strict=True)),
        dict(zip(BANDS, bands.tolist(), strict=True)),
        {
            name: dict(zip(BANDS, row, strict=True))
            for name, row in zip(TIMES, cells.tolist(), strict=True)
        },
    )
