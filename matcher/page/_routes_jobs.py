"""Routes of long work: start, follow, listen to the best so far, stop."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from starlette.responses import StreamingResponse
from starlette.routing import Route

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
from matcher.page._messages import LAST_KINDS, read_events
from matcher.page._routes_kept import held_in
from matcher.page.jobs import BEST_FILE
from matcher.page.pictures import picture
from matcher.page.searches import target_in
from matcher.page.sound import noise_seed, wav_bytes
from shared import CATALOGUE, ParameterError, Patch, parse_pitch

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.app import Desk
    from matcher.page.placing import Played

__all__: list[str] = []

_POLL_S = 0.15
# In silence it is looked whether the process is still there, and the browser told that we are.
_ALIVE_S = 3.0
_DAY_S = 86_400.0
_MAX_SEED = 2**32 - 1
_MAX_STRUCTURES = 8


async def _start(request: Request) -> Response:
    """Start a job."""
    desk: Desk = request.app.state.desk
    document = await read_json(request)
    kind = text_in(document, "kind")
    maker = _MAKERS.get(kind)
    if maker is None:
        raise ParameterError(f'"{kind[:20]}" is no work; {", ".join(_MAKERS)} is accepted.')
    title, settings = await in_thread(maker, desk, document)
    job = await in_thread(desk.jobs.start, kind, title, settings)
    return answer(job.to_dict(), 201)


def _match(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read what a match is told."""
    from matcher.losses import weights_for  # noqa: PLC0415  takes its time to load

    target = text_in(document, "target")
    structure = text_in(document, "structure")
    manifest = desk.targets.manifest(target).relative_to(desk.workspace.root).as_posix()
    weights = document.get("weights")
    if weights is not None:
        weights_for(weights)
    settings = {
        "target": target,
        "manifest": manifest,
        "structure": desk.structures.source(structure),
        "seed": int(number_in(document, "seed", 0, _MAX_SEED, 0)),
        "weights": weights,
        **_budget(document),
    }
    return f"{target}, {structure}", settings


def _budget(document: dict[str, Any]) -> dict[str, object]:
    """Read seconds, or evaluations."""
    if document.get("evals") is not None:
        return {"evals": int(number_in(document, "evals", 1, 100_000_000)), "seconds": None}
    return {"evals": None, "seconds": number_in(document, "seconds", 1.0, _DAY_S, 30.0)}


def _compare(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read what a comparison is told."""
    names = document.get("structures")
    is_list = isinstance(names, list) and all(isinstance(name, str) for name in names)
    if not is_list or not 2 <= len(set(names)) <= _MAX_STRUCTURES:  # type: ignore[arg-type]
        raise ParameterError(
            f"structures are {names!r:.80}; 2 to {_MAX_STRUCTURES} different ones are accepted.",
            name="structures",
        )
    target = text_in(document, "target")
    manifest = desk.targets.manifest(target).relative_to(desk.workspace.root).as_posix()
    settings = {
        "target": target,
        "manifest": manifest,
        "structures": [desk.structures.source(str(name)) for name in names or ()],
        "seeds": int(number_in(document, "seeds", 1, 50, 3)),
        **_budget(document),
    }
    return f"{target}, {len(names or ())} structures", settings


def _resume(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read what is gone on with; without a budget an interrupted search ends as it was meant."""
    run = text_in(document, "run")
    desk.runs.path(run)
    searched = desk.searches.searched(run)
    budget = _budget(document) if {"seconds", "evals"} & set(document) else {}
    settings = {"run": run, "target": searched.pop("target"), **searched, **budget}
    return f"{run}, going on", settings


def _explain(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read what is explained."""
    run = text_in(document, "run")
    desk.runs.load(run)
    return f"{run}, what mattered", {"run": run, "seconds": _budget(document)["seconds"]}


def _refine(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read what is held, what is set, and how long the rest is searched."""
    name = text_in(document, "run")
    run = desk.runs.load(name)
    values, held = values_in(document), held_in(document)
    run.patch.replace(values=values)
    if held:
        CATALOGUE.hold(*held)
    settings = {
        "run": name,
        "target": target_in(desk.workspace, run.run.get("command_line")),
        "structure": run.patch.structure,
        "seed": noise_seed(run.patch),
        "values": values,
        "hold": held,
        "note": str(document.get("note") or "")[:200],
        **_budget(document),
    }
    return f"{name}, refining", settings


def _keyboard(desk: Desk, document: dict[str, Any]) -> tuple[str, dict[str, object]]:
    """Read which keys are played."""
    run = text_in(document, "run")
    desk.runs.load(run)
    low, high = text_in(document, "low"), text_in(document, "high")
    if not parse_pitch(low) <= parse_pitch(high):
        raise ParameterError(f"{low} lies above {high}; the lower key first is accepted.")
    settings = {
        "run": run,
        "low": low,
        "high": high,
        "step": number_in(document, "step", 1, 24, 1),
    }
    return f"{run}, over the keyboard", settings


_MAKERS = {
    "refine": _refine,
    "match": _match,
    "compare": _compare,
    "resume": _resume,
    "explain": _explain,
    "keyboard": _keyboard,
}


async def _show(request: Request) -> Response:
    """Describe a job."""
    desk: Desk = request.app.state.desk
    return answer((await in_thread(desk.jobs.get, request.path_params["job"])).to_dict())


async def _stop(request: Request) -> Response:
    """Ask a job to stop and keep what it has."""
    desk: Desk = request.app.state.desk
    await in_thread(desk.jobs.stop, request.path_params["job"])
    return answer({})


async def _events(request: Request) -> Response:
    """Send what happens in a job, as it happens (server-sent events of the HTML standard)."""
    desk: Desk = request.app.state.desk
    name = request.path_params["job"]
    await in_thread(desk.jobs.folder, name)
    given = request.headers.get("last-event-id") or request.query_params.get("from", "0")
    offset = int(given) if given.isascii() and given.isdecimal() and len(given) < 16 else 0
    return StreamingResponse(_follow(desk, name, offset), media_type="text/event-stream")


async def _follow(desk: Desk, name: str, offset: int) -> AsyncIterator[str]:
    """Go through the events of a job until it is over."""
    folder = desk.jobs.folder(name)
    silent_s = 0.0
    while True:
        events, offset = await in_thread(read_events, folder, offset)
        for event in events:
            place = event.pop("next")
            yield f"id: {place}\ndata: {json.dumps(event)}\n\n"
            if event["kind"] in LAST_KINDS:
                return
        silent_s = 0.0 if events else silent_s + _POLL_S
        if silent_s >= _ALIVE_S:
            silent_s = 0.0
            if (await in_thread(desk.jobs.get, name)).state == "lost":
                yield f"data: {json.dumps({'kind': 'lost'})}\n\n"
                return
            yield ": still here\n\n"
        await asyncio.sleep(_POLL_S)


async def _best_sound(request: Request) -> Response:
    """Play the best patch so far on a note of the target."""
    played = await in_thread(_play_best, request)
    content, _ = await in_thread(wav_bytes, played.sound, played.sample_rate_hz)
    return wav(content)


async def _best_picture(request: Request) -> Response:
    """Show the best patch so far on a note of the target."""
    played = await in_thread(_play_best, request)
    return answer(await in_thread(picture, played.sound, played.sample_rate_hz))


def _play_best(request: Request) -> Played:
    """Render the best patch so far."""
    desk: Desk = request.app.state.desk
    name = request.path_params["job"]
    folder = desk.jobs.folder(name)
    job = desk.jobs.get(name)
    target, run = (job.settings.get(key) for key in ("target", "run"))
    if not (folder / BEST_FILE).is_file() or not (target or run):
        raise ParameterError("There is no sound yet. Wait a moment.", name="job", value=name)
    number = number_of(request, "note")
    if not target:
        # A run of the command line, whose recording isn't among the page's targets.
        return desk.runs.play(str(run), number, Patch.load(folder / BEST_FILE))
    notes = desk.targets.load(str(target)).notes
    if number >= len(notes):
        raise ParameterError(f"note is {number}; 0 to {len(notes) - 1} is accepted.", name="note")
    return desk.placer.play(notes[number], number, Patch.load(folder / BEST_FILE))


ROUTES = [
    Route("/api/jobs", guarded(_start), methods=["POST"]),
    Route("/api/jobs/{job}", guarded(_show)),
    Route("/api/jobs/{job}/stop", guarded(_stop), methods=["POST"]),
    Route("/api/jobs/{job}/events", guarded(_events)),
    Route("/api/jobs/{job}/best/{note}/sound", guarded(_best_sound)),
    Route("/api/jobs/{job}/best/{note}/picture", guarded(_best_picture)),
]
