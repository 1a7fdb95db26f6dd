"""Routes of targets and structures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.routing import Route

from matcher.page._http import answer, guarded, in_thread, number_of, read_body, read_json, wav
from matcher.page.parameters import describe_parameters
from matcher.page.structures import MAX_STRUCTURE_BYTES
from matcher.page.targets import MAX_FILE_BYTES
from shared import ParameterError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.app import Desk

__all__: list[str] = []


async def _add(request: Request) -> Response:
    """Keep a recording."""
    desk: Desk = request.app.state.desk
    name = request.query_params.get("name", "")
    to = request.query_params.get("to")
    content = await read_body(request, MAX_FILE_BYTES)
    return answer({"name": await in_thread(lambda: desk.targets.add(name, content, to=to))}, 201)


async def _show(request: Request) -> Response:
    """Describe a target."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(desk.targets.describe, request.path_params["name"]))


async def _correct(request: Request) -> Response:
    """Write what the user says about the notes."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    notes = (await read_json(request)).get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, dict) for note in notes):
        raise ParameterError("notes are no list; one object for each note is accepted.")
    await in_thread(desk.targets.correct, name, notes)
    return answer(await in_thread(desk.targets.describe, name))


async def _split(request: Request) -> Response:
    """Cut a recording into notes."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    times: Any = (await read_json(request)).get("times_s")
    is_list = isinstance(times, list) and all(
        isinstance(x, (int, float)) and not isinstance(x, bool) for x in times
    )
    if times is not None and not is_list:
        raise ParameterError("times_s is no list of numbers; times in s are accepted.")
    await in_thread(desk.targets.split, name, times)
    return answer(await in_thread(desk.targets.describe, name))


async def _remove_note(request: Request) -> Response:
    """Take a note out."""
    desk: Desk = request.app.state.desk
    name = request.path_params["name"]
    await in_thread(desk.targets.remove_note, name, number_of(request, "note"))
    return answer(await in_thread(desk.targets.describe, name))


async def _sound(request: Request) -> Response:
    """Send a note of a target."""
    desk: Desk = request.app.state.desk
    number = number_of(request, "note")
    return wav(await in_thread(desk.targets.wav, request.path_params["name"], number))


async def _add_structure(request: Request) -> Response:
    """Keep a structure file."""
    desk: Desk = request.app.state.desk
    content = await read_body(request, MAX_STRUCTURE_BYTES)
    name = request.query_params.get("name", "")
    return answer({"name": await in_thread(desk.structures.add, name, content)}, 201)


async def _show_structure(request: Request) -> Response:
    """Describe the parts of a structure."""
    desk: Desk = request.app.state.desk
    structure = await in_thread(desk.structures.load, request.path_params["name"])
    return answer({"name": structure.name, "parts": describe_parameters(structure)})


ROUTES = [
    Route("/api/targets", guarded(_add), methods=["POST"]),
    Route("/api/targets/{name}", guarded(_show)),
    Route("/api/targets/{name}/notes", guarded(_correct), methods=["POST"]),
    Route("/api/targets/{name}/split", guarded(_split), methods=["POST"]),
    Route("/api/targets/{name}/notes/{note}", guarded(_remove_note), methods=["DELETE"]),
    Route("/api/targets/{name}/notes/{note}/sound", guarded(_sound)),
    Route("/api/structures", guarded(_add_structure), methods=["POST"]),
    Route("/api/structures/{name}", guarded(_show_structure)),
]
