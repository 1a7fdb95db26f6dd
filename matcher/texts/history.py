"""Versions and differences of patches, as plain text for 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from matcher.losses import loss_change
from matcher.runs import compare_patches
from matcher.texts.tables import loss_table
from matcher.texts.words import WIDTH, one_line, shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.hearing.patches import HeardChange, PatchDifference
    from matcher.runs import PatchChange, Version
    from shared import Patch

__all__: list[str] = []

TITLE_WIDTH = 38
_NAME_WIDTH = 31
_OTHER_LOSS = (
    "Distances of some of these versions were measured otherwise than today and can't be compared "
    "with the others; `earwright changes` measures any two anew."
)


def format_versions(versions: Sequence[Version]) -> str:
    """List versions, the latest first."""
    lines = [f"{'':8} {'':{TITLE_WIDTH}} {'distance':>8}  from  changed"]
    for version in reversed(versions):
        mark = "now" if version is versions[-1] else ""
        loss = "" if version.loss is None else f"{version.loss.total:.2f}"
        parent = "" if version.parent is None else str(version.parent)
        title = shorten(version.title, TITLE_WIDTH)
        lines.append(
            f"{mark:3} {version.number:4} {title:{TITLE_WIDTH}} {loss:>8}  {parent:>4}  "
            f"{_count(len(version.changed))}"
        )
        lines += [f"{'':9}kept as: {name}" for name in version.names]
        if version.note:
            lines += _indented(f"comment: {version.note}", 9)
    if any(each.loss and loss_change(each.loss.version, each.loss.parts) for each in versions):
        lines += _indented(_OTHER_LOSS, 0)
    return "\n".join(lines)


def format_changes(before: Patch, after: Patch) -> str:
    """List the parameters that differ and do something, in user units."""
    changes = compare_patches(before, after)
    lines = ["Changed"]
    lines += _by_part([(change, "") for change in changes if change.is_used])
    n_idle = sum(not change.is_used for change in changes)
    if n_idle:
        lines.append(f"  and {_count(n_idle)} of parts that are off")
    return "\n".join(lines if changes else ["Nothing changed."])


def format_difference(difference: PatchDifference) -> str:
    """Say what differs between two patches, what that does to the loss, and what is heard."""
    a_name, b_name = map(one_line, difference.names)
    names = [f"  a  {a_name}", f"  b  {b_name}"]
    sections = ["\n".join(["Compared", *names])]
    if not difference.changes:
        return "\n\n".join([*sections, "All values are the same."])
    told = [change for change in difference.changes if change.change.is_used]
    rows = [(heard.change, _verdict(heard)) for heard in told]
    lines = ["Changed, from a to b, and what is heard of each change alone", *_by_part(rows)]
    n_idle = len(difference.changes) - len(told)
    if n_idle:
        lines.append(f"  and {_count(n_idle)} of parts that are off")
    sections.append("\n".join(lines))
    if difference.losses is not None and difference.run is not None:
        a, b = difference.losses
        title = f"Distance on the notes of {one_line(str(difference.run))}"
        sections.append("\n".join([title, *loss_table(("a", a), ("b", b))]))
    sections.append("\n".join(_heard_lines(difference)))
    return "\n\n".join(sections)


def _by_part(rows: Sequence[tuple[PatchChange, str]]) -> list[str]:
    """Lay out changes under the parts that they belong to."""
    lines = []
    part = ""
    for change, verdict in rows:
        if change.part != part:
            part = change.part
            lines.append(f"  {part}")
        values = f"{change.before_text} -> {change.after_text}"
        if change.before_text == change.after_text:
            values = f"{change.after_text}, hardly moved"
        lines.append(f"    {change.label:20}{values:>26}   {change.name}".rstrip())
        if verdict:
            lines += _indented(verdict, 8)
    return lines


def _verdict(heard: HeardChange) -> str:
    """Say what is heard of one change."""
    if heard.follows is not None:
        return f"follows {heard.follows}"
    if not heard.is_audible:
        return "not heard"
    return f"heard: {heard.heard[0].summary}"


def _heard_lines(difference: PatchDifference) -> list[str]:
    """Say what is heard between the two sounds, at one level."""
    lines = ["Heard between a and b (levels matched)"]
    for name, found in difference.heard:
        audible = [each for each in found if each.is_audible]
        if len(difference.heard) > 1:
            lines.append(f"  {shorten(name, WIDTH - 2)}")
        if not audible:
            lines.append("    nothing")
        for each in audible:
            lines += _indented(each.summary, 4)
    return lines


def _indented(text: str, n_signs: int) -> list[str]:
    """Wrap a text, indented."""
    blank = " " * n_signs
    return textwrap.wrap(
        one_line(text), WIDTH, initial_indent=blank, subsequent_indent=f"{blank}  "
    )


def _count(n_values: int) -> str:
    """Count values."""
    if not n_values:
        return "-"
    return f"{n_values} value{'' if n_values == 1 else 's'}"
