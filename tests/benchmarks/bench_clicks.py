"""Random clicks and keys on the page: no console error, no 500, no change that is lost.

``python -m tests.benchmarks.bench_clicks MINUTES [SEED]`` drives a real page in Chromium. What is
pressed follows from the seed. Now and then a cutoff is typed under Shape, something else is opened
at once, and the run must have it.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher.runs import find_version
from tests.browser import ARGUMENTS, CHROMIUM_NAMES
from tests.matcher.page.windows import HORN, VIEWS, quick_run, show_view, wait_for_view
from tests.page_server import serve_page

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

    from tests.page_server import PageServer

__all__ = ["main"]

KEYS = (
    " ",
    "x",
    "Tab",
    "Enter",
    "ArrowRight",
    "ArrowUp",
    "PageUp",
    "Escape",
    "Control+z",
    "s",
    "9",
)
# What can be pressed and seen; links that open or save files lead out of the page.
PRESSED = ", ".join(
    f"{tag}:visible" for tag in ("button", "summary", "nav a", "input[type=checkbox]")
)
# One press in so many types a cutoff, and looks for it in the run.
EACH_CHANGE, KEY_SHARE = 40, 0.3
PATIENCE_MS = 60_000.0


def main() -> None:
    """Press for so many minutes, and print what went wrong."""
    minutes, seed = float(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  may be absent

    executable = next(filter(None, map(shutil.which, CHROMIUM_NAMES)))
    with (
        tempfile.TemporaryDirectory() as folder,
        serve_page(Path(folder)) as server,
        sync_playwright() as playwright,
    ):
        run = quick_run(server, str(server.upload(HORN).document["name"]))
        browser = playwright.chromium.launch(executable_path=executable, args=list(ARGUMENTS))
        page = browser.new_page()
        page.set_default_timeout(PATIENCE_MS)
        problems: list[str] = []
        page.on("pageerror", lambda error: problems.append(f"exception: {error}"))
        page.on("response", lambda r: problems.append(r.url) if r.status >= 500 else None)
        page.goto(server.address)
        wait_for_view(page, "target")
        end, n_pressed, rng = time.monotonic() + 60.0 * minutes, 0, np.random.default_rng(seed)
        while time.monotonic() < end:
            n_pressed += 1
            if n_pressed % EACH_CHANGE == 0:
                lost = _change(page, server, run, rng)
                problems += [lost] if lost else []
            else:
                _press(page, rng)
        print(f"{n_pressed} presses, {len(problems)} problems (seed {seed})")
        print("\n".join(problems))
        browser.close()


def _press(page: Page, rng: np.random.Generator) -> None:
    """Press a key, or click on something."""
    if rng.random() < KEY_SHARE:
        page.keyboard.press(str(rng.choice(KEYS)))
        return
    places = page.locator(PRESSED)
    count = places.count()
    if count:
        _click(places.nth(int(rng.integers(count))))


def _click(place: Locator) -> None:
    """Click what may be gone, covered or switched off by now."""
    from playwright.sync_api import Error  # noqa: PLC0415

    with contextlib.suppress(Error):
        place.click(timeout=1000.0, no_wait_after=True)


def _change(page: Page, server: PageServer, run: str, rng: np.random.Generator) -> str:
    """Type a cutoff, leave at once, and look for it in the run; say so if it isn't there."""
    # A search that works on the run would keep the change waiting.
    for job in server.ask("/api/state").document["jobs"]:
        if job["state"] in {"starting", "running", "stopping"}:
            server.post(f"/api/jobs/{job['name']}/stop", {})
            server.wait_for_job(job["name"])
    hz = float(rng.integers(200, 5000))
    field = page.locator('[data-value="filter.cutoff_hz"]')
    # A search that has just ended may still go to its patch.
    while not field.count():
        show_view(page, "shape", run)
    for box in page.locator("details:not([open]) > summary").all():
        if not field.is_visible():
            _click(box)
    field.fill(f"{hz:g} Hz")
    page.keyboard.press("Tab")
    show_view(page, str(rng.choice([view for view in VIEWS if view != "shape"])), run)
    kept = find_version(server.folder / "runs" / run).patch.values["filter.cutoff_hz"]
    return "" if kept == hz else f"a cutoff of {hz:g} Hz was lost: it is {kept:g} Hz"


if __name__ == "__main__":
    main()
