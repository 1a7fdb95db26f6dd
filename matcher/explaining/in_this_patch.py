"""What each part brings in this patch: leave it out, render, score, fit the rest, score again.

Free-running phases are no setting of a patch, so wherever a part is left out oscillator 2 starts
where it suits the rest best; a pitch envelope, for one, shifts the beats of all that follows.

Where a part is missed is said by stretches of time that a programmer listens to one by one (the
first 150 ms, as in the onset part of the loss, the rest of the held note, and what follows it),
and by bands with the limits of a mixing desk: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.fitting import Fit, Fitter
from matcher.explaining.model import PartEffect, PartsInPatch, StandIn
from matcher.explaining.patch_parts import held_names, left_out, part_title, switches_of
from matcher.losses import PARTS, residual_weights, totals
from matcher.losses.note_target import MOVEMENT_WINDOW, ONSET_S
from matcher.losses.score import band_levels, frame_stride
from matcher.parts import parameter_label
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.explaining.clock import Clock
    from matcher.explaining.prepared_run import PreparedRun
    from matcher.losses import NoteTarget
    from matcher.voice_map import Switch
    from shared import Float32Array, FloatArray, Note

__all__ = ["AUDIBLE_STEPS", "parts_in_patch"]

# A measured part of the loss that grows by its scale, one just-noticeable difference, is heard.
AUDIBLE_STEPS = 1.0
_N_PHASES = 16
# A control stands in for a part if it has moved, and the loss rises when it is put back.
_SMALLEST_MOVE = 0.01
_SMALLEST_RISE = 0.05
_N_STAND_INS = 3
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
# Bands this far under the loudest one of target and candidates are left out.
_RANGE_DB = 60.0
_SCALE_DB = next(part.scale for part in PARTS if part.name == "spectrum_db")


def parts_in_patch(
    prepared: PreparedRun, clock: Clock, *, is_refitted: bool = True
) -> PartsInPatch:
    """Measure what each part brings, and unless told otherwise fit the rest without it.

    The part that is missed most comes first. Each part is left out once in any case; where time
    ran out before the rest was fitted again, its figures are missing.
    """
    present, absent = switches_of(prepared)
    fitter = Fitter(prepared)
    maps = [
        _NoteMap(target, note)
        for target, note in zip(prepared.targets, prepared.evaluator.notes, strict=True)
    ]
    found: list[tuple[Switch, PartEffect, Fit | None]] = []
    for switch in present:
        clock.show(f"without {switch.title}")
        vector = left_out(prepared, switch)
        if vector is None:
            text = f"{_capital(switch.title)}: needed; without it nothing sounds."
            only = PartEffect(switch.title, "needed", neutral=dict(switch.off), sentence=text)
            found.append((switch, only, None))
            continue
        bare = fitter.best(vector[None, :])
        if not clock.is_over():  # late, the phases stay as they are
            bare = _with_best_phase(prepared, fitter, bare)
        where = _rises(prepared, maps, bare.vector)
        found.append((switch, _effect(prepared, switch, bare, where), bare))
    found.sort(key=lambda entry: -(np.inf if entry[1].rise is None else entry[1].rise))
    effects = []
    for number, (switch, effect, start) in enumerate(found):
        clock.show(f"the rest fitted without {switch.title}")
        if start is None or not is_refitted or clock.is_over():
            effects.append(effect)
            continue
        is_over = clock.part_ends(1.0 / (len(found) - number))
        columns = prepared.moving(start.vector, without=held_names(switch, prepared))
        fit = fitter.fit_from_afar(start, columns, is_over=is_over)
        effects.append(_with_refit(prepared, switch, effect, fit))
    effects += [
        PartEffect(title, "absent", sentence=f"{_capital(title)}: not in this patch.")
        for title in absent
    ]
    return PartsInPatch(tuple(effects), dict(TIMES), dict(BANDS))


def _with_best_phase(prepared: PreparedRun, fitter: Fitter, fit: Fit) -> Fit:
    """Start oscillator 2 where it suits each note best, coarse then fine."""
    problem = prepared.problem
    column = PHASE_NAMES.index("osc2.phase")
    if column not in problem.phase_columns:
        return fit
    first = len(problem.space) + problem.phase_columns.index(column)
    columns = first + len(problem.phase_columns) * np.arange(problem.n_notes)
    # The front edge has no say: what a part does there can't be had by another phase, what beats
    # can.
    weights = {**(prepared.evaluator.weights or {}), "onset": 0.0}
    if not any(weights.values()):
        weights = {}
    turns = np.arange(_N_PHASES) / _N_PHASES
    for offsets in (turns, 2.0 / _N_PHASES * (turns - 0.5)):
        trials = np.tile(fit.vector, (_N_PHASES, 1))
        trials[:, columns] = (trials[:, columns] + offsets[:, None]) % 1.0
        scores = prepared.evaluator.scores(trials)
        # Notes don't see each other's phases, so each takes the best of its own.
        chosen = [int(np.argmin(totals(rows, weights))) for rows in scores]
        joined = fit.vector.copy()
        joined[columns] = trials[chosen, columns]
        fit = fitter.best(joined[None, :])
    return fit


def _effect(
    prepared: PreparedRun, switch: Switch, bare: Fit, where: tuple[FloatArray, ...]
) -> PartEffect:
    """Describe the patch without a part, the rest as it is."""
    by_time, by_band = (rise.tolist() for rise in where)
    largest = float(prepared.growth(bare.scores[:, None])[0])
    effect = PartEffect(
        part=switch.title,
        verdict="needed" if largest >= AUDIBLE_STEPS else "inaudible",
        neutral=dict(switch.off),
        loss=bare.loss,
        rise=bare.loss - prepared.loss.total,
        largest=largest,
        by_time=dict(zip(TIMES, by_time, strict=True)),
        by_band=dict(zip(BANDS, by_band, strict=True)),
    )
    return replace(effect, sentence=_sentence(effect))


def _with_refit(prepared: PreparedRun, switch: Switch, effect: PartEffect, fit: Fit) -> PartEffect:
    """Add what was found when the rest was fitted again."""
    largest = float(prepared.growth(fit.scores[:, None])[0])
    is_missed = effect.verdict == "needed"
    effect = replace(
        effect,
        verdict="replaceable" if is_missed and largest < AUDIBLE_STEPS else effect.verdict,
        refit_largest=largest,
        stand_ins=_stand_ins(prepared, switch, fit) if is_missed else (),
    )
    return replace(effect, sentence=_sentence(effect))


def _stand_ins(prepared: PreparedRun, switch: Switch, fit: Fit) -> tuple[StandIn, ...]:
    """Name the controls that moved and matter where they are."""
    held = set(held_names(switch, prepared))
    space = prepared.problem.space
    moves = np.abs(fit.vector - prepared.vector)
    moved = [
        i
        for i, name in enumerate(space.names)
        if name not in held and name in prepared.used and moves[i] >= _SMALLEST_MOVE
    ]
    if not moved:
        return ()
    back = np.tile(fit.vector, (len(moved), 1))
    back[np.arange(len(moved)), moved] = prepared.vector[moved]
    losses = prepared.evaluator.losses(back)
    values = prepared.values_of(fit.vector)
    found = []
    for k in np.argsort(-losses)[:_N_STAND_INS]:
        name = space.names[moved[int(k)]]
        if losses[k] >= fit.loss + _SMALLEST_RISE:
            before, after = prepared.values[name], values[name]
            text = f"{part_title(name)}: {parameter_label(name)} {space[name].format(before)} to "
            found.append(StandIn(name, before, after, f"{text}{space[name].format(after)}"))
    return tuple(found)


def _sentence(effect: PartEffect) -> str:
    """Say in words what a part brings."""
    start = f"{_capital(effect.part)}: "
    if effect.verdict == "inaudible":
        return f"{start}leaving it out makes no audible difference."
    time = max(effect.by_time, key=lambda name: effect.by_time[name])
    band = max(effect.by_band, key=lambda name: effect.by_band[name])
    where = (
        f"{start}missed by a distance of {effect.largest:.1f}, most in the {time} and the {band}"
    )
    if effect.verdict == "replaceable":
        moved = "; ".join(stand_in.text for stand_in in effect.stand_ins)
        return f"{where}; others can take over{f' ({moved})' if moved else ''}."
    if effect.refit_largest is None:
        return f"{where}."
    return f"{where}; {effect.refit_largest:.1f} remain when the rest is fitted again."


def _capital(title: str) -> str:
    """Begin a sentence with a title."""
    return f"{title[0].upper()}{title[1:]}"


class _NoteMap:
    """Says where in time and frequency sounds differ from one note of the target."""

    def __init__(self, target: NoteTarget, note: Note) -> None:
        window = target.windows[MOVEMENT_WINDOW]
        self._target = target
        plan, rate = window.plan, target.sample_rate_hz
        frames = np.arange(0, plan.n_frames, frame_stride(window.levels.size))
        edges_s = (0.0, min(ONSET_S, note.gate_s / 2.0), note.gate_s, np.inf)
        middles_hz = (window.bands.starts + window.bands.ends - 1) / 2.0 * rate / plan.n_fft
        # Which stretch of time a frame belongs to, and which band a mel band.
        self._i_time = np.searchsorted(edges_s, frames * plan.hop / rate, side="right") - 1
        self._i_band = np.searchsorted(_EDGES_HZ, middles_hz, side="right") - 1

    def rises(self, residuals: Float32Array) -> tuple[FloatArray, FloatArray]:
        """Say by how much a sound is further from the target than another, in audible steps.

        Two rows of differences tell; by stretch of time (3,) and by band (4,), over what any of
        the sounds has.
        """
        levels, wanted = band_levels(self._target, residuals, MOVEMENT_WINDOW)
        every = np.maximum(levels.max(axis=0), wanted)
        gaps = np.abs(levels[0] - wanted) - np.abs(levels[1] - wanted)
        frames, bands = np.nonzero(every > every.max() - _RANGE_DB)
        rises = gaps[frames, bands].astype(np.float64) / _SCALE_DB
        groups = (self._i_time[frames], len(TIMES)), (self._i_band[bands], len(BANDS))
        by_time, by_band = (
            np.bincount(group, rises, minlength=n) / np.maximum(np.bincount(group, minlength=n), 1)
            for group, n in groups
        )
        return by_time, by_band


def _rises(
    prepared: PreparedRun, maps: Sequence[_NoteMap], vector: FloatArray
) -> tuple[FloatArray, ...]:
    """Average over the notes where a candidate is further from the target than the patch."""
    both = np.stack([vector, prepared.vector])
    residuals = prepared.evaluator.losses_and_residuals(both)[2]
    sizes = [len(residual_weights(target, None, 1)) for target in prepared.targets]
    of_notes = np.split(residuals, np.cumsum(sizes)[:-1], axis=1)
    each = [m.rises(rows) for m, rows in zip(maps, of_notes, strict=True)]
    return tuple(np.mean(rises, axis=0) for rises in zip(*each, strict=True))
