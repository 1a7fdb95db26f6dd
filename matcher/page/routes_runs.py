"""Routes of runs and comparisons: look, listen, play keys, change by hand, what mattered."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from matcher.explaining import Explanation
from matcher.explaining.keyboard import KEYBOARD_SOUND, Keyboard
from matcher.explaining.patch_parts import LARGEST_AMOUNT, present_parts, scaled_part
from matcher.page.routing import (
    context_of,
    get,
    name_in,
    number_in,
    number_of,
    post,
    report,
    svg,
    text_in,
    values_in,
    wav,
)
from matcher.page.runs import captions, picture_of, sound_file
from matcher.page.sounds import LONGEST_GATE_S, changed_patch, picture, wav_bytes
from matcher.page.structures import describe_values
from matcher.report.sheet import slack_text
from shared import Note, RunFolderError, sha256_digest

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from matcher.page.sounds import Played
    from shared import Patch


def _show(request: Request) -> object:
    """Describe a run."""
    return context_of(request).runs.describe(name_in(request))


def _file(request: Request) -> Path:
    """Find target or match of a note of a run."""
    run = context_of(request).runs.load(name_in(request))
    return sound_file(run, number_of(request), request.path_params["which"])


def _captions(request: Request) -> object:
    """List the pictures of a note."""
    found = context_of(request).runs.drawings(name_in(request), number_of(request))
    return {"pictures": captions(found)}


def _drawing(request: Request) -> Response:
    """Send a picture of a note, drawn."""
    found = context_of(request).runs.drawings(name_in(request), number_of(request))
    return svg(found, request.path_params["picture"])


def _keyboard_drawing(request: Request) -> Response:
    """Send a picture of the check of the keyboard."""
    found = context_of(request).runs.keyboard_drawings(name_in(request))
    return svg(found, request.path_params["picture"])


def _compared_drawing(request: Request) -> Response:
    """Send a picture of a comparison."""
    found = context_of(request).comparisons.drawings(name_in(request))
    return svg(found, request.path_params["picture"])


def _key(request: Request, document: dict[str, Any]) -> Response:
    """Play a key of a run's patch, changed or not."""
    note = Note(
        number_in(document, "midi_pitch", 0.0, 127.0),
        velocity=int(number_in(document, "velocity", 1, 127, 100)),
        gate_s=number_in(document, "gate_s", 0.01, LONGEST_GATE_S, 1.0),
    )
    sound = context_of(request).sounds.play(_patch(request, document), note)
    return wav(sound.wav, **{"x-gain": f"{sound.gain:.6f}"})


def _play(request: Request, document: dict[str, Any]) -> Response:
    """Play a patch, changed by hand, in the target's place."""
    return _sent(_played(request, _patch(request, document)))


def _part(request: Request, document: dict[str, Any]) -> Response:
    """Play a patch with more or less of one part, alone or with the rest."""
    patch = _patch(request, document)
    notes = context_of(request).runs.load(name_in(request)).notes
    values = scaled_part(
        patch.values,
        text_in(document, "part"),
        number_in(document, "amount", 0.0, LARGEST_AMOUNT, 1.0),
        notes[min(number_of(request), len(notes) - 1)].played,
        is_alone=document.get("is_alone") is True,
    )
    return _sent(_played(request, patch.replace(values=values)))


def _look(request: Request, document: dict[str, Any]) -> object:
    """Show a patch, changed by hand, in the target's place: picture, loss, words."""
    patch = _patch(request, document)
    played = _played(request, patch)
    runs = context_of(request).runs
    return {
        "picture": picture(played.sound, played.sample_rate_hz),
        "loss": played.loss,
        "values": describe_values(patch.values),
        "hearable": present_parts(patch.values),
        "differences": runs.differences(name_in(request), number_of(request), played),
    }


def _patch(request: Request, document: dict[str, Any]) -> Patch:
    """Return the run's patch with what was changed by hand."""
    runs, name = context_of(request).runs, name_in(request)
    patch, values = runs.patch(name, document.get("version")), values_in(document)
    return changed_patch(patch, runs.structure_of(name), values) if values else patch


def _played(request: Request, patch: Patch) -> Played:
    """Render a patch beside its target."""
    return context_of(request).runs.play(name_in(request), number_of(request), patch)


def _sent(played: Played) -> Response:
    """Send a sound; its gain and its loss are in the headers."""
    content, gain = wav_bytes(played.sound, played.sample_rate_hz)
    return wav(content, **{"x-gain": f"{gain:.6f}", "x-loss": json.dumps(played.loss)})


def _why(request: Request) -> object:
    """Send the explanation as far as there is one, and whether it is that of the current patch."""
    path = context_of(request).runs.path(name_in(request))
    keys = _keyboard(request)
    try:
        found = Explanation.load(path)
    except RunFolderError as error:
        return {"explanation": None, "text": str(error), "keyboard": keys}
    slacks = () if found.slack is None else found.slack.slacks
    structure = context_of(request).runs.structure_of(name_in(request))
    return {
        "explanation": found.to_dict(),
        "slack_texts": {slack.name: slack_text(slack, structure) for slack in slacks},
        "keyboard": keys,
        "is_current": found.patch_digest == sha256_digest(path / "patch.json"),
    }


def _keyboard(request: Request) -> dict[str, object] | None:
    """Read the check of the keyboard, if there is one, and list its pictures."""
    runs, name = context_of(request).runs, name_in(request)
    try:
        found = Keyboard.load(runs.path(name))
        return {**found.to_dict(), "pictures": captions(runs.keyboard_drawings(name))}
    except RunFolderError:
        return None


def _keyboard_sound(request: Request) -> Response:
    """Send the scale."""
    context = context_of(request)
    path = context.runs.path(name_in(request))
    return wav(context.workspace.existing(path, KEYBOARD_SOUND).read_bytes())


def _step_sound(request: Request) -> Response:
    """Send the sound after a step of the build order; step 0 is the plain patch.

    The explanation names the file, not the address.
    """
    context = context_of(request)
    path, step = context.runs.path(name_in(request)), request.path_params["step"]
    build = Explanation.load(path).build
    files = [] if build is None else [build.start_file, *(each.file for each in build.steps)]
    if not step.isdecimal() or len(step) > 4 or int(step) >= len(files):
        raise RunFolderError(f"{path.name} has no step {step[:10]} in its build order.")
    folder, _, name = files[int(step)].rpartition("/")
    return wav(context.workspace.existing(path / folder, name).read_bytes())


def _comparison(request: Request) -> object:
    """Say what a comparison shows so far."""
    return context_of(request).comparisons.describe(name_in(request))


def _compared_file(request: Request) -> Path:
    """Find target or match of the best run of a structure."""
    target, structure = (request.query_params.get(key, "") for key in ("target", "structure"))
    run = context_of(request).comparisons.best_run(name_in(request), target, structure)
    return sound_file(run, number_of(request), request.path_params["which"])


def _comparison_report(request: Request) -> Response:
    """Send the report of a comparison."""
    from matcher.report import render_comparison  # noqa: PLC0415  loads what draws

    return report(render_comparison(context_of(request).comparisons.load(name_in(request))))


ROUTES = [
    get("/api/runs/{name}", _show),
    get("/api/runs/{name}/notes/{note}/pictures", _captions),
    get("/api/runs/{name}/notes/{note}/pictures/{picture}", _drawing),
    get("/api/runs/{name}/why/keyboard/pictures/{picture}", _keyboard_drawing),
    get("/api/comparisons/{name}/pictures/{picture}", _compared_drawing),
    post("/api/runs/{name}/key", _key),
    post("/api/runs/{name}/notes/{note}/play", _play),
    post("/api/runs/{name}/notes/{note}/part", _part),
    post("/api/runs/{name}/notes/{note}/look", _look),
    get("/api/runs/{name}/notes/{note}/{which}/sound", lambda r: wav(_file(r).read_bytes())),
    get("/api/runs/{name}/notes/{note}/{which}/picture", lambda r: picture_of(_file(r))),
    get("/api/runs/{name}/why", _why),
    get("/api/runs/{name}/why/keyboard/sound", _keyboard_sound),
    get("/api/runs/{name}/why/build/{step}/sound", _step_sound),
    get("/api/comparisons/{name}", _comparison),
    get("/api/comparisons/{name}/report", _comparison_report),
    get(
        "/api/comparisons/{name}/notes/{note}/{which}/sound",
        lambda r: wav(_compared_file(r).read_bytes()),
    ),
    get(
        "/api/comparisons/{name}/notes/{note}/{which}/picture",
        lambda r: picture_of(_compared_file(r)),
    ),
]
