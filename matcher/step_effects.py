"""What one step of a control does to the ear.

Times, pitches, rates and depths are judged by their own values. For everything else the patch is
played with the control one step up and one step down, and level and brightness are measured. The
thresholds are those of `matcher.hearing`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.hearing import AudibleDifference, judge
from matcher.hearing.measure import FRONT_S, Section, SoundMeasures, measure_sections
from matcher.parts import used_parameters
from matcher.voice_map import voice_row
from shared import CATALOGUE, Note, cents_to_ratio, midi_to_hz, seconds_to_samples
from voice import DEFAULT_PHASES, NoteRenderer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shared import FloatArray, Patch
    from voice import PanelScale, Structure

__all__ = ["describe_steps", "step_differences"]

DEFAULT_NOTE = Note(60.0, 100, 0.6)
TAIL_S = 0.3
SAMPLE_RATE_HZ = 44_100
CENTS_PER_OCTAVE = 1200.0
LANES = 16
# Kinds of difference that the words for their sizes don't name.
_TOLD = ("beating",)


def describe_steps(
    patch: Patch, structure: Structure, names: Sequence[str], *, note: Note | None = None
) -> dict[str, str]:
    """Say in words what one step up and one step down of each control does.

    ``"one up: 23 % longer, audible; one down: 19 % shorter, not audible"``, by parameter.
    """
    found = step_differences(patch, structure, names, note=note)
    return {name: _both(up, down) for name, (up, down) in found.items()}


def _both(up: AudibleDifference | None, down: AudibleDifference | None) -> str:
    """Put what both steps do into a line."""
    there = [difference for difference in (up, down) if difference is not None]
    if there and not any(difference.is_audible for difference in there):
        changes = dict.fromkeys(_change(difference) for difference in there)
        moving = [change for change in changes if not change.startswith("the same")]
        return "a step is not audible" + (f" ({', '.join(moving)})" if moving else "")
    return "; ".join(
        f"one {word}: {_change(difference)}, "
        f"{'audible' if difference.is_audible else 'not audible'}"
        for word, difference in (("up", up), ("down", down))
        if difference is not None
    )


def step_differences(
    patch: Patch, structure: Structure, names: Sequence[str], *, note: Note | None = None
) -> dict[str, tuple[AudibleDifference | None, AudibleDifference | None]]:
    """Judge one step up and one step down of each control, against the control as it is.

    None where it is at its end.
    """
    played = note or DEFAULT_NOTE
    wanted = [
        (name, moved)
        for name in names
        for moved in _neighbours(structure, name, patch.values[name])
    ]
    heard = iter(_measure(patch, structure, [w for w in wanted if w[1] is not None], played))
    base = next(heard)
    found: dict[str, list[AudibleDifference | None]] = {name: [] for name in names}
    for name, moved in wanted:
        measures = None if moved is None else next(heard)
        if moved is None or measures is None:
            found[name].append(None)
            continue
        direct = _direct(name, patch.values, moved, played)
        found[name].append(direct or _largest(base, measures))
    return {name: (up, down) for name, (up, down) in found.items()}


def _change(difference: AudibleDifference) -> str:
    """Put one difference into a few words: what changes is clear from the control, or the word."""
    change = difference.summary.removeprefix(difference.quantity).strip()
    where = difference.quantity.removeprefix(difference.kind).strip()
    octaves = difference.difference / CENTS_PER_OCTAVE
    if difference.kind == "pitch" and octaves and octaves.is_integer():
        n = abs(int(octaves))
        size = "an octave" if n == 1 else f"{n} octaves"
        change = f"{size} {'higher' if octaves > 0 else 'lower'}"
    what = f"{difference.kind} " if difference.kind in _TOLD else ""
    return f"{what}{change} {where}".rstrip()


def _neighbours(
    structure: Structure, name: str, value: float
) -> tuple[float | None, float | None]:
    """Return the values one step up and one step down the panel."""
    scale = structure.controls[name].scale
    if scale is None:
        return None, None
    place = scale.panel(value)
    return _held(name, scale, place, 1), _held(name, scale, place, -1)


def _held(name: str, scale: PanelScale, place: float, n_steps: int) -> float | None:
    """Return the value some steps on; None beyond the panel, or the range of the voice."""
    moved = scale.move(place, n_steps)
    if moved is None:
        return None
    value, parameter = scale.value(moved), CATALOGUE[name]
    return value if parameter.low <= value <= parameter.high else None


def _direct(
    name: str, values: Mapping[str, float], moved: float, note: Note
) -> AudibleDifference | None:
    """Judge a parameter by its own value; None where that can't be done."""
    value, kind = values[name], voice_row(name).judged_by
    if name == "osc2.detune_cents":
        base_hz = float(midi_to_hz(note.midi_pitch))
        rates = [base_hz * abs(float(cents_to_ratio(cents)) - 1.0) for cents in (value, moved)]
        if min(rates) > 0.0 and _two_sound(values):
            return judge("beating", *rates)
    if kind == "pitch":
        cents = (CENTS_PER_OCTAVE if name.endswith(".octave") else 1.0) * (moved - value)
        return judge(kind, 0.0, cents, where="at the peak" if ".pitch_env." in name else "")
    if not kind or min(value, moved) <= 0.0:
        return None
    return judge(kind, value, moved)


def _two_sound(values: Mapping[str, float]) -> bool:
    """Whether both oscillators are heard."""
    used = used_parameters(values)
    return all(
        any(n.startswith(osc) and n.endswith("_level") for n in used) for osc in ("osc1", "osc2")
    )


def _measure(
    patch: Patch, structure: Structure, changes: Sequence[tuple[str, float | None]], note: Note
) -> list[SoundMeasures]:
    """Play the patch as it is, and with each change, and measure all of them."""
    rows = np.tile([patch.values[name] for name in CATALOGUE.names], (1 + len(changes), 1))
    for row, (name, value) in zip(rows[1:], changes, strict=True):
        row[CATALOGUE.index(name)] = value
    structure.follow_links(rows[1:])
    phases = patch.phases[0] if patch.phases else DEFAULT_PHASES
    starts = np.tile(list(phases.values()), (LANES, 1))
    end_s = note.gate_s + TAIL_S
    renderer = NoteRenderer(
        note,
        n_samples=seconds_to_samples(end_s, SAMPLE_RATE_HZ),
        sample_rate_hz=SAMPLE_RATE_HZ,
    )
    front_s = min(FRONT_S, 0.5 * note.gate_s)
    sections = (
        Section("in the first 100 ms", 0.0, front_s),
        Section("while it is held", front_s, note.gate_s),
    )
    found = []
    for first in range(0, len(rows), LANES):
        group = rows[first : first + LANES]
        sounds = renderer.render(group, starts[: len(group)])
        for column in range(len(group)):
            sound: FloatArray = np.array(sounds[:, column], dtype=np.float64)
            found.append(
                measure_sections(
                    sound,
                    sections,
                    pitch_hz=float(midi_to_hz(note.midi_pitch)),
                    sample_rate_hz=SAMPLE_RATE_HZ,
                )
            )
    return found


def _largest(base: SoundMeasures, moved: SoundMeasures) -> AudibleDifference:
    """Judge level and brightness, and keep what is heard most."""
    found = []
    for i, where in enumerate(("in the first 100 ms", "while it is held")):
        found.append(judge("level", base.levels_db[i], moved.levels_db[i], where=where))
        before, after = base.centroids_hz[i], moved.centroids_hz[i]
        if before and after:
            found.append(judge("brightness", before, after, where=where))
    return max(found, key=lambda difference: difference.steps)
