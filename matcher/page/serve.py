"""The server of the page: a free port on this machine, one user, until Ctrl-C."""

from __future__ import annotations

import contextlib
import signal
import socket
import sys
import threading
from typing import TYPE_CHECKING

from matcher.page.app import make_app
from matcher.page.security import is_loopback, new_token
from shared import HEARING_CAUTION, FileError
from shared.files import remove_abandoned_folders

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import uvicorn

    from matcher.page.workspace import Workspace

__all__ = ["serve"]

# Streams of events stay open for as long as a window does.
_PATIENCE_S = 1


def serve(
    workspace: Workspace,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    opens_browser: bool = True,
    announce: Callable[[str], object] | None = None,
) -> None:
    """Serve the page until Ctrl-C or SIGTERM.

    Parameters
    ----------
    workspace : Workspace
        The folder to work in.
    host : str
        Address to listen on; anything but loopback lets other machines in that have the key.
    port : int
        Port, 0 for a free one.
    opens_browser : bool
        Whether to open the address in the user's browser.
    announce : callable, optional
        Gets the address, with its key, once the port is taken.

    Raises
    ------
    FileError
        If the address or the port can't be taken.
    """
    import uvicorn  # noqa: PLC0415  only for this command

    remove_abandoned_folders()
    listener = _listen(host, port)
    taken = int(listener.getsockname()[1])
    token, ending = new_token(), threading.Event()
    app = make_app(
        workspace,
        token=token,
        port=taken,
        ending=ending,
        hosts=() if is_loopback(host) else _names(host),
    )
    address = f"http://{_shown(host)}:{taken}/?token={token}"
    if not is_loopback(host):
        _complain(
            f"the page listens on {host}: whoever reads the address on its way gets in, as "
            "nothing is encrypted. Use it in a network that you trust."
        )
    if announce is not None:
        announce(address)
    _complain(HEARING_CAUTION)
    _complain("Ctrl-C ends the page; searches that run go on.")
    if opens_browser:
        threading.Timer(0.5, _open, (address,)).start()
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=_PATIENCE_S,
    )
    with listener:
        _quiet_server(config, ending).run(sockets=[listener])


def _quiet_server(config: uvicorn.Config, ending: threading.Event) -> uvicorn.Server:
    """Make a server for which Ctrl-C and SIGTERM are its end, however often, and no error."""
    import uvicorn  # noqa: PLC0415  only for this command

    class QuietServer(uvicorn.Server):
        """Doesn't raise the signals again that have ended it, nor break off at the second one."""

        def handle_exit(self, *_: object) -> None:
            """End as soon as what is open is closed, which takes a second at most."""
            ending.set()
            self.should_exit = True

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            """Let signals end the server."""
            if threading.current_thread() is not threading.main_thread():
                yield
                return
            numbers = (signal.SIGINT, signal.SIGTERM)
            before = {number: signal.signal(number, self.handle_exit) for number in numbers}
            try:
                yield
            finally:
                for number, handler in before.items():
                    signal.signal(number, handler)

    return QuietServer(config)


def _listen(host: str, port: int) -> socket.socket:
    """Take an address and a port."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        if sys.platform != "win32":
            # Elsewhere the same option would share the port with another program.
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as error:
        raise FileError(
            f"{host}, port {port} can't be taken: {error.strerror or error}. Leave --port out for "
            "a free one, or name another.",
            path=host,
        ) from error
    return listener


def _names(host: str) -> tuple[str, ...]:
    """Names under which a server that isn't on loopback is called."""
    own = socket.gethostname()
    names = {host, own, f"{own}.local"}
    if host in {"0.0.0.0", "::"}:  # noqa: S104  the user's word
        # A machine may not know its own name.
        with contextlib.suppress(OSError):
            names |= {str(info[4][0]) for info in socket.getaddrinfo(own, None)}
    return tuple(names)


def _shown(host: str) -> str:
    """Write a host as an address has it."""
    if host == "0.0.0.0":  # noqa: S104  the user's word
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def _open(address: str) -> None:
    """Open the user's browser, if there is one."""
    import webbrowser  # noqa: PLC0415  only when asked

    webbrowser.open(address)


def _complain(text: str) -> None:
    """Say something beside the address."""
    sys.stderr.write(f"earwright: {text}\n")
    sys.stderr.flush()
