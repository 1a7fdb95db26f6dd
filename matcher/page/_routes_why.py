"""Routes of what mattered: the explanation of a run, and the sounds of its build order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.routing import Route

from matcher.explaining import Explanation
from matcher.explaining.keyboard import KEYBOARD_SOUND, Keyboard
from matcher.page._http import answer, guarded, in_thread, wav
from matcher.page._routes_kept import slack_text
from shared import RunFolderError, sha256_digest

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.app import Desk

__all__: list[str] = []


async def _show(request: Request) -> Response:
    """Send the explanation, as far as there is one."""
    desk: Desk = request.app.state.desk
    path = desk.runs.path(request.path_params["name"])
    return answer(await in_thread(_describe, path))


def _describe(path: Path) -> dict[str, object]:
    """Read an explanation, and say whether it is that of the current patch."""
    keys = _keyboard(path)
    try:
        found = Explanation.load(path)
    except RunFolderError as error:
        return {"explanation": None, "text": str(error), "keyboard": keys}
    slacks = () if found.slack is None else found.slack.slacks
    return {
        "explanation": found.to_dict(),
        "slack_texts": {slack.name: slack_text(slack) for slack in slacks},
        "keyboard": keys,
        "is_current": found.patch_digest == sha256_digest(path / "patch.json"),
    }


def _keyboard(path: Path) -> dict[str, object] | None:
    """Read the check of the keyboard, if there is one."""
    try:
        return Keyboard.load(path).to_dict()
    except RunFolderError:
        return None


async def _keyboard_sound(request: Request) -> Response:
    """Send the scale."""
    desk: Desk = request.app.state.desk
    path = desk.runs.path(request.path_params["name"])
    return wav(await in_thread(desk.workspace.existing(path, KEYBOARD_SOUND).read_bytes))


async def _sound(request: Request) -> Response:
    """Send a sound of the build order; the explanation names it, not the address."""
    desk: Desk = request.app.state.desk
    path = desk.runs.path(request.path_params["name"])
    return wav(await in_thread(_read_step, desk, path, request.path_params["step"]))


def _read_step(desk: Desk, path: Path, step: str) -> bytes:
    """Read the sound after a step; step 0 is the plain patch."""
    build = Explanation.load(path).build
    files = [] if build is None else [build.start_file, *(each.file for each in build.steps)]
    if not step.isdecimal() or len(step) > 4 or int(step) >= len(files):
        raise RunFolderError(f"{path.name} has no step {step[:10]} in its build order.")
    folder, _, name = files[int(step)].rpartition("/")
    return desk.workspace.existing(path / folder, name).read_bytes()


ROUTES = [
    Route("/api/runs/{name}/why/keyboard/sound", guarded(_keyboard_sound)),
    Route("/api/runs/{name}/why", guarded(_show)),
    Route("/api/runs/{name}/why/build/{step}/sound", guarded(_sound)),
]
