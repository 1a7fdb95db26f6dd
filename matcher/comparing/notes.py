"""What to bear in mind when reading a comparison: where its runs were not quite alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.comparing.statistics import MEASURES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matcher.comparing.comparison import Comparison

__all__ = ["make_notes"]

# Runs of one structure on one target that get this much more than others in the same time.
UNEVEN_RATIO = 1.25
# Versions that change what is found; the others only matter if these differ.
WATCHED = ("earwright", "numpy", "numba")


def make_notes(comparison: Comparison) -> tuple[str, ...]:
    """Say where runs were not quite alike, and what is missing.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    tuple of str
        Sentences.
    """
    return tuple(_notes(comparison))


def _notes(comparison: Comparison) -> Iterator[str]:
    """Go through what can be uneven."""
    runs = comparison.runs
    for name in WATCHED:
        found = sorted({run.versions.get(name, "unknown") for run in runs})
        if len(found) > 1:
            yield (
                f"The runs were done with different versions of {name} ({', '.join(found)}). For "
                "a fair comparison, do all of them with one: begin anew in another folder."
            )
    processors = sorted({run.processor for run in runs})
    is_timed = comparison.settings.get("evals") is None
    if is_timed and len(processors) > 1:
        yield (
            f"The runs were done on {len(processors)} kinds of processor, and a faster one tries "
            "more in the same time. --evals gives every run the same."
        )
    elif is_timed and _unevenness(comparison) > UNEVEN_RATIO:
        yield (
            "In the same time some runs tried "
            f"{100.0 * (_unevenness(comparison) - 1.0):.0f} % more than others of the same "
            "target and structure; the machine was busy. --evals gives every run the same."
        )
    if len(comparison.structures) > 1 and len(comparison.seeds) < 3:
        yield (
            f"With {len(comparison.seeds)} seed{'' if len(comparison.seeds) == 1 else 's'}, "
            "chance can hardly be told from a difference; 5 are a good beginning."
        )
    if _have_equals(comparison):
        yield (
            "Some runs came out the same with several seeds, as the search is short of what the "
            "seed decides; they count once. Give a larger budget to learn of chance."
        )


def _have_equals(comparison: Comparison) -> bool:
    """Say whether two seeds gave the same run of a target and a structure, to the bit."""
    found = [
        (run.target, run.structure, *(run.measure(name) for name in MEASURES))
        for run in comparison.runs
    ]
    return len(set(found)) < len(found)


def _unevenness(comparison: Comparison) -> float:
    """Return how many times more some run tried than another of the same target and structure."""
    groups: dict[tuple[str, str], list[int]] = {}
    for run in comparison.runs:
        groups.setdefault((run.target, run.structure), []).append(run.n_evaluations)
    return max((max(counts) / min(counts) for counts in groups.values()), default=1.0)
