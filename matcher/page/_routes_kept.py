"""Routes of what is kept and taken away: versions, slack, sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from matcher.page._http import answer, guarded, in_thread, number_in, read_json, text_in, values_in
from matcher.page.security import REPORT_POLICY
from matcher.runs import (
    compare_patches,
    find_version,
    go_back,
    keep_version,
    list_versions,
)
from matcher.sheet import patch_sheet, resting_controls
from shared import CATALOGUE, EarwrightError, ParameterError
from shared._leftovers import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from matcher.explaining import Slack
    from matcher.page.app import Desk
    from matcher.runs import PatchChange, Version
    from shared import Patch

__all__: list[str] = []


async def _versions(request: Request) -> Response:
    """List the versions of a run."""
    desk: Desk = request.app.state.desk
    versions = await in_thread(lambda: list_versions(desk.runs.path(request.path_params["name"])))
    return answer({"versions": [_version(each, versions) for each in versions]})


async def _diff(request: Request) -> Response:
    """Compare two versions."""
    desk: Desk = request.app.state.desk
    path = desk.runs.path(request.path_params["name"])
    names = [request.query_params.get(key, "current") for key in ("a", "b")]
    a, b = [await in_thread(find_version, path, name) for name in names]
    return answer({"changes": [_change(each) for each in compare_patches(a.patch, b.patch)]})


async def _keep(request: Request) -> Response:
    """Give a version a name."""
    desk: Desk = request.app.state.desk
    document = await read_json(request)
    path = desk.runs.path(request.path_params["name"])
    number = int(number_in(document, "version", 1, 1_000_000))

    name = text_in(document, "name")
    return answer({"version": (await in_thread(keep_version, path, name, number)).number})


async def _back(request: Request) -> Response:
    """Make an earlier version the current state."""
    desk: Desk = request.app.state.desk
    document = await read_json(request)
    path = desk.runs.path(request.path_params["name"])
    number = int(number_in(document, "version", 1, 1_000_000))
    return answer({"version": (await in_thread(go_back, path, number)).number})


async def _set(request: Request) -> Response:
    """Keep values that were set by hand as a version."""
    from matcher import refine  # noqa: PLC0415  takes its time to load

    desk: Desk = request.app.state.desk
    document = await read_json(request)
    path = desk.runs.path(request.path_params["name"])
    values, note = values_in(document), str(document.get("note") or "")[:200]

    def keep() -> Version:
        refine(path, set_values=values, seconds=0.0, note=note, progress=False)
        return find_version(path)

    return answer({"version": (await in_thread(keep)).number})


async def _slack(request: Request) -> Response:
    """Say how exactly controls have to be set, as far as it was found out."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(slack_of, desk, request.path_params["name"]))


def slack_of(desk: Desk, name: str) -> dict[str, dict[str, object]]:
    """Read the slack of a run's controls; empty if it was not explained."""
    from matcher.explaining import Explanation  # noqa: PLC0415  only where it is asked for

    try:
        explanation = Explanation.load(desk.runs.path(name))
    except EarwrightError:
        return {}
    found = () if explanation.slack is None else explanation.slack.slacks
    return {
        slack.name: {
            "low": slack.alone_low,
            "high": slack.alone_high,
            "text": slack_text(slack),
        }
        for slack in found
    }


async def _sheet(request: Request) -> Response:
    """Send the rows of the patch sheet."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(_sheet_of, desk, request.path_params["name"]))


async def _sheet_text(request: Request) -> Response:
    """Send the patch sheet as text."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    sheet = await in_thread(_sheet_of, desk, name)
    text = _as_text(name, sheet)
    return download(text.encode(), f"{name}-sheet.txt", "text/plain; charset=utf-8")


def _sheet_of(desk: Desk, name: str) -> dict[str, Any]:
    """Make the patch sheet of a run."""
    run = desk.runs.load(name)
    structure = desk.runs.structure_of(name)
    slack = slack_of(desk, name)
    rows = patch_sheet(run.patch, structure, note=run.notes[0].played)
    return {
        "rows": [row.to_dict() | {"slack": slack.get(row.name, {}).get("text")} for row in rows],
        "resting": [row.to_dict() for row in resting_controls(run.patch, structure)],
        "structure": structure.name,
        "has_midi": any(control.controller for control in structure.controls.values()),
    }


def _as_text(name: str, sheet: Mapping[str, Any]) -> str:
    """Write the sheet in columns."""
    lines = [f"Patch sheet of {name} ({sheet['structure']})"]
    part = None
    for row in sheet["rows"]:
        if row["part"] != part:
            part = row["part"]
            lines += ["", part]
        columns = (f"  {row['label']:22}", f"{row['value']:>14}", f"  {row['panel'] or '':8}")
        lines.append("".join((*columns, row["slack"] or "")).rstrip())
    if sheet["resting"]:
        lines += ["", "At rest"]
        lines += [
            f"  {row['part']}, {row['label']}: {row['panel'] or row['value']}"
            for row in sheet["resting"]
        ]
    return "\n".join(lines) + "\n"


def download(content: bytes, file_name: str, media_type: str) -> Response:
    """Send a file to be kept under a name that is never read as a header."""
    # RFC 6266 with the encoding of RFC 8187.
    disposition = f"attachment; filename*=UTF-8''{quote(file_name, safe='')}"
    return Response(content, media_type=media_type, headers={"content-disposition": disposition})


async def _patch_file(request: Request) -> Response:
    """Send the patch file."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    patch: Patch = await in_thread(desk.runs.patch, name)
    return download(patch.to_json().encode(), f"{name}.json", "application/json")


async def _midi(request: Request) -> Response:
    """Send a MIDI file that sets the instrument."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    return download(await in_thread(_midi_file, desk, name), f"{name}.mid", "audio/midi")


def _midi_file(desk: Desk, name: str) -> bytes:
    """Write a MIDI file, by the structure's controllers or else those of MIDI 1.0."""
    from matcher.midi import MIDI_MAPS, controller_settings, write_midi_file  # noqa: PLC0415

    structure = desk.runs.structure_of(name)
    has_own = any(control.controller for control in structure.controls.values())
    settings = controller_settings(
        desk.runs.patch(name), structure, midi_map=None if has_own else next(iter(MIDI_MAPS))
    )
    with temporary_folder() as folder:
        path = folder / "patch.mid"
        write_midi_file(path, settings, channel=structure.midi_channel)
        return path.read_bytes()


async def _report(request: Request) -> Response:
    """Send the report of a run; it is one file with its own script, and a stranger to the page."""
    from matcher.report import render_report  # noqa: PLC0415  loads what draws

    desk: Desk = request.app.state.desk
    run = await in_thread(desk.runs.load, request.path_params["name"])
    page = await in_thread(render_report, run)
    return HTMLResponse(page, headers={"content-security-policy": REPORT_POLICY})


def _version(version: Version, every: tuple[Version, ...]) -> dict[str, object]:
    """Describe a version, with what differs from the one that it was made from."""
    by_number = {each.number: each for each in every}
    parent = by_number.get(version.parent or 0)
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
        "changes": [_change(each) for each in changes if each.is_used],
    }


def _change(change: PatchChange) -> dict[str, object]:
    """Describe one value that differs."""
    return dict(vars(change))


def slack_text(slack: Slack) -> str:
    """Write an interval within which nothing is heard if the control is turned alone."""
    parameter = CATALOGUE[slack.name]
    low, high = parameter.format(slack.alone_low), parameter.format(slack.alone_high)
    return f"only {low}" if low == high else f"{low} to {high} sounds the same"


def held_in(document: Mapping[str, Any]) -> list[str]:
    """Read the names of what is held."""
    held = document.get("hold", [])
    if not isinstance(held, list) or not all(isinstance(name, str) for name in held):
        raise ParameterError("hold is no list of names; names of parameters are accepted.")
    return held


ROUTES = [
    Route("/api/runs/{name}/versions", guarded(_versions)),
    Route("/api/runs/{name}/diff", guarded(_diff)),
    Route("/api/runs/{name}/keep", guarded(_keep), methods=["POST"]),
    Route("/api/runs/{name}/back", guarded(_back), methods=["POST"]),
    Route("/api/runs/{name}/set", guarded(_set), methods=["POST"]),
    Route("/api/runs/{name}/slack", guarded(_slack)),
    Route("/api/runs/{name}/sheet", guarded(_sheet)),
    Route("/api/runs/{name}/sheet.txt", guarded(_sheet_text)),
    Route("/api/runs/{name}/patch", guarded(_patch_file)),
    Route("/api/runs/{name}/midi", guarded(_midi)),
    Route("/api/runs/{name}/report", guarded(_report)),
]
