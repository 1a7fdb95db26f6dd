"""Routes of what is kept and taken away: versions, slack, sheet, files, report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matcher.page.routing import (
    context_of,
    download,
    get,
    name_in,
    number_in,
    post,
    remark_in,
    report,
    text_in,
    values_in,
)
from matcher.report.sheet import slack_text
from matcher.runs import compare_patches, find_version, go_back, keep_version, list_versions
from matcher.runs.lock import lock_existing_run
from matcher.runs.versions import forget_name
from matcher.sheet import patch_sheet, plain_sheet, resting_controls
from shared import EarwrightError, sha256_digest
from shared.files import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.runs import Version


def _path(request: Request) -> Path:
    """Find the folder of the run in the address."""
    return context_of(request).runs.path(name_in(request))


def _versions(request: Request) -> object:
    """List the versions of a run."""
    versions = list_versions(_path(request))
    return {"versions": [_version(each, versions) for each in versions]}


def _version(version: Version, every: tuple[Version, ...]) -> dict[str, object]:
    """Describe a version, with what differs from the one that it was made from."""
    parent = next((each for each in every if each.number == version.parent), None)
    changes = () if parent is None else compare_patches(parent.patch, version.patch)
    return {
        "number": version.number,
        "kind": version.kind,
        "title": version.title,
        "note": version.note,
        "parent": version.parent,
        "created": version.created,
        "names": list(version.names),
        "loss": None if version.loss is None else version.loss.total,
        "changes": [vars(each) for each in changes if each.is_used],
    }


def _diff(request: Request) -> object:
    """Compare two versions."""
    path, given = _path(request), request.query_params
    a, b = [find_version(path, given.get(key, "now")) for key in ("a", "b")]
    return {"changes": [vars(each) for each in compare_patches(a.patch, b.patch)]}


def _number_in(document: dict[str, Any]) -> int:
    """Read the number of a version."""
    return int(number_in(document, "version", 1, 1_000_000))


def _keep(request: Request, document: dict[str, Any]) -> object:
    """Give a version a name."""
    name = text_in(document, "name")
    return {"version": keep_version(_path(request), name, _number_in(document)).number}


def _unname(request: Request, document: dict[str, Any]) -> object:
    """Take a name back."""
    path = _path(request)
    with lock_existing_run(path):
        forget_name(path, text_in(document, "name"))
    return {}


def _back(request: Request, document: dict[str, Any]) -> object:
    """Make an earlier version the current state."""
    return {"version": go_back(_path(request), _number_in(document)).number}


def _set(request: Request, document: dict[str, Any]) -> object:
    """Keep values that were set by hand as a version."""
    from matcher import refine  # noqa: PLC0415  takes its time to load

    path = _path(request)
    now = find_version(path)
    values = {k: x for k, x in values_in(document).items() if now.patch.values.get(k) != x}
    if not values:
        return {"version": now.number}
    refine(path, set_values=values, seconds=0.0, note=remark_in(document), progress=False)
    return {"version": find_version(path).number}


def _slack(request: Request) -> dict[str, dict[str, object]]:
    """Say how exactly controls have to be set; empty if this patch was not explained."""
    from matcher.explaining import Explanation  # noqa: PLC0415  only where it is asked for

    try:
        explanation = Explanation.load(_path(request))
    except EarwrightError:
        return {}
    if explanation.patch_digest != sha256_digest(_path(request) / "patch.json"):
        return {}
    structure = context_of(request).runs.structure_of(name_in(request))
    return {
        slack.name: {
            "low": slack.alone_low,
            "high": slack.alone_high,
            "text": slack_text(slack, structure),
        }
        for slack in (() if explanation.slack is None else explanation.slack.slacks)
    }


def _sheet(request: Request) -> dict[str, Any]:
    """Make the rows of the patch sheet; what a step of each control does takes its time."""
    runs, name = context_of(request).runs, name_in(request)
    run, structure, slack = runs.load(name), runs.structure_of(name), _slack(request)
    version = request.query_params.get("version", "")
    patch = runs.patch(name, int(version)) if version.isdecimal() else run.patch
    if patch != run.patch:
        slack = {}
    rows = (
        plain_sheet(patch, structure)
        if "plain" in request.query_params
        else patch_sheet(patch, structure, note=run.notes[0].played)
    )
    return {
        "rows": [row.to_dict() | {"slack": slack.get(row.name, {}).get("text")} for row in rows],
        "resting": [row.to_dict() for row in resting_controls(patch, structure)],
        "structure": structure.name,
        "has_midi": any(control.controller for control in structure.controls.values()),
    }


def _sheet_text(request: Request) -> Response:
    """Send the patch sheet as text."""
    name = name_in(request)
    text = _as_text(context_of(request).runs.describe(name), _sheet(request))
    return download(text.encode(), f"{name}-sheet.txt", "text/plain; charset=utf-8")


def _as_text(run: Mapping[str, Any], sheet: Mapping[str, Any]) -> str:
    """Write the sheet in columns, and whose it is."""
    version = f", version {run['version']['number']}" if run["version"] else ""
    keys = ", ".join(dict.fromkeys(note["pitch"] for note in run["notes"]))
    lines = [f"Patch sheet of {run['name']} ({sheet['structure']}){version}"]
    lines += [f"Played on {keys}, distance {run['loss']['end']['total']:.2f} from the target"]
    part = None
    for row in sheet["rows"]:
        if row["part"] != part:
            part = row["part"]
            lines += ["", part]
        columns = (f"  {row['label']:22}", f"{row['value']:>14}", f"  {row['panel'] or '':8}")
        lines.append("".join((*columns, row["slack"] or "")).rstrip())
    if sheet["resting"]:
        lines += ["", "Off"]
        lines += [
            f"  {row['part']}, {row['label']}: {row['panel'] or row['value']}"
            for row in sheet["resting"]
        ]
    return "\n".join(lines) + "\n"


def _patch_file(request: Request) -> Response:
    """Send the patch file."""
    name = name_in(request)
    patch = context_of(request).runs.patch(name)
    return download(patch.to_json().encode(), f"{name}.json", "application/json")


def _midi_file(request: Request) -> Response:
    """Send a MIDI file that sets the instrument, by its own controllers or those of MIDI 1.0."""
    from matcher.midi import MIDI_MAPS, controller_settings, write_midi_file  # noqa: PLC0415

    runs, name = context_of(request).runs, name_in(request)
    structure = runs.structure_of(name)
    has_own = any(control.controller for control in structure.controls.values())
    settings = controller_settings(
        runs.patch(name), structure, midi_map=None if has_own else next(iter(MIDI_MAPS))
    )
    with temporary_folder() as folder:
        path = folder / "patch.mid"
        write_midi_file(path, settings, channel=structure.midi_channel)
        return download(path.read_bytes(), f"{name}.mid", "audio/midi")


def _report(request: Request) -> Response:
    """Send the report of a run."""
    from matcher.report import render_report  # noqa: PLC0415  loads what draws

    return report(render_report(context_of(request).runs.load(name_in(request))))


ROUTES = [
    get("/api/runs/{name}/versions", _versions),
    get("/api/runs/{name}/diff", _diff),
    post("/api/runs/{name}/keep", _keep),
    post("/api/runs/{name}/unname", _unname),
    post("/api/runs/{name}/back", _back),
    post("/api/runs/{name}/set", _set),
    get("/api/runs/{name}/slack", _slack),
    get("/api/runs/{name}/sheet", _sheet),
    get("/api/runs/{name}/sheet.txt", _sheet_text),
    get("/api/runs/{name}/patch", _patch_file),
    get("/api/runs/{name}/midi", _midi_file),
    get("/api/runs/{name}/report", _report),
]
