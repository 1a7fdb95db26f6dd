"""The pictures of a run as files."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from matcher.plots import find_palette
from matcher.runs.folder import RunFolder, load_run
from matcher.runs.layout import PLOTS_FOLDER
from shared import ParameterError, write_atomic

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from matplotlib.figure import Figure

    from matcher.plots import Palette
    from matcher.report._pictures import Drawing

__all__ = ["PLOTS_FOLDER", "write_plots"]

FORMATS = ("png", "svg")
# Twice the size of the page's pictures: sharp on paper and on dense screens.
DPI = 200


def write_plots(
    run: str | Path | RunFolder,
    *,
    formats: Sequence[str] = FORMATS,
    theme: str = "light",
) -> tuple[Path, ...]:
    """Write the pictures of a run as files into its folder ``plots``."""
    unknown = [kind for kind in formats if kind not in FORMATS]
    if unknown or not formats:
        raise ParameterError(
            f"formats are {list(formats)}; {' and '.join(FORMATS)} are accepted.",
            name="formats",
            value=formats,
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
    from matcher.report._notes import measure_note_pair, read_notes  # noqa: PLC0415  draws
    from matcher.report._pictures import convergence_drawing, drawings_of  # noqa: PLC0415

    for note in read_notes(run):
        for drawing in drawings_of(measure_note_pair(note)):
            # The files of the sounds have safe names.
            yield f"{note.note.target.stem}-{drawing.name}", drawing
    search = convergence_drawing(run.run)
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
