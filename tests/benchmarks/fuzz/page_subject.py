"""Requests to the page, and its folder with a file spoilt: an answer, or one line; no error 500.

The application is called in this process, without a server: what a window sends, and what it
doesn't. Jobs are written down and not started; what their processes do is that of the commands.
"""

from __future__ import annotations

import asyncio
import json
import shutil
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import soundfile

from matcher.page.app import make_app
from matcher.page.jobs import PageJobs
from matcher.page.workspace import Workspace
from shared import EarwrightError
from tests.benchmarks.fuzz.kept_subjects import good_comparison, good_run
from tests.benchmarks.fuzz.mutating import mutate_bytes, mutate_json, mutate_text
from tests.benchmarks.fuzz.subjects import Case, Subject
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import MutableMapping
    from pathlib import Path

    import numpy as np

__all__ = ["PAGE_SUBJECTS"]

_TOKEN, _PORT = "key-of-the-test", 8000
_HEADERS = {
    "host": f"127.0.0.1:{_PORT}",
    "origin": f"http://127.0.0.1:{_PORT}",
    "authorization": f"Bearer {_TOKEN}",
}
_RUN, _TARGET, _COMPARISON = "reed-run", "reed", "sides"
# What a window sends; names and numbers in them are spoilt as well.
_REQUESTS: tuple[tuple[str, str, object], ...] = (
    ("POST", "/api/jobs", {"kind": "match", "target": _TARGET, "structure": "complete",
                           "seconds": 5.0, "seed": 1, "weights": "balanced"}),
    ("POST", "/api/jobs", {"kind": "compare", "target": _TARGET, "seeds": 2, "evals": 64,
                           "structures": ["complete", "one-oscillator"]}),
    ("POST", "/api/jobs", {"kind": "refine", "run": _RUN, "values": {"filter.cutoff_hz": 500.0},
                           "hold": ["amp_env*"], "note": "darker", "evals": 20}),
    ("POST", "/api/jobs", {"kind": "keyboard", "run": _RUN, "low": "C3", "high": "C5", "step": 2}),
    ("POST", "/api/jobs", {"kind": "explain", "run": _RUN, "seconds": 5.0}),
    ("POST", "/api/jobs", {"kind": "resume", "run": _RUN, "evals": 50}),
    ("POST", "/api/jobs/1/stop", {}),
    ("POST", f"/api/targets/{_TARGET}/notes",
     {"notes": [{"pitch": "C4", "velocity": 90, "gate_s": 0.4, "onset_s": 0.1}]}),
    ("POST", f"/api/targets/{_TARGET}/split", {"times_s": [0.1, 0.4]}),
    ("POST", f"/api/runs/{_RUN}/key", {"midi_pitch": 60, "velocity": 100, "gate_s": 0.2,
                                       "values": {"filter.cutoff_hz": 500.0}}),
    ("POST", f"/api/runs/{_RUN}/notes/0/play", {"values": {"osc1.saw_level": 0.5}}),
    ("POST", f"/api/runs/{_RUN}/notes/0/look", {"values": {"osc1.saw_level": 0.5}}),
    ("POST", f"/api/runs/{_RUN}/notes/0/part", {"part": "noise", "way": "alone", "values": {}}),
    ("POST", f"/api/runs/{_RUN}/keep", {"version": 1, "name": "good"}),
    ("POST", f"/api/runs/{_RUN}/back", {"version": 1}),
    ("POST", f"/api/runs/{_RUN}/set", {"values": {"filter.cutoff_hz": 500.0}, "note": "by hand"}),
    ("DELETE", f"/api/targets/{_TARGET}/notes/0", {}),
    ("POST", "/api/tickets", {"path": f"/api/runs/{_RUN}/report"}),
)  # fmt: skip
_PAGES = (
    "/", "/api/state", f"/api/runs/{_RUN}", f"/api/runs/{_RUN}/versions", "/api/jobs/1",
    f"/api/runs/{_RUN}/diff?from=1&to=2", f"/api/runs/{_RUN}/slack", f"/api/runs/{_RUN}/sheet",
    f"/api/runs/{_RUN}/sheet.txt", f"/api/runs/{_RUN}/patch", f"/api/runs/{_RUN}/midi",
    f"/api/runs/{_RUN}/report", f"/api/runs/{_RUN}/why", f"/api/runs/{_RUN}/why/build/1/sound",
    f"/api/runs/{_RUN}/why/keyboard/sound", f"/api/runs/{_RUN}/notes/0/match/sound",
    f"/api/runs/{_RUN}/notes/0/target/picture", f"/api/targets/{_TARGET}",
    f"/api/targets/{_TARGET}/notes/0/sound", f"/api/comparisons/{_COMPARISON}",
    f"/api/comparisons/{_COMPARISON}/report", "/api/structures/complete", "/api/jobs/1/events",
    f"/api/comparisons/{_COMPARISON}/notes/0/target/sound", "/static/main.js",
    "/api/jobs/1/best/0/sound",
)  # fmt: skip
_NAMES = (
    "..",
    "reed\nrun",
    "\u202erun",
    "a" * 300,
    "%2e%2e",
    "reed/../..",
    "con",
    "",
    "-1",
    "9" * 9,
    "\U0001f3ba" * 190,
)
# What a link leads to; no answer may hold it.
_SECRET = b"[[target]] # the secret of somebody else"


class _NoProcesses(PageJobs):
    """Jobs that are written down only."""

    def _spawn(self, folder: Path) -> Any:  # noqa: ANN401  stands for a process
        del folder
        return _Ended()


class _Ended:
    """A process that has ended."""

    def poll(self) -> int:
        """Say so."""
        return 0


def _ask(root: Path, method: str, address: str, body: bytes) -> None:
    """Send one request; a refusal is raised as ours, an error of the program as such."""
    app = make_app(Workspace(root), token=_TOKEN, port=_PORT)
    context = app._app.state.context  # type: ignore[attr-defined]
    context.jobs = _NoProcesses(context.workspace)
    status, content = asyncio.run(_call(app, method, address, body))
    if status >= 500 or _SECRET in content:
        raise RuntimeError(f"{method} {address[:60]}: {status}")
    if status >= 400:
        raise EarwrightError(content.decode()[:1200])


async def _call(app: Any, method: str, address: str, body: bytes) -> tuple[int, bytes]:  # noqa: ANN401
    """Call an ASGI application; the answer is read to its end."""
    path, _, query = address.partition("?")
    scope = {
        "type": "http", "http_version": "1.1", "method": method, "path": path,
        "raw_path": path.encode("utf-8", "replace"), "query_string": query.encode(),
        "scheme": "http", "root_path": "", "client": ("127.0.0.1", 1), "server": None,
        "headers": [(name.encode(), value.encode()) for name, value in _HEADERS.items()],
    }  # fmt: skip
    status, content = 0, bytearray()

    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> dict[str, object]:
        if not waiting:
            # The window stays open.
            await asyncio.Event().wait()
        return waiting.pop()

    async def send(message: MutableMapping[str, Any]) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]
        else:
            content.extend(message.get("body", b""))

    await app(scope, receive, send)
    return status, bytes(content)


def _workspace(folder: Path) -> Path:
    """Copy a folder with a target, a run with everything, a comparison and two jobs."""
    root, copy = folder / "desk", folder / "copy"
    if not root.exists():
        target = root / "earwright-page" / "targets" / _TARGET
        target.mkdir(parents=True)
        soundfile.write(target / "reed.wav", played_note(), RATE_HZ)
        (target / "manifest.toml").write_text('[[target]]\nfile = "reed.wav"\npitch = "A3"\n')
        for number, last in (("1", "done"), ("2", "progress")):
            job = root / "earwright-page" / "jobs" / number
            job.mkdir(parents=True)
            settings = {"target": _TARGET, "structure": "one-oscillator", "seed": 1}
            document = {"kind": "match", "title": "reed", "settings": settings, "started": 1.0}
            (job / "job.json").write_text(json.dumps(document))
            events = [{"kind": "begun", "pid": 1}, {"kind": last, "run": _RUN, "loss": 1.0}]
            (job / "events.jsonl").write_text("".join(f"{json.dumps(e)}\n" for e in events))
            shutil.copy(good_run(folder) / "patch.json", job / "best.json")
        shutil.copytree(good_run(folder), root / "runs" / _RUN)
        shutil.copytree(good_comparison(folder), root / "runs" / _COMPARISON)
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(root, copy)
    return copy


def _spoilt_request(rng: np.random.Generator, folder: Path) -> Case:
    """Send a request with other fields, another name in its address, or a spoilt recording."""
    root = _workspace(folder)
    kind = rng.random()
    if kind < 0.25:
        content = mutate_bytes(
            rng, (root / f"earwright-page/targets/{_TARGET}/reed.wav").read_bytes()
        )
        name = str(rng.choice(["take_C4.wav", "take.flac", "\u202etake.mp3", "a\nb.ogg", "x.exe"]))
        to = f"&to={_TARGET}" if rng.random() < 0.3 else ""
        method, address, body = "POST", f"/api/targets?name={quote(name)}{to}", content
    elif kind < 0.35:
        source = good_run(folder) / "searches" / "0001" / "structure.toml"
        body = mutate_text(rng, source.read_bytes())
        method, address = "POST", "/api/structures?name=mine.toml"
    elif kind < 0.85:
        method, address, document = _REQUESTS[int(rng.integers(len(_REQUESTS)))]
        body = mutate_json(rng, json.dumps(document).encode())
    else:
        method, address, body = "GET", _PAGES[int(rng.integers(len(_PAGES)))], b""
    if rng.random() < 0.15:
        parts = address.split("/")
        parts[int(rng.integers(1, len(parts)))] = str(rng.choice(_NAMES))
        address = "/".join(parts)
    return Case(f"{method} {address[:80]}", "", lambda: _ask(root, method, address, body))


def _spoilt_folder(rng: np.random.Generator, folder: Path) -> Case:
    """Spoil one file of the folder, then open the page and what it links to."""
    root = _workspace(folder)
    files = [
        path for path in sorted(root.rglob("*"))
        if path.is_file() and path.suffix in {".json", ".jsonl", ".toml"}
    ]  # fmt: skip
    own = [path for path in files if "earwright-page" in path.parts]
    chosen = own if rng.random() < 0.5 else files
    path = chosen[int(rng.integers(len(chosen)))]
    if rng.random() < 0.3:
        secret = folder / "secret"
        secret.write_bytes(_SECRET)
        place = path if rng.random() < 0.5 else path.parent
        if place.is_dir():
            shutil.rmtree(place)
        else:
            place.unlink()
        place.symlink_to(place.name if rng.random() < 0.5 else secret)
        address = _PAGES[int(rng.integers(len(_PAGES)))]
        label = f"{place.relative_to(root)} is a link / {address}"
        return Case(label, "", lambda: _ask(root, "GET", address, b""))
    mutate = mutate_json if path.suffix == ".json" else mutate_text
    path.write_bytes(mutate(rng, path.read_bytes()))
    address = _PAGES[int(rng.integers(len(_PAGES)))] if rng.random() < 0.7 else "/api/state"
    label = f"{path.relative_to(root)} / {address}"
    return Case(label, "", lambda: _ask(root, "GET", address, b""))


PAGE_SUBJECTS = (Subject("requests", _spoilt_request), Subject("desk", _spoilt_folder))
