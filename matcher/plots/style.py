"""Colours and lines of all pictures.

Target and match are told apart by colour and by width of the line, so that neither a reader who
sees colours differently nor a grey print loses one. Blue and orange are those of M. Okabe and
K. Ito's set for all kinds of colour vision (2008), made darker for paper; the map of levels,
cividis, was made for the same purpose (J. R. Nuñez et al., PLOS ONE 13, 2018).
"""

from __future__ import annotations

import contextlib
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shared import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

    from matplotlib.colors import Colormap

LEVEL_MAP = "cividis"
# Matplotlib has one set of settings for all threads, and the page draws in several.
_SETTINGS_LOCK = threading.RLock()


@dataclass(frozen=True)
class Palette:
    """Colours of a picture."""

    paper: str
    ink: str
    faint: str
    target: str
    match: str
    more: str
    less: str
    series: tuple[str, ...]


LIGHT = Palette(
    paper="#ffffff",
    ink="#23282d",
    faint="#d8d6cf",
    target="#00689d",
    match="#c24e00",
    more="#d9822b",
    less="#3f8fd0",
    series=("#00689d", "#c24e00", "#00795a", "#a8568a", "#7a6a00", "#4a5560"),
)
DARK = Palette(
    paper="#16191c",
    ink="#e6e3dc",
    faint="#3a3f44",
    target="#5db8ee",
    match="#f29a4a",
    more="#d9822b",
    less="#3f8fd0",
    series=("#5db8ee", "#f29a4a", "#3dc39a", "#dd92bf", "#d6c64a", "#a9b4bd"),
)
_THEMES = {"light": LIGHT, "dark": DARK}


def find_palette(theme: str) -> Palette:
    """Find the colours of a theme."""
    if theme not in _THEMES:
        raise ParameterError(
            f'theme is "{theme}"; it must be {" or ".join(_THEMES)}.', name="theme"
        )
    return _THEMES[theme]


@contextlib.contextmanager
def plot_style(palette: Palette = LIGHT) -> Iterator[None]:
    """Give figures that are made within a ``with`` block these colours, and quiet axes."""
    import matplotlib as mpl  # noqa: PLC0415  takes half a second

    settings: Any = {
        "figure.facecolor": palette.paper,
        "savefig.facecolor": palette.paper,
        "axes.facecolor": palette.paper,
        "axes.edgecolor": palette.ink,
        "axes.labelcolor": palette.ink,
        "axes.titlecolor": palette.ink,
        "axes.titlesize": 10,
        "axes.titlelocation": "left",
        "axes.labelsize": 9,
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "grid.color": palette.faint,
        "grid.linewidth": 0.6,
        "text.color": palette.ink,
        "xtick.color": palette.ink,
        "ytick.color": palette.ink,
        "xtick.labelsize": 9,
        "ytick.labelsize": 9,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "legend.frameon": False,
        "legend.fontsize": 9,
        "lines.solid_capstyle": "round",
        # Text stays text: small, searchable, in the font of whoever shows it.
        "svg.fonttype": "none",
        # Without a salt, names within a file are made of chance.
        "svg.hashsalt": "earwright",
    }
    with _SETTINGS_LOCK, mpl.rc_context(settings):
        yield


def difference_map(palette: Palette) -> Colormap:
    """Make a map that is clear where there is no difference, so that it goes on any background."""
    from matplotlib.colors import LinearSegmentedColormap, to_rgb  # noqa: PLC0415

    less, more = to_rgb(palette.less), to_rgb(palette.more)
    stops = [(0.0, (*less, 1.0)), (0.5, (*less, 0.0)), (0.5, (*more, 0.0)), (1.0, (*more, 1.0))]
    return LinearSegmentedColormap.from_list("difference", stops)
