"""Routes of targets and structures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matcher.page.routing import (
    answer,
    context_of,
    get,
    in_thread,
    name_in,
    number_of,
    post,
    read_body,
    route,
    wav,
)
from matcher.page.structures import MAX_STRUCTURE_BYTES, describe_parameters
from matcher.page.targets import LONGEST_FILE_S, MAX_FILE_BYTES
from matcher.target.note import NoPitchError
from shared import ParameterError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response


async def _add(request: Request) -> Response:
    """Keep a recording."""
    context, given = context_of(request), request.query_params
    file_name, options = given.get("name", ""), {key: given.get(key) for key in ("to", "pitch")}
    async with context.uploads.receive(request, MAX_FILE_BYTES) as upload:
        try:
            name = await in_thread(lambda: context.targets.add(file_name, upload, **options))
        except NoPitchError:
            text = "no pitch is found in it. Which key is to play it?"
            return answer({"error": text, "needs": "pitch"}, 422)
    return answer({"name": name}, 201)


def _show(request: Request) -> object:
    """Describe a target."""
    return context_of(request).targets.describe(name_in(request))


def _correct(request: Request, document: dict[str, Any]) -> object:
    """Write what the user says about the notes."""
    notes = document.get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, dict) for note in notes):
        raise ParameterError("notes must be a list with one object for each note.")
    context_of(request).targets.correct(name_in(request), notes)
    return _show(request)


def _split(request: Request, document: dict[str, Any]) -> object:
    """Cut a recording into notes."""
    times: Any = document.get("times_s")
    # A whole number may be larger than any float.
    is_list = isinstance(times, list) and all(
        isinstance(x, (int, float)) and not isinstance(x, bool) and 0.0 <= x <= LONGEST_FILE_S
        for x in times
    )
    if times is not None and not is_list:
        raise ParameterError("times must be numbers in seconds.")
    context_of(request).targets.split(name_in(request), times)
    return _show(request)


async def _remove_note(request: Request) -> Response:
    """Take a note out."""
    targets, name = context_of(request).targets, name_in(request)
    await in_thread(targets.remove_note, name, number_of(request))
    return answer(await in_thread(targets.describe, name))


def _sound(request: Request) -> Response:
    """Send a note of a target."""
    return wav(context_of(request).targets.wav(name_in(request), number_of(request)))


async def _add_structure(request: Request) -> Response:
    """Keep a structure file."""
    content = await read_body(request, MAX_STRUCTURE_BYTES)
    given = request.query_params.get("name", "")
    return answer(
        {"name": await in_thread(context_of(request).structures.add, given, content)}, 201
    )


def _show_structure(request: Request) -> object:
    """Describe the parts of a structure."""
    structure = context_of(request).structures.load(name_in(request))
    return {"name": structure.name, "parts": describe_parameters(structure)}


ROUTES = [
    route("/api/targets", _add, "POST"),
    get("/api/targets/{name}", _show),
    post("/api/targets/{name}/notes", _correct),
    post("/api/targets/{name}/split", _split),
    route("/api/targets/{name}/notes/{note}", _remove_note, "DELETE"),
    get("/api/targets/{name}/notes/{note}/sound", _sound),
    route("/api/structures", _add_structure, "POST"),
    get("/api/structures/{name}", _show_structure),
]
