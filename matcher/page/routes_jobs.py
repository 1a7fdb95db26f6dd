"""Routes of long work: start, follow, listen to the best so far, stop."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from starlette.responses import StreamingResponse

from matcher.losses import weights_for
from matcher.page.jobs import BEST_FILE, LAST_KINDS, read_events
from matcher.page.routing import (
    context_of,
    get,
    in_thread,
    number_in,
    number_of,
    post,
    remark_in,
    route,
    text_in,
    values_in,
    wav,
)
from matcher.page.sounds import picture, wav_bytes
from matcher.playing import noise_seed
from shared import CATALOGUE, ParameterError, Patch, parse_pitch

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.context import PageContext
    from matcher.page.sounds import Played

_POLL_S = 0.15
# In silence the process is looked for, and the browser gets a sign of life.
_ALIVE_S = 3.0
_DAY_S = 86_400.0
_MAX_SEED = 2**32 - 1
_MAX_STRUCTURES = 8

# What a job is called, and what `matcher.page.tasks` needs to know.
Settings = tuple[str, dict[str, object]]


def _start(request: Request, document: dict[str, Any]) -> object:
    """Start a job."""
    kind = text_in(document, "kind")
    if kind not in _READERS:
        raise ParameterError(f'"{kind[:20]}" is no work; it must be one of {", ".join(_READERS)}.')
    context = context_of(request)
    title, settings = _READERS[kind](context, document)
    return context.jobs.start(kind, title, settings).to_dict()


def _match(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read what is matched, and how."""
    target, structure = text_in(document, "target"), text_in(document, "structure")
    weights = document.get("weights")
    if weights is not None:
        weights_for(weights)
    settings = {
        "target": target,
        "manifest": context.targets.manifest(target),
        "structure": context.structures.source(structure),
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


def _names_in(document: dict[str, Any], name: str) -> list[str]:
    """Read a list of names; none if it is missing."""
    names = document.get(name, [])
    if not isinstance(names, list) or not all(isinstance(each, str) for each in names):
        raise ParameterError(f"{name} is {names!r:.80}; it must be a list of names.", name=name)
    return names


def _compare(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read what is compared."""
    names = _names_in(document, "structures")
    if not 2 <= len(set(names)) <= _MAX_STRUCTURES:
        raise ParameterError(
            f"{len(set(names))} structures are chosen; 2 to {_MAX_STRUCTURES} must be.",
            name="structures",
        )
    target = text_in(document, "target")
    settings = {
        "target": target,
        "manifest": context.targets.manifest(target),
        "structures": [context.structures.source(name) for name in names],
        "seeds": int(number_in(document, "seeds", 1, 50, 3)),
        **_budget(document),
    }
    return f"{target}, {len(names)} structures", settings


def _resume(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read what is gone on with; without a budget an interrupted search ends as it was meant."""
    run = text_in(document, "run")
    budget = _budget(document) if {"seconds", "evals"} & set(document) else {}
    return f"{run}, going on", {"run": run, **context.runs.searched(run), **budget}


def _explain(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read what is explained."""
    run = text_in(document, "run")
    context.runs.load(run)
    return f"{run}, what mattered", {"run": run, "seconds": _budget(document)["seconds"]}


def _refine(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read what is held, what is set, and how long the rest is searched."""
    name = text_in(document, "run")
    run = context.runs.load(name)
    values, held = values_in(document), _names_in(document, "hold")
    run.patch.replace(values=values)
    if held:
        CATALOGUE.hold(*held)
    settings = {
        "run": name,
        "target": context.runs.target_of(run),
        "structure": run.patch.structure,
        "seed": noise_seed(run.patch.provenance.get("settings")),
        "values": values,
        "hold": held,
        "note": remark_in(document),
        **_budget(document),
    }
    return f"{name}, refining", settings


def _keyboard(context: PageContext, document: dict[str, Any]) -> Settings:
    """Read which keys are played."""
    run = text_in(document, "run")
    context.runs.load(run)
    low, high = text_in(document, "low"), text_in(document, "high")
    if not parse_pitch(low) <= parse_pitch(high):
        raise ParameterError(f"{low} lies above {high}; the lower key must come first.")
    step = number_in(document, "step", 1, 24, 1)
    return f"{run}, over the keyboard", {"run": run, "low": low, "high": high, "step": step}


_READERS = {
    "refine": _refine,
    "match": _match,
    "compare": _compare,
    "resume": _resume,
    "explain": _explain,
    "keyboard": _keyboard,
}


def _show(request: Request) -> object:
    """Describe a job."""
    return context_of(request).jobs.get(request.path_params["job"]).to_dict()


def _stop(request: Request, _: dict[str, Any]) -> object:
    """Ask a job to stop and keep what it has."""
    context_of(request).jobs.stop(request.path_params["job"])
    return {}


async def _events(request: Request) -> Response:
    """Send what happens in a job, as it happens (server-sent events of the HTML standard)."""
    context, name = context_of(request), request.path_params["job"]
    await in_thread(context.jobs.folder, name)
    given = request.headers.get("last-event-id") or request.query_params.get("from", "0")
    offset = int(given) if given.isascii() and given.isdecimal() and len(given) < 16 else 0
    return StreamingResponse(_follow(context, name, offset), media_type="text/event-stream")


async def _follow(context: PageContext, name: str, offset: int) -> AsyncIterator[str]:
    """Go through the events of a job until it is over."""
    folder = context.jobs.folder(name)
    # Looked for at once: who asks for what comes after the end would wait for ever.
    silent_s = _ALIVE_S
    while not context.ending.is_set():
        events, offset = await in_thread(read_events, folder, offset)
        for event in events:
            place = event.pop("next")
            yield f"id: {place}\ndata: {json.dumps(event)}\n\n"
            if event["kind"] in LAST_KINDS:
                return
        silent_s = 0.0 if events else silent_s + _POLL_S
        if silent_s >= _ALIVE_S:
            silent_s = 0.0
            job = await in_thread(context.jobs.get, name)
            if job.state == "lost":
                yield f"data: {json.dumps({'kind': 'lost'})}\n\n"
                return
            if job.is_over and not (await in_thread(read_events, folder, offset))[0]:
                return
            yield ": still here\n\n"
        await asyncio.sleep(_POLL_S)


def _best_sound(request: Request) -> Response:
    """Play the best patch so far on a note of the target."""
    played = _play_best(request)
    return wav(wav_bytes(played.sound, played.sample_rate_hz)[0])


def _best_picture(request: Request) -> object:
    """Show the best patch so far on a note of the target."""
    played = _play_best(request)
    return picture(played.sound, played.sample_rate_hz)


def _play_best(request: Request) -> Played:
    """Render the best patch so far."""
    context, name = context_of(request), request.path_params["job"]
    best = context.jobs.folder(name) / BEST_FILE
    job = context.jobs.get(name)
    target, run = (job.settings.get(key) for key in ("target", "run"))
    if not best.is_file() or not (target or run):
        raise ParameterError("There is no sound yet. Wait a moment.", name="job")
    number, patch = number_of(request), Patch.load(best)
    if not target:
        # A run of the command line, whose recording isn't among the page's targets.
        return context.runs.play(str(run), number, patch)
    return context.runs.player.play(context.targets.note(str(target), number), number, patch)


ROUTES = [
    post("/api/jobs", _start, 201),
    get("/api/jobs/{job}", _show),
    post("/api/jobs/{job}/stop", _stop),
    route("/api/jobs/{job}/events", _events, "GET"),
    get("/api/jobs/{job}/best/{note}/sound", _best_sound),
    get("/api/jobs/{job}/best/{note}/picture", _best_picture),
]
