"""The routes that bring a target in, match it, and play it, against the command line's own."""

from __future__ import annotations

import io
import json
import os
import signal
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import soundfile

from matcher import load_run, load_target
from matcher.cli import main
from shared import loudness_lufs, true_peak_db
from tests.matcher.page.windows import HORN, STRUCTURE, job_of, start_match
from tests.page_server import PageServer, serve_page
from voice import render

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow


def _signal(content: bytes) -> tuple[np.ndarray[Any, Any], int]:
    """Decode a WAV file."""
    return soundfile.read(io.BytesIO(content))


def test_a_target_is_heard_as_by_the_command_line(server: PageServer, target: str) -> None:
    """The manifest that the page keeps gives `load_target` the same note."""
    shown = server.ask(f"/api/targets/{target}").document["notes"][0]
    manifest = server.folder / "earwright-page" / "targets" / target / "manifest.toml"
    note = load_target(manifest).notes[0]
    assert shown["midi_pitch"] == note.note.midi_pitch == 60.0
    assert shown["gate_s"] == note.note.gate_s
    assert shown["picture"]["duration_s"] == pytest.approx(len(note.signal) / 44_100)


def test_corrections_by_hand_hold_and_go_back(server: PageServer) -> None:
    """Pitch, velocity, gate and onset are taken as said, and given back when asked."""
    name = server.upload(HORN, name="mine.flac").document["name"]
    path = f"/api/targets/{name}/notes"
    said = {"pitch": "C3", "velocity": 64, "gate_s": 0.3, "onset_s": 0.11}
    note = server.post(path, {"notes": [said]}).document["notes"][0]
    assert (note["midi_pitch"], note["velocity"], note["gate_s"]) == (48.0, 64, 0.3)
    assert note["given"] == said
    back = server.post(path, {"notes": [{}]}).document["notes"][0]
    assert back["given"] == {}
    assert back["gate_s"] != 0.3
    refused = server.post(path, {"notes": [{"velocity": 500}]})
    assert refused.status == 400
    assert "1 to 127" in refused.document["error"]
    assert server.ask(f"/api/targets/{name}").document["notes"][0]["given"] == {}


def test_a_file_is_split_into_its_notes(server: PageServer, tmp_path: Path) -> None:
    """Two stabs with silence between them become two notes, by ear or at given times."""
    stab = soundfile.read(HORN)[0]
    both = np.concatenate([stab, np.zeros(22_050), stab])
    soundfile.write(tmp_path / "two.wav", both, 44_100)
    name = server.upload(tmp_path / "two.wav").document["name"]
    found = server.post(f"/api/targets/{name}/split", {"times_s": None}).document["notes"]
    at = len(stab) / 44_100 + 0.5
    assert len(found) == 2
    assert found[1]["source_onset_s"] - found[0]["source_onset_s"] == pytest.approx(at, abs=0.01)
    given = server.post(f"/api/targets/{name}/split", {"times_s": [0.1, 0.1 + at]}).document
    assert len(given["notes"]) == 2
    left = server.ask(f"/api/targets/{name}/notes/0", method="DELETE").document["notes"]
    assert len(left) == 1


def test_several_recordings_become_one_target(server: PageServer) -> None:
    """Notes are added one by one, and matched together."""
    name = server.upload(HORN, name="stab_C4_v100.flac").document["name"]
    server.upload(HORN.with_name("horn_stab_G4_v100.flac"), name="stab_G4_v100.flac", to=name)
    notes = server.ask(f"/api/targets/{name}").document["notes"]
    assert [note["midi_pitch"] for note in notes] == [60.0, 67.0]


def test_a_run_of_the_page_is_one_of_the_command_line(
    server: PageServer, run: str, tmp_path: Path
) -> None:
    """`load_run` reads it, and its own command line gives the same patch to the bit."""
    folder = load_run(server.folder / "runs" / run)
    words = [str(word) for word in folder.run["command_line"]]  # type: ignore[attr-defined]
    words[2] = str(server.folder / words[2])
    assert main([*words[1:], "--out", str(tmp_path / "again"), "--quiet"]) == 0
    assert load_run(tmp_path / "again").patch.values == folder.patch.values


def test_a_run_of_the_command_line_is_seen(server: PageServer) -> None:
    """What is matched in a terminal appears in the page's list."""
    out = server.folder / "runs" / "by-hand"
    arguments = ["match", str(HORN), "--structure", STRUCTURE, "--tries", "48", "--quiet"]
    assert main([*arguments, "--out", str(out)]) == 0
    assert "by-hand" in [each["name"] for each in server.ask("/api/state").document["runs"]]
    # Its recording is no target of the page; what a refinement finds is heard all the same.
    body = {"kind": "refine", "run": "by-hand", "evals": 48}
    job = server.post("/api/jobs", body).document["name"]
    assert server.wait_for_job(job)[-1]["kind"] == "done"
    sound, _ = _signal(server.ask(f"/api/jobs/{job}/best/0/sound").body)
    assert np.abs(sound).max() > 0.01


def test_progress_tells_loss_by_term_and_the_best_sound(server: PageServer, target: str) -> None:
    """Events come in order with falling loss; the best so far can be heard and seen."""
    job = start_match(server, target, evals=400)
    events = server.wait_for_job(job)
    progress = [event for event in events if event["kind"] == "progress"]
    assert events[0]["kind"] == "begun"
    assert events[-1]["kind"] == "done"
    assert {"spectral", "onset", "envelope", "modulation", "pitch"} == set(progress[0]["terms"])
    assert progress[-1]["evaluations"] > progress[0]["evaluations"]
    assert progress[-1]["loss"] <= progress[0]["loss"]
    sound, _ = _signal(server.ask(f"/api/jobs/{job}/best/0/sound").body)
    assert np.abs(sound).max() > 0.01
    assert server.ask(f"/api/jobs/{job}/best/0/picture").document["n_bands"] > 10


def test_events_go_on_from_where_a_reader_left_off(server: PageServer, run: str) -> None:
    """Last-Event-ID (HTML standard, server-sent events): nothing twice, nothing missing."""
    path = f"/api/jobs/{job_of(server, run)}/events"
    whole = server.ask(path).body.decode().split("\n\n")
    place = whole[1].partition("\n")[0].removeprefix("id: ")
    rest = server.ask(path, headers={"Last-Event-ID": place}).body.decode().split("\n\n")
    assert rest == whole[2:]
    # Beyond the end there is nothing to wait for.
    assert server.ask(f"{path}?from=99999999").body == b""


def test_stopped_searches_keep_their_best_and_a_third_one_waits(
    server: PageServer, target: str
) -> None:
    """Two at once are what the machine can bear; stopped in the middle they end as whole runs."""
    jobs = [start_match(server, target, seconds=3600) for _ in range(2)]
    server.wait_for_progress(jobs[1])
    third = server.post(
        "/api/jobs", {"kind": "match", "target": target, "structure": STRUCTURE, "seconds": 60}
    )
    assert third.status == 400
    assert "2 searches are running" in third.document["error"]
    for job in jobs:
        server.post(f"/api/jobs/{job}/stop", {})
    for job in jobs:
        last = server.wait_for_job(job)[-1]
        assert last["kind"] == "done"
        assert load_run(server.folder / "runs" / last["run"]).run["stop_reason"] == "stopped"


def test_a_stop_before_the_search_ends_it_at_once(server: PageServer, target: str) -> None:
    """While it compiles, nothing was tried that could be kept; nothing is left behind."""
    before = sorted((server.folder / "runs").iterdir())
    job = start_match(server, target, seconds=3600)
    server.post(f"/api/jobs/{job}/stop", {})
    last = server.wait_for_job(job)[-1]
    assert (last["kind"], "run" in last) == ("done", False)
    assert "nothing is kept" in last["text"]
    assert sorted((server.folder / "runs").iterdir()) == before


def test_a_search_outlives_the_server(tmp_path: Path) -> None:
    """The server is ended in the middle; the next one finds the search, running, and its run."""
    with serve_page(tmp_path) as first:
        name = first.upload(HORN).document["name"]
        job = start_match(first, name, seconds=3600)
        first.wait_for_progress(job)
        first.kill()
    with serve_page(tmp_path) as second:
        found = second.ask(f"/api/jobs/{job}").document
        assert found["state"] == "running"
        second.post(f"/api/jobs/{job}/stop", {})
        assert "run" in second.wait_for_job(job)[-1]
        second.process.send_signal(signal.SIGINT)
        assert second.process.wait(60) == 0
    assert "Traceback" not in "".join(second.lines)


def test_a_killed_search_is_told_apart(server: PageServer, target: str) -> None:
    """Kill -9 leaves no last word, but the lock of its file is free; the search can go on."""
    job = start_match(server, target, seconds=3600)
    server.wait_for_progress(job)
    events = server.folder / "earwright-page" / "jobs" / job / "events.jsonl"
    first = json.loads(events.read_text(encoding="ascii").splitlines()[0])
    os.kill(first["pid"], signal.SIGKILL)
    assert server.wait_for_job(job)[-1]["kind"] == "lost"
    assert server.ask(f"/api/jobs/{job}").document["state"] == "lost"
    (name,) = server.ask("/api/state").document["interrupted"]
    again = server.post("/api/jobs", {"kind": "resume", "run": name}).document["name"]
    server.wait_for_progress(again)
    server.post(f"/api/jobs/{again}/stop", {})
    assert server.wait_for_job(again)[-1]["run"] == name


def test_a_match_is_extended(server: PageServer, run: str) -> None:
    """More budget for a finished match goes on with its search, in the same folder."""
    before = load_run(server.folder / "runs" / run)
    job = server.post("/api/jobs", {"kind": "resume", "run": run, "evals": 48}).document["name"]
    assert server.wait_for_job(job)[-1]["run"] == run
    after = load_run(server.folder / "runs" / run)
    counts = [each.run["figures"]["evaluations"] for each in (before, after)]  # type: ignore[index]
    assert counts[1] > counts[0]


def test_ctrl_c_ends_the_server_quietly(tmp_path: Path) -> None:
    """No traceback, however often it is pressed, and nothing is left to end by hand."""
    with serve_page(tmp_path) as running:
        assert running.ask("/api/state").status == 200
        for _ in range(3):
            running.process.send_signal(signal.SIGINT)
        assert running.process.wait(60) == 0
    assert "Traceback" not in "".join(running.lines)


def test_keys_are_played_by_the_voice(server: PageServer, run: str) -> None:
    """Any key and velocity: the sound of `voice.render`, turned down, with its release."""
    body = {"midi_pitch": 55, "velocity": 40, "gate_s": 0.25}
    sound, rate = _signal(server.post(f"/api/runs/{run}/key", body).body)
    patch = load_run(server.folder / "runs" / run).patch
    own = render(patch, midi_pitch=55, velocity=40, gate_s=0.25)
    assert (rate, len(sound)) == (44_100, len(own))
    # 16 bit hold the waveform to -90 dB.
    assert np.corrcoef(sound, own)[0, 1] > 0.9999


@pytest.mark.parametrize(
    "values",
    [
        {"filter.resonance_ratio": 1.0, "filter.drive_db": 36.0, "filter.cutoff_hz": 2000.0},
        {"osc1.saw_level": 1.0, "osc1.pulse_level": 1.0, "amp_env.attack_s": 0.0005},
    ],
    ids=["resonant", "loud"],
)
def test_what_is_played_is_limited(server: PageServer, run: str, values: dict[str, float]) -> None:
    """ITU-R BS.1770: at most -1 dBTP and -16 LUFS, also for settings that hurt."""
    body = {"midi_pitch": 60, "velocity": 127, "gate_s": 0.6, "values": values}
    sound, rate = _signal(server.post(f"/api/runs/{run}/key", body).body)
    # 0.05: rounding to 16 bit and the ripple of the oversampling.
    assert true_peak_db(sound, rate) <= -1.0 + 0.05
    assert loudness_lufs(sound, rate) <= -16.0 + 0.05


def test_changes_by_hand_sound_and_are_measured(server: PageServer, run: str) -> None:
    """A changed value gives another sound and another loss; the run stays as it was."""
    before = (server.folder / "runs" / run / "patch.json").read_bytes()
    path = f"/api/runs/{run}/notes/0/play"
    plain = server.post(path, {"values": {}})
    dark = server.post(path, {"values": {"filter.cutoff_hz": 120.0}})
    assert plain.body != dark.body
    losses = [json.loads(answer.headers["x-loss"])["total"] for answer in (plain, dark)]
    expected = load_run(server.folder / "runs" / run).run["loss"]
    assert losses[0] == pytest.approx(expected["end"]["total"], rel=0.05)  # type: ignore[index]
    assert losses[1] > losses[0]
    assert (server.folder / "runs" / run / "patch.json").read_bytes() == before
    refused = server.post(path, {"values": {"filter.cutoff_hz": 1e9}})
    assert refused.status == 400
    assert "20 to 20000 Hz" in refused.document["error"]


def test_pictures_are_files_of_their_own(server: PageServer, run: str) -> None:
    """Each is well-formed, follows dark and light by itself, and may run or load nothing."""
    path = f"/api/runs/{run}/notes/0/pictures"
    captions = server.ask(path).document["pictures"]
    assert captions[0]["title"] == "Spectrum of the target"
    for caption in captions[::5]:
        picture = server.ask(f"{path}/{caption['name']}")
        ET.fromstring(picture.body)  # noqa: S314  our own
        assert b"prefers-color-scheme:dark" in picture.body
        assert picture.headers["content-type"] == "image/svg+xml"
        assert picture.headers["content-security-policy"].startswith("sandbox; default-src 'none'")
    assert server.ask(f"{path}/other").status == 400


def test_what_mattered_is_told_with_its_sounds(server: PageServer, run: str) -> None:
    """Sections appear as they are done; each step of the build order can be heard."""
    job = server.post("/api/jobs", {"kind": "explain", "run": run, "seconds": 2}).document["name"]
    events = server.wait_for_job(job)
    assert events[-1]["kind"] == "done", events[-1]
    told = server.ask(f"/api/runs/{run}/why").document
    assert told["is_current"]
    steps = told["explanation"]["build"]["steps"]
    for number in (0, len(steps)):
        sound, _ = _signal(server.ask(f"/api/runs/{run}/why/build/{number}/sound").body)
        assert np.abs(sound).max() > 0.001
    assert server.ask(f"/api/runs/{run}/why/build/{len(steps) + 1}/sound").status == 400


def test_the_keyboard_is_checked(server: PageServer, run: str) -> None:
    """Every key from the lower to the upper one is measured, and the scale can be heard."""
    body = {"kind": "keyboard", "run": run, "low": "C3", "high": "C5", "step": 12}
    job = server.post("/api/jobs", body).document["name"]
    assert server.wait_for_job(job)[-1]["kind"] == "done"
    keys = server.ask(f"/api/runs/{run}/why").document["keyboard"]["keys"]
    assert {key["midi_pitch"] for key in keys} == {48.0, 60.0, 72.0}
    assert server.ask(f"/api/runs/{run}/why/keyboard/sound").body[:4] == b"RIFF"
    drawn = server.ask(f"/api/runs/{run}/why/keyboard/pictures/keys-loudness").body
    assert drawn.startswith(b"<svg")
    assert server.post("/api/jobs", {**body, "low": "C6"}).status == 400
