"""Writing reports: one file that opens offline in any browser."""

from __future__ import annotations

import base64
import functools
import hashlib
import math
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.runs.folder import RunFolder, load_run
from matcher.runs.layout import REPORT_FILE
from shared import HEARING_CAUTION, write_atomic

if TYPE_CHECKING:
    from jinja2 import Environment

    from matcher.comparing import Comparison

__all__ = [
    "REPORT_FILE",
    "RIGHTS_NOTE",
    "asset_text",
    "is_comparison",
    "render_comparison",
    "render_report",
    "render_template",
    "write_report",
]

COMPARE_FILE = "compare.json"
RIGHTS_NOTE = "Matching a recording gives you no rights to it: use recordings that you may use."
ASSETS = Path(__file__).parent / "assets"
_TEMPLATES = Path(__file__).parent / "templates"


def write_report(run: str | Path | RunFolder) -> Path:
    """Write ``report.html`` into a run folder, or into the folder of a comparison."""
    if not isinstance(run, RunFolder) and is_comparison(run):
        from matcher.comparing import load_comparison  # noqa: PLC0415  rarely needed

        path = Path(run) / REPORT_FILE
        text = render_comparison(load_comparison(run))
    else:
        folder = run if isinstance(run, RunFolder) else load_run(run)
        path = folder.path / REPORT_FILE
        text = render_report(folder)
    write_atomic(path, text, overwrite=True)
    return path


def is_comparison(folder: str | Path) -> bool:
    """Say whether a folder holds a comparison, and no run."""
    return (Path(folder) / COMPARE_FILE).is_file()


def render_report(run: RunFolder) -> str:
    """Make the report of a run."""
    from matcher.report._view import make_view  # noqa: PLC0415  loads what draws and compresses

    return render_template("report.html.j2", view=make_view(run))


def render_comparison(comparison: Comparison) -> str:
    """Make the report of a comparison."""
    from matcher.report._compared import make_comparison_view  # noqa: PLC0415  draws

    return render_template("comparison.html.j2", view=make_comparison_view(comparison))


def render_template(name: str, **values: object) -> str:
    """Fill a template; text in `values` is escaped."""
    script = f"\n{asset_text('player.js')}"
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    page = _environment().get_template(name)
    text = page.render(
        style=asset_text("style.css"),
        script=script[1:],
        # Only this very script may run in the page, whatever else might get into it.
        script_hash=f"sha256-{digest}",
        caution=HEARING_CAUTION,
        rights=RIGHTS_NOTE,
        **values,
    )
    # Names of files need not be text.
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def asset_text(name: str) -> str:
    """Read a file that pages ship: ``"player.js"`` or ``"style.css"``."""
    return (ASSETS / name).read_text(encoding="utf-8")


@functools.cache
def _environment() -> Environment:
    """Make the one environment; every text is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined
    )
    environment.globals["infinity"] = math.inf
    return environment
