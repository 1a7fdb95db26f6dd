"""All that the template of a comparison is filled with."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.comparing import TERM_WORDS, TOTAL, run_folder
from matcher.losses import describe_weights
from matcher.plots import LossCurve, plot_comparison, plot_final_losses
from matcher.report._notes import Picture, ReadNote, read_notes
from matcher.report._pictures import Drawing
from matcher.report._sounds import EmbeddedSounds, PlainSound, embed_sounds, match_loudness
from matcher.report._svg import PAGE, inline_svg
from matcher.runs.folder import load_run
from shared import EarwrightError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from matcher.comparing import Comparison, Effect
    from matcher.plots import Palette
    from shared import FloatArray

__all__: list[str] = []


@dataclass(frozen=True)
class HeardNote:
    """A note of a target, with the best match of each structure."""

    title: str
    onset_s: float
    sounds: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class EffectView:
    """A line of the table of differences."""

    first: str
    second: str
    measure: str
    effect: Effect

    @property
    def words(self) -> str:
        """What the runs show about it."""
        if self.effect.is_audible:
            return "clear, and an audible step or more"
        if self.effect.is_clear:
            return "clear"
        return "below one audible step" if self.effect.is_inaudible else "these runs don't tell"


@dataclass(frozen=True)
class ComparisonView:
    """All that the page of a comparison shows."""

    comparison: Comparison
    folder: str
    quoted_folder: str
    heard: tuple[HeardNote, ...]
    n_unheard: int
    sounds: EmbeddedSounds
    pictures: tuple[Picture, ...]
    effects: tuple[EffectView, ...]
    settings: tuple[tuple[str, str], ...]


def make_comparison_view(comparison: Comparison) -> ComparisonView:
    """Gather all that the page of a comparison shows."""
    heard, n_unheard, sounds = _listen(comparison)
    return ComparisonView(
        comparison=comparison,
        folder=comparison.folder.name or str(comparison.folder),
        quoted_folder=shlex.quote(str(comparison.folder)),
        heard=heard,
        n_unheard=n_unheard,
        sounds=sounds,
        pictures=tuple(
            Picture(
                inline_svg(
                    drawing.figure(PAGE),
                    prefix=drawing.name,
                    label=f"{drawing.title}. {drawing.text}",
                ),
                drawing.title,
                drawing.text,
            )
            for drawing in comparison_drawings(comparison)
        ),
        effects=tuple(
            EffectView(pair.first, pair.second, TERM_WORDS.get(name, name), effect)
            for pair in comparison.pairs
            for name, effect in pair.effects.items()
        ),
        settings=_settings(comparison),
    )


def comparison_drawings(comparison: Comparison) -> tuple[Drawing, ...]:
    """List the pictures of a comparison: curves with quartile bands, and final losses."""
    if not comparison.runs:
        return ()
    drawings = []
    for axis, unit in (("evaluations", "candidates tried"), ("seconds", "time (s)")):
        curves = [
            LossCurve(course.structure, course.x, *_quartiles(course.measures[TOTAL]))
            for course in comparison.convergence
            if course.axis == axis and course.x.size
        ]
        drawings.append(_curves_drawing(axis, curves, unit))
    names = [name for name in comparison.structures if comparison.of(name)]
    finals = [[run.final.total for run in comparison.of(name)] for name in names]
    drawings.append(
        Drawing(
            "final-losses",
            "Where each run ended",
            "Each dot is a run; the stroke is the median, the band spans the quartiles.",
            lambda axes, palette: plot_final_losses(names, finals, axes, palette=palette),
        )
    )
    return tuple(drawings)


def _quartiles(values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return median, lower and upper quartile."""
    return values[:, 1], values[:, 0], values[:, 2]


def _curves_drawing(axis: str, curves: Sequence[LossCurve], unit: str) -> Drawing:
    """Make the picture of the course over evaluations or seconds."""

    def draw(axes: Axes, palette: Palette) -> Axes:
        drawn = plot_comparison(curves, axes, palette=palette)
        drawn.set_xlabel(unit)
        return drawn

    return Drawing(
        f"course-over-{axis}",
        f"Course over {'the candidates' if axis == 'evaluations' else 'time'}",
        "Best loss so far, median over the runs; the bands go from quartile to quartile.",
        draw,
    )


def _listen(comparison: Comparison) -> tuple[tuple[HeardNote, ...], int, EmbeddedSounds]:
    """Read the best run of each target and structure, and embed what fits."""
    entries: list[tuple[str, float, list[str], list[PlainSound]]] = []
    for target in comparison.targets:
        runs = {name: _read_best(comparison, target, name) for name in comparison.structures}
        finished = {name: notes for name, notes in runs.items() if notes}
        n_notes = max((len(notes) for notes in finished.values()), default=0)
        entries += [_note_sounds(i, finished) for i in range(n_notes)]
    sounds = embed_sounds([sound for *_, sounds in entries for sound in sounds])
    heard, place = [], 0
    for title, onset_s, names, plain in entries:
        addresses = sounds.addresses[place : place + len(plain)]
        place += len(plain)
        if all(address is not None for address in addresses):
            pairs = tuple(zip(names, (str(address) for address in addresses), strict=True))
            heard.append(HeardNote(title, onset_s, pairs))
    return tuple(heard), len(entries) - len(heard), sounds


def _note_sounds(
    place: int, runs: dict[str, tuple[ReadNote, ...]]
) -> tuple[str, float, list[str], list[PlainSound]]:
    """Collect one note: the target, then the match of each structure, all at one loudness."""
    notes = {name: found[place] for name, found in runs.items() if place < len(found)}
    first = next(iter(notes.values()))
    names, sounds = ["Target"], [first.target]
    for name, note in notes.items():
        names.append(name)
        sounds.append(match_loudness(sounds[0], note.match)[1])
    return first.title, first.onset_s, names, sounds


def _read_best(comparison: Comparison, target: str, structure: str) -> tuple[ReadNote, ...]:
    """Read the notes of the best run; none if it isn't there."""
    try:
        return read_notes(load_run(run_folder(comparison.folder, target, structure)))
    except EarwrightError:
        return ()


def _settings(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """List the settings in words."""
    settings = dict(comparison.settings)
    settings["weights"] = describe_weights(settings.get("weights"))
    rows = [(name, value) for name, value in settings.items() if value is not None]
    return tuple(
        (
            str(name),
            ", ".join(str(entry) for entry in value)
            if isinstance(value, (list, tuple))
            else str(value),
        )
        for name, value in rows
    )
