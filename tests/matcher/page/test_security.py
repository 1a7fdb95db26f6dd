"""Who gets in: each rule of `matcher.page.security`, tried against the real server."""

from __future__ import annotations

import http.client
import io
import shutil
import socket
import struct
import time
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

import numpy as np
import pytest
import soundfile

from matcher.page.security import TICKET_S, is_loopback, make_ticket
from matcher.page.targets import MAX_FILE_BYTES, MAX_FILES

if TYPE_CHECKING:
    from tests.page_server import PageServer

pytestmark = pytest.mark.slow

READ, CHANGE = "/api/state", "/api/jobs/1/stop"


def _wav(n_frames: int = 22_050, rate: int = 44_100, level: float = 0.3) -> bytes:
    """Return half a second of a tone, in samples that hold its level."""
    buffer = io.BytesIO()
    tone = level * np.sin(2 * np.pi * 220.0 * np.arange(n_frames) / rate)
    subtype = "PCM_16" if level <= 1.0 else "DOUBLE"
    soundfile.write(buffer, tone, rate, format="WAV", subtype=subtype)
    return buffer.getvalue()


def test_it_listens_on_loopback_only(server: PageServer) -> None:
    """The port is taken on 127.0.0.1 and on no other address of this machine."""
    parts = urlsplit(server.base)
    assert parts.hostname == "127.0.0.1"
    # 127.0.0.2 is this machine as well, and would answer if all addresses were listened on.
    with socket.socket() as other, pytest.raises(ConnectionRefusedError):
        other.connect(("127.0.0.2", parts.port or 0))


def test_the_page_itself_gets_in(server: PageServer) -> None:
    """What the browser sends for our own page is answered."""
    assert server.ask(READ).status == 200
    assert server.ask("/").status == 200


@pytest.mark.parametrize("key", [None, "", "Bearer wrong", "Basic wrong"])
def test_without_the_key_nothing_is_told(server: PageServer, key: str | None) -> None:
    """RFC 9110, 401: neither state nor a file, whatever the address; no cookie is ever set."""
    headers = {} if key is None else {"Authorization": key}
    for path in (READ, f"{READ}?token={server.token}", "/api/runs/x/report"):
        answer = server.ask(path, headers=headers, is_page=False)
        assert answer.status == 401
        assert "printed last" in answer.body.decode()
    for path in ("/", f"/?token={server.token}", "/static/main.js", READ):
        answer = server.ask(path, headers=headers, is_page=False)
        assert "set-cookie" not in answer.headers
        assert server.token.encode() not in answer.body


def test_the_key_of_a_cookie_opens_nothing(server: PageServer) -> None:
    """Cookies know no ports (RFC 6265, section 8.5), so the key is never one."""
    port = urlsplit(server.base).port
    for name in (f"earwright-{port}", "key", "token"):
        cookie = {"Cookie": f"{name}={server.token}"}
        assert server.ask(READ, headers=cookie, is_page=False).status == 401


def test_a_ticket_opens_one_address_for_a_minute(server: PageServer, run: str) -> None:
    """A report that the browser opens by itself; nothing else, nothing later, no change."""
    path = f"/api/runs/{run}/report"
    ticket = server.post("/api/tickets", {"path": path}).document["ticket"]
    assert server.ask(f"{path}?ticket={ticket}", is_page=False).status == 200
    old = make_ticket(server.token, path, now_s=time.monotonic() - TICKET_S - 1)
    for refused in (
        f"{path}?ticket={old}",
        f"/api/runs/{run}/sheet?ticket={ticket}",
        f"{path}?ticket={ticket[:-1]}",
        f"{path}?ticket=9{ticket}",
    ):
        assert server.ask(refused, is_page=False).status == 401
    change = f"/api/runs/{run}/keep"
    paid = make_ticket(server.token, change)
    headers = {"Origin": server.base}
    answer = server.ask(
        f"{change}?ticket={paid}", method="POST", body=b"{}", headers=headers, is_page=False
    )
    assert answer.status == 401


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "127.0.0.1", ""])
def test_other_hosts_are_refused(server: PageServer, host: str) -> None:
    """DNS rebinding: a name that leads here, with the right port and even the key."""
    port = urlsplit(server.base).port
    given = f"{host}:{port}" if "." in host and host != "127.0.0.1" else host
    connection = http.client.HTTPConnection("127.0.0.1", port or 0)
    connection.putrequest("GET", READ, skip_host=True)
    connection.putheader("Host", given)
    connection.putheader(*next(iter(server.key.items())))
    connection.endheaders()
    assert connection.getresponse().status == 400
    connection.close()


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {},
    ],
    ids=["other site", "sandbox", "other port", "none"],
)
def test_other_origins_change_nothing(server: PageServer, headers: dict[str, str]) -> None:
    """Cross-site requests, also with the key, are refused before they reach a route."""
    sent = {**server.key, **headers}
    assert server.ask(CHANGE, method="POST", headers=sent, is_page=False).status == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_other_sites_read_nothing(server: PageServer, site: str) -> None:
    """Fetch Metadata: another site can't even embed a sound."""
    sent = {**server.key, "Sec-Fetch-Site": site, "Sec-Fetch-Mode": "no-cors"}
    assert server.ask(READ, headers=sent, is_page=False).status == 403


def test_answers_carry_a_strict_policy(server: PageServer) -> None:
    """Only own files, no inline script, no frame around it, no guessing of types."""
    headers = server.ask("/").headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e%2fapp.py",
        "/static/..%2f..%2f..%2fpyproject.toml",
        f"/api/runs/{quote('../../outside', safe='')}",
        "/api/runs/%2e%2e",
        f"/api/targets/{quote('../../../secret.toml', safe='')}",
        "/api/targets/..%5c..%5csecret",
        f"/api/structures/{quote('../../secret.toml', safe='')}",
        "/api/structures/%2fetc%2fpasswd.toml",
        "/api/jobs/..%2f..",
        "/api/comparisons/%2e%2e",
    ],
)
def test_paths_stay_in_the_workspace(server: PageServer, path: str) -> None:
    """Names that are paths, in whatever spelling, are no names."""
    connection = http.client.HTTPConnection("127.0.0.1", urlsplit(server.base).port or 0)
    connection.request("GET", path, headers=server.key)
    answer = connection.getresponse()
    body = answer.read()
    assert answer.status in {400, 404}
    assert b"secret\n" not in body
    assert b"[project]" not in body
    connection.close()


def test_links_out_of_the_workspace_lead_nowhere(server: PageServer, run: str) -> None:
    """Neither a folder that is a link, nor a link in a run, a target or a job is opened."""
    runs, outside = server.folder / "runs", server.folder.parent / "elsewhere"
    outside.mkdir()
    (outside / "run.json").write_text('{"kind": "secret"}', encoding="utf-8")
    (outside / "secret.wav").write_bytes(_wav())
    (runs / "out").symlink_to(outside)
    (runs / "loop").symlink_to("loop")
    targets = server.folder / "earwright-page" / "targets"
    (targets / "round").symlink_to("round")
    state = server.ask(READ).document
    assert {each["name"] for each in state["left_out"]} == {
        "runs/out", "runs/loop", "targets/round"
    }  # fmt: skip
    assert not {"out", "loop"} & {each["name"] for each in state["runs"]}
    assert "not here" in server.ask("/api/runs/out").document["error"]
    for each in ("out", "loop"):
        (runs / each).unlink()
    (targets / "round").unlink()
    shutil.copytree(runs / run, runs / "linked")
    sound = next((runs / "linked" / "match").iterdir())
    sound.unlink()
    sound.symlink_to(outside / "secret.wav")
    for path in ("notes/0/match/sound", "report", "sheet", "versions", "notes/0/pictures"):
        answer = server.ask(f"/api/runs/linked/{path}")
        assert answer.status == 400
        assert "holds a link" in answer.document["error"]
    body = {"kind": "explain", "run": "linked", "seconds": 1}
    assert "holds a link" in server.post("/api/jobs", body).document["error"]
    shutil.rmtree(runs / "linked")


def test_recordings_of_a_target_lie_in_its_folder(server: PageServer) -> None:
    """A manifest that names a file elsewhere, or a linked one, shows and matches nothing."""
    outside = server.folder.parent / "secret_C4.wav"
    outside.write_bytes(_wav())
    folder = server.folder / "earwright-page" / "targets" / "borrowed"
    folder.mkdir()
    manifest = folder / "manifest.toml"
    manifest.write_text(f'[[target]]\nfile = "{outside}"\n', encoding="utf-8")
    (folder / "near_C4.wav").symlink_to(outside)
    for told in ("holds a link", "lies elsewhere"):
        match = {"kind": "match", "target": "borrowed", "structure": "complete"}
        for answer in (
            server.ask("/api/targets/borrowed"),
            server.ask("/api/targets/borrowed/notes/0/sound"),
            server.post("/api/jobs", match),
        ):
            assert answer.status == 400
            assert told in answer.document["error"]
        (folder / "near_C4.wav").unlink(missing_ok=True)
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("notes.txt", b"x", "no audio file by its name"),
        ("horn.wav", b"", "empty"),
        ("horn.wav", b"MZ" + bytes(400), "can't be read as audio"),
        ("horn.wav", _wav()[:2000], "cut off"),
        ("silence.wav", _wav()[:44] + bytes(44_100), "silent"),
        ("rubbish.wav", _wav(level=1e300), "above full scale"),
    ],
    ids=["name", "empty", "no audio", "cut", "silent", "rubbish"],
)
def test_what_is_no_recording_is_refused_whole(
    server: PageServer, name: str, content: bytes, told: str
) -> None:
    """One line says why, and nothing stays behind."""
    before = server.ask(READ).document["targets"]
    answer = server.ask(f"/api/targets?name={name}", method="POST", body=content)
    assert answer.status == 400
    assert told in answer.document["error"]
    assert server.ask(READ).document["targets"] == before
    folders = (server.folder / "earwright-page" / "targets").glob("*")
    assert sorted(path.name for path in folders) == sorted(before)


def test_large_uploads_are_refused_before_they_are_read(server: PageServer) -> None:
    """Announced or not, more bytes than accepted are not taken."""
    port = urlsplit(server.base).port or 0
    for headers in ({"Content-Length": str(MAX_FILE_BYTES + 1)}, {"Transfer-Encoding": "chunked"}):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        connection.putrequest("POST", "/api/targets?name=a.wav")
        sent = {**server.key, "Origin": server.base, **headers}
        for name, value in sent.items():
            connection.putheader(name, value)
        connection.endheaders()
        if "Transfer-Encoding" in headers:
            _send_too_much(connection)
        answer = connection.getresponse()
        assert answer.status == 413
        assert b"must be at most" in answer.read()
        connection.close()


def test_more_recordings_than_accepted_are_refused(server: PageServer) -> None:
    """A target takes so many recordings; one more is refused, and the others stay."""
    names = [f"n{i}.wav" for i in range(MAX_FILES)]
    tone = _wav(8000)
    first, *others = names
    target = server.ask(f"/api/targets?name={first}", method="POST", body=tone).document["name"]
    path = f"/api/targets?to={target}&name="
    for name in others:
        assert server.ask(f"{path}{name}", method="POST", body=tone).status == 201
    refused = server.ask(f"{path}more.wav", method="POST", body=tone)
    assert refused.status == 400
    assert str(MAX_FILES) in refused.document["error"]
    assert len(server.ask(f"/api/targets/{target}").document["notes"]) == MAX_FILES


def test_a_long_sound_in_a_small_file_is_refused(server: PageServer) -> None:
    """An hour of silence is a small FLAC file; its header tells, and it is not decoded."""
    buffer = io.BytesIO()
    soundfile.write(buffer, np.zeros(8000 * 3600, np.int16), 8000, format="FLAC")
    assert len(buffer.getvalue()) < 2_000_000
    answer = server.ask("/api/targets?name=bomb.flac", method="POST", body=buffer.getvalue())
    assert answer.status == 400
    assert "3600 s long; it must be at most 600 s" in answer.document["error"]


def test_a_header_that_lies_about_its_size_is_refused(server: PageServer) -> None:
    """A WAV file of 100 bytes that claims two gigabytes."""
    lying = bytearray(_wav(50))
    lying[40:44] = struct.pack("<I", 2**31)
    answer = server.ask("/api/targets?name=lie.wav", method="POST", body=bytes(lying))
    assert answer.status == 400


def test_names_of_files_are_made_safe(server: PageServer) -> None:
    """Folders, markup and signs that shells read never get into a file's name."""
    hostile = '../../<img src=x onerror="alert(1)">;rm -rf.wav'
    answer = server.ask(f"/api/targets?name={quote(hostile)}", method="POST", body=_wav())
    assert answer.status == 201
    name = answer.document["name"]
    assert not set(name) & set("<>\"'/\\;`")
    assert (server.folder / "earwright-page" / "targets" / name).is_dir()


def test_deep_json_and_other_bodies_are_refused_in_a_line(server: PageServer) -> None:
    """Neither nesting nor the wrong kind of document brings the server down."""
    for body in (b"[" * 100_000, b"[]", b"\xff\xfe", b'{"kind": 5}', b'{"kind": "shell"}'):
        answer = server.ask("/api/jobs", method="POST", body=body)
        assert answer.status == 400
        assert "must be" in answer.document["error"]
    assert server.ask(READ).status == 200


@pytest.mark.parametrize("weights", [[1], 5, {"onset": 10**400}, {"onset": [1]}])
def test_weights_of_any_kind_are_refused_in_a_line(
    server: PageServer, target: str, weights: object
) -> None:
    """What is no preset and no number for each term is no error of the program."""
    body = {"kind": "match", "target": target, "structure": "complete", "weights": weights}
    answer = server.post("/api/jobs", body)
    assert answer.status == 400
    assert "weights are" in answer.document["error"]


def test_times_that_no_recording_has_are_refused(server: PageServer, target: str) -> None:
    """A whole number of 400 digits is no float."""
    for time_s in (10**400, -1, 1e308):
        answer = server.post(f"/api/targets/{target}/split", {"times_s": [0.1, time_s]})
        assert answer.status == 400


@pytest.mark.parametrize("name", ["\U0001f3ba" * 190, "a" * 300, "\ud83c"])
def test_names_that_no_file_can_have_are_refused(server: PageServer, name: str) -> None:
    """POSIX, NAME_MAX: 255 bytes, whatever the number of signs."""
    body = {"kind": "match", "target": name, "structure": "complete"}
    assert "not here" in server.post("/api/jobs", body).document["error"]
    path = f"/api/runs/{quote(name, errors='surrogatepass')}"
    assert server.ask(path).status == 400


@pytest.mark.parametrize(
    ("host", "is_own"),
    [("127.0.0.1", True), ("localhost", True), ("::1", True), ("192.0.2.1", False)],
)
def test_loopback_is_told_from_the_rest(host: str, *, is_own: bool) -> None:
    """RFC 1122, RFC 4291 and RFC 5737: 127.0.0.0/8 and ::1 never leave the machine."""
    assert is_loopback(host) is is_own


def _send_too_much(connection: http.client.HTTPConnection) -> None:
    """Send pieces until the server hangs up, or all that is accepted and one more."""
    piece = b"0" * 1_000_000
    head = f"{len(piece):x}\r\n".encode()
    try:
        for _ in range(MAX_FILE_BYTES // len(piece) + 1):
            connection.send(head + piece + b"\r\n")
        connection.send(b"0\r\n\r\n")
    except OSError:
        # It had seen enough; its answer is waiting all the same.
        return
