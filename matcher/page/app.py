"""The application: its routes, each a few lines around a function of the library."""

from __future__ import annotations

import threading
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from matcher.page import (
    _routes_compare,
    _routes_jobs,
    _routes_kept,
    _routes_runs,
    _routes_targets,
    _routes_why,
)
from matcher.page._http import answer, guarded, in_thread
from matcher.page.comparisons import ComparisonShelf
from matcher.page.jobs import JobBench
from matcher.page.placing import Placer
from matcher.page.runs import RunShelf
from matcher.page.searches import SearchShelf
from matcher.page.security import Guard
from matcher.page.sound import SoundCache
from matcher.page.structures import StructureShelf
from matcher.page.targets import TargetShelf
from shared import HEARING_CAUTION

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable

    from starlette.requests import Request

    from matcher.page.workspace import Workspace

__all__ = ["Desk", "make_app"]

STATIC = Path(__file__).with_name("static")
MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass
class Desk:
    """What the routes work with.

    Parameters
    ----------
    workspace : Workspace
        The folder.
    """

    workspace: Workspace
    placer: Placer = field(default_factory=Placer)
    sounds: SoundCache = field(default_factory=SoundCache)
    is_voice_ready: bool = False

    def __post_init__(self) -> None:
        """Set up what depends on the folder."""
        self.targets = TargetShelf(self.workspace)
        self.runs = RunShelf(self.workspace, self.placer)
        self.comparisons = ComparisonShelf(self.workspace)
        self.searches = SearchShelf(self.workspace)
        self.structures = StructureShelf(self.workspace)
        self.jobs = JobBench(self.workspace)

    def warm_up(self) -> None:
        """Compile the voice before the first key is pressed, or load what was compiled."""
        from shared import Note, Patch  # noqa: PLC0415  beside the first request

        self.sounds.play(Patch("plain"), Note(60.0, gate_s=0.1))
        self.is_voice_ready = True


def make_app(workspace: Workspace, *, token: str, port: int, hosts: Iterable[str] = ()) -> Guard:
    """Make the application.

    Parameters
    ----------
    workspace : Workspace
        The folder to work in.
    token : str
        The key in the address; see `matcher.page.security`.
    port : int
        Port that the server listens on.
    hosts : iterable of str
        Names besides those of loopback under which it may be called.

    Returns
    -------
    Guard
        An ASGI application.
    """
    desk = Desk(workspace)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        threading.Thread(target=desk.warm_up, daemon=True).start()
        yield

    routes = [
        Route("/", _index),
        Route("/static/{name}", _static),
        Route("/api/state", guarded(_state)),
        *_routes_targets.ROUTES,
        *_routes_jobs.ROUTES,
        *_routes_kept.ROUTES,
        *_routes_compare.ROUTES,
        *_routes_why.ROUTES,
        *_routes_runs.ROUTES,
    ]
    app = Starlette(routes=routes, lifespan=lifespan)
    app.state.desk = desk
    return Guard(app, token=token, hosts=hosts, port=port)


async def _index(_: Request) -> Response:
    """Send the page itself."""
    return FileResponse(STATIC / "index.html", media_type=MEDIA_TYPES[".html"])


async def _static(request: Request) -> Response:
    """Send one of our own files; nothing else is in that folder."""
    name = request.path_params["name"]
    path = STATIC / name
    is_ours = path.suffix in MEDIA_TYPES and path.is_file() and path.parent == STATIC
    if not is_ours or name != path.name:
        return Response("Not found.", status_code=404, media_type="text/plain")
    return FileResponse(path, media_type=MEDIA_TYPES[path.suffix])


async def _state(request: Request) -> Response:
    """Say what there is."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(_describe, desk))


def _describe(desk: Desk) -> dict[str, object]:
    """Collect targets, runs, jobs, and what can be chosen."""
    from matcher.losses import DEFAULT_WEIGHTS, PRESETS  # noqa: PLC0415  see `in_thread`

    return {
        "folder": desk.workspace.root.name,
        "caution": HEARING_CAUTION,
        "is_voice_ready": desk.is_voice_ready,
        "targets": desk.targets.names(),
        "runs": desk.runs.list_all(),
        "interrupted": desk.searches.interrupted(),
        "comparisons": desk.comparisons.names(),
        "jobs": [job.to_dict() for job in desk.jobs.list_all()[:40]],
        "structures": desk.structures.list_all(),
        "presets": {name: dict(weights) for name, weights in PRESETS.items()},
        "default_weights": dict(DEFAULT_WEIGHTS),
    }
