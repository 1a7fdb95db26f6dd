"""Who may speak to the page: its own window on this machine, and nobody else.

A server on loopback can be reached by every page that the browser shows. So each request must

- name a host that is this machine (another name may lead here by DNS rebinding),
- carry the key, if it asks for more than the page's own code,
- come from the page itself where it changes anything (`Origin`, or `Sec-Fetch-Site`).

The key is in the address that is printed at the start. The page takes it out of sight, keeps it in
its window (session storage, which knows ports; cookies don't, and would go to every other server
on this machine), and sends it in a header. What the browser opens by itself, a report or a file,
has a ticket in its address instead: for that address alone, and for a minute.

Answers carry a policy that lets the browser load this server's own files and nothing else.

References
----------
.. [1] W3C, Content Security Policy Level 3. Fetch Metadata Request Headers. RFC 6454 (Origin),
   RFC 6750 (Bearer). RFC 2104 (HMAC).
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import time
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, unquote

if TYPE_CHECKING:
    from collections.abc import Iterable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "media-src 'self' blob:; connect-src 'self'; worker-src 'self'; font-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A report is one file with its own script; in a sandbox it is a stranger to the page.
REPORT_POLICY = (
    "sandbox allow-scripts allow-modals allow-downloads; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "media-src data: blob:; font-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
# A picture has its own style, and the pixels of a spectrogram; no script, also if opened alone.
PICTURE_POLICY = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
)
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"microphone=(self), midi=(self), camera=(), geolocation=()"),
    (b"cache-control", b"no-store"),
)
_READING = frozenset({"GET", "HEAD"})
# All that tells of the user's work, or changes it; the rest is our code, which anybody may have.
_KEPT_CLOSED = "/api/"
# Long enough for a browser to ask, too short to be found in a list of addresses.
TICKET_S = 60
_FROM_HERE = frozenset({b"same-origin", b"none"})
_KEY_TEXT = (
    "The key is missing, or is that of an earlier start. Open the address that `earwright page` "
    "printed last."
)


def new_token() -> str:
    """Make a token that can't be guessed: 256 bits, in signs that need no escaping."""
    return secrets.token_urlsafe(32)


def is_loopback(host: str) -> bool:
    """Say whether a host is this machine alone; not so names that would have to be looked up."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def make_ticket(token: str, path: str, *, now_s: float | None = None) -> str:
    """Let whoever has the ticket read one path, without the key, for a minute."""
    until_s = int(time.monotonic() if now_s is None else now_s) + TICKET_S
    return f"{until_s}.{_sign(token, unquote(path), until_s)}"


def _sign(token: str, path: str, until_s: int) -> str:
    """Sign a path, as the server reads it, and a time."""
    text = f"{until_s} {path}".encode("utf-8", "backslashreplace")
    return hmac.digest(token.encode(), text, "sha256").hex()


class Guard:
    """Lets requests that are allowed through to the application.

    `hosts` may be called besides those of loopback.
    """

    def __init__(self, app: ASGIApp, *, token: str, hosts: Iterable[str], port: int) -> None:
        self._app = app
        self._token = token
        self._hosts = frozenset(host.lower() for host in hosts)
        self._port = port

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            # No WebSocket is served: closing before accepting refuses it.
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = _headers(scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        await self._app(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[bytes, bytes]) -> tuple[int, str] | None:
        """Say why a request is refused; None if it isn't."""
        host = headers.get(b"host", b"").decode("latin-1").lower()
        if not self._is_own_host(host):
            return 400, "This address is not one of this server. Open the one that was printed."
        is_reading = scope["method"] in _READING
        site = headers.get(b"sec-fetch-site")
        # Who comes by a link of another site gets the page, which knows nothing without the key.
        is_entry = is_reading and scope["path"] == "/"
        is_coming = is_entry and headers.get(b"sec-fetch-mode") == b"navigate"
        if site is not None and site not in _FROM_HERE and not is_coming:
            return 403, "Requests of other sites are refused."
        if not is_reading and not _is_own_origin(headers, host):
            return 403, "Only the page itself may change anything here."
        if scope["path"].startswith(_KEPT_CLOSED):
            is_let_in = self._has_key(headers) or (is_reading and self._has_ticket(scope))
            if not is_let_in:
                return 401, _KEY_TEXT
        return None

    def _is_own_host(self, host: str) -> bool:
        """Say whether a `Host` is this server's: right port, and a name that leads only here."""
        name, _, port = host.rpartition(":")
        if not name or port != str(self._port):
            # Browsers leave out the port of http.
            if self._port != 80 or port == str(self._port):
                return False
            name = host
        return is_loopback(name) or name.strip("[]") in self._hosts

    def _has_key(self, headers: dict[bytes, bytes]) -> bool:
        """Say whether a request carries the key."""
        given = headers.get(b"authorization", b"")
        return secrets.compare_digest(given, f"Bearer {self._token}".encode())

    def _has_ticket(self, scope: Scope) -> bool:
        """Say whether the address holds a ticket for itself that hasn't run out."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("ticket", [""])[0]
        until, _, signature = given.partition(".")
        if not (until.isascii() and until.isdecimal() and len(until) < 16):
            return False
        signed = _sign(self._token, scope["path"], int(until))
        is_ours = secrets.compare_digest(signature.encode(), signed.encode())
        return is_ours and time.monotonic() <= int(until)


def _headers(scope: Scope) -> dict[bytes, bytes]:
    """Collect the headers; of one that is doubled, none counts."""
    found: dict[bytes, bytes] = {}
    doubled = set()
    for name, value in scope["headers"]:
        if name in found:
            doubled.add(name)
        found[name] = value
    return {name: value for name, value in found.items() if name not in doubled}


def _is_own_origin(headers: dict[bytes, bytes], host: str) -> bool:
    """Say whether a request that changes something comes from our page."""
    origin = headers.get(b"origin")
    if origin is None:
        return headers.get(b"sec-fetch-site") == b"same-origin"
    return origin.decode("latin-1").lower() == f"http://{host}"


def _with_headers(send: Send) -> Send:
    """Add our headers to each answer; a route may set a policy of its own."""

    async def send_more(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", [])}
            own = (*_HEADERS, (b"content-security-policy", CONTENT_POLICY.encode()))
            more = [(name, value) for name, value in own if name not in given]
            message["headers"] = [*message.get("headers", []), *more]
        await send(message)

    return send_more


async def _answer(send: Send, status: int, text: str) -> None:
    """Send a line of text."""
    body = text.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
        *_HEADERS,
    ]
    if status == 401:
        # RFC 9110, section 15.5.2: what would let in.
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
