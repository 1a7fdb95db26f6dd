"""The report as a reader has it: played, switched, printed, on a desk and on a phone."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher import load_run
from matcher.report import write_report
from matcher.report.sheet import Sheet, SheetLine, SheetPart
from matcher.report.view import ReportView, make_view
from matcher.report.writing import render_template
from tests.browser import DESKTOP, PHONE, count_pages, open_page, serious_findings
from tests.matcher.report.report_runs import (
    HOSTILE,
    explain_run,
    fullest_patch,
    set_patch,
    small_run,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.slow

# Beside the speakers, whatever a page plays also goes to this meter. Web Audio, W3C
# Recommendation 2021: everything that is heard is connected to a context's destination.
METER = """
(() => {
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (to, ...rest) {
    if (to === this.context.destination) {
      window.meter ??= new AnalyserNode(this.context, { fftSize: 8192 });
      connect.call(this, window.meter);
    }
    return connect.call(this, to, ...rest);
  };
  const start = AudioBufferSourceNode.prototype.start;
  window.started = [];
  AudioBufferSourceNode.prototype.start = function (when, ...rest) {
    window.started.push({ when, rate: this.playbackRate.value, loop: this.loop,
                          seconds: this.buffer.duration });
    return start.call(this, when, ...rest);
  };
})()
"""
HEARD = """(() => {
  if (!window.meter) return 0;
  const samples = new Float32Array(window.meter.fftSize);
  window.meter.getFloatTimeDomainData(samples);
  return Math.max(...samples.map(Math.abs));
})()"""
# Playwright's own wait would have to evaluate text, which the page's policy forbids.
WAIT = """() => new Promise((resolve, reject) => {{
  const look = () => {{
    if ({condition}) resolve();
    else if (performance.now() > end) reject(new Error("still not so after five minutes"));
    else setTimeout(look, 10);
  }};
  const end = performance.now() + 300000;
  look();
}})"""
PLAYER = "[data-player]"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the fullest report: two notes, every part, an explanation, hostile names."""
    run = small_run(tmp_path_factory.mktemp("report"), "reed", HOSTILE)
    set_patch(run, fullest_patch())
    explain_run(run, text=HOSTILE)
    return write_report(load_run(run.path))


@pytest.fixture(scope="module")
def view(report: Path) -> ReportView:
    """Return what the same report shows, without pictures."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("matcher.report.notes.MOST_PICTURED", 0)
        return make_view(load_run(report.parent))


@pytest.fixture
def page(chromium: Browser, report: Path) -> Iterator[Page]:
    """Open the report, offline; whatever a test does, nothing may go wrong behind it."""
    with _opened(chromium, report) as watched:
        watched.page.evaluate(METER)
        yield watched.page
        assert watched.problems == []
        assert watched.requests == [report.as_uri()]


def _opened(chromium: Browser, report: Path, **options: Any) -> Any:  # noqa: ANN401  Playwright
    """Open the report without a network."""
    return open_page(chromium, report, is_offline=True, **options)


def _wait(page: Page, condition: str) -> None:
    """Wait until something holds in the page."""
    page.evaluate(WAIT.format(condition=condition))


def _state(page: Page) -> str:
    """Return the state of the player."""
    return str(page.locator(PLAYER).get_attribute("data-state"))


def _play(page: Page) -> None:
    """Press the button, and wait until something is heard."""
    page.locator(f"{PLAYER} button").click()
    _wait(page, f"{HEARD} > 1e-4")


def test_nothing_plays_by_itself(page: Page) -> None:
    """Opening the page starts no sound, and plays no medium."""
    assert _state(page) == "stopped"
    assert page.evaluate("window.started") == []
    assert page.evaluate("[...document.querySelectorAll('audio')].every((a) => a.paused)")
    assert page.evaluate("[...document.querySelectorAll('audio')].every((a) => !a.autoplay)")


def test_one_button_plays_and_stops(page: Page) -> None:
    """Target and match start together, one of them is heard, and the button stops both."""
    _play(page)
    started = page.evaluate("window.started")
    assert len(started) == 2
    assert started[0]["when"] == started[1]["when"]
    assert started[0]["seconds"] == started[1]["seconds"]
    assert _state(page) == "playing"
    button = page.locator(f"{PLAYER} button")
    assert button.text_content() == "Stop"
    button.click()
    assert _state(page) == "stopped"
    _wait(page, f"{HEARD} < 1e-5")


def test_switching_keeps_the_position(page: Page) -> None:
    """A switch starts nothing anew: the other sound was running along."""
    _play(page)
    page.get_by_role("radio", name="Match", exact=True).check(force=True)
    assert page.locator(PLAYER).get_attribute("data-heard") == "Match"
    page.get_by_role("radio", name="Target", exact=True).check(force=True)
    assert page.locator(PLAYER).get_attribute("data-heard") == "Target"
    assert len(page.evaluate("window.started")) == 2
    assert _state(page) == "playing"


def test_the_attack_repeats_alone_at_normal_and_half_speed(page: Page) -> None:
    """Both loops hold a quarter of a second after the onset; half speed is half the rate."""
    _play(page)
    for label, rate in (("Attack", 1.0), ("Half", 0.5)):
        page.evaluate("window.started.length = 0")
        page.get_by_role("radio", name=label, exact=True).check(force=True)
        _wait(page, "window.started.length === 2")
        for started in page.evaluate("window.started"):
            assert started["loop"]
            assert started["rate"] == rate
            # 20 ms before the onset, 250 ms after it, and the pause; a sample is rounding.
            assert started["seconds"] == pytest.approx(0.02 + 0.25 + 0.35, abs=1e-3)


def test_without_repeat_it_stops_at_the_end(page: Page) -> None:
    """A note is played once, and the button says Play again."""
    page.get_by_role("radio", name="Once", exact=True).check(force=True)
    page.locator(f"{PLAYER} button").click()
    # A slow look may miss a note that sounds once, so what was started is looked at.
    ended = f"document.querySelector('{PLAYER}').dataset.state === 'stopped'"
    _wait(page, f"window.started.length === 2 && {ended}")
    assert not any(started["loop"] for started in page.evaluate("window.started"))
    assert page.locator(f"{PLAYER} button").text_content() == "Play"


def test_notes_can_be_chosen(page: Page) -> None:
    """Another note starts at once if something plays, with the same sound chosen."""
    page.get_by_role("radio", name="Match", exact=True).check(force=True)
    _play(page)
    page.evaluate("window.started.length = 0")
    page.get_by_role("combobox", name="Note").select_option(index=1)
    _wait(page, "window.started.length === 2")
    assert page.locator(PLAYER).get_attribute("data-heard") == "Match"
    assert HOSTILE in str(page.locator(".status").first.text_content())


def test_the_level_turns_it_down(page: Page) -> None:
    """At zero nothing is heard."""
    _play(page)
    page.get_by_role("slider", name="Level").fill("0")
    _wait(page, f"{HEARD} < 1e-5")
    assert _state(page) == "playing"


def test_the_keyboard_does_it_all(page: Page) -> None:
    """Tab reaches the player; keys play, switch, and choose the part."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate(f"document.activeElement.closest('{PLAYER}') !== null"):
            break
    assert page.evaluate(f"document.activeElement.closest('{PLAYER}') !== null")
    page.locator(f"{PLAYER} button").focus()
    page.keyboard.press("Enter")
    _wait(page, f"{HEARD} > 1e-4")
    page.keyboard.press("x")
    assert page.locator(PLAYER).get_attribute("data-heard") == "Match"
    page.keyboard.press("3")
    assert page.get_by_role("radio", name="Attack", exact=True).is_checked()
    page.keyboard.press(" ")
    assert _state(page) == "stopped"
    # Within a group, arrows move, as in any form (WAI-ARIA, radio group).
    page.get_by_role("radio", name="Match", exact=True).focus()
    page.keyboard.press("ArrowLeft")
    assert page.locator(PLAYER).get_attribute("data-heard") == "Target"


def test_keys_do_nothing_outside_of_the_player(page: Page) -> None:
    """WCAG 2.2, 2.1.4: single keys act only where they have the focus."""
    page.locator("nav a").first.focus()
    page.keyboard.press(" ")
    assert _state(page) == "stopped"


def test_a_step_of_the_build_order_plays_alone(page: Page) -> None:
    """A clip stops the player, and the player stops a clip."""
    _play(page)
    clip = page.locator("[data-clip]").nth(1)
    page.evaluate("window.started.length = 0")
    clip.locator("button").click()
    _wait(page, "window.started.length === 1")
    assert _state(page) == "stopped"
    _wait(page, "document.querySelectorAll('[data-clip] button')[1].dataset.state === 'stopped'")


def test_hostile_names_run_nothing(page: Page) -> None:
    """The browser shows the name as text; no script of it has run, no picture is asked for."""
    assert page.title().startswith("reed")
    assert page.locator("img").count() == 0
    assert page.locator("h3", has_text=HOSTILE[:30]).count() >= 1


def test_an_injected_script_would_not_run(chromium: Browser, report: Path, tmp_path: Path) -> None:
    """Should markup get in all the same, the page's policy keeps it from running."""
    text = report.read_text(encoding="utf-8")
    worse = tmp_path / "worse.html"
    taken = "document.title = 'taken'"
    worse.write_text(text.replace("<main>", f"<main><script>{taken}</script>"), encoding="utf-8")
    with _opened(chromium, worse) as watched:
        assert watched.page.title().startswith("reed")
        assert any("Content Security Policy" in problem for problem in watched.problems)


@pytest.mark.parametrize(
    ("size", "is_dark", "only"),
    # Themes differ in colours, and windows in what has to be scrolled.
    [
        (DESKTOP, False, []),
        (PHONE, True, ["color-contrast", "scrollable-region-focusable", "target-size"]),
    ],
    ids=["desk-light", "phone-dark"],
)
def test_everybody_can_use_it(
    size: tuple[int, int], only: list[str], *, is_dark: bool, chromium: Browser, report: Path
) -> None:
    """axe-core finds nothing serious, and nothing is wider than the window."""
    with _opened(chromium, report, size=size, is_dark=is_dark) as watched:
        page = watched.page
        page.evaluate(
            "document.querySelectorAll('details').forEach((each) => { each.open = true })"
        )
        assert serious_findings(page, only=only) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        assert watched.problems == []


def test_dark_and_light_differ(chromium: Browser, report: Path) -> None:
    """The page follows what the reader prefers."""
    colours = []
    for is_dark in (False, True):
        with _opened(chromium, report, is_dark=is_dark) as watched:
            style = "getComputedStyle(document.body)"
            colours.append(watched.page.evaluate(f"[{style}.backgroundColor, {style}.color]"))
    luminances = [[_mean(text) for text in pair] for pair in colours]
    (light_paper, light_ink), (dark_paper, dark_ink) = luminances
    assert min(light_paper, dark_ink) > 200
    assert max(light_ink, dark_paper) < 80


def _mean(colour: str) -> float:
    """Return the mean of red, green and blue."""
    return float(np.mean([int(part) for part in re.findall(r"\d+", colour)[:3]]))


STEP = "one up: 20.0 cents sharp at the peak, audible; one down: 20.0 cents flat, not audible"
LINE = SheetLine("ENVELOPE DECAY", "63.5", "1.75 s", "61.0 to 66.5 sounds the same", STEP, None,
                 "NRPN 128")  # fmt: skip


def _sheet(n_parts: int, n_lines: int, line: SheetLine) -> Sheet:
    """Make a sheet of so many parts with so many controls each."""
    part = SheetPart("pulse-width modulation, oscillator 2", (line,) * n_lines)
    return Sheet(
        parts=(part,) * n_parts,
        is_in_build_order=True,
        has_panel=True,
        has_slack=True,
        resting=("noise: NOISE 0",) * 12,
    )


@pytest.mark.parametrize(
    ("sheet", "density"),
    [
        (None, "tight"),
        # One part with one control.
        (_sheet(1, 1, replace(LINE, step=None)), "normal"),
        # As much as fits in each way of printing, or nearly so.
        (_sheet(10, 5, replace(LINE, step=None, slack=None, controller=None)), "normal"),
        (_sheet(12, 4, replace(LINE, step=None)), "dense"),
        # The whole voice, with a panel, slack and steps of every control.
        (_sheet(15, 4, LINE), "tight"),
    ],
    ids=["every part", "one control", "full page", "with slack", "with panel and steps"],
)
def test_the_patch_sheet_prints_on_one_page(
    sheet: Sheet | None, density: str, chromium: Browser, view: ReportView, tmp_path: Path
) -> None:
    """Short or long, it fits on one page of A4: 210 mm by 297 mm."""
    path = tmp_path / "report.html"
    shown = view if sheet is None else replace(view, sheet=sheet)
    path.write_text(render_template("report.html.j2", view=shown), encoding="utf-8")
    with _opened(chromium, path, is_dark=True) as watched:
        page = watched.page
        assert page.locator(f".sheet.{density}").count() == 1
        content = page.pdf(prefer_css_page_size=True, print_background=True)
        assert count_pages(content) == 1
        # ISO 216: 210 mm x 297 mm are 595.3 x 841.9 points; a point is rounding.
        box = re.search(rb"/MediaBox \[([^\]]*)\]", content)
        assert box is not None
        sides = [float(side) for side in box[1].split()]
        np.testing.assert_allclose(sides, [0.0, 0.0, 595.3, 841.9], atol=1.0)
        page.emulate_media(media="print")
        assert page.locator(".sheet-part").last.is_visible()
        assert not page.locator("#pictures").is_visible()
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        # Nothing is cut off on the right.
        assert page.evaluate("document.documentElement.scrollWidth") <= DESKTOP[0]


def test_without_a_script_the_sounds_can_be_played(chromium: Browser, report: Path) -> None:
    """Where scripts are off, each sound has the browser's own controls."""
    context = chromium.new_context(java_script_enabled=False, offline=True)
    try:
        page = context.new_page()
        page.goto(report.as_uri())
        sounds = page.locator(f"{PLAYER} audio")
        assert sounds.count() == 4
        assert all(sounds.nth(i).is_visible() for i in range(4))
    finally:
        context.close()
