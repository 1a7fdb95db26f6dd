"""A comparison read back from its folder: the finished runs, and what they show.

The verdict is one sentence that says no more than the runs do. Every other structure is set
against the first one that was named. A difference is named only if it is clear
(`Effect.is_clear`); "nothing audible" is said only if the intervals of the loss and of all its
terms lie within one audible step; where neither holds, the sentence says that these runs don't
tell.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

from matcher.comparing.effects import PairComparison, compare_pairs
from matcher.comparing.outcome import MEASURE_WORDS, MEASURES, TOTAL, FinishedRuns
from matcher.comparing.statistics import (
    Convergence,
    Reached,
    StructureSummary,
    converge,
    reach,
    summarise,
)
from matcher.losses import TERMS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matcher.comparing.effects import Effect

__all__ = ["Comparison"]

# Terms named in the sentence, at most; the table has all.
N_TERMS_NAMED = 2
# Runs of one structure on one target that get this much more than others in the same time.
UNEVEN_RATIO = 1.25
# Versions that change what is found; the others only matter if these differ.
WATCHED = ("earwright", "numpy", "numba")


class Comparison(FinishedRuns):
    """Structures side by side: `FinishedRuns`, and all that is computed of them when asked for."""

    @cached_property
    def summaries(self) -> tuple[StructureSummary, ...]:
        """Final losses, structure by structure; those without finished runs are left out."""
        return tuple(summarise(name, self.of(name)) for name in self.structures if self.of(name))

    @cached_property
    def convergence(self) -> tuple[Convergence, ...]:
        """Course of the search, for each structure over evaluations and over seconds."""
        return converge(self)

    @cached_property
    def reached(self) -> tuple[Reached, ...]:
        """How soon each threshold was reached: over all targets, then target by target."""
        return reach(self)

    @cached_property
    def pairs(self) -> tuple[PairComparison, ...]:
        """Every two structures side by side."""
        return compare_pairs(self)

    @cached_property
    def verdict(self) -> str:
        """What the runs show, in one sentence."""
        return _verdict(self, self.pairs)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What to bear in mind when reading it."""
        return tuple(_notes(self))


def _verdict(finished: FinishedRuns, pairs: Sequence[PairComparison]) -> str:
    """Say in one sentence what the runs and their pairs show."""
    if not finished.runs:
        return "No run is finished yet, so nothing can be said."
    base = finished.structures[0]
    frame = _frame(finished)
    if len(finished.structures) == 1:
        return f"{frame}{base} is the only structure, so there is nothing to compare."
    clauses = [_clause(pair) for pair in pairs if pair.first == base]
    if not clauses:
        return f"{frame}no two structures have a finished run of the same seed yet."
    return f"{frame}{'; '.join(clauses)}."


def _frame(finished: FinishedRuns) -> str:
    """Say what the sentence is about."""
    n_targets, n_seeds = len(finished.targets), len(finished.seeds)
    targets = "this target" if n_targets == 1 else f"these {n_targets} targets"
    budget = finished.settings.get("evals")
    each = f"{finished.settings.get('seconds'):g} s" if budget is None else f"{budget} tries"
    seeds = "1 seed" if n_seeds == 1 else f"{n_seeds} seeds"
    n_runs, n_missing = len(finished.runs), finished.n_missing
    so_far = f"So far ({n_runs} of {n_runs + n_missing} runs), on" if n_missing else "On"
    return f"{so_far} {targets}, with {each} for each run and {seeds}: "


def _clause(pair: PairComparison) -> str:
    """Say what one structure does against another."""
    total = pair.effects[TOTAL]
    against = f"against {pair.first}"
    if total.difference_interval is None:
        n_better = round(total.share_better * total.n_pairs)
        return (
            f"{pair.second} came out better than {pair.first} in {n_better} of {total.n_pairs} "
            f"pair{'s' if total.n_pairs > 1 else ''}, and one seed can't tell that from chance"
        )
    terms = [pair.effects[name] for name in TERMS if pair.effects[name].is_clear]
    terms.sort(key=lambda effect: -abs(effect.difference))
    if total.is_clear:
        return f"{pair.second} {_changes([total, *_named(terms)])} {against}"
    if terms:
        said = f"{pair.second} {_changes(_named(terms))} {against}"
        return f"{said}, with no clear difference in the distance as a whole"
    if all(effect.is_inaudible for effect in pair.effects.values()):
        return f"{pair.second} brings nothing audible {against}"
    return _open(pair, total.difference_interval)


def _open(pair: PairComparison, interval: tuple[float, float]) -> str:
    """Say what remains open where nothing is clear."""
    spread = f"{interval[0]:+.2f} to {interval[1]:+.2f} of distance"
    if pair.effects[TOTAL].is_inaudible:
        untold = [MEASURE_WORDS[name] for name in TERMS if not pair.effects[name].is_inaudible]
        return (
            f"{pair.second} makes less than 1 of distance against {pair.first} "
            f"({spread}), and for the {' and the '.join(untold)} these runs don't tell"
        )
    return (
        f"{pair.second} shows no clear difference against {pair.first} ({spread}), and an audible "
        "one can't be ruled out"
    )


def _changes(effects: list[Effect]) -> str:
    """Say by how much measures change; a verb stands once for those of one direction."""
    said, verb = [], ""
    for effect in effects:
        now = "lowers" if effect.difference < 0.0 else "raises"
        named = f"the {MEASURE_WORDS[effect.measure]} by {_amount(effect)}"
        said.append(named if now == verb else f"{now} {named}")
        verb = now
    return " and ".join([", ".join(said[:-1]), said[-1]] if len(said) > 1 else said)


def _amount(effect: Effect) -> str:
    """Give a change in percent with its interval, and as a distance."""
    steps = "less than 1" if effect.is_inaudible else f"{abs(effect.difference):.1f}"
    if effect.percent_interval is not None:
        low, high = sorted(abs(x) for x in effect.percent_interval)
        return f"{abs(effect.percent):.0f} % ({low:.0f} to {high:.0f}; {steps})"
    low, high = sorted(abs(x) for x in effect.difference_interval or (0.0, 0.0))
    return f"{abs(effect.difference):.2f} ({low:.2f} to {high:.2f})"


def _named(terms: list[Effect]) -> list[Effect]:
    """Choose the terms to name: the largest, and the largest of the other direction."""
    if not terms:
        return []
    others = [each for each in terms[1:] if each.difference * terms[0].difference < 0.0]
    return [terms[0], *(others or terms[1:])][:N_TERMS_NAMED]


def _notes(finished: FinishedRuns) -> Iterator[str]:
    """Say where runs were not quite alike, and what is missing."""
    runs = finished.runs
    for name in WATCHED:
        found = sorted({run.versions.get(name, "unknown") for run in runs})
        if len(found) > 1:
            yield (
                f"The runs were done with different versions of {name} ({', '.join(found)}). For "
                "a fair comparison, do all of them with one: begin anew in another folder."
            )
    if len({run.final.version for run in runs} - {""}) > 1:
        yield (
            "Distances of these runs were measured in different ways, as earwright has changed "
            "meanwhile. For a fair comparison, begin anew in another folder."
        )
    processors = sorted({run.processor for run in runs})
    is_timed = finished.settings.get("evals") is None
    if is_timed and len(processors) > 1:
        yield (
            f"The runs were done on {len(processors)} kinds of processor, and a faster one tries "
            "more in the same time. --tries gives every run the same."
        )
    elif is_timed and (unevenness := _unevenness(finished)) > UNEVEN_RATIO:
        yield (
            f"In the same time some runs tried {100.0 * (unevenness - 1.0):.0f} % more than "
            "others of the same target and structure; the machine was busy. --tries gives every "
            "run the same."
        )
    if len(finished.structures) > 1 and len(finished.seeds) < 3:
        yield (
            f"With {len(finished.seeds)} seed{'' if len(finished.seeds) == 1 else 's'}, "
            "chance can hardly be told from a difference; 5 are a good beginning."
        )
    if _have_equals(finished):
        yield (
            "Some runs came out the same with several seeds, as the search is short of what the "
            "seed decides; they count once. Give a larger budget to learn of chance."
        )


def _have_equals(finished: FinishedRuns) -> bool:
    """Say whether two seeds gave the same run of a target and a structure, to the bit."""
    found = [
        (run.target, run.structure, *(run.measure(name) for name in MEASURES))
        for run in finished.runs
    ]
    return len(set(found)) < len(found)


def _unevenness(finished: FinishedRuns) -> float:
    """Return how many times more some run tried than another of the same target and structure."""
    groups: dict[tuple[str, str], list[int]] = {}
    for run in finished.runs:
        groups.setdefault((run.target, run.structure), []).append(run.n_evaluations)
    return max((max(counts) / min(counts) for counts in groups.values()), default=1.0)
