"""Figures as SVG inside a page: in the page's own colours and fonts, with names of their own."""

from __future__ import annotations

import html
import io
import re
from typing import TYPE_CHECKING

from matcher.plots import Palette, plot_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__: list[str] = []

# Colours that stand for those of the page, which follow the reader's dark or light.
_PLACES = {
    "ink": "#0a0b01",
    "faint": "#0a0b02",
    "target": "#0a0b03",
    "match": "#0a0b04",
    **{f"series-{number}": f"#0a0b1{number}" for number in range(1, 7)},
}
PAGE = Palette(
    paper="none",
    ink=_PLACES["ink"],
    faint=_PLACES["faint"],
    target=_PLACES["target"],
    match=_PLACES["match"],
    # Pictures of pixels can't follow the page; these two stand out from both backgrounds.
    more="#d9822b",
    less="#3f8fd0",
    series=tuple(_PLACES[f"series-{number}"] for number in range(1, 7)),
)
_HEAD = re.compile(r"\A.*?(?=<svg)", re.DOTALL)
_OPENING = re.compile(r'<svg [^>]*?viewBox="([^"]*)"[^>]*>')
_STYLE = re.compile(r"<style.*?</style>", re.DOTALL)
_FONT = re.compile(r" ?font-family: [^;\"]*;?")
_ID = re.compile(r' id="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)([^)"]*)')
_SPACE = re.compile(r"\n\s*")


def inline_svg(figure: Figure, *, prefix: str, label: str) -> str:
    """Turn a figure that was drawn in the colours `PAGE` into markup for a page."""
    buffer = io.StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    with plot_style(PAGE):
        figure.savefig(buffer, format="svg", transparent=True, metadata=nothing)
    text = _STYLE.sub("", _HEAD.sub("", buffer.getvalue()))
    for name, colour in _PLACES.items():
        text = text.replace(colour, f"var(--{name})")
    used = {found[2] for found in _REFERENCE.finditer(text)}
    text = _ID.sub(lambda found: f' id="{prefix}-{found[1]}"' if found[1] in used else "", text)
    text = _REFERENCE.sub(rf"\1{prefix}-\2", _FONT.sub("", text))
    opening = f'role="img" aria-label="{html.escape(label)}">'
    return _SPACE.sub(
        " ", _OPENING.sub(lambda found: f'<svg viewBox="{found[1]}" {opening}', text, count=1)
    ).strip()
