"""What routes share: reading what comes in, and answering in one form."""

from __future__ import annotations

import json
import sys
import traceback
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from matcher.page.security import PICTURE_POLICY, REPORT_POLICY
from matcher.page.uploads import TooLargeError, pieces_of
from shared import EarwrightError, ParameterError
from shared.documents import to_builtins

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from starlette.requests import Request

    from matcher.page.context import PageContext
    from matcher.report.drawings import Drawing

Value = TypeVar("Value")
MAX_JSON_BYTES = 200_000


def context_of(request: Request) -> PageContext:
    """Return what all routes work with."""
    context: PageContext = request.app.state.context
    return context


def name_in(request: Request) -> str:
    """Return the name of a target, run, structure or comparison in the address."""
    return str(request.path_params["name"])


def number_of(request: Request, name: str = "note") -> int:
    """Read a number out of the address."""
    text = str(request.path_params[name])
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise ParameterError(f'"{text[:20]}" is no number of the list.', name=name)
    return int(text)


async def read_body(request: Request, limit: int) -> bytes:
    """Read a body that is small."""
    return b"".join([piece async for piece in pieces_of(request, limit)])


async def read_json(request: Request) -> dict[str, Any]:
    """Read a JSON object."""
    body = await read_body(request, MAX_JSON_BYTES)
    try:
        document = json.loads(body or b"{}")
    except (ValueError, RecursionError) as error:
        raise ParameterError("The request must be a JSON object.") from error
    if not isinstance(document, dict):
        raise ParameterError("The request must be a JSON object.")
    return document


def number_in(
    document: dict[str, Any], name: str, low: float, high: float, default: float | None = None
) -> float:
    """Read a number out of a request."""
    value: Any = document.get(name, default)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not is_number or not low <= value <= high:
        raise ParameterError(
            f"{name} is {value!r:.40}; it must be {low:g} to {high:g}.", name=name
        )
    return float(value)


def text_in(document: dict[str, Any], name: str) -> str:
    """Read a text out of a request."""
    value = document.get(name)
    if not isinstance(value, str) or not value or len(value) > 400:
        raise ParameterError(f"{name} is {value!r:.40}; it must be a text.", name=name)
    return value


def remark_in(document: dict[str, Any]) -> str:
    """Read what the user says about a version, shortened."""
    return str(document.get("note") or "")[:200]


def values_in(document: dict[str, Any]) -> dict[str, float]:
    """Read changed values out of a request; the catalogue checks names and ranges."""
    values = document.get("values", {})
    if not isinstance(values, dict):
        raise ParameterError("values must be an object, by name.", name="values")
    return values


async def in_thread(function: Callable[..., Value], *arguments: object) -> Value:
    """Do what takes its time beside the loop that answers everybody."""
    return await run_in_threadpool(function, *arguments)


class _PlainJson(JSONResponse):
    """JSON in plain ASCII: names of files need not be text, and their signs go as codes."""

    def render(self, content: object) -> bytes:
        """Write the document."""
        return json.dumps(content, allow_nan=False, separators=(",", ":")).encode("ascii")


def answer(document: object, status: int = 200) -> JSONResponse:
    """Send JSON; numbers that aren't finite become null."""
    return _PlainJson(to_builtins(document), status_code=status)


def wav(content: bytes, **headers: str) -> Response:
    """Send a sound."""
    return Response(content, media_type="audio/wav", headers=headers)


def svg(drawings: Mapping[str, Drawing], name: str) -> Response:
    """Send a picture; on its own it may use nothing but its own style."""
    if name not in drawings:
        raise ParameterError(
            f'"{name[:40]}" is no picture; it must be one of {", ".join(drawings)}.'
        )
    return Response(
        drawings[name].document().encode("utf-8", "backslashreplace"),
        media_type="image/svg+xml",
        headers={"content-security-policy": PICTURE_POLICY},
    )


def report(page: str) -> Response:
    """Send a report; it is one file with its own script, and a stranger to the page."""
    return HTMLResponse(page, headers={"content-security-policy": REPORT_POLICY})


def download(content: bytes, file_name: str, media_type: str) -> Response:
    """Send a file to be kept under a name that is never read as a header."""
    # RFC 6266 with the encoding of RFC 8187.
    disposition = f"attachment; filename*=UTF-8''{quote(file_name, safe='')}"
    return Response(content, media_type=media_type, headers={"content-disposition": disposition})


def route(path: str, answered: Callable[[Request], Awaitable[Response]], method: str) -> Route:
    """Make a route whose errors become one line."""

    async def guarded(request: Request) -> Response:
        try:
            return await answered(request)
        except EarwrightError as error:
            return answer({"error": context_of(request).workspace.shown(str(error))}, 400)
        except TooLargeError as error:
            limit = int(error.args[0]) // 1000
            text = f"More than {limit} kB were sent; it must be at most {limit} kB."
            return answer({"error": text}, 413)
        except Exception:  # noqa: BLE001  the window has to get an answer
            traceback.print_exc(file=sys.stderr)
            return answer({"error": "An error of the program; the terminal says more."}, 500)

    return Route(path, guarded, methods=[method])


def get(path: str, describe: Callable[[Request], object]) -> Route:
    """Make a route that answers with a document, or with a response, made in a thread."""

    async def answered(request: Request) -> Response:
        made = await in_thread(describe, request)
        return made if isinstance(made, Response) else answer(made)

    return route(path, answered, "GET")


def post(
    path: str, change: Callable[[Request, dict[str, Any]], object], status: int = 200
) -> Route:
    """Make a route that takes a JSON object, and answers as `get` does."""

    async def answered(request: Request) -> Response:
        made = await in_thread(change, request, await read_json(request))
        return made if isinstance(made, Response) else answer(made, status)

    return route(path, answered, "POST")
