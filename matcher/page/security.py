"""Who may speak to the page: its own window on this machine, and nobody else.

A server on loopback can be reached by every page that the browser shows. So each request must

- name a host that is this machine (another name may lead here by DNS rebinding),
- carry the token, in a cookie that the address printed at the start has set,
- come from the page itself where it changes anything (`Origin`, or `Sec-Fetch-Site`).

Answers carry a policy that lets the browser load this server's own files and nothing else.

References
----------
.. [1] W3C, Content Security Policy Level 3. Fetch Metadata Request Headers. RFC 6454 (Origin),
   RFC 6265bis (SameSite).
"""

from __future__ import annotations

import ipaddress
import secrets
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

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
_FROM_HERE = frozenset({b"same-origin", b"none"})


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


class Guard:
    """Lets requests that are allowed through to the application.

    `hosts` may be called besides those of loopback; the cookie is named after the port, as cookies
    don't know ports.
    """

    def __init__(self, app: ASGIApp, *, token: str, hosts: Iterable[str], port: int) -> None:
        self._app = app
        self._token = token
        self._hosts = frozenset(host.lower() for host in hosts)
        self._port = port
        self.cookie_name = f"earwright-{port}"

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
        is_entry = self._is_entry(scope)
        refusal = self._refusal(scope, headers, is_entry=is_entry)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        cookie = self._cookie() if is_entry else None
        await self._app(scope, receive, _with_headers(send, cookie))

    def _refusal(
        self, scope: Scope, headers: dict[bytes, bytes], *, is_entry: bool
    ) -> tuple[int, str] | None:
        """Say why a request is refused; None if it isn't."""
        host = headers.get(b"host", b"").decode("latin-1").lower()
        if not self._is_own_host(host):
            return 400, "This address is not one of this server. Open the one that was printed."
        if not is_entry and not self._has_cookie(headers):
            return 403, "Open the address that `earwright page` printed; it holds the key."
        site = headers.get(b"sec-fetch-site")
        is_page = headers.get(b"sec-fetch-mode") == b"navigate" and scope["method"] in _READING
        if site is not None and site not in _FROM_HERE and not (is_page and is_entry):
            return 403, "Requests of other sites are refused."
        if scope["method"] not in _READING and not _is_own_origin(headers, host):
            return 403, "Only the page itself may change anything here."
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

    def _is_entry(self, scope: Scope) -> bool:
        """Say whether the address holds the token."""
        if scope["path"] != "/" or scope["method"] not in _READING:
            return False
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        return secrets.compare_digest(given.encode(), self._token.encode())

    def _has_cookie(self, headers: dict[bytes, bytes]) -> bool:
        """Say whether the cookie holds the token."""
        cookies: SimpleCookie = SimpleCookie()
        try:
            cookies.load(headers.get(b"cookie", b"").decode("latin-1"))
        except CookieError:
            return False
        morsel = cookies.get(self.cookie_name)
        given = morsel.value if morsel is not None else ""
        return secrets.compare_digest(given.encode(), self._token.encode())

    def _cookie(self) -> bytes:
        """Write the cookie that the first page sets; no script can read it."""
        return f"{self.cookie_name}={self._token}; Path=/; HttpOnly; SameSite=Strict".encode()


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


def _with_headers(send: Send, cookie: bytes | None) -> Send:
    """Add our headers to each answer; a route may set a policy of its own."""

    async def send_more(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", [])}
            own = (*_HEADERS, (b"content-security-policy", CONTENT_POLICY.encode()))
            more = [(name, value) for name, value in own if name not in given]
            if cookie is not None:
                more.append((b"set-cookie", cookie))
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
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
