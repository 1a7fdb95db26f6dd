"""Routes of runs: look, listen, play keys, change by hand, take away."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from starlette.routing import Route

from matcher.explaining.patch_parts import LARGEST_AMOUNT, present_parts, scaled_part
from matcher.page._http import (
    answer,
    guarded,
    in_thread,
    number_in,
    number_of,
    read_json,
    text_in,
    values_in,
    wav,
)
from matcher.page.parameters import describe_values
from matcher.page.pictures import picture
from matcher.page.placing import changed_patch
from matcher.page.sound import LONGEST_GATE_S, wav_bytes
from shared import Note

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.app import Desk
    from matcher.page.placing import Played
    from matcher.page.sound import Sound
    from shared import Patch

__all__: list[str] = []


async def _show(request: Request) -> Response:
    """Describe a run."""
    desk: Desk = request.app.state.desk
    return answer(await in_thread(desk.runs.describe, request.path_params["name"]))


async def _sound(request: Request) -> Response:
    """Send target or match of a note."""
    desk: Desk = request.app.state.desk
    name, which = request.path_params["name"], request.path_params["which"]
    return wav(await in_thread(desk.runs.sound, name, number_of(request, "note"), which))


async def _picture(request: Request) -> Response:
    """Send the picture of target or match of a note."""
    desk: Desk = request.app.state.desk
    name, which = request.path_params["name"], request.path_params["which"]
    return answer(await in_thread(desk.runs.picture, name, number_of(request, "note"), which))


async def _key(request: Request) -> Response:
    """Play a key."""
    document = await read_json(request)
    sound = await in_thread(_play_key, request, document)
    return wav(sound.wav, **{"x-gain": f"{sound.gain:.6f}"})


def _play_key(request: Request, document: dict[str, Any]) -> Sound:
    """Render a key of a run's patch, changed or not."""
    desk: Desk = request.app.state.desk
    note = Note(
        number_in(document, "midi_pitch", 0.0, 127.0),
        velocity=int(number_in(document, "velocity", 1, 127, 100)),
        gate_s=number_in(document, "gate_s", 0.01, LONGEST_GATE_S, 1.0),
    )
    return desk.sounds.play(_patch(request, document), note)


async def _play(request: Request) -> Response:
    """Play a patch, changed by hand, in the target's place; the loss is in the headers."""
    document = await read_json(request)
    played = await in_thread(_play_placed, request, document)
    content, gain = await in_thread(wav_bytes, played.sound, played.sample_rate_hz)
    return wav(content, **{"x-gain": f"{gain:.6f}", "x-loss": json.dumps(played.loss)})


async def _part(request: Request) -> Response:
    """Play a patch with more or less of one part, alone or with the rest."""
    played = await in_thread(_play_part, request, await read_json(request))
    content, gain = await in_thread(wav_bytes, played.sound, played.sample_rate_hz)
    return wav(content, **{"x-gain": f"{gain:.6f}", "x-loss": json.dumps(played.loss)})


def _play_part(request: Request, document: dict[str, Any]) -> Played:
    """Render a patch with one part scaled, in the target's place."""
    desk: Desk = request.app.state.desk
    name, number = request.path_params["name"], number_of(request, "note")
    patch = _patch(request, document)
    notes = desk.runs.load(name).notes
    values = scaled_part(
        patch.values,
        text_in(document, "part"),
        number_in(document, "amount", 0.0, LARGEST_AMOUNT, 1.0),
        notes[min(number, len(notes) - 1)].played,
        is_alone=document.get("is_alone") is True,
    )
    return desk.runs.play(name, number, patch.replace(values=values))


async def _look(request: Request) -> Response:
    """Show a patch, changed by hand, in the target's place: picture, loss, words."""
    document = await read_json(request)
    return answer(await in_thread(_look_at, request, document))


def _look_at(request: Request, document: dict[str, Any]) -> dict[str, object]:
    """Measure a patch that is changed by hand."""
    desk: Desk = request.app.state.desk
    patch = _patch(request, document)
    played = _play_placed(request, document)
    number = number_of(request, "note")
    return {
        "picture": picture(played.sound, played.sample_rate_hz),
        "loss": played.loss,
        "values": describe_values(patch.values),
        "hearable": present_parts(patch.values),
        "differences": desk.runs.differences(request.path_params["name"], number, patch),
    }


def _play_placed(request: Request, document: dict[str, Any]) -> Played:
    """Render a patch beside its target."""
    desk: Desk = request.app.state.desk
    number = number_of(request, "note")
    return desk.runs.play(request.path_params["name"], number, _patch(request, document))


def _patch(request: Request, document: dict[str, Any]) -> Patch:
    """Return the run's patch with what was changed by hand."""
    desk: Desk = request.app.state.desk
    patch = desk.runs.patch(request.path_params["name"], document.get("version"))
    values = values_in(document)
    return (
        changed_patch(patch, desk.runs.structure_of(request.path_params["name"]), values)
        if values
        else patch
    )


ROUTES = [
    Route("/api/runs/{name}", guarded(_show)),
    Route("/api/runs/{name}/key", guarded(_key), methods=["POST"]),
    Route("/api/runs/{name}/notes/{note}/play", guarded(_play), methods=["POST"]),
    Route("/api/runs/{name}/notes/{note}/part", guarded(_part), methods=["POST"]),
    Route("/api/runs/{name}/notes/{note}/look", guarded(_look), methods=["POST"]),
    Route("/api/runs/{name}/notes/{note}/{which}/sound", guarded(_sound)),
    Route("/api/runs/{name}/notes/{note}/{which}/picture", guarded(_picture)),
]
