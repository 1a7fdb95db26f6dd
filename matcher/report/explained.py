"""What mattered, and how a patch holds over the keyboard, as a report shows them."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from matcher.explaining import Explanation
from matcher.explaining.keyboard import Keyboard
from matcher.parts import parameter_label, voice_parts
from matcher.report.drawings import Picture, keyboard_drawings
from matcher.report.sounds import PlainSound, read_run_sound
from matcher.runs.layout import PATCH_FILE
from shared import CATALOGUE, EarwrightError, sha256_digest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from matcher.runs.folder import RunFolder

EXPLAIN_FILE = "explain.json"
KEYBOARD_FILE = "keyboard.json"
# Parameters shown of each measure of importance.
MOST_IMPORTANT = 8


@dataclass(frozen=True)
class BuildView:
    """One step of the build order."""

    title: str
    text: str
    loss: float
    sound: int | None
    address: str | None = None


@dataclass(frozen=True)
class ShareView:
    """How much one parameter explains."""

    label: str
    percent: float


@dataclass(frozen=True)
class MeasureView:
    """One measure of importance over the search."""

    title: str
    meaning: str
    shares: tuple[ShareView, ...]


@dataclass(frozen=True)
class Explained:
    """What mattered in a run."""

    explanation: Explanation | None = None
    is_outdated: bool = False
    problem: str = ""
    measures: tuple[MeasureView, ...] = ()
    build: tuple[BuildView, ...] = ()
    sounds: tuple[PlainSound, ...] = field(default=(), repr=False)

    def with_addresses(self, addresses: Sequence[str | None]) -> Explained:
        """Return the same with the addresses of its sounds in their places."""
        build = tuple(
            dataclasses.replace(
                step, address=None if step.sound is None else addresses[step.sound]
            )
            for step in self.build
        )
        return dataclasses.replace(self, build=build, sounds=())

    @property
    def times(self) -> Mapping[str, str]:
        """Stretches of time that parts are told by."""
        parts = self.explanation.parts if self.explanation else None
        return parts.times if parts else {}


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
    build, sounds = _build(run.path, explanation)
    return Explained(explanation, measures=_measures(explanation), build=build, sounds=sounds)


def full_label(name: str) -> str:
    """Name a control with its part: ``"low-pass filter, cutoff"``."""
    if name not in CATALOGUE:
        return name
    part = next(part.title for part in voice_parts() if name in part.names)
    return f"{part}, {parameter_label(name)}"


def _measures(explanation: Explanation) -> tuple[MeasureView, ...]:
    """List what explains the loss over the search, measure by measure."""
    if explanation.search is None:
        return ()
    return tuple(
        MeasureView(
            f"{measure.method}, {measure.scope}",
            measure.meaning,
            tuple(
                ShareView(full_label(name), 100.0 * share)
                for name, share in list(measure.importances.items())[:MOST_IMPORTANT]
            ),
        )
        for measure in explanation.search.measures
    )


def _build(
    folder: Path, explanation: Explanation
) -> tuple[tuple[BuildView, ...], tuple[PlainSound, ...]]:
    """List the steps from the plain patch to the final one, with their sounds."""
    order = explanation.build
    if order is None:
        return (), ()
    rows = [("the plain patch", order.start_text, order.start_loss, order.start_file)]
    rows += [(f"step {s.number}, {s.part}", s.text, s.loss, s.file) for s in order.steps]
    sounds: list[PlainSound] = []
    steps = []
    for title, text, loss, file in rows:
        sound = read_run_sound(folder, file)
        steps.append(BuildView(title, text, loss, None if sound is None else len(sounds)))
        sounds += [] if sound is None else [sound]
    return tuple(steps), tuple(sounds)


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
        pictures=tuple(drawing.picture() for drawing in keyboard_drawings(keyboard)),
        # A scale is long, and only tells whether something is wrong: it needn't be exact.
        sound=None if sound is None else dataclasses.replace(sound, is_exact=False),
    )
