"""The application: its routes, each a few lines around a function of the library."""

from __future__ import annotations

import threading
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from matcher.page import routes_jobs, routes_kept, routes_runs, routes_targets
from matcher.page.context import PageContext
from matcher.page.routing import context_of, get, post, text_in
from matcher.page.security import Guard, make_ticket
from matcher.report.writing import ASSETS

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterable

    from starlette.requests import Request

    from matcher.page.workspace import Workspace

STATIC = Path(__file__).with_name("static")
# Reports and the page have one player.
SHARED = frozenset({"player.js"})
MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


def make_app(
    workspace: Workspace,
    *,
    token: str,
    port: int,
    hosts: Iterable[str] = (),
    ending: threading.Event | None = None,
) -> Guard:
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
    ending : threading.Event, optional
        Set when the server ends: streams of events end then, too.

    Returns
    -------
    Guard
        An ASGI application.
    """
    context = PageContext(workspace, ending or threading.Event())

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        threading.Thread(target=context.warm_up, daemon=True).start()
        yield

    routes = [
        Route("/", _index),
        Route("/static/{name}", _static),
        get("/api/state", lambda request: context_of(request).describe()),
        # A ticket for an address that the browser opens by itself: a report, or a file.
        post(
            "/api/tickets", lambda _, sent: {"ticket": make_ticket(token, text_in(sent, "path"))}
        ),
        *routes_targets.ROUTES,
        *routes_jobs.ROUTES,
        *routes_kept.ROUTES,
        *routes_runs.ROUTES,
    ]
    app = Starlette(routes=routes, lifespan=lifespan)
    app.state.context = context
    return Guard(app, token=token, hosts=hosts, port=port)


async def _index(_: Request) -> Response:
    """Send the page itself."""
    return FileResponse(STATIC / "index.html", media_type=MEDIA_TYPES[".html"])


async def _static(request: Request) -> Response:
    """Send one of our own files; nothing else is in that folder."""
    name = request.path_params["name"]
    folder = ASSETS if name in SHARED else STATIC
    path = folder / name
    is_ours = path.suffix in MEDIA_TYPES and path.is_file() and path.parent == folder
    if not is_ours or name != path.name:
        return Response("Not found.", status_code=404, media_type="text/plain")
    return FileResponse(path, media_type=MEDIA_TYPES[path.suffix])
