"""What is printed at the end of a comparison or a batch: plain text for 80 columns."""

from __future__ import annotations

import math
import shlex
import textwrap
from statistics import median
from typing import TYPE_CHECKING

from matcher.comparing import TOTAL, run_folder
from matcher.losses import TERM_WORDS, TERMS
from matcher.texts.words import WIDTH, one_line, shorten
from shared import HEARING_CAUTION

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matcher.comparing import Comparison, Effect, PairComparison, Reached

__all__ = ["format_batch", "format_comparison", "has_page"]

NAME_SIGNS = 30
# The first batch: what these reach, the analysis of the target has given.
FIRST_CANDIDATES = 32
# Structures that have room side by side.
LETTERS = "ABCDE"
# A library is listed whole up to here; beyond, the worst are named and the tables have the rest.
MOST_TARGETS = 40
# A page holds all its sounds, about half a megabyte for each target.
MOST_ON_A_PAGE = 24
N_WORST = 15


def format_comparison(comparison: Comparison) -> str:
    """Say all about a comparison."""
    if len(comparison.structures) == 1:
        return format_batch(comparison)
    sections = [_filled(comparison.verdict)]
    if comparison.runs:
        sections += [_format_losses(comparison), *_format_by_target(comparison)]
        sections += [*_format_pairs(comparison)]
        sections.append(_format_reached(comparison))
    sections += [*_format_notes(comparison), *_format_failed(comparison)]
    sections.append(_format_files(comparison))
    return "\n\n".join(sections)


def format_batch(comparison: Comparison) -> str:
    """Say how the targets of a library came out."""
    sections = []
    for structure in comparison.structures:
        rows = _batch_rows(comparison, structure)
        if rows:
            sections.append(_format_targets(structure, rows))
    if len(comparison.structures) > 1:
        sections.append(_filled(comparison.verdict))
    sections += [*_format_notes(comparison), *_format_failed(comparison)]
    sections.append(_format_files(comparison))
    return "\n\n".join(sections)


def has_page(comparison: Comparison) -> bool:
    """Say whether a page of the whole is of use."""
    return bool(comparison.runs) and len(comparison.targets) <= MOST_ON_A_PAGE


def _filled(text: str) -> str:
    """Break a sentence into lines."""
    return textwrap.fill(one_line(text), WIDTH, break_on_hyphens=False, break_long_words=False)


def _format_losses(comparison: Comparison) -> str:
    """Show the final losses, structure by structure."""
    n_signs = NAME_SIGNS - 1
    heads = [f"{TERM_WORDS[term]:>4}" for term in TERMS]
    lines = [
        "Distance that was left (0 is identical, lower is closer): median over",
        "the runs, half of them within the range beside it, and medians of its terms",
        f"  {'':{n_signs}}{'dist.':>5} {'range':9} {' '.join(heads)}",
    ]
    for summary in comparison.summaries:
        total = summary.measures[TOTAL]
        spread = f"{total.low:.1f}-{total.high:.1f}" if total.low < total.high else "-"
        medians = [summary.measures[term].median for term in TERMS]
        terms = " ".join(f"{x:{len(head)}.1f}" for x, head in zip(medians, heads, strict=True))
        name = shorten(summary.structure, n_signs)
        lines.append(f"  {name:{n_signs}}{total.median:#5.3g} {spread:9} {terms}")
    return "\n".join(lines)


def _format_by_target(comparison: Comparison) -> Iterator[str]:
    """Show the median loss of each target, structure by structure."""
    structures, targets = comparison.structures, comparison.targets
    if not 1 < len(targets) <= MOST_TARGETS or len(structures) > len(LETTERS):
        return
    width = 8
    named = ", ".join(f"{x} {name}" for x, name in zip(LETTERS, structures, strict=False))
    heads = "".join(f"{x:>{width}}" for x in LETTERS[: len(structures)])
    lines = [
        _filled(f"Target by target, median of the distance: {named}"),
        f"  {'':{NAME_SIGNS}}{heads}",
    ]
    for target in targets:
        cells = ""
        for structure in structures:
            losses = [run.final.total for run in comparison.of(structure, target)]
            cells += f"{median(losses):{width}.2f}" if losses else f"{'-':>{width}}"
        lines.append(f"  {shorten(target, NAME_SIGNS):{NAME_SIGNS}}{cells}")
    yield "\n".join(lines)


def _format_pairs(comparison: Comparison) -> Iterator[str]:
    """Show the others against the first structure."""
    pairs = [pair for pair in comparison.pairs if pair.first == comparison.structures[0]]
    if not pairs:
        return
    lines = [
        _filled(
            f"Against {comparison.structures[0]}, over pairs of runs of the "
            "same target and seed; below zero is better. Clear: the chance that any line here is "
            "marked so by mistake is below 5 %"
        ),
        f"  {'':16}{'change':>7}{'95 % interval':>18}{'in %':>8}{'effect':>8}{'better':>10}",
    ]
    for pair in pairs:
        lines += [f"  {one_line(pair.second)}", *_pair_lines(pair)]
    yield "\n".join(lines)


def _pair_lines(pair: PairComparison) -> Iterator[str]:
    """Show one structure against the first, measure by measure."""
    for measure in (TOTAL, *TERMS):
        effect = pair.effects[measure]
        mark = "  clear" if effect.is_clear else ""
        words = TERM_WORDS.get(measure, "distance")
        yield f"    {words:14}{_effect_columns(effect)}{mark}".rstrip()


def _effect_columns(effect: Effect) -> str:
    """Show change, interval, percent, effect size and share."""
    interval = effect.difference_interval
    spread = "unknown" if interval is None else f"{interval[0]:+.2f} to {interval[1]:+.2f}"
    percent = "" if math.isnan(effect.percent) else f"{effect.percent:+.0f} %"
    size = "" if math.isnan(effect.standardised) else f"{effect.standardised:+.1f}"
    n_better = effect.share_better * effect.n_pairs
    better = f"{n_better:g} of {effect.n_pairs}"
    return f"{effect.difference:+7.2f}{spread:>18}{percent:>8}{size:>8}{better:>10}"


def _format_reached(comparison: Comparison) -> str:
    """Show how soon each loss was reached, where that tells something."""
    rows = [row for row in comparison.reached if row.target is None]
    told = [
        threshold
        for threshold in comparison.thresholds
        if any(_tells(row) for row in rows if row.threshold == threshold)
    ]
    lines = [
        "How soon a distance is reached: expected running time (all that was spent, over",
        "the runs that got there)",
    ]
    if told:
        heads = f"{'dist.':>6}{'reached':>13}{'tries':>14}{'seconds':>11}"
        lines.append(f"  {'':{NAME_SIGNS}}{heads}")
    for structure in comparison.structures if told else ():
        name = shorten(structure, NAME_SIGNS)
        for row in rows:
            if row.structure == structure and row.threshold in told:
                lines.append(f"  {name:{NAME_SIGNS}}{_reached_columns(row)}".rstrip())
                name = ""
    never = [
        threshold
        for threshold in comparison.thresholds
        if not any(row.n_reached for row in rows if row.threshold == threshold)
    ]
    if never:
        lines.append(f"  No run reached {max(never):g}{' or less' if len(never) > 1 else ''}.")
    return "\n".join(lines)


def _tells(row: Reached) -> bool:
    """Whether a loss was reached, and not by the first candidates of every run."""
    return row.n_reached > 0 and (row.n_reached < row.n_runs or row.evaluations > FIRST_CANDIDATES)


def _reached_columns(row: Reached) -> str:
    """Show one threshold."""
    reached = f"{row.n_reached} of {row.n_runs}"
    if not row.n_reached:
        return f"{row.threshold:6g}{reached:>13}{'-':>14}{'-':>11}"
    return f"{row.threshold:6g}{reached:>13}{row.evaluations:14,.0f}{row.seconds:11.1f}"


def _batch_rows(comparison: Comparison, structure: str) -> list[tuple[float, str, str]]:
    """Collect loss, target and what is most audible, the worst first."""
    rows = []
    for target in comparison.targets:
        best = comparison.best(structure, target)
        if best is not None:
            audible = [text for note in best.notes for text in note.audible]
            rows.append((best.final.total, target, audible[0] if audible else "nothing"))
    return sorted(rows, key=lambda row: -row[0])


def _format_targets(structure: str, rows: Sequence[tuple[float, str, str]]) -> str:
    """List targets with their loss, the worst first."""
    shown = rows if len(rows) <= MOST_TARGETS else rows[:N_WORST]
    what = "the worst first" if shown is rows else f"the worst {N_WORST} of {len(rows)}"
    lines = [f"With {one_line(structure)}, {what}: distance, and what is heard most"]
    lines += [
        f"  {shorten(target, NAME_SIGNS):{NAME_SIGNS}}{loss:6.2f}  "
        f"{shorten(audible, WIDTH - NAME_SIGNS - 10)}"
        for loss, target, audible in shown
    ]
    if len(rows) > 1:
        middle = median(row[0] for row in rows)
        lines.append(f"  {f'median of {len(rows)} targets':{NAME_SIGNS}}{middle:6.2f}")
    return "\n".join(lines)


def _format_notes(comparison: Comparison) -> Iterator[str]:
    """Say what to bear in mind."""
    if comparison.notes:
        yield "\n".join(["Bear in mind", *(_indented(note) for note in comparison.notes)])


def _format_failed(comparison: Comparison) -> Iterator[str]:
    """Say which targets can't be matched."""
    reasons = {failed.target: failed.message for failed in comparison.failed}
    if reasons:
        lines = [_indented(f"{target}: {message}") for target, message in reasons.items()]
        yield "\n".join(["Can't be matched", *lines])


def _indented(text: str) -> str:
    """Break a sentence into indented lines."""
    return textwrap.fill(
        one_line(text),
        WIDTH,
        initial_indent="  ",
        subsequent_indent="    ",
        break_on_hyphens=False,
        break_long_words=False,
    )


def _format_files(comparison: Comparison) -> str:
    """Say where the files are, and how to go on."""
    folder = comparison.folder
    example = run_folder(folder, "TARGET", "STRUCTURE").relative_to(folder)
    lines = [f"Files in {folder}"]
    if comparison.runs:
        lines += [
            f"  {f'{example}/':30}whole run of the best seed, with sounds",
            f"  {'report.html':30}all of this to hear and to see, in a browser"
            if has_page(comparison)
            else f"  {'':30}(`earwright report` on one of these makes its page)",
        ]
    lines += [
        f"  {'compare.json':30}all figures",
        f"  {'runs, effects, reached .csv':30}the same as tables",
        f"  {'curves, evaluations .csv':30}for convergence plots",
    ]
    if comparison.n_missing:
        lines += [
            "",
            f"{comparison.n_missing} runs are missing. To go on:",
            f"  earwright compare --resume {shlex.quote(str(folder))}",
        ]
    if comparison.runs:
        lines += ["", textwrap.fill(f"{HEARING_CAUTION.partition(':')[0]}.", WIDTH)]
    return "\n".join(lines)
