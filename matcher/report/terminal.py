"""A run in a terminal: the essentials, with small pictures made of signs."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import TERMS
from matcher.plots.pair import level_curves
from matcher.report.sounds import read_sound
from matcher.runs.folder import load_patch_and_structure
from matcher.texts.tables import format_patch
from matcher.texts.words import WIDTH, one_line, shorten
from shared import HEARING_CAUTION, EarwrightError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from matcher.runs.folder import RunFolder, RunNote
    from shared import FloatArray

__all__ = ["ASCII_SIGNS", "BLOCK_SIGNS", "format_run", "text_plot"]

BLOCK_SIGNS = " ▁▂▃▄▅▆▇█"
ASCII_SIGNS = " .:-=+*#@"
N_COLUMNS = 60
# The attack enlarged, and how much of the level is shown.
ATTACK_S = 0.15
RANGE_DB = 48.0
FEW_DIFFERENCES = 6


def format_run(run: RunFolder, *, is_plain: bool = False) -> str:
    """Show the essentials of a run."""
    signs = ASCII_SIGNS if is_plain else BLOCK_SIGNS
    document: Mapping[str, Any] = run.run
    sections = [
        _head(run),
        _distance(document),
        *(
            _note(note, fields, signs)
            for note, fields in zip(run.notes, document.get("notes") or [], strict=False)
        ),
        _search(document, signs),
        _patch(run),
        "\n".join(
            [
                f"Report with sounds and pictures: earwright report {one_line(str(run.path))}",
                f"{HEARING_CAUTION.partition(':')[0]}.",
            ]
        ),
    ]
    return "\n\n".join(section for section in sections if section)


def _patch(run: RunFolder) -> str:
    """Print the patch, in the values of a panel if the structure has one."""
    try:
        _, structure = load_patch_and_structure(run.path)
    except EarwrightError:
        # The user's own file may be gone; the patch is here.
        return format_patch(run.patch)
    return format_patch(run.patch, structure)


def text_plot(values: Sequence[float] | FloatArray, *, low: float, high: float, signs: str) -> str:
    """Draw values as a row of signs."""
    share = (np.asarray(values, dtype=np.float64) - low) / (high - low)
    places = np.rint(np.clip(np.nan_to_num(share), 0.0, 1.0) * (len(signs) - 1)).astype(int)
    return "".join(signs[place] for place in places)


def _head(run: RunFolder) -> str:
    """Name the run."""
    names = ", ".join(one_line(note.name) for note in run.notes)
    return "\n".join(
        [
            shorten(names, WIDTH),
            f"  matched with {one_line(run.patch.structure)}, in {run.path.name}",
        ]
    )


def _distance(document: Mapping[str, Any]) -> str:
    """Show the loss as bars, term by term, at the start and now."""
    loss = document.get("loss") or {}
    start, end = (loss.get(key) or {} for key in ("start", "end"))
    rows = [("total", start.get("total"), end.get("total"))]
    rows += [
        (term, (start.get("terms") or {}).get(term), (end.get("terms") or {}).get(term))
        for term in TERMS
    ]
    lines = ["Distance from the target (start, now; 0 is identical; a bar sign is 0.5)"]
    for name, before, now in rows:
        if isinstance(now, (int, float)):
            was = f"{before:6.2f}" if isinstance(before, (int, float)) else "     ?"
            bar = "#" * min(40, round(2.0 * now))
            lines.append(f"  {name:12}{was}{now:8.2f}  {bar}".rstrip())
    return "\n".join(lines) if len(lines) > 1 else ""


def _note(note: RunNote, fields: Mapping[str, Any], signs: str) -> str:
    """Show the levels of a note, and what is still heard."""
    target, match = (read_sound(path) for path in (note.target, note.match))
    onset_s = float(fields.get("onset_s") or 0.0)
    n_samples = min(target.signal.size, match.signal.size)
    curves = level_curves(
        target.signal[:n_samples],
        match.signal[:n_samples],
        sample_rate_hz=target.sample_rate_hz,
        note=note.played,
    )
    last_s = n_samples / target.sample_rate_hz
    lines = [shorten(one_line(note.name), WIDTH)]
    for title, start_s, end_s in (
        ("whole note", 0.0, last_s),
        ("attack", onset_s, min(onset_s + ATTACK_S, last_s)),
    ):
        places_s = np.linspace(start_s, end_s, N_COLUMNS)
        lines.append(f"  level, {title} ({1000.0 * (end_s - start_s):.0f} ms, {RANGE_DB:.0f} dB)")
        for name, curve in zip(("target", "match"), curves, strict=True):
            row = text_plot(np.interp(places_s, *curve), low=-RANGE_DB, high=0.0, signs=signs)
            lines.append(f"    {name:7}|{row}|")
    return "\n".join([*lines, *_audible(fields)])


def _audible(fields: Mapping[str, Any]) -> list[str]:
    """Say what is still heard, the largest first."""
    listed = [entry for entry in fields.get("audible") or [] if isinstance(entry, dict)]
    if not listed:
        return ["  no named difference exceeds its published threshold"]
    lines = ["  still sounds different"]
    for entry in listed[:FEW_DIFFERENCES]:
        text = one_line(str(entry.get("sentence", "")).rpartition(": ")[0])
        lines += textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="      ")
    if len(listed) > FEW_DIFFERENCES:
        lines.append(f"    and {len(listed) - FEW_DIFFERENCES} more")
    return lines


def _search(document: Mapping[str, Any], signs: str) -> str:
    """Show how the loss went down."""
    points = [
        (point["evaluations"], point["loss"])
        for point in document.get("history") or []
        if isinstance(point.get("loss"), (int, float))
    ]
    if not points:
        return ""
    counts, losses = np.array(points, dtype=np.float64).T
    n_all = (document.get("figures") or {}).get("evaluations") or int(counts[-1])
    places = np.searchsorted(counts, np.linspace(1, n_all, N_COLUMNS), side="right") - 1
    row = losses[np.maximum(places, 0)]
    plot = text_plot(row, low=0.0, high=float(losses.max()) or 1.0, signs=signs)
    return "\n".join(
        [
            f"Search, {n_all} tries: distance {losses[0]:.2f} to {losses[-1]:.2f}",
            f"           |{plot}|",
        ]
    )
