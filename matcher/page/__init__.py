"""The page: the whole job in a browser, on the user's own machine.

`make_app` makes the application, `serve` runs it. Routes are thin: they check what comes in and
call the functions that the command line calls, so that what is made in one is seen in the other.
"""

from __future__ import annotations

from matcher.page.app import make_app
from matcher.page.serve import serve
from matcher.page.workspace import Workspace

__all__ = ["Workspace", "make_app", "serve"]
