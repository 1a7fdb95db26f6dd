"""Answers that come in late, after what was asked for next: the newest question always wins."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from tests.browser import open_page
from tests.matcher.page.windows import (
    HORN,
    address_of,
    job_of,
    open_player,
    play_and_hear,
    wait_for_view,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Route

    from tests.page_server import PageServer

pytestmark = pytest.mark.slow

MATCH_BUFFER = "(await import('/static/foot.js')).player.note.sounds[1].buffer"
KEPT_BUFFER = f"async () => {{ window.kept = {MATCH_BUFFER}; }}"
IS_KEPT = f"async () => {MATCH_BUFFER} === window.kept"


class _Held:
    """The first request to an address is held back until it is let go; later ones pass."""

    def __init__(self, page: Page, address: str) -> None:
        self._page = page
        self._routes: list[Route] = []
        page.route(re.compile(address), self._take)

    def _take(self, route: Route) -> None:
        if self._routes:
            route.continue_()
        else:
            self._routes.append(route)
            self._page.evaluate("document.body.dataset.held = 'yes'")

    def wait(self) -> None:
        """Wait until the request has been made."""
        self._page.wait_for_selector('body[data-held="yes"]')

    def let_go(self) -> None:
        """Let it be answered, and wait until the page has done with the answer."""
        (route,) = self._routes
        asked = route.request
        with self._page.expect_response(lambda response: response.request == asked) as answered:
            route.continue_()
        answered.value.finished()
        # What the answer sets off takes its turns before another whole request is done.
        for _ in range(3):
            self._page.evaluate("fetch('/static/icon.svg').then((answer) => answer.text())")


def test_a_view_that_was_left_does_not_come_back(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """Versions are asked for, they take their time, and Export is opened meanwhile."""
    with open_page(chromium, address_of(server, "target", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "target")
        held = _Held(page, "/versions$")
        page.get_by_role("link", name="Versions").click()
        held.wait()
        page.get_by_role("link", name="Export").click()
        wait_for_view(page, "export")
        held.let_go()
        assert page.get_by_role("heading", level=1).inner_text() == "Export"
        assert page.get_attribute("body", "data-ready") == "export"
        assert watched.problems == []


def test_a_sound_that_comes_late_does_not_play_elsewhere(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """Play is pressed in one view; the sound comes in when another one is open."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        held = _Held(page, "/match/sound$")
        page.locator("#player").get_by_role("button", name="Play", exact=True).click()
        held.wait()
        assert page.get_attribute("#player", "data-state") == "loading"
        page.get_by_role("link", name="Shape", exact=True).click()
        wait_for_view(page, "shape")
        held.let_go()
        assert page.get_attribute("#player", "data-state") == "stopped"
        page.evaluate(KEPT_BUFFER)
        assert page.evaluate("window.kept === undefined")
        play_and_hear(page)
        assert watched.problems == []


def test_stop_is_heard_while_a_sound_is_fetched(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """The button stops what has not begun yet."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        held = _Held(page, "/match/sound$")
        page.locator("#player").get_by_role("button", name="Play", exact=True).click()
        held.wait()
        page.locator("#player").get_by_role("button", name="Stop", exact=True).click()
        held.let_go()
        assert page.get_attribute("#player", "data-state") == "stopped"
        assert watched.problems == []


def test_the_newest_amount_of_a_part_is_heard(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """An amount that was passed on the way comes in last, and is let go."""
    with open_page(chromium, address_of(server, "shape", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "shape")
        # It repeats, so that no slow look misses a short note.
        open_player(page)
        page.get_by_role("radio", name="Whole").check(force=True)
        page.get_by_text("Listen to one part", exact=True).first.click()
        amount = page.get_by_role("slider", name="How much of it")
        held = _Held(page, "/part$")
        amount.fill("3")
        held.wait()
        amount.fill("2")
        page.wait_for_selector('#player[data-state="playing"][data-heard="Match"]')
        page.evaluate(KEPT_BUFFER)
        held.let_go()
        assert page.evaluate(IS_KEPT)
        assert watched.problems == []


def test_a_key_of_the_patch_before_is_not_kept(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """A key is rendered, the patch changes, the key comes in: pressed again, it is asked anew."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        held = _Held(page, "/key$")
        page.evaluate(
            """async () => {
                const { Keys } = await import("/static/keys.js");
                const run = new URLSearchParams(location.hash.split("?")[1]).get("run");
                window.cutoff = 3000;
                window.keys = new Keys(run, () => ({ "filter.cutoff_hz": window.cutoff }));
                window.first = window.keys.sound(60, 100, 0.5);
            }"""
        )
        held.wait()
        page.evaluate("window.cutoff = 200; window.keys.forget();")
        held.let_go()
        page.evaluate("window.first")
        with page.expect_request(re.compile("/key$")) as asked:
            page.evaluate("window.keys.sound(60, 100, 0.5)")
        assert asked.value.post_data_json["values"] == {"filter.cutoff_hz": 200}
        assert watched.problems == []


def test_the_best_so_far_does_not_take_the_player_of_another_view(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """A search is looked at and left; its picture comes in when another player is shown."""
    with open_page(chromium, address_of(server, "target", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "target")
        job = job_of(server, run)
        # The search is still under way: once its end is known, the best so far isn't asked for.
        told, _, _ = server.ask(f"/api/jobs/{job}/events").body.rpartition(b"id: ")
        page.route(
            re.compile(r"/events\?from="),
            lambda route: route.fulfill(content_type="text/event-stream", body=told),
        )
        held = _Held(page, "/best/0/picture$")
        page.evaluate("(hash) => { location.hash = hash; }", f"#/match?run={run}&job={job}")
        held.wait()
        page.get_by_role("link", name="Patch").click()
        wait_for_view(page, "patch")
        held.let_go()
        assert f"Player: {run}" in str(page.get_attribute("#player", "aria-label"))
        assert watched.problems == []


def test_corrections_one_after_the_other_all_count(server: PageServer, chromium: Browser) -> None:
    """The next field is filled in before the first correction is answered; focus and text stay."""
    name = server.upload(HORN, name="corrected.flac").document["name"]
    with open_page(chromium, address_of(server, "target", target=name)) as watched:
        page = watched.page
        page.get_by_label("Pitch").wait_for()
        held = _Held(page, "/notes$")
        page.get_by_label("Pitch").fill("C3")
        page.keyboard.press("Tab")
        held.wait()
        page.keyboard.type("64")
        held.let_go()
        page.get_by_text("by hand").first.wait_for()
        assert page.evaluate("document.activeElement.id") == "note-0-velocity"
        assert page.get_by_label("Velocity").input_value() == "64"
        with page.expect_response(re.compile("/notes$")) as answered:
            page.keyboard.press("Tab")
        given = answered.value.request.post_data_json["notes"][0]
        assert given == {"pitch": "C3", "velocity": 64}
        page.get_by_text("by hand").nth(1).wait_for()
        note = server.ask(f"/api/targets/{name}").document["notes"][0]
        assert (note["midi_pitch"], note["velocity"]) == (48.0, 64)
        assert watched.problems == []


def test_what_has_the_focus_keeps_it_while_other_work_goes_on(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """Another window makes a target: lists are filled anew under a keyboard that is in them."""
    with open_page(chromium, address_of(server, "export", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "export")
        page.get_by_role("link", name="How it works").focus()
        page.evaluate("window.link = document.activeElement")
        server.upload(HORN, name="another.flac")
        page.wait_for_selector('#choose-target option[value="another"]', state="attached")
        assert page.evaluate("document.activeElement === window.link")
        assert watched.problems == []
