"""The onset of a note, tried on its first quarter of a second alone.

Brass lives in its first 100 ms: a quick pitch envelope on one of two oscillators, attacks, a
filter that opens. What makes them has narrow valleys (a bend that is a tenth too deep turns its
oscillator by a tenth of a cycle), but phases count in the middle of a note, so that the body
stays as it is while the onset changes. So onsets can be tried by the thousand on a note
that is cut off behind them, at a quarter of the price, and the best ones taken back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.evaluator import Evaluator
from matcher.losses import NoteTarget
from matcher.optimise import BasinHopping, Box
from matcher.problem import whole_vectors
from matcher.voice_map import names_where

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import FloatArray
    from shared.types import IntArray

__all__ = ["onset_evaluator", "onset_starts", "search_onsets"]

ONSET_S = 0.25
# Not the place on the timeline, which the whole note tells: with it, a bend of 200 cents came out
# as one of 566.
FITTED_PHASES = ("osc1.phase", "osc2.phase")
# Onsets that are drawn around each place, and how many of them are searched from.
N_DRAWS, N_STARTS = 1536, 12
# Short candidates of all local searches around a base; each step is some forty of them.
MOST_CANDIDATES = 5000
# A bend has to be found before its attack can be: draws and searches come in two rounds.
ROUNDS = (0.6, 0.4)
# An onset search takes two or three seconds, which pays if its stage has so many candidates of one
# note; with fewer it is less thorough, below a share it is left out.
WHOLE_ONSETS, LEAST_ONSETS = 2000, 0.2
# With a counted budget: from such a share of the usual effort on, a fit gets half of it.
SHARED_EFFORT = 0.5
# A bend that is there is a valley of its own from so many cents on.
LEAST_BEND_CENTS = 5.0
DEPTHS_CENTS, DECAYS_S, ATTACKS_S = (40.0, 1200.0), (0.005, 0.25), (0.0005, 0.04)
OPENINGS_OCTAVES, OPENING_S = (0.0, 5.0), (0.003, 0.12)


def onset_evaluator(evaluator: Evaluator, notes: Sequence[TargetNote]) -> Evaluator:
    """Make an evaluator of the first quarter of a second of each note, for a ``with`` block."""
    targets = []
    for whole, source, note in zip(evaluator.targets, notes, evaluator.notes, strict=True):
        last = whole.source_onset + round(ONSET_S * whole.sample_rate_hz)
        targets.append(
            NoteTarget(
                source.signal[:last],
                sample_rate_hz=whole.sample_rate_hz,
                midi_pitch=note.midi_pitch,
                gate_s=note.gate_s,
                floor_db=whole.floor_db,
                top_hz=whole.top_hz,
            )
        )
    return Evaluator(
        evaluator.problem,
        targets,
        evaluator.notes,
        weights=evaluator.weights,
        n_threads=evaluator.n_threads,
        seed=evaluator.seed,
        whole=evaluator,
    )


def onset_starts(
    evaluator: Evaluator,
    notes: Sequence[TargetNote],
    best: FloatArray,
    fits: FloatArray,
    *,
    n_stage: int,
    n_most: float | None,
    seed: int,
    moving: IntArray | None = None,
    is_over: Callable[[], bool] = lambda: False,
) -> FloatArray:
    """Search the onset of the best vector so far, and of the closest fit put into it.

    A partial fit (NaN where it says nothing) leaves the attack out, and an onset alone is nothing
    without the right detune: a search that has found neither finds both at once. With little to
    spend, and in a patch that was made plain, only the best vector counts. The stage has about
    `n_stage` candidates; of a counted budget, `n_most` whole ones may be spent here.
    """
    fits = fits[: moving is None]
    bases = np.concatenate([best[None], np.where(np.isnan(fits), best, fits)])
    effort = min(1.0, n_stage * len(notes) / WHOLE_ONSETS)
    if effort < LEAST_ONSETS:
        return bases[:0]
    bases = bases if effort == 1.0 else bases[:1]
    if n_most is not None:
        cost = _short_share(evaluator) * (N_DRAWS + MOST_CANDIDATES)
        if n_most < SHARED_EFFORT * cost * len(bases):
            bases = bases[:1]
        effort = min(effort, n_most / (cost * len(bases)))
    if effort < LEAST_ONSETS:
        return bases[:0]
    return search_onsets(
        evaluator, notes, bases, effort=effort, seed=seed, moving=moving, is_over=is_over
    )


def search_onsets(
    evaluator: Evaluator,
    notes: Sequence[TargetNote],
    bases: FloatArray,
    *,
    effort: float,
    seed: int,
    moving: IntArray | None = None,
    is_over: Callable[[], bool] = lambda: False,
) -> FloatArray:
    """Search the onset around some bases, whose bodies stay as they are.

    `effort` (0 to 1) is the share of the usual draws and local searches; `moving` are the entries
    that may move, all of an onset if left out; `is_over` is asked after each batch. Returns each
    base with the onset that comes closest: fewer rows if time ran out, none if neither pitch
    envelopes nor that of the filter may move.
    """
    problem = evaluator.problem
    columns = _fitted_columns(problem)
    if moving is not None:
        columns = np.intersect1d(columns, moving)
    rng = np.random.default_rng(seed)
    if not _can_bend(problem, columns) and not _moves(
        problem, columns, "filter_env.depth_octaves"
    ):
        return np.empty((0, problem.n_dimensions))
    with onset_evaluator(evaluator, notes) as short:
        found = []
        for base in bases:
            onset = base
            for share in ROUNDS:
                onset = _best_onset(
                    short, onset, columns, rng, effort=share * effort, is_over=is_over
                )
                if is_over():
                    break
            found.append(onset)
            if is_over():
                break
        return np.stack(found)


def _short_share(evaluator: Evaluator) -> float:
    """Say what a shortened candidate costs, as a share of a whole one."""
    whole = sum(target.n_render for target in evaluator.targets)
    cut = (target.n_after - round(ONSET_S * target.sample_rate_hz) for target in evaluator.targets)
    return 1.0 - sum(max(n, 0) for n in cut) / whole


def _fitted_columns(problem: Problem) -> IntArray:
    """List the entries that are fitted, of the phases those of all notes."""
    names = problem.space.names
    onset = names_where("is_onset")
    fitted = [i for i, name in enumerate(names) if name in onset]
    return np.concatenate([np.array(fitted, np.int64), problem.phase_entries(*FITTED_PHASES)])


def _moves(problem: Problem, columns: IntArray, name: str) -> bool:
    """Whether a parameter is searched, and among the columns."""
    return name in problem.space and problem.space.index(name) in columns


def _can_bend(problem: Problem, columns: IntArray) -> list[str]:
    """List the oscillators whose pitch envelope is among the columns."""
    return [
        osc for osc in ("osc1", "osc2") if _moves(problem, columns, f"{osc}.pitch_env.depth_cents")
    ]


def _best_onset(
    short: Evaluator,
    base: FloatArray,
    columns: IntArray,
    rng: np.random.Generator,
    *,
    effort: float,
    is_over: Callable[[], bool],
) -> FloatArray:
    """Draw onsets around a base, search locally from the best ones; return the best."""
    problem = short.problem
    onsets = _draws(problem, base, columns, round(effort * N_DRAWS), rng)
    drawn = np.concatenate([base[None], onsets])
    n_starts = max(2, round(effort * N_STARTS))
    order = np.argsort(short.losses(drawn), kind="stable")
    sampler = BasinHopping(
        Box(problem.circular[columns], problem.cells[columns]),
        seed=int(rng.integers(2**31)),
        starts=drawn[order[: 2 * n_starts]][:, columns],
        n_searches=n_starts,
        groups=_bend_groups(problem, columns)[:, columns],
    )
    best, best_loss, n_candidates = base, np.inf, 0
    while n_candidates < effort * MOST_CANDIDATES and not is_over():
        candidates = sampler.ask(sampler.preferred_batch)
        vectors = whole_vectors(base, columns, candidates)
        if sampler.needs_residuals:
            losses, _, residuals = short.losses_and_residuals(vectors)
            sampler.learn(residuals, short.residual_weights)
        else:
            losses = short.losses(vectors)
        sampler.tell(candidates, losses)
        n_candidates += len(candidates)
        if losses.min() < best_loss:
            best, best_loss = vectors[int(np.argmin(losses))], float(losses.min())
    return best


def _bend_groups(problem: Problem, columns: IntArray) -> npt.NDArray[np.bool_]:
    """Say which entries make a bend, one row for each oscillator: all of it is drawn anew."""
    rows = []
    for osc in _can_bend(problem, columns):
        row = np.zeros(problem.n_dimensions, bool)
        row[columns[columns >= len(problem.space)]] = True
        row[: len(problem.space)] = [n.startswith(f"{osc}.pitch_env") for n in problem.space.names]
        rows.append(row)
    return np.array(rows, bool).reshape(len(rows), problem.n_dimensions)


def _draws(
    problem: Problem,
    base: FloatArray,
    columns: IntArray,
    n_draws: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Draw onsets, shape (n_draws, n_dimensions).

    By turns other envelopes, another bend of one oscillator, and the bend that is there with
    another attack.
    """
    values = problem.named_values(base)
    bent = _can_bend(problem, columns)
    rows = np.tile(base, (n_draws, 1))
    first_cycles = problem.phase_entries("osc1.phase")
    for i in range(n_draws):
        drawn = _opening(values, rng) if i % 3 == 0 or not bent else _bend(bent, rng)
        if i % 3 == 2 and bent:
            drawn |= _same_bend_later(values, bent, rng)
            if i % 2:
                # Where the cycle begins is heard in the first ms, together with the attack.
                rows[i, first_cycles] = rng.random(len(first_cycles))
        for name, value in drawn.items():
            if _moves(problem, columns, name):
                parameter = problem.space[name]
                held = min(max(value, parameter.low), parameter.high)
                rows[i, problem.space.index(name)] = parameter.encode(held)
    return rows


def _between(rng: np.random.Generator, ends: tuple[float, float]) -> float:
    """Draw evenly from the logarithm."""
    return float(np.exp(rng.uniform(*np.log(ends))))


def _bend(bent: list[str], rng: np.random.Generator) -> dict[str, float]:
    """Draw a pitch envelope of one oscillator; the other one is steady."""
    osc = bent[int(rng.integers(len(bent)))]
    return {f"{other}.pitch_env.depth_cents": 0.0 for other in bent} | {
        f"{osc}.pitch_env.depth_cents": float(rng.choice([-1.0, 1.0]))
        * _between(rng, DEPTHS_CENTS),
        f"{osc}.pitch_env.decay_s": _between(rng, DECAYS_S),
        f"{osc}.pitch_env.attack_s": _between(rng, ATTACKS_S),
    }


def _same_bend_later(
    values: dict[str, float], bent: list[str], rng: np.random.Generator
) -> dict[str, float]:
    """Draw another attack of the bend that is there, which falls as it does; none if none is.

    A bend of 245 cents at once and one of 200 cents after an attack of 12 ms are the same from
    there on, if both fall with 60 ms: between them no small step leads.
    """
    osc = max(bent, key=lambda name: abs(values[f"{name}.pitch_env.depth_cents"]))
    depth, decay_s, attack_s = (
        values[f"{osc}.pitch_env.{name}"] for name in ("depth_cents", "decay_s", "attack_s")
    )
    if abs(depth) < LEAST_BEND_CENTS:
        return {}
    later_s = _between(rng, ATTACKS_S)
    fallen = float(np.exp(np.clip((attack_s - later_s) / decay_s, -1.0, 1.0)))
    return {f"{other}.pitch_env.depth_cents": 0.0 for other in bent} | {
        f"{osc}.pitch_env.depth_cents": depth * fallen,
        f"{osc}.pitch_env.decay_s": decay_s,
        f"{osc}.pitch_env.attack_s": later_s,
    }


def _opening(values: dict[str, float], rng: np.random.Generator) -> dict[str, float]:
    """Draw how filter and amplifier open; where the filter settles stays as it is."""
    depth = float(rng.uniform(*OPENINGS_OCTAVES))
    settled = values["filter_env.sustain_ratio"] * values["filter_env.depth_octaves"]
    moved = settled - values["filter_env.sustain_ratio"] * depth
    return {
        "filter_env.depth_octaves": depth,
        "filter.cutoff_hz": values["filter.cutoff_hz"] * 2.0**moved,
        "filter_env.attack_s": _between(rng, OPENING_S),
        "filter_env.attack_curve_ratio": float(rng.choice([-0.5, 0.0, 0.5])),
        "amp_env.attack_s": values["amp_env.attack_s"] * 2.0 ** float(rng.normal()),
    }
