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
    "job_of",
    "open_player",
    "play_and_hear",
    "quick_run",
    "show_view",
    "start_match",
    "wait_for_view",
]

HORN = ROOT / "targets" / "horn_stab_C4_v100.flac"
STRUCTURE = "one-oscillator"
VIEWS = ("target", "match", "patch", "shape", "versions", "how", "compare", "export")


def quick_run(server: PageServer, target: str) -> str:
    """Match a target with a few candidates, and return the run's name."""
    return str(server.wait_for_job(start_match(server, target, evals=120))[-1]["run"])


def start_match(server: PageServer, target: str, **budget: float) -> str:
    """Start a match, and return the name of its job."""
    document = {"kind": "match", "target": target, "structure": STRUCTURE, **budget}
    answer = server.post("/api/jobs", document)
    assert answer.status == 201, answer.body
    return str(answer.document["name"])


def job_of(server: PageServer, run: str) -> str:
    """Return the job that has made a run; others may have gone on with it, or looked at it."""
    jobs = server.ask("/api/state").document["jobs"]
    made = (job for job in jobs if job["last"].get("done", {}).get("run") == run)
    return str(next(job["name"] for job in made if job["kind"] == "match"))


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


def open_player(page: Page) -> None:
    """Show all of the player, which is one line until more is wanted."""
    page.wait_for_selector("#player:not([hidden])")
    more = page.locator("#player").get_by_role("button", name="More")
    if more.count():
        more.click()


def play_and_hear(page: Page) -> None:
    """Press Play, and wait until the player's meter shows that something sounds.

    It repeats, so that no slow look misses a short note.
    """
    open_player(page)
    page.locator("#player").get_by_role("radio", name="Whole").check(force=True)
    page.locator("#player").get_by_role("button", name="Play", exact=True).click()
    page.wait_for_selector('#player[data-state="playing"][data-sounding="true"]')
