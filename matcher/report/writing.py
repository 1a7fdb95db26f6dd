"""Writing reports, one file that opens offline in any browser, and their pictures as files."""

from __future__ import annotations

import base64
import functools
import hashlib
import io
import math
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.plots import find_palette
from matcher.runs.folder import RunFolder, load_run
from matcher.runs.layout import PLOTS_FOLDER, REPORT_FILE
from shared import HEARING_CAUTION, ParameterError, write_atomic

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from jinja2 import Environment
    from matplotlib.figure import Figure

    from matcher.comparing import Comparison
    from matcher.plots import Palette
    from matcher.report.drawings import Drawing

COMPARE_FILE = "compare.json"
RIGHTS_NOTE = "Matching a recording gives you no rights to it: use recordings that you may use."
FORMATS = ("png", "svg")
# Twice the size of the page's pictures: sharp on paper and on dense screens.
DPI = 200
ASSETS = Path(__file__).parent / "assets"
_TEMPLATES = Path(__file__).parent / "templates"


def write_report(run: str | Path | RunFolder) -> Path:
    """Write ``report.html`` into a run folder, or into the folder of a comparison.

    Parameters
    ----------
    run : str, Path or RunFolder
        The run or comparison; an earlier report in its folder is replaced.

    Returns
    -------
    Path
        The file: one page of HTML that needs nothing else.

    Raises
    ------
    RunFolderError
        If it is no run folder, or isn't complete.
    AudioError
        If a sound of the run can't be read.
    FileError
        If the file can't be written.
    """
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
    from matcher.report.view import make_view  # noqa: PLC0415  loads what draws and compresses

    return render_template("report.html.j2", view=make_view(run))


def render_comparison(comparison: Comparison) -> str:
    """Make the report of a comparison."""
    from matcher.report.view import make_comparison_view  # noqa: PLC0415  draws

    return render_template("comparison.html.j2", view=make_comparison_view(comparison))


def render_template(name: str, **values: object) -> str:
    """Fill a template; text in `values` is escaped."""
    from matcher.report.drawings import theme_rules  # noqa: PLC0415  loads what measures

    script = f"\n{asset_text('player.js')}"
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    page = _environment().get_template(name)
    text = page.render(
        style=f"{theme_rules()}\n{asset_text('style.css')}",
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

    from matcher.report.explained import full_label  # noqa: PLC0415

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined
    )
    environment.globals["infinity"] = math.inf
    environment.filters["full_label"] = full_label
    return environment


def write_plots(
    run: str | Path | RunFolder,
    *,
    formats: Sequence[str] = FORMATS,
    theme: str = "light",
) -> tuple[Path, ...]:
    """Write the pictures of a run as files into its folder ``plots``.

    Parameters
    ----------
    run : str, Path or RunFolder
        The run; earlier pictures of the same names are replaced.
    formats : sequence of str
        "png", "svg", or both.
    theme : str
        "light" or "dark".

    Returns
    -------
    tuple of Path
        The files, note by note.

    Raises
    ------
    ParameterError
        If a format or the theme isn't known.
    RunFolderError
        If it is no run folder, or isn't complete.
    FileError
        If a file can't be written.
    """
    unknown = [kind for kind in formats if kind not in FORMATS]
    if unknown or not formats:
        raise ParameterError(
            f"formats are {list(formats)}; they must be {' and '.join(FORMATS)}.", name="formats"
        )
    palette = find_palette(theme)
    folder = run if isinstance(run, RunFolder) else load_run(run)
    written = []
    for name, drawing in _drawings(folder):
        figure = drawing.figure(palette)
        for kind in formats:
            path = folder.path / PLOTS_FOLDER / f"{name}.{kind}"
            path.parent.mkdir(exist_ok=True)
            write_atomic(path, _content(figure, kind, palette), overwrite=True)
            written.append(path)
    return tuple(written)


def _drawings(run: RunFolder) -> Iterator[tuple[str, Drawing]]:
    """Go through all pictures with the names of their files."""
    from matcher.report.drawings import search_drawing  # noqa: PLC0415  draws
    from matcher.report.notes import drawings_of, read_notes  # noqa: PLC0415

    for note in read_notes(run):
        for drawing in drawings_of(note):
            # The files of the sounds have safe names.
            yield f"{note.note.target.stem}-{drawing.name}", drawing
    search = search_drawing(run.run)
    if search is not None:
        yield search.name, search


def _content(figure: Figure, kind: str, palette: Palette) -> bytes:
    """Save a figure."""
    from matcher.plots import plot_style  # noqa: PLC0415

    buffer = io.BytesIO()
    with plot_style(palette):
        # Without a date, the same run gives the same files.
        metadata = {"Date": None} if kind == "svg" else None
        figure.savefig(buffer, format=kind, dpi=DPI, metadata=metadata)
    return buffer.getvalue()
