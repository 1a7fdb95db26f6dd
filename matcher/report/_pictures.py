"""The pictures of a report, drawn for the page or for files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher import plots
from matcher.plots import Palette, SoundPair, plot_style

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from typing import Any, TypeAlias

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from matcher.plots import Spectrogram

    Draw: TypeAlias = Callable[[Axes, Palette], object]

__all__: list[str] = []

# In inches at 72 points; text in the page keeps about its size on a phone.
SIZE = (4.0, 2.6)
# Room for labels, as shares of the figure: quicker than having them measured, and all pictures in
# a row line up.
MARGINS = {"left": 0.15, "right": 0.97, "bottom": 0.18, "top": 0.96}
SCALE_MARGINS = {**MARGINS, "right": 0.96}


@dataclass(frozen=True)
class Drawing:
    """One picture that can be drawn."""

    name: str
    title: str
    text: str
    draw: Draw
    has_scale: bool = False

    def figure(self, palette: Palette, *, has_key: bool = True) -> Figure:
        """Draw it."""
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


def drawings_of(pair: SoundPair) -> Iterator[Drawing]:
    """List the pictures of one note."""
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
            "0 is the key that is played; gaps are where no pitch is heard.",
            lambda axes, palette: plots.plot_pitch(pair, axes, palette=palette),
        )
    yield from _movements(pair)
    yield from _harmonics(pair)


def convergence_drawing(run: Mapping[str, Any]) -> Drawing | None:
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
        "The best loss so far. Under the dotted line, one audible step, little is heard.",
        lambda axes, palette: plots.plot_convergence(
            counts, losses, axes, n_evaluations=n_evaluations, palette=palette
        ),
    )


def _spectrograms(pair: SoundPair) -> Iterator[Drawing]:
    """Both sounds, and their difference."""
    target, match = pair.target.spectrogram, pair.match.spectrogram
    for name, sound in (("target", target), ("match", match)):
        yield Drawing(
            f"spectrogram-{name}",
            f"Spectrum of the {name}",
            "Level over time and frequency; both on one scale.",
            _spectrogram(sound, pair.onset_s),
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
    for is_attack, title, text in (
        (True, "Harmonics in the attack", "Each at its highest in the first 150 ms."),
        (False, "Harmonics in the held part", "Second half of the key."),
    ):
        yield Drawing(
            f"harmonics-{'attack' if is_attack else 'sustain'}",
            title,
            text,
            _harmonic_levels(pair, is_attack=is_attack),
        )


def _spectrogram(sound: Spectrogram, onset_s: float) -> Draw:
    """Draw one spectrogram."""
    return lambda axes, _: plots.plot_spectrogram(sound, axes, onset_s=onset_s)


def _harmonic_levels(pair: SoundPair, *, is_attack: bool) -> Draw:
    """Draw the harmonics at the attack, or in the held part."""
    return lambda axes, palette: plots.plot_harmonics(
        pair, axes, is_attack=is_attack, palette=palette
    )
