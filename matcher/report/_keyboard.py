"""How a patch holds over the keyboard, as a report tells it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.keyboard import Keyboard
from matcher.plots import KeyCurve, plot_over_keys
from matcher.report._explained import read_run_sound
from matcher.report._notes import Picture
from matcher.report._pictures import Drawing
from matcher.report._svg import PAGE, inline_svg
from matcher.texts.explanation import loudest_lufs
from shared import EarwrightError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matcher.explaining.key_checks import KeyRow
    from matcher.report._sounds import PlainSound
    from matcher.runs.folder import RunFolder

__all__: list[str] = []

KEYBOARD_FILE = "keyboard.json"
# Differences of less than a tenth of this can hardly be heard (common practice, no source).
LEAST_RANGE_LU = 12.0


@dataclass(frozen=True)
class KeyboardView:
    """How a patch holds over the keyboard."""

    keyboard: Keyboard | None = None
    problem: str = ""
    span: str = ""
    pictures: tuple[Picture, ...] = ()
    sound: PlainSound | None = field(default=None, repr=False)
    address: str | None = None

    def with_address(self, address: str | None) -> KeyboardView:
        """Return the same with the address of its sound."""
        return dataclasses.replace(self, sound=None, address=address)


def keyboard_view(run: RunFolder) -> KeyboardView:
    """Read the keyboard check of a run, as far as there is one."""
    if not (run.path / KEYBOARD_FILE).is_file():
        return KeyboardView()
    try:
        keyboard = Keyboard.load(run.path)
    except EarwrightError as error:
        return KeyboardView(problem=str(error))
    sound = read_run_sound(run.path, keyboard.file)
    keys = sorted(keyboard.keys, key=lambda row: row.midi_pitch)
    return KeyboardView(
        keyboard=keyboard,
        span=f"{keys[0].pitch_name} to {keys[-1].pitch_name}" if keys else "",
        pictures=tuple(_pictures(keyboard)),
        # A scale is long, and only tells whether something is wrong: it needn't be exact.
        sound=None if sound is None else dataclasses.replace(sound, is_exact=False),
    )


def keyboard_drawings(keyboard: Keyboard) -> Iterator[Drawing]:
    """List the pictures of a keyboard check."""
    loudest = loudest_lufs(keyboard)
    for name, title, text, label, least_range, value in (
        (
            "keys-loudness",
            "Loudness over the keyboard",
            "Against the loudest key; a jump is a key that sticks out.",
            "loudness (LU)",
            LEAST_RANGE_LU,
            lambda row: None if row.loudness_lufs is None else row.loudness_lufs - loudest,
        ),
        (
            "keys-brightness",
            "Brightness over the keyboard",
            "Mean frequency of the partials over that of the key: flat with full key tracking.",
            "brightness over the key (ratio)",
            0.0,
            _brightness,
        ),
    ):
        curves = [_curve(keyboard, velocity, value) for velocity in keyboard.velocities]
        heard = [curve for curve in curves if np.isfinite(curve.values).any()]
        if heard:
            yield Drawing(name, title, text, _over_keys(heard, label, least_range))


def _pictures(keyboard: Keyboard) -> Iterator[Picture]:
    """Draw them for the page."""
    for drawing in keyboard_drawings(keyboard):
        label = f"{drawing.title}. {drawing.text}"
        svg = inline_svg(drawing.figure(PAGE), prefix=drawing.name, label=label)
        yield Picture(svg, drawing.title, drawing.text)


def _over_keys(curves: list[KeyCurve], label: str, least_range: float) -> Callable[..., object]:
    """Draw curves over the keys."""
    return lambda axes, palette: plot_over_keys(
        curves, axes, label=label, least_range=least_range, palette=palette
    )


def _curve(keyboard: Keyboard, velocity: int, value: Callable[[KeyRow], float | None]) -> KeyCurve:
    """Collect a quantity at one velocity."""
    rows = sorted(
        (row for row in keyboard.keys if row.velocity == velocity), key=lambda row: row.midi_pitch
    )
    values = [value(row) for row in rows]
    return KeyCurve(
        f"velocity {velocity}",
        np.array([row.midi_pitch for row in rows], dtype=np.float64),
        np.array([np.nan if each is None else each for each in values], dtype=np.float64),
    )


def _brightness(row: KeyRow) -> float | None:
    """Return the brightness of a key over its frequency."""
    return row.brightness_ratio
