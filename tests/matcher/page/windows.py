"""What the browser tests of the page do again and again: find a view, wait for it, play."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.page_server import ROOT

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from tests.page_server import PageServer

__all__ = [
    "HORN",
    "STRUCTURE",
    "VIEWS",
    "address_of",
    "play_and_hear",
    "quick_run",
    "show_view",
    "wait_for_view",
]

HORN = ROOT / "targets" / "horn_stab_C4_v100.flac"
STRUCTURE = "one-oscillator"
VIEWS = ("target", "match", "listen", "shape", "keep", "why", "compare", "take")


def quick_run(server: PageServer) -> str:
    """Make a target and a quick run of it, and return the run's name."""
    name = server.upload(HORN).document["name"]
    job = server.post(
        "/api/jobs",
        {"kind": "match", "target": name, "structure": STRUCTURE, "evals": 300},
    ).document["name"]
    return str(server.wait_for_job(job)[-1]["run"])


def address_of(server: PageServer, view: str, **chosen: str) -> str:
    """Return the address of a view, with the key."""
    query = "&".join(f"{key}={value}" for key, value in chosen.items())
    return f"{server.address}#/{view}?{query}"


def wait_for_view(page: Page, view: str) -> None:
    """Wait until a view is built."""
    page.wait_for_selector(f'body[data-ready="{view}"]')


def show_view(page: Page, view: str, run: str) -> None:
    """Go to a view, and wait until it is built anew; the one before may be the same."""
    page.evaluate(
        """(hash) => {
            if (location.hash === hash) window.dispatchEvent(new HashChangeEvent("hashchange"));
            else location.hash = hash;
            document.body.dataset.ready = "";
        }""",
        f"#/{view}?run={run}",
    )
    wait_for_view(page, view)


def play_and_hear(page: Page) -> None:
    """Press Play, and wait until the player's meter shows that something sounds.

    It repeats, so that no slow look misses a short note.
    """
    page.get_by_role("radio", name="Whole").check(force=True)
    page.get_by_role("button", name="Play", exact=True).click()
    page.wait_for_selector('#player[data-state="playing"][data-sounding="true"]')
