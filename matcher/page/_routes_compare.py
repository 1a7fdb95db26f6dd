"""Routes of comparisons."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse
from starlette.routing import Route

from matcher.comparing import load_comparison
from matcher.page._http import answer, guarded, in_thread, number_of, wav
from matcher.page.runs import picture_of
from matcher.page.security import REPORT_POLICY
from shared import ParameterError

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.app import Desk

__all__: list[str] = []


async def _show(request: Request) -> Response:
    """Say what a comparison shows so far."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(desk.comparisons.describe, request.path_params["name"]))


async def _sound(request: Request) -> Response:
    """Send target or match of the best run of a structure."""
    path = await in_thread(_file, request)
    return wav(await in_thread(path.read_bytes))


async def _picture(request: Request) -> Response:
    """Send the picture of the same."""
    return answer(await in_thread(picture_of, await in_thread(_file, request)))


def _file(request: Request) -> Path:
    """Find a sound file of the best run."""
    desk: Desk = request.app.state.desk
    target, structure = (request.query_params.get(key, "") for key in ("target", "structure"))
    run = desk.comparisons.best_run(request.path_params["name"], target, structure)
    number = number_of(request, "note")
    if number >= len(run.notes):
        raise ParameterError(f"note is {number}; 0 to {len(run.notes) - 1} is accepted.")
    which = request.path_params["which"]
    if which not in {"target", "match"}:
        raise ParameterError(f'"{which[:20]}" is no sound; target or match is accepted.')
    return run.notes[number].target if which == "target" else run.notes[number].match


async def _report(request: Request) -> Response:
    """Send the report of a comparison, a stranger to the page."""
    from matcher.report import render_comparison  # noqa: PLC0415  loads what draws

    desk: Desk = request.app.state.desk
    path = desk.comparisons.path(request.path_params["name"])
    comparison = await in_thread(load_comparison, path)
    page = await in_thread(render_comparison, comparison)
    return HTMLResponse(page, headers={"content-security-policy": REPORT_POLICY})


ROUTES = [
    Route("/api/comparisons/{name}/report", guarded(_report)),
    Route("/api/comparisons/{name}", guarded(_show)),
    Route("/api/comparisons/{name}/notes/{note}/{which}/sound", guarded(_sound)),
    Route("/api/comparisons/{name}/notes/{note}/{which}/picture", guarded(_picture)),
]
