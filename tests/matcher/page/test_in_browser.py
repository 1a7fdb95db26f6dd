"""The whole job in headless Chromium, as a musician does it: by mouse, by keys, on a phone."""

from __future__ import annotations

import base64
import re
import shutil
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher import load_run
from matcher.page.security import new_token
from matcher.runs import find_version, list_versions
from shared import CATALOGUE
from tests.browser import (
    DESKTOP,
    PATIENCE_MS,
    PHONE,
    chromium,
    count_pages,
    open_page,
    serious_findings,
)
from tests.matcher.page.windows import (
    HORN,
    STRUCTURE,
    VIEWS,
    address_of,
    open_player,
    play_and_hear,
    show_view,
    start_match,
    wait_for_view,
)
from tests.matcher.report.report_runs import (
    check_keyboard,
    edit_document,
    explain_run,
    fullest_patch,
    set_patch,
    small_run,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from playwright.sync_api import Browser, Page, Response

    from tests.page_server import PageServer

# The run comes first: where nothing is compiled yet, it takes longer than a browser waits.
pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("run")]

__all__ = ["chromium"]


@pytest.fixture(scope="module")
def spare(server: PageServer, run: str) -> str:
    """Copy the run, for the tests that change one."""
    shutil.copytree(server.folder / "runs" / run, server.folder / "runs" / "spare")
    return "spare"


@pytest.fixture(scope="module")
def everything(server: PageServer, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Make a run in which every control does something, with all that can be told of it."""
    full = small_run(tmp_path_factory.mktemp("full"), "reed")
    set_patch(full, fullest_patch())
    explain_run(full)
    check_keyboard(full, "Above C5 it gets thin.")
    shutil.move(full.path, server.folder / "runs" / "everything")
    return "everything"


def _is_key(midi_pitch: int) -> Callable[[Response], bool]:
    """Return what tells answers to one key from those to others."""

    def is_it(response: Response) -> bool:
        asked = response.request
        return response.url.endswith("/key") and (asked.post_data_json["midi_pitch"] == midi_pitch)

    return is_it


def _drop(page: Page, file: Path, name: str) -> None:
    """Drop a file on the page, as the desktop does."""
    content = base64.b64encode(file.read_bytes()).decode()
    page.evaluate(
        """([name, content]) => {
            const bytes = Uint8Array.from(atob(content), (sign) => sign.charCodeAt(0));
            const transfer = new DataTransfer();
            transfer.items.add(new File([bytes], name));
            document.querySelector(".drop").dispatchEvent(
                new DragEvent("drop", { dataTransfer: transfer, bubbles: true }));
        }""",
        [name, content],
    )


def test_the_whole_job(server: PageServer, chromium: Browser) -> None:
    """Drop a target, match 2 s, reload, listen, go on, stop it from a second window."""
    with open_page(chromium, server.address) as watched:
        page = watched.page
        wait_for_view(page, "target")
        assert "token" not in page.url
        _drop(page, HORN, "brass_C4_v100.flac")
        page.get_by_role("heading", name="brass_C4_v100", level=3).wait_for()
        assert page.get_by_label("Pitch").input_value() == "C4"
        page.get_by_role("button", name="Match this target").click()
        wait_for_view(page, "match")
        page.get_by_label("Structure of your instrument").select_option(STRUCTURE)
        page.get_by_label("Time, s").fill("2")
        page.get_by_role("button", name=re.compile("^Match brass")).click()
        page.wait_for_selector("#loss")
        job = page.get_attribute("#job", "data-job")
        page.reload()
        # At its end the patch is what one sees: the slip, and whose it is.
        wait_for_view(page, "patch")
        page.locator(".slip dt", has_text="cutoff").wait_for()
        assert page.get_by_role("heading", level=1).inner_text().startswith("brass")
        assert str(page.get_attribute("#player", "aria-label")).startswith("Player: brass")
        _listen(page)
        # Long enough for a second window to find it, however slow the machine is.
        page.get_by_label("Search on for, s").fill("3600")
        page.get_by_role("button", name="Go on with this match").click()
        page.wait_for_selector(f'#job:not([data-job="{job}"]) #loss')
        job = page.get_attribute("#job", "data-job")
        page.reload()
        page.wait_for_selector(f'#job[data-job="{job}"] #loss')
        with open_page(chromium, address_of(server, "match")) as second:
            second.page.wait_for_selector("#loss")
            assert second.page.get_attribute("#job", "data-job") == job
            second.page.get_by_role("button", name="Stop and keep").click()
            wait_for_view(second.page, "patch")
            assert second.problems == []
        wait_for_view(page, "patch")
        page.get_by_text(re.compile("It was stopped with .* s left")).wait_for()
        assert watched.problems == []
        assert all(address.startswith(server.base) for address in watched.requests)
    (folder,) = (server.folder / "runs").glob("brass*")
    assert load_run(folder).patch.structure == STRUCTURE


def _listen(page: Page) -> None:
    """Play, switch while it plays, loop the attack, half speed, stop."""
    player = page.locator("#player")
    play_and_hear(page)
    assert player.get_attribute("data-heard") == "Target"
    page.get_by_role("radio", name="Attack").check(force=True)
    page.keyboard.press("x")
    page.wait_for_selector('#player[data-heard="Match"][data-sounding="true"]')
    page.get_by_role("radio", name="Half").check(force=True)
    assert player.get_attribute("data-state") == "playing"
    # Space stops and plays, also where a radio or a button was pressed before.
    page.keyboard.press(" ")
    page.wait_for_selector('#player[data-state="stopped"]')
    page.get_by_role("button", name="Less").focus()
    page.keyboard.press(" ")
    page.wait_for_selector('#player[data-state="playing"]')
    page.keyboard.press(" ")
    assert page.get_by_role("button", name="Less").count() == 1


def test_pictures_of_a_run_are_seen(server: PageServer, run: str, chromium: Browser) -> None:
    """Both spectra and their difference are drawn, with a caption each; more is a click away."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        page.get_by_text("Pictures of both").click()
        images = page.locator("#pictures > .plots img[src]")
        images.nth(2).wait_for()
        assert images.count() == 3
        for i in range(3):
            loaded = images.nth(i).evaluate(
                "(image) => image.decode().then(() => image.naturalWidth)"
            )
            assert loaded > 0
        page.get_by_text("More pictures").click()
        page.get_by_text("The attack, enlarged.").wait_for()
        assert watched.problems == []


WIDEST = """Math.max(document.documentElement.scrollWidth,
    document.getElementById("page").scrollWidth)"""

# A stand-in for what is plugged in: a sawtooth of 220 Hz that is struck 0.4 s after somebody has
# begun to listen, however long that takes on a busy machine.
INPUT = """
navigator.mediaDevices.getUserMedia = async () => {
  const audio = new AudioContext();
  const [tone, level] = [audio.createOscillator(), audio.createGain()];
  const out = audio.createMediaStreamDestination();
  tone.type = "sawtooth";
  tone.frequency.value = 220;
  level.gain.setValueAtTime(0, audio.currentTime);
  tone.connect(level).connect(out);
  tone.start();
  const listen = AudioContext.prototype.createMediaStreamSource;
  AudioContext.prototype.createMediaStreamSource = function (stream) {
    level.gain.setTargetAtTime(0.3, audio.currentTime + 0.4, 0.005);
    level.gain.setTargetAtTime(0, audio.currentTime + 1.2, 0.05);
    return listen.call(this, stream);
  };
  return out.stream;
};
"""


def test_an_input_is_recorded(server: PageServer, chromium: Browser) -> None:
    """What comes in is recorded as it is, and becomes a target with its pitch."""
    with chromium.new_context() as context:
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.add_init_script(INPUT)
        page.goto(server.address)
        wait_for_view(page, "target")
        page.get_by_role("button", name="Record from an input").click()
        # Two seconds or more: nobody knows when a busy machine looks.
        page.get_by_role("button", name=re.compile(r"Stop recording, ([2-9]|\d\d) s")).click()
        page.get_by_role("heading", name="recording", level=3).wait_for()
    note = server.ask("/api/targets/recording").document["notes"][0]
    # A3 is 220 Hz (ISO 16). 5 cents: what the pitch of a second of sound is promised to.
    assert note["midi_pitch"] == pytest.approx(57.0, abs=0.05)


def test_keys_sound_by_mouse_letters_and_midi(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """A key that is pressed is answered with a sound of the voice, and is let go again."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        page.get_by_text("Play it on keys").click()
        page.get_by_role("button", name="C4", exact=True).click()
        page.wait_for_selector(".keys[data-answered-ms]")
        page.get_by_role("button", name="C3", exact=True).focus()
        # The click's key may still ask for its release, so answers are told apart by their pitch.
        with page.expect_response(_is_key(49)) as pressed:
            page.keyboard.down("e")
        assert pressed.value.request.post_data_json["gate_s"] == 4.0
        assert page.locator(".key.down").count() == 1
        with page.expect_response(_is_key(49)) as released:
            page.keyboard.up("e")
        assert released.value.request.post_data_json["gate_s"] < 4.0
        page.wait_for_selector(".key.down", state="detached")
        with page.expect_response(_is_key(64)) as played:
            page.evaluate(
                """async () => {
                    const { Keys } = await import("/static/keys.js");
                    const run = new URLSearchParams(location.hash.split("?")[1]).get("run");
                    const keys = new Keys(run, () => ({}));
                    keys.element();
                    keys.hear([0x90, 64, 33]);
                }"""
            )
        # MIDI 1.0: note on, E4, velocity 33.
        assert played.value.request.post_data_json["velocity"] == 33
        assert watched.problems == []


def test_changes_by_hand_are_heard_saved_and_undone(
    server: PageServer, spare: str, chromium: Browser
) -> None:
    """A control that is moved sounds at once and is saved by itself; a reload keeps it."""
    path = server.folder / "runs" / spare
    with open_page(chromium, address_of(server, "shape", run=spare)) as watched:
        page = watched.page
        wait_for_view(page, "shape")
        before = page.get_attribute("#shape-loss", "data-loss")
        n_before = len(list_versions(path))
        open_player(page)
        page.get_by_role("radio", name="Whole").check(force=True)
        cutoff = page.get_by_label("low-pass filter, cutoff, value")
        cutoff.fill("0.15 kHz")
        page.keyboard.press("Tab")
        assert "not saved" in page.inner_text("#saved")
        # Before it is saved: the change is in this window.
        page.reload()
        wait_for_view(page, "shape")
        assert page.get_by_label("low-pass filter, cutoff, value").input_value() == "150 Hz"
        page.wait_for_selector(f'#shape-loss:not([data-loss="{before}"])')
        page.get_by_text(f"saved as version {n_before + 1}").wait_for()
        assert find_version(path).patch.values["filter.cutoff_hz"] == 150.0
        page.get_by_role("slider", name="low-pass filter, cutoff").press("ArrowRight")
        page.wait_for_selector('#player[data-state="playing"][data-heard="Match"]')
        page.get_by_role("link", name="Export").click()
        # Every view shows the state that was just left, whoever saves it.
        wait_for_view(page, "export")
        now = find_version(path)
        assert now.number == n_before + 2
        assert f"version {now.number}" in page.locator(".sheet").inner_text()
        page.get_by_role("link", name="Shape", exact=True).click()
        wait_for_view(page, "shape")
        page.keyboard.press("Control+z")
        page.get_by_text(f"saved as version {now.number + 1}").wait_for()
        assert find_version(path).patch.values["filter.cutoff_hz"] == 150.0
        page.get_by_label("low-pass filter, cutoff, value").fill("9 GHz")
        page.keyboard.press("Tab")
        alert = page.get_by_role("alert")
        alert.get_by_text("cutoff must be").wait_for()
        page.get_by_label("low-pass filter, cutoff, value").fill("160 Hz")
        page.keyboard.press("Tab")
        alert.get_by_text("cutoff must be").wait_for(state="detached")
        assert watched.problems == []


def test_what_is_locked_stays_and_names_are_taken_back(
    server: PageServer, spare: str, chromium: Browser
) -> None:
    """Lock the filter, refine the rest, name it, take the name back, go back, compare by ear."""
    path = server.folder / "runs" / spare
    kept = find_version(path)
    with open_page(chromium, address_of(server, "shape", run=spare)) as watched:
        page = watched.page
        wait_for_view(page, "shape")
        page.get_by_text("Lock, and refine the rest").click()
        page.locator('[data-group="brightness"]').check()
        locked = page.locator(".control.locked")
        names = {locked.nth(i).get_attribute("data-control") for i in range(locked.count())}
        assert {CATALOGUE[str(name)].group for name in names} == {"brightness"}
        page.get_by_label("Refine the rest for, s").fill("1")
        page.get_by_role("button", name="Refine the rest").click()
        page.wait_for_selector('#job[data-state="done"]')
        refined = find_version(path)
        assert refined.kind == "refine"
        bright = [each.name for each in CATALOGUE if each.group == "brightness"]
        assert [refined.patch.values[x] for x in bright] == [kept.patch.values[x] for x in bright]
        page.get_by_role("link", name="Versions").click()
        wait_for_view(page, "versions")
        item = page.locator(f'[data-version="{kept.number}"]')
        # Changes by hand go together until one has a name.
        page.get_by_text("changes by hand, versions").click()
        item.get_by_label("Name for version").fill("my softer one")
        item.get_by_role("button", name="this name").click()
        item.locator(".tag", has_text="my softer one").wait_for()
        item.get_by_role("button", name="take the name my softer one back").click()
        page.wait_for_selector(f'[data-version="{kept.number}"] .tag', state="detached")
        page.get_by_text("changes by hand, versions").click()
        item.get_by_role("button", name="Go back to").click()
        page.wait_for_selector(f'.current[data-version="{refined.number + 1}"]')
        assert find_version(path).patch.values == kept.patch.values
        page.get_by_role("button", name="Compare", exact=True).click()
        play_and_hear(page)
        assert watched.problems == []


def test_a_shorter_patch_is_heard_and_used(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """The slider from short to close plays each rung, shows its slip, and makes it current."""
    path = server.folder / "runs" / "ladder"
    shutil.copytree(server.folder / "runs" / run, path)
    last = find_version(path).number
    rungs = [
        {"settings": 9, "version": last, "distance": 3.25, "adds": [], "is_suggested": True},
        {"settings": 4, "version": 1, "distance": 5.5, "adds": ["low-pass filter"]},
    ]
    edit_document(load_run(path), ladder=rungs)
    with open_page(chromium, address_of(server, "patch", run="ladder")) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        assert page.locator("#use-rung").is_disabled()
        slider = page.get_by_role("slider", name="From short to close")
        assert slider.get_attribute("aria-valuetext") == "9 settings, distance 3.25"
        open_player(page)
        page.locator("#player").get_by_role("radio", name="Whole").check(force=True)
        slider.press("ArrowLeft")
        page.wait_for_selector('#player[data-state="playing"][data-heard="Match"]')
        page.get_by_text("With 4 settings, not in use yet:").wait_for()
        page.click("#use-rung")
        page.get_by_text(f"version {last + 1}").wait_for()
        assert find_version(path).patch.values == find_version(path, 1).patch.values
        assert watched.problems == []


def test_two_structures_are_compared(server: PageServer, run: str, chromium: Browser) -> None:
    """Curves come in as runs finish, a verdict at the end, and the best of each is heard."""
    with open_page(chromium, address_of(server, "compare", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "compare")
        for name in ("one-oscillator", "two-oscillator"):
            page.locator(f'input[value="{name}"]').check()
        page.get_by_label("Time for each run, s").fill("1")
        page.get_by_label("Runs of each").fill("1")
        assert "2 runs, about" in page.inner_text("#compare-total")
        page.get_by_role("button", name=re.compile("^Compare on")).click()
        page.wait_for_selector('#comparison[data-state="done"] #verdict')
        assert "two-oscillator" in page.inner_text("#verdict")
        page.get_by_role("button", name="Listen to two-oscillator").click()
        play_and_hear(page)
        assert watched.problems == []


def test_the_sheet_is_taken_away(server: PageServer, run: str, chromium: Browser) -> None:
    """Sheet, patch and MIDI file are downloads; the report opens without our key to the page."""
    with open_page(chromium, address_of(server, "export", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "export")
        with page.expect_download() as sheet:
            page.click("#take-sheet")
        text = sheet.value.path().read_text(encoding="utf-8")
        patch = load_run(server.folder / "runs" / run).patch
        assert CATALOGUE["filter.cutoff_hz"].format(patch.values["filter.cutoff_hz"]) in text
        with page.expect_download() as midi:
            page.click("#take-midi")
        # Standard MIDI Files 1.0: the header chunk.
        assert midi.value.path().read_bytes()[:4] == b"MThd"
        assert count_pages(page.pdf(prefer_css_page_size=True)) == 1
        page.emulate_media(media="print")
        assert page.locator(".sheet").is_visible()
        assert not page.locator("nav").is_visible()
    report = server.ask(f"/api/runs/{run}/report")
    assert report.headers["content-security-policy"].startswith("sandbox")


def test_the_longest_sheet_prints_on_one_page(
    server: PageServer, everything: str, chromium: Browser
) -> None:
    """Every control of the whole voice, each with what sounds the same: one page of A4."""
    with open_page(chromium, address_of(server, "export", run=everything)) as watched:
        page = watched.page
        wait_for_view(page, "export")
        assert page.locator(".sheet .remark:not(:empty)").count() > 40
        assert count_pages(page.pdf(prefer_css_page_size=True)) == 1
        assert watched.problems == []


def test_less_motion_is_respected(server: PageServer, spare: str, chromium: Browser) -> None:
    """Who asks for less motion sees no dot that pulses beside running work."""
    job = server.post("/api/jobs", {"kind": "resume", "run": spare, "evals": 10_000_000}).document
    with open_page(chromium, address_of(server, "export", run=spare)) as watched:
        page = watched.page
        wait_for_view(page, "export")
        dot = page.locator(".pulse")
        dot.wait_for()
        motion = "(dot) => getComputedStyle(dot).animationName"
        assert dot.evaluate(motion) == "pulse"
        page.emulate_media(reduced_motion="reduce")
        assert dot.evaluate(motion) == "none"
    server.post(f"/api/jobs/{job['name']}/stop", {})
    server.wait_for_job(job["name"])


@pytest.mark.parametrize(
    ("size", "is_dark", "only", "without"),
    # Themes differ in colours, and a narrow window has none of its own.
    [
        (DESKTOP, False, [], []),
        (DESKTOP, True, ["color-contrast"], []),
        (PHONE, False, [], ["color-contrast"]),
    ],
    ids=["light", "dark", "phone"],
)
def test_everybody_can_use_it(
    server: PageServer,
    run: str,
    everything: str,
    chromium: Browser,
    *,
    size: tuple[int, int],
    is_dark: bool,
    only: list[str],
    without: list[str],
) -> None:
    """axe-core finds nothing serious in any view, and no view is wider than the window."""
    address = address_of(server, "target", run=run)
    with open_page(chromium, address, size=size, is_dark=is_dark) as watched:
        wait_for_view(watched.page, "target")
        views = [(view, run) for view in VIEWS]
        views += [] if is_dark else [("how", everything), ("export", everything)]
        for view, name in views:
            show_view(watched.page, view, name)
            assert serious_findings(watched.page, only=only, without=without) == [], view
            assert watched.page.evaluate(WIDEST) <= size[0], view
        assert watched.problems == []


def test_the_keyboard_alone_is_enough(server: PageServer, run: str, chromium: Browser) -> None:
    """Tab reaches the steps of the job, Enter opens one, Space plays, and focus can be seen."""
    with open_page(chromium, address_of(server, "target", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "target")
        # The way past the steps leads into the view, and to no other one.
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "view"
        assert page.get_attribute("body", "data-ready") == "target"
        page.evaluate("document.getElementById('page').focus()")
        seen = []
        for _ in range(14):
            page.keyboard.press("Tab")
            seen.append(page.evaluate("document.activeElement.innerText"))
            if seen[-1] == "Patch":
                break
        assert seen[-1] == "Patch"
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Enter")
        wait_for_view(page, "patch")
        page.wait_for_selector("#player:not([hidden])")
        page.keyboard.press(" ")
        page.wait_for_selector('#player[data-state="playing"]')
        assert watched.problems == []


def test_a_hostile_name_stays_text(server: PageServer, run: str, chromium: Browser) -> None:
    """A run folder whose name is markup is listed as text, and nothing of it runs."""
    hostile = "<img src=x onerror=document.title='stolen'>"
    source = server.folder / "runs" / run
    (server.folder / "runs" / hostile).symlink_to(source)
    try:
        with open_page(chromium, address_of(server, "export", run=run)) as watched:
            page = watched.page
            wait_for_view(page, "export")
            options = page.locator("#choose-run option").all_inner_texts()
            assert hostile in options
            page.select_option("#choose-run", hostile)
            page.get_by_role("heading", name=re.compile("Patch sheet: <img")).wait_for()
            assert page.locator("main img").count() == 0
            assert "stolen" not in page.title()
            assert watched.problems == []
    finally:
        (server.folder / "runs" / hostile).unlink()


def test_the_match_follows_the_target_and_an_end_is_announced(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """A new recording has no match of another; a search that ends elsewhere says so."""
    with open_page(chromium, address_of(server, "patch", run=run)) as watched:
        page = watched.page
        wait_for_view(page, "patch")
        name = server.upload(HORN, name="second.flac").document["name"]
        page.wait_for_selector(f'#choose-target option[value="{name}"]', state="attached")
        page.select_option("#choose-target", name)
        page.get_by_text(f"There is no match of {name} yet.").wait_for()
        assert page.input_value("#choose-run") == ""
        page.get_by_role("link", name="Export").click()
        wait_for_view(page, "export")
        start_match(server, name, evals=60)
        page.get_by_role("alert").get_by_role("button", name="Show the patch").click()
        wait_for_view(page, "patch")
        assert page.get_by_role("heading", level=1).inner_text().startswith("second")
        assert page.input_value("#choose-target") == name
        assert watched.problems == []


def test_a_sound_without_pitch_is_asked_for_its_key(
    server: PageServer, chromium: Browser, tmp_path: Path
) -> None:
    """White noise is taken once somebody has said which key plays it."""
    noise = np.random.default_rng(0).uniform(-0.3, 0.3, 22_050)
    soundfile.write(tmp_path / "hiss.wav", noise, 44_100)
    with open_page(chromium, server.address) as watched:
        page = watched.page
        wait_for_view(page, "target")
        page.set_input_files("#recordings", tmp_path / "hiss.wav")
        page.get_by_label("Key that is to play it").fill("D3")
        page.get_by_role("button", name="Use this key").click()
        page.get_by_role("heading", name="hiss", level=3).wait_for()
        assert page.get_by_role("textbox", name="Pitch").input_value() == "D3"


def test_what_is_wrong_is_said_on_the_page(server: PageServer, chromium: Browser) -> None:
    """A file that is no recording: one line that says so, spoken by screen readers."""
    with open_page(chromium, server.address) as watched:
        page = watched.page
        wait_for_view(page, "target")
        page.set_input_files(
            "#recordings", {"name": "notes.txt", "mimeType": "text/plain", "buffer": b"la"}
        )
        alert = page.get_by_role("alert")
        alert.get_by_text("no audio file by its name").wait_for()
        assert "notes.txt" in alert.inner_text()


def test_a_run_that_cannot_be_read_is_named(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """It is no match to choose, and the page says what is wrong with it."""
    broken = server.folder / "runs" / "broken"
    shutil.copytree(server.folder / "runs" / run, broken)
    (broken / "run.json").write_text("{", encoding="utf-8")
    try:
        with open_page(chromium, address_of(server, "match", run=run)) as watched:
            page = watched.page
            wait_for_view(page, "match")
            told = page.locator("section", has_text="Runs that can't be read").inner_text()
            assert "broken" in told
            assert "run.json" in told
            assert "broken" not in page.locator("#choose-run option").all_inner_texts()
            assert str(server.folder) not in told
            assert watched.problems == []
    finally:
        shutil.rmtree(broken)


def test_another_server_on_this_machine_finds_nothing(
    server: PageServer, run: str, chromium: Browser
) -> None:
    """A page on another port is sent no cookie, and finds no key in the window that had one."""
    heard: list[str | None] = []

    class Other(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            heard.append(self.headers.get("Cookie"))
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<p>hello</p>")

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Other) as other:
        threading.Thread(target=other.serve_forever, daemon=True).start()
        with open_page(chromium, address_of(server, "export", run=run)) as watched:
            page = watched.page
            wait_for_view(page, "export")
            page.goto(f"http://127.0.0.1:{other.server_port}/")
            found = page.evaluate(
                """async (base) => {
                    const asked = await fetch(`${base}/api/state`, { credentials: "include" })
                        .then((answer) => answer.status, (error) => error.name);
                    return [document.cookie, { ...sessionStorage }, { ...localStorage }, asked];
                }""",
                server.base,
            )
            assert page.context.cookies() == []
        other.shutdown()
    assert found == ["", {}, {}, "TypeError"]
    assert set(heard) == {None}


def test_a_window_of_an_earlier_start_shows_the_way_back(
    server: PageServer, chromium: Browser
) -> None:
    """With the key of a server that is gone, a window says where to go; no bare refusal."""
    with open_page(chromium, f"{server.base}/?token={new_token()}") as watched:
        watched.page.get_by_role("heading", name="This window is of an earlier start").wait_for()
        watched.page.goto(server.address)
        wait_for_view(watched.page, "target")
