"""The pictures of reports and of the page: what each shows, drawn for a page or for files."""

from __future__ import annotations

import html
import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher import plots
from matcher.comparing import TOTAL
from matcher.plots import KeyCurve, LossCurve, Palette, SoundPair, plot_style
from matcher.texts.explanation import loudest_lufs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from typing import Any, TypeAlias

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from matcher.comparing import Comparison
    from matcher.explaining.key_checks import KeyRow
    from matcher.explaining.keyboard import Keyboard

    Draw: TypeAlias = Callable[[Axes, Palette], object]

# In inches at 72 points; text in the page keeps about its size on a phone.
SIZE = (4.0, 2.6)
# Room for labels, as shares of the figure: quicker than having them measured, and all pictures in
# a row line up.
MARGINS = {"left": 0.15, "right": 0.97, "bottom": 0.18, "top": 0.96}
SCALE_MARGINS = {**MARGINS, "right": 0.96}
PICTURE_RULES = (
    "text{fill:var(--ink);font-family:system-ui,sans-serif}"
    "*{stroke-linecap:butt;stroke-linejoin:round}"
)
NAMESPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
# Differences of less than a tenth of this can hardly be heard (common practice, no source).
LEAST_RANGE_LU = 12.0
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


@dataclass(frozen=True)
class Picture:
    """A picture within a page, with its caption."""

    svg: str
    title: str
    text: str


@dataclass(frozen=True)
class Drawing:
    """One picture that can be drawn: a name for files, a caption, and what to look for."""

    name: str
    title: str
    text: str
    draw: Draw
    has_scale: bool = False

    def figure(self, palette: Palette, *, has_key: bool = True) -> Figure:
        """Draw it; with a key, the picture names target and match itself."""
        from matplotlib.figure import Figure  # noqa: PLC0415  takes half a second

        with plot_style(palette):
            figure = Figure(figsize=SIZE)
            figure.subplots_adjust(**(SCALE_MARGINS if self.has_scale else MARGINS))
            axes = figure.subplots()
            self.draw(axes, palette)
            legend = axes.get_legend()
            if legend is not None and not has_key:
                legend.remove()
        return figure

    def picture(self, prefix: str = "", *, has_key: bool = True) -> Picture:
        """Draw it for a page, in which names within pictures begin with a prefix."""
        svg = inline_svg(
            self.figure(PAGE, has_key=has_key),
            prefix=f"{prefix}{self.name}",
            label=f"{self.title}. {self.text}",
        )
        return Picture(svg, self.title, self.text)

    def document(self) -> str:
        """Draw it as a file of its own that follows the reader's dark or light, as a page does."""
        opening, _, rest = self.picture().svg.partition(">")
        return f"{opening} {NAMESPACES}><style>{theme_rules()}{PICTURE_RULES}</style>{rest}"


def theme_rules() -> str:
    """Write the colours of both themes as style, which picks what the reader prefers."""
    light, dark = (_declarations(palette) for palette in (plots.LIGHT, plots.DARK))
    return f":root{{{light}}}@media(prefers-color-scheme:dark){{:root{{{dark}}}}}"


def _declarations(palette: Palette) -> str:
    """Write the colours of a theme as the page names them."""
    series = {f"series-{i}": colour for i, colour in enumerate(palette.series, start=1)}
    named = {name: getattr(palette, name) for name in ("ink", "faint", "target", "match")} | series
    return "".join(f"--{name}:{colour};" for name, colour in named.items())


def note_drawings(pair: SoundPair) -> Iterator[Drawing]:
    """List the pictures of one note as they are looked at, but none that shows nothing."""
    yield from _spectrograms(pair)
    yield Drawing(
        "envelope",
        "Level over time",
        "The dotted line is where the key is let go.",
        lambda axes, palette: plots.plot_envelopes(pair, axes, palette=palette),
    )
    yield Drawing(
        "attack",
        "The attack, enlarged",
        "The first 150 ms.",
        lambda axes, palette: plots.plot_envelopes(pair, axes, is_attack=True, palette=palette),
    )
    if pair.target.pitch_cents.size or pair.match.pitch_cents.size:
        yield Drawing(
            "pitch",
            "Pitch over time",
            "0 is the key that is played; gaps are where no pitch is found.",
            lambda axes, palette: plots.plot_pitch(pair, axes, palette=palette),
        )
    yield from _movements(pair)
    yield from _harmonics(pair)


def _spectrograms(pair: SoundPair) -> Iterator[Drawing]:
    """Both sounds, and their difference."""
    target, match = pair.target.spectrogram, pair.match.spectrogram
    text = "Level over time and frequency; both on one scale."
    yield Drawing(
        "spectrogram-target",
        "Spectrum of the target",
        text,
        lambda axes, _: plots.plot_spectrogram(target, axes, onset_s=pair.onset_s),
        has_scale=True,
    )
    yield Drawing(
        "spectrogram-match",
        "Spectrum of the match",
        text,
        lambda axes, _: plots.plot_spectrogram(match, axes, onset_s=pair.onset_s),
        has_scale=True,
    )
    yield Drawing(
        "spectrogram-difference",
        "Difference of the spectra",
        "Orange: the match has more; blue: it has less. Blank is alike, or too soft to matter.",
        lambda axes, palette: plots.plot_spectrogram_difference(
            target, match, axes, onset_s=pair.onset_s, palette=palette
        ),
        has_scale=True,
    )


def _movements(pair: SoundPair) -> Iterator[Drawing]:
    """Modulation spectra, where the note is long enough to move."""
    movements = pair.target.movement, pair.match.movement
    if all(movement.rates_hz.size for movement in movements):
        yield Drawing(
            "level-movement",
            "Movement of level",
            "How deep the partials move at each rate: beating, pulse width, tremolo.",
            lambda axes, palette: plots.plot_level_movement(pair, axes, palette=palette),
        )
    if any(movement.pitch_cents.size for movement in movements):
        yield Drawing(
            "pitch-movement",
            "Movement of pitch",
            "A vibrato is a peak at its rate.",
            lambda axes, palette: plots.plot_pitch_movement(pair, axes, palette=palette),
        )


def _harmonics(pair: SoundPair) -> Iterator[Drawing]:
    """Levels of the harmonics, where a pitch is heard."""
    if not (pair.target.sustain_harmonics_db.size or pair.match.sustain_harmonics_db.size):
        return
    yield Drawing(
        "harmonics-attack",
        "Harmonics in the attack",
        "Each at its highest in the first 150 ms.",
        lambda axes, palette: plots.plot_harmonics(pair, axes, is_attack=True, palette=palette),
    )
    yield Drawing(
        "harmonics-sustain",
        "Harmonics in the held part",
        "Second half of the key.",
        lambda axes, palette: plots.plot_harmonics(pair, axes, palette=palette),
    )


def search_drawing(run: Mapping[str, Any]) -> Drawing | None:
    """Make the picture of the search of a run, from its document; None if there is nothing."""
    history: Sequence[Mapping[str, Any]] = run.get("history") or []
    points = [
        (point["evaluations"], point["loss"])
        for point in history
        if isinstance(point.get("loss"), (int, float))
    ]
    if not points:
        return None
    counts, losses = zip(*points, strict=True)
    n_evaluations = (run.get("figures") or {}).get("evaluations")
    return Drawing(
        "convergence",
        "The search",
        "The smallest distance so far; 1, dotted, is about one just-noticeable difference.",
        lambda axes, palette: plots.plot_convergence(
            counts, losses, axes, n_evaluations=n_evaluations, palette=palette
        ),
    )


def keyboard_drawings(keyboard: Keyboard) -> Iterator[Drawing]:
    """List the pictures of a keyboard check."""
    loudest = loudest_lufs(keyboard)
    louder_first = sorted(keyboard.velocities, reverse=True)

    def curves(value: Callable[[KeyRow], float | None]) -> list[KeyCurve]:
        every = [_key_curve(keyboard, velocity, value) for velocity in louder_first]
        return [curve for curve in every if np.isfinite(curve.values).any()]

    loudness = curves(
        lambda row: None if row.loudness_lufs is None else row.loudness_lufs - loudest
    )
    if loudness:
        yield Drawing(
            "keys-loudness",
            "Loudness over the keyboard",
            "Against the loudest key; a jump is a key that sticks out.",
            lambda axes, palette: plots.plot_over_keys(
                loudness,
                axes,
                label="loudness (LU)",
                least_range=LEAST_RANGE_LU,
                palette=palette,
            ),
        )
    brightness = curves(lambda row: row.brightness_ratio)
    if brightness:
        yield Drawing(
            "keys-brightness",
            "Brightness over the keyboard",
            "Mean frequency of the partials over that of the key: flat with full key tracking.",
            lambda axes, palette: plots.plot_over_keys(
                brightness, axes, label="brightness over the key (ratio)", palette=palette
            ),
        )


def _key_curve(
    keyboard: Keyboard, velocity: int, value: Callable[[KeyRow], float | None]
) -> KeyCurve:
    """Collect a quantity at one velocity."""
    rows = [row for row in keyboard.keys if row.velocity == velocity]
    rows.sort(key=lambda row: row.midi_pitch)
    values = [value(row) for row in rows]
    return KeyCurve(
        f"velocity {velocity}",
        np.array([row.midi_pitch for row in rows], dtype=np.float64),
        np.array([np.nan if each is None else each for each in values], dtype=np.float64),
    )


def comparison_drawings(comparison: Comparison) -> Iterator[Drawing]:
    """List the pictures of a comparison: curves with quartile bands, and final losses."""
    if not comparison.runs:
        return
    yield _course_drawing(comparison, "evaluations", "tries", "tries")
    yield _course_drawing(comparison, "seconds", "time", "time (s)")
    names = [name for name in comparison.structures if comparison.of(name)]
    finals = [[run.final.total for run in comparison.of(name)] for name in names]
    yield Drawing(
        "final-losses",
        "Where each run ended",
        "Each dot is a run; the stroke is the median, the band spans the quartiles.",
        lambda axes, palette: plots.plot_final_losses(names, finals, axes, palette=palette),
    )


def _course_drawing(comparison: Comparison, axis: str, over: str, unit: str) -> Drawing:
    """Make the picture of the course over evaluations or seconds."""
    curves = []
    for course in comparison.convergence:
        if course.axis == axis and course.x.size:
            low, median, high = course.measures[TOTAL].T
            curves.append(LossCurve(course.structure, course.x, median, low, high))

    def draw(axes: Axes, palette: Palette) -> None:
        plots.plot_comparison(curves, axes, palette=palette).set_xlabel(unit)

    return Drawing(
        f"course-over-{axis}",
        f"Course over {'the ' if axis == 'evaluations' else ''}{over}",
        "Smallest distance so far, median over the runs, bands from quartile to quartile. "
        "What is kept may be plainer and a little further away, as the last picture shows.",
        draw,
    )


_HEAD = re.compile(r"\A.*?(?=<svg)", re.DOTALL)
_OPENING = re.compile(r'<svg [^>]*?viewBox="([^"]*)"[^>]*>')
_STYLE = re.compile(r"<style.*?</style>", re.DOTALL)
_FONT = re.compile(r" ?font-family: [^;\"]*;?")
_ID = re.compile(r' id="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)([^)"]*)')
_SPACE = re.compile(r"\n\s*")


def inline_svg(figure: Figure, *, prefix: str, label: str) -> str:
    """Turn a figure that was drawn in the colours `PAGE` into markup for a page.

    It takes the page's own colours and fonts, and names of its own, as names are unique within a
    page; the label says what it shows to readers who don't see it.
    """
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
