"""The page as a server of its own on loopback, for tests: a real port, a real process."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode, urlsplit

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Answer", "PageServer", "serve_page"]

ROOT = Path(__file__).resolve().parents[1]
# Only what hangs is given up: a machine that others starve takes minutes for what takes seconds.
WAIT_S = 300.0


@dataclass(frozen=True)
class Answer:
    """What a request got."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def document(self) -> Any:  # noqa: ANN401  JSON
        """The content as JSON."""
        return json.loads(self.body)


@dataclass
class PageServer:
    """A running page."""

    address: str
    folder: Path
    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)

    @property
    def base(self) -> str:
        """Address without path and token."""
        parts = urlsplit(self.address)
        return f"{parts.scheme}://{parts.netloc}"

    @property
    def token(self) -> str:
        """The key."""
        return self.address.partition("token=")[2]

    @property
    def key(self) -> dict[str, str]:
        """The header that the page sends with each request."""
        return {"Authorization": f"Bearer {self.token}"}

    def ask(
        self,
        path: str,
        *,
        method: str = "GET",
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        is_page: bool = True,
    ) -> Answer:
        """Send a request, by default as the page itself would."""
        own = {**self.key, "Origin": self.base} if is_page else {}
        request = urllib.request.Request(  # noqa: S310  loopback
            f"{self.base}{path}", data=body, method=method, headers={**own, **(headers or {})}
        )
        try:
            with urllib.request.urlopen(request, timeout=WAIT_S) as reply:  # noqa: S310
                return Answer(reply.status, _lower(reply.headers), reply.read())
        except urllib.error.HTTPError as error:
            return Answer(error.code, _lower(error.headers), error.read())

    def post(self, path: str, document: object) -> Answer:
        """Send JSON."""
        return self.ask(path, method="POST", body=json.dumps(document).encode())

    def upload(self, file: Path, *, name: str | None = None, to: str | None = None) -> Answer:
        """Send a recording."""
        query = {"name": name or file.name} | ({"to": to} if to else {})
        return self.ask(f"/api/targets?{urlencode(query)}", method="POST", body=file.read_bytes())

    def wait_for_progress(self, name: str) -> None:
        """Wait for the first sign of a search, through the stream of its events."""
        request = urllib.request.Request(  # noqa: S310  loopback
            f"{self.base}/api/jobs/{name}/events", headers=self.key
        )
        with urllib.request.urlopen(request, timeout=WAIT_S) as stream:  # noqa: S310
            assert any(b'"progress"' in line for line in stream)

    def kill(self) -> None:
        """End the server without a word."""
        self.process.kill()
        self.process.wait(WAIT_S)

    def wait_for_job(self, name: str) -> list[dict[str, Any]]:
        """Follow a job to its end through its stream of events."""
        body = self.ask(f"/api/jobs/{name}/events").body.decode()
        return [json.loads(line[6:]) for line in body.splitlines() if line.startswith("data: ")]


@contextlib.contextmanager
def serve_page(folder: Path) -> Iterator[PageServer]:
    """Start `earwright page` in a folder, and end it afterwards; jobs are ended, too."""
    command = [sys.executable, "-m", "matcher.cli", "page", str(folder), "--no-browser"]
    # One thread: what a search does besides being watched is of no use here.
    threads = {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    environment = {**os.environ, **threads, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(  # noqa: S603  our own command
        command,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            address = process.stdout.readline().strip()
            assert address.startswith("http://"), process.stderr.read()
            server = PageServer(address, folder, process)
            reader = threading.Thread(
                target=lambda: server.lines.extend(process.stderr or ()), daemon=True
            )
            reader.start()
            yield server
            _stop_jobs(server)
        finally:
            process.terminate()
            process.wait(WAIT_S)


def _stop_jobs(server: PageServer) -> None:
    """End what still runs, so that no test leaves a search behind."""
    if server.process.poll() is not None:
        return
    for job in server.ask("/api/state").document["jobs"]:
        if job["state"] in {"starting", "running", "stopping"}:
            server.post(f"/api/jobs/{job['name']}/stop", {})
            server.wait_for_job(job["name"])


def _lower(headers: Any) -> dict[str, str]:  # noqa: ANN401  of the standard library
    """Return headers with their names in lower case."""
    return {name.lower(): value for name, value in headers.items()}
