"""Pages in a real browser: headless Chromium, watched for errors and requests, and checked by axe.

Chromium is that of the system (Debian's package ``chromium``), driven by Playwright. Tests that
need it skip, with the reason, where it isn't installed. The fixture `chromium` is one browser for
the tests of a module: Playwright's synchronous interface keeps an event loop in the thread, which
would be in the way of other tests' loops if it lived as long as the session.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from playwright.sync_api import Browser, Page

__all__ = [
    "DESKTOP",
    "PATIENCE_MS",
    "PHONE",
    "WatchedPage",
    "chromium",
    "count_pages",
    "open_page",
    "serious_findings",
]

CHROMIUM_NAMES = ("chromium", "chromium-browser")
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    # Sounds are played to nowhere; the clock of Web Audio runs all the same.
    "--mute-audio",
)
DESKTOP = (1280, 900)
# Width of common phones in CSS pixels; common practice, no source.
PHONE = (390, 844)
# Whatever is waited for may share the machine with other work; Playwright itself waits 30 s.
PATIENCE_MS = 60_000.0
# What Chromium calls a request that the page itself ended, as it was left or asked anew.
CUT_OFF = "net::ERR_ABORTED"
# Of axe-core's impacts, those that keep somebody from using a page.
SERIOUS = frozenset({"serious", "critical"})


@dataclass
class WatchedPage:
    """A page, and what went on behind it."""

    page: Page
    problems: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Start Chromium for the tests of one module."""
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="Playwright is not installed (pip install '.[test]')"
    )
    executable = next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)
    if executable is None:
        pytest.skip("no Chromium is installed (Debian: apt-get install chromium)")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(ARGUMENTS))
        yield browser
        browser.close()


@contextlib.contextmanager
def open_page(
    browser: Browser,
    address: str | Path,
    *,
    size: tuple[int, int] = DESKTOP,
    is_dark: bool = False,
    is_offline: bool = False,
) -> Iterator[WatchedPage]:
    """Open an address, or a file, in a window of its own, and close it afterwards."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if is_dark else "light",
        offline=is_offline,
    )
    context.set_default_timeout(PATIENCE_MS)
    try:
        watched = WatchedPage(context.new_page())
        _watch(watched)
        url = address.resolve().as_uri() if isinstance(address, Path) else address
        watched.page.goto(url, wait_until="load")
        yield watched
    finally:
        context.close()


def serious_findings(
    page: Page, *, only: Sequence[str] = (), without: Sequence[str] = ()
) -> list[str]:
    """Check a page with axe-core, and list what it finds serious or critical."""
    package = pytest.importorskip(
        "axe_playwright_python", reason="axe-core is not installed (pip install '.[test]')"
    )
    options: dict[str, Any] = {"rules": {rule: {"enabled": False} for rule in without}}
    options |= {"runOnly": list(only)} if only else {}
    script = Path(package.__path__[0]) / "axe.min.js"
    page.evaluate(script.read_text(encoding="utf-8"))
    # Pictures are named as a whole; what is in them is for the eye.
    context = "{ exclude: [['svg[role=img] > *']] }"
    result: dict[str, Any] = page.evaluate(f"() => axe.run({context}, {json.dumps(options)})")
    assert result["passes"], "axe-core has checked nothing"
    return [
        f"{finding['id']}: {finding['help']}: "
        + ", ".join(str(node["target"]) for node in finding["nodes"])
        for finding in result["violations"]
        if finding["impact"] in SERIOUS
    ]


def count_pages(content: bytes) -> int:
    """Count the pages of a PDF (ISO 32000: each has an object of the type Page)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", content))


def _watch(watched: WatchedPage) -> None:
    """Note what a page complains about and asks for."""
    page = watched.page

    def note_message(message: Any) -> None:  # noqa: ANN401  Playwright may be absent
        if message.type in {"error", "warning"}:
            watched.problems.append(f"console {message.type}: {message.text}")

    def note_failure(request: Any) -> None:  # noqa: ANN401
        if request.failure != CUT_OFF:
            watched.problems.append(f"failed: {request.url[:200]}")

    def note_request(request: Any) -> None:  # noqa: ANN401
        if not request.url.startswith(("data:", "blob:")):
            watched.requests.append(request.url)

    page.on("console", note_message)
    page.on("pageerror", lambda error: watched.problems.append(f"exception: {error}"))
    page.on("requestfailed", note_failure)
    page.on("request", note_request)
