"""The first screen of a run, the same after `match`, `refine` and `summary`: 40 lines at most.

What was heard, what still sounds different, what is alike, where to hear both, the patch in a
player's names, and what a shorter or longer one would be. All else is under `--details`.
"""

from __future__ import annotations

import itertools
import shlex
import textwrap
from typing import TYPE_CHECKING, Any

from matcher.parts import settings_off_rest
from matcher.runs.folder import load_patch_and_structure
from matcher.runs.layout import REPORT_FILE
from matcher.runs.versions import settings_title
from matcher.sheet import plain_sheet, resting_controls
from matcher.texts.words import WIDTH, one_line, shorten
from shared import CATALOGUE, HEARING_CAUTION, EarwrightError, pitch_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matcher.runs.folder import RunFolder
    from matcher.sheet import SheetRow
    from shared import Patch
    from voice import Structure

__all__: list[str] = []

# As run.json names where a figure comes from.
_ORIGINS = {"heard": " (measured)", "assumed": " (assumed)", "file name": "", "given": ""}
_PART_WIDTH = 22
_MOST_NOTES = 4
_MOST_DIFFERENCES = 6
_MOST_RUNGS = 5
# What a note has to differ in for these to be heard.
_UNTOLD = (("key_track_ratio", "key tracking"), (".velocity_", "velocity response"))


def format_screen(run: RunFolder, *, times: str = "") -> str:
    """Say what a player wants to know of a run."""
    document = run.run
    notes = [entry for entry in document.get("notes") or [] if isinstance(entry, dict)]
    folder = one_line(shlex.quote(str(run.path)))
    sections = [
        "\n".join(_heard(notes)),
        "\n".join([*_different(notes, document), *_alike(notes)]),
        "\n".join(_where(run)),
        _patch_text(run, document, times),
        "\n".join(_ladder(document)),
        f"Search figures, terms and files:\n  earwright summary {folder} --details",
    ]
    return "\n\n".join(section for section in sections if section)


def _heard(notes: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say in a line what each note is, and where that comes from."""
    for entry in notes[:_MOST_NOTES]:
        played = entry.get("played") or {}
        origin = played.get("sources") or {}
        gate_s = float(played.get("gate_s") or 0.0)
        held = f"{1000.0 * gate_s:.0f} ms" if gate_s < 10.0 else f"{gate_s:.2f} s"
        told = (
            ("", pitch_name(float(played.get("midi_pitch") or 0.0)), "pitch"),
            ("key held ", held, "gate"),
            ("velocity ", str(played.get("velocity", "")), "velocity"),
        )
        said = ", ".join(
            f"{words}{value}{_ORIGINS.get(str(origin.get(key)), '')}" for words, value, key in told
        )
        yield shorten(f"{shorten(str(entry.get('name', '')), WIDTH - 60)}: {said}", WIDTH)
    if len(notes) > _MOST_NOTES:
        yield f"and {len(notes) - _MOST_NOTES} notes more"


def _different(notes: Sequence[Mapping[str, Any]], document: Mapping[str, Any]) -> Iterator[str]:
    """Say what still sounds different, over all notes the largest first."""
    total = ((document.get("loss") or {}).get("end") or {}).get("total")
    distance = f"{total:.2f}" if isinstance(total, (int, float)) else "unknown"
    yield f"Still sounds different (distance {distance}; 0 is identical, lower is closer)"
    found = [
        (float(each.get("steps") or 0.0), str(entry.get("name", "")), str(each["sentence"]))
        for entry in notes
        for each in entry.get("audible") or []
        if isinstance(each, dict) and each.get("sentence")
    ]
    found.sort(key=lambda each: -each[0])
    for _, name, sentence in found[:_MOST_DIFFERENCES]:
        where = f"{shorten(name, 24)}: " if len(notes) > 1 else ""
        text = f"{where}{sentence.rpartition(': ')[0] or sentence}"
        yield from _wrapped(one_line(text), "  ", "    ")
    if not found:
        yield "  none of the named differences exceeds its published threshold"
    elif len(found) > _MOST_DIFFERENCES:
        yield f"  and {len(found) - _MOST_DIFFERENCES} more"


def _alike(notes: Sequence[Mapping[str, Any]]) -> list[str]:
    """Name what differs in no note by more than its threshold."""
    heard = {str(each.get("quantity")) for n in notes for each in n.get("audible") or []}
    quiet = {str(each.get("quantity")): None for n in notes for each in n.get("not_audible") or []}
    alike = [name for name in quiet if name not in heard]
    return _wrapped(f"Alike: {', '.join(alike)}", "", "  ") if alike else []


def _where(run: RunFolder) -> list[str]:
    """Say where both can be heard."""
    name = REPORT_FILE if (run.path / REPORT_FILE).is_file() else "target/ and match/"
    return [
        f"Hear both: {one_line(str(run.path))}/{name}",
        f"{HEARING_CAUTION.partition(':')[0]}.",
    ]


def _patch_text(run: RunFolder, document: Mapping[str, Any], times: str) -> str:
    """Show the patch, and say what one note can't tell."""
    try:
        patch, structure = load_patch_and_structure(run.path)
    except EarwrightError:
        # The user's own file may be gone; the patch is here.
        return "\n".join(format_slip(run.patch, None, times=times))
    lines = [*format_slip(patch, structure, times=times)]
    missing = (document.get("structure") or {}).get("not_searched") or []
    untold = [words for key, words in _UNTOLD if any(key in str(name) for name in missing)]
    if untold:
        lines += _wrapped(
            f"{'One note' if len(run.notes) == 1 else 'These notes'} can't show "
            f"{' or '.join(untold)}; {'both are' if len(untold) > 1 else 'it is'} off.",
            "  ",
            "  ",
        )
    return "\n".join(lines)


def format_slip(patch: Patch, structure: Structure | None, *, times: str = "") -> Iterator[str]:
    """Write a patch as a colleague would on a slip of paper: a line a part, no dotted names."""
    rows = plain_sheet(patch, structure, times=times)
    space = CATALOGUE if structure is None else structure.settable
    n_settings = len(settings_off_rest(patch.values, space))
    yield f"Patch ({one_line(patch.structure)}, {settings_title(n_settings)})"
    for part, members in itertools.groupby(rows, key=lambda row: row.part):
        # Lines break between settings, never within one.
        settings = ", ".join(
            _setting(row).replace(" ", "\u00a0") for row in members if row.linked_to is None
        )
        if settings:
            head = f"  {part:{_PART_WIDTH - 1}} "
            if len(part) >= _PART_WIDTH:
                yield f"  {part}"
                head = " " * (_PART_WIDTH + 2)
            lines = _wrapped(settings, head, " " * (_PART_WIDTH + 2))
            yield from (one_line(line.replace("\u00a0", " ")) for line in lines)
    resting = () if structure is None else resting_controls(patch, structure)
    listed = ", ".join(f"{row.label} {row.panel or row.value}" for row in resting)
    yield from _wrapped(
        one_line(f"everything else off{': ' if listed else ''}{listed}"), "  ", "    "
    )


def _setting(row: SheetRow) -> str:
    """Name one control and where it stands; on a panel in the panel's own values."""
    return f"{row.label} {row.value if row.panel is None else row.panel}"


def _ladder(document: Mapping[str, Any]) -> Iterator[str]:
    """Say what a shorter or longer patch would be, the suggested one marked."""
    rungs = [each for each in document.get("ladder") or [] if isinstance(each, dict)]
    if not rungs:
        return
    here = next((i for i, rung in enumerate(rungs) if rung.get("is_suggested")), 0)
    first = max(0, min(here - _MOST_RUNGS // 2, len(rungs) - _MOST_RUNGS))
    yield "What a shorter or longer patch would be (earwright shorten RUN --settings N)"
    last = len(rungs) - 1
    for place in range(first, min(first + _MOST_RUNGS, len(rungs))):
        rung = rungs[place]
        adds = "; ".join(f"+ {text}" for text in rung.get("adds") or [])
        adds = "the shortest that was found" if place == last else adds
        mark = "->" if place == here else "  "
        distance = rung.get("distance")
        shown = f"{distance:.2f}" if isinstance(distance, (int, float)) else "?"
        size = settings_title(rung["settings"])
        yield shorten(f"{mark}{size:>13}, distance {shown}: {adds}", WIDTH)


def _wrapped(text: str, indent: str, later: str) -> list[str]:
    """Break a text into lines."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=later, break_on_hyphens=False
    )
