"""What mattered, and how a patch holds over the keyboard, as a report shows them."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.explaining import Explanation
from matcher.explaining.keyboard import Keyboard
from matcher.parts import parameter_label, voice_parts
from matcher.report.drawings import Picture, keyboard_drawings
from matcher.report.sounds import PlainSound, read_run_sound
from matcher.runs.layout import PATCH_FILE
from shared import CATALOGUE, EarwrightError, sha256_digest

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matcher.runs.folder import RunFolder

EXPLAIN_FILE = "explain.json"
KEYBOARD_FILE = "keyboard.json"


@dataclass(frozen=True)
class BuildView:
    """One step of the build order."""

    title: str
    text: str
    loss: float
    sound: PlainSound | None


@dataclass(frozen=True)
class Explained:
    """What mattered in a run; a problem says why that can't be read."""

    explanation: Explanation | None = None
    is_outdated: bool = False
    problem: str = ""
    build: tuple[BuildView, ...] = ()

    @property
    def times(self) -> Mapping[str, str]:
        """Stretches of time over which parts are judged."""
        parts = self.explanation.parts if self.explanation else None
        return parts.times if parts else {}

    @property
    def sounds(self) -> list[PlainSound]:
        """The sounds of the steps that are there."""
        return [step.sound for step in self.build if step.sound is not None]


def explain_view(run: RunFolder) -> Explained:
    """Read the explanation of a run, as far as there is one."""
    if not (run.path / EXPLAIN_FILE).is_file():
        return Explained()
    try:
        explanation = Explanation.load(run.path)
    except EarwrightError as error:
        return Explained(problem=str(error))
    if explanation.patch_digest != sha256_digest(run.path / PATCH_FILE):
        return Explained(is_outdated=True)
    return Explained(explanation, build=_build(run.path, explanation))


def full_label(name: str) -> str:
    """Name a control with its part: ``"low-pass filter, cutoff"``."""
    if name not in CATALOGUE:
        return name
    part = next(part.title for part in voice_parts() if name in part.names)
    return f"{part}, {parameter_label(name)}"


def _build(folder: Path, explanation: Explanation) -> tuple[BuildView, ...]:
    """List the steps from the plain patch to the final one, with their sounds."""
    order = explanation.build
    if order is None:
        return ()
    rows = [("the plain patch", order.start_text, order.start_loss, order.start_file)]
    rows += [(f"step {s.number}, {s.part}", s.text, s.loss, s.file) for s in order.steps]
    return tuple(
        BuildView(title, text, loss, read_run_sound(folder, file))
        for title, text, loss, file in rows
    )


@dataclass(frozen=True)
class KeyboardView:
    """How a patch holds over the keyboard; a problem says why that can't be read."""

    keyboard: Keyboard | None = None
    problem: str = ""
    span: str = ""
    pictures: tuple[Picture, ...] = ()
    sound: PlainSound | None = None


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
        pictures=tuple(drawing.picture() for drawing in keyboard_drawings(keyboard)),
        # A scale is long, and only shows whether something is wrong: it needn't be exact.
        sound=None if sound is None else dataclasses.replace(sound, is_exact=False),
    )
