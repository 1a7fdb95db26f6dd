"""How soon the page answers while a search uses all cores, and a key sounds.

``python -m tests.benchmarks.bench_page`` starts a real server and a real search of the voice with
every part, and asks for what windows ask for: the state of everything, keys that were never
played before, the same keys again, a value changed by hand. Times are those of whole requests over
loopback. If Chromium is installed, new keys are pressed in the page as well: from the press until
the sound is started, decoding included; what the sound card adds is not in it.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tests.browser import ARGUMENTS, CHROMIUM_NAMES
from tests.page_server import ROOT, PageServer, serve_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["main"]

HORN = ROOT / "targets" / "horn_stab_C4_v100.flac"
N_ROUNDS = 40
IN_BROWSER = "a new key in the browser"
SEARCH_S = 120.0


def main() -> None:
    """Measure, with the machine idle and while it searches, and print both."""
    with tempfile.TemporaryDirectory() as folder, serve_page(Path(folder)) as server:
        name = server.upload(HORN).document["name"]
        job = _start(server, name, structure="two-oscillator", evals=600)
        run = str(server.wait_for_job(job)[-1]["run"])
        _wait_for_voice(server)
        idle = _measure(server, run, first_key=24) | _press_keys(server, run, velocity=80)
        job = _start(server, name, structure="complete", seconds=SEARCH_S)
        server.wait_for_progress(job)
        busy = _measure(server, run, first_key=64) | _press_keys(server, run, velocity=110)
        server.post(f"/api/jobs/{job}/stop", {})
        server.wait_for_job(job)
    print(f"{'milliseconds, median (90 %)':34}{'idle':>18}{'while searching':>18}")
    for what in idle:
        print(f"{what:34}{_told(idle[what]):>18}{_told(busy[what]):>18}")


def _measure(server: PageServer, run: str, *, first_key: int) -> dict[str, list[float]]:
    """Time each kind of request, in turn, as windows ask for them."""
    times: dict[str, list[float]] = {}
    keys = [first_key + i for i in range(N_ROUNDS)]
    for i, key in enumerate(keys):
        body = {"midi_pitch": key, "velocity": 90, "gate_s": 4.0}
        value = {"values": {"filter.cutoff_hz": 400.0 + 20.0 * i + first_key}}
        requests: dict[str, Callable[[], object]] = {
            "state of everything": lambda: server.ask("/api/state"),
            "a new key, held 4 s": lambda body=body: server.post(f"/api/runs/{run}/key", body),
            "the same key again": lambda body=body: server.post(f"/api/runs/{run}/key", body),
            "a value changed by hand, with loss": lambda value=value: server.post(
                f"/api/runs/{run}/notes/0/play", value
            ),
        }
        for what, ask in requests.items():
            began = time.perf_counter()
            ask()
            times.setdefault(what, []).append(1000.0 * (time.perf_counter() - began))
    return times


def _press_keys(server: PageServer, run: str, *, velocity: int) -> dict[str, list[float]]:
    """Press keys in the page that were never played at this velocity."""
    executable = next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    if executable is None:
        return {}
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  only where there is a browser

    times = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(ARGUMENTS))
        page = browser.new_page()
        page.goto(f"{server.address}#/patch?run={run}")
        page.wait_for_selector('body[data-ready="patch"]')
        page.get_by_text("Play it on keys").click()
        page.get_by_label("Velocity").fill(str(velocity))
        page.get_by_role("button", name="C3", exact=True).focus()
        for letter in "sedrfgyhujiklp":
            page.eval_on_selector(".keys", "(keys) => delete keys.dataset.answeredMs")
            page.keyboard.down(letter)
            page.wait_for_selector(".keys[data-answered-ms]")
            times.append(float(str(page.get_attribute(".keys", "data-answered-ms"))))
            page.keyboard.up(letter)
        browser.close()
    return {IN_BROWSER: times}


def _start(server: PageServer, target: str, **settings: object) -> str:
    """Start a match."""
    answer = server.post("/api/jobs", {"kind": "match", "target": target, **settings})
    return str(answer.document["name"])


def _wait_for_voice(server: PageServer) -> None:
    """Wait until the voice is compiled, or loaded."""
    for _ in _asking():
        if server.ask("/api/state").document["is_voice_ready"]:
            return


def _asking() -> Iterator[None]:
    """Ask a few times a second, for two minutes at most."""
    for _ in range(600):
        yield
        time.sleep(0.2)


def _told(times: list[float]) -> str:
    """Print median and 90th percentile."""
    return f"{statistics.median(times):.0f} ({statistics.quantiles(times, n=10)[-1]:.0f})"


if __name__ == "__main__":
    main()
