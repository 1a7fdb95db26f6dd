"""A patch over the keyboard: what breaks when it is played beyond the notes that it was made from.

Every key is rendered at every velocity, measured, and judged against its neighbours and the note
that the patch was matched to. The limits beyond which something counts are those at which a
player would notice: common practice, no source, but where one is named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from matcher.explaining.key_checks import (
    KeyRow,
    judge_keys,
    measure_key,
)
from matcher.explaining.sound_files import common_gain, joined
from matcher.interrupts import hold_interrupts
from matcher.progress import Progress
from matcher.runs.folder import RunFolder, load_run
from matcher.runs.lock import lock_run
from shared import (
    Note,
    ParameterError,
    RunFolderError,
    parse_pitch,
    pitch_name,
    write_recording,
)
from shared.documents import read_document, to_builtins, write_document
from voice import render

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shared import FloatArray, Patch

__all__ = ["KEYBOARD_FILE", "KEYBOARD_SOUND", "Keyboard", "keyboard"]

KEYBOARD_FILE = "keyboard.json"
KEYBOARD_SOUND = "keyboard.wav"
DEFAULT_VELOCITIES = (40, 100)
LONGEST_GATE_S = 10.0
_RATE_HZ = 44_100
# Long enough for an LFO of 4 Hz to show.
_GATE_S = 0.6
_TAIL_S = 0.25
_GAP_S = 0.05
# Over the peak of the matched note: room for chords and hard touches; common practice, no source.
_HEADROOM_DB = 12.0


@dataclass(frozen=True)
class Keyboard:
    """How a patch holds over the keyboard.

    Parameters
    ----------
    structure : str
        Name of the structure.
    reference : str
        Name of the key that the patch was matched to, against which the others are judged.
    velocities : tuple of int
        Velocities that were played.
    gate_s : float
        How long each key was held, in s.
    keys : tuple of KeyRow
        By velocity, then by key.
    findings : tuple of str
        What breaks, in sentences; none if nothing does.
    file : str
        A file that plays the scale at the highest velocity, within the run folder.
    is_complete : bool
        False if it was stopped before the last key.
    """

    structure: str
    reference: str
    velocities: tuple[int, ...]
    gate_s: float
    keys: tuple[KeyRow, ...]
    findings: tuple[str, ...]
    file: str
    is_complete: bool = True

    kind: Literal["earwright keyboard"] = "earwright keyboard"
    schema_version: Literal[1] = 1

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return dict(to_builtins(self))

    @classmethod
    def load(cls, run: str | Path) -> Keyboard:
        """Read `keyboard.json` of a run folder.

        Parameters
        ----------
        run : str or Path
            The run folder.

        Returns
        -------
        Keyboard
            As it was written.

        Raises
        ------
        RunFolderError
            If there is none, or it can't be understood; the field is in the message.
        """
        path = Path(run) / KEYBOARD_FILE
        advice = "Make it anew with `earwright keyboard`."
        if not path.exists():
            raise RunFolderError(f"{path} doesn't exist. {advice}", path=path)
        return read_document(path, cls, error=RunFolderError, advice=advice)


def keyboard(
    run: str | Path | RunFolder,
    *,
    low: str | float = "C2",
    high: str | float = "C6",
    step: int = 1,
    velocities: Sequence[int] = DEFAULT_VELOCITIES,
    gate_s: float = _GATE_S,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> Keyboard:
    """Play a patch over the keyboard, and tell what breaks.

    ``keyboard.json`` (every key with its figures) and ``keyboard.wav`` (the scale at the highest
    velocity, limited in peak and loudness) go to the run folder.

    Parameters
    ----------
    run : str, Path or RunFolder
        The run; its current patch is played.
    low, high : str or float
        First and last key: a name such as "C2", or a MIDI pitch.
    step : int, 1 to 24
        Semitones from key to key.
    velocities : sequence of int, 1 to 127
        How hard each key is struck, in turn.
    gate_s : float, above 0 and up to 10
        How long each key is held, in s.
    progress : bool
        Whether to show a progress bar (also in notebooks).
    stop : callable, optional
        Asked after each key; it ends when this returns True, and what was played is judged.

    Returns
    -------
    Keyboard
        Key by key, and in sentences.

    Raises
    ------
    ParameterError
        If an argument lies outside its range, or nothing of the patch sounds.
    RunFolderError, FileError
        If the run can't be read, or the files can't be written.
    """
    pitches = _pitches(low, high, step)
    speeds = _checked_velocities(velocities)
    _check_gate(gate_s)
    folder = run if isinstance(run, RunFolder) else load_run(run)
    play = partial(_play, folder.patch, gate_s=gate_s)
    matched = folder.notes[0].played
    reference = play(matched.midi_pitch, matched.velocity)[0]
    if reference.true_peak_dbtp is None:
        raise ParameterError(
            f"{folder.path}: the patch is silent; a patch that sounds is needed. See its levels "
            "in patch.json.",
            name="patch",
        )
    notes = [(pitch, velocity) for velocity in speeds for pitch in pitches]
    rows, sounds = _play_all(play, notes, progress=progress, stop=stop)
    rows = [_with_headroom(row, reference.true_peak_dbtp) for row in rows]
    judged, findings = judge_keys(rows, reference)
    found = Keyboard(
        structure=folder.patch.structure,
        reference=reference.pitch_name,
        velocities=speeds,
        gate_s=gate_s,
        keys=judged,
        findings=findings,
        file=KEYBOARD_SOUND,
        is_complete=len(rows) == len(notes),
    )
    loudest = rows[-1].velocity if rows else speeds[-1]
    scale = [s for row, s in zip(rows, sounds, strict=True) if row.velocity == loudest]
    with lock_run(folder.path), hold_interrupts():
        if scale:
            gain = common_gain(scale, _RATE_HZ)
            whole = joined([sound * gain for sound in scale], _RATE_HZ, gap_s=_GAP_S)
            write_recording(folder.path / KEYBOARD_SOUND, whole, _RATE_HZ, overwrite=True)
        write_document(folder.path / KEYBOARD_FILE, found.to_dict())
    return found


def _play(
    patch: Patch, midi_pitch: float, velocity: int, gate_s: float
) -> tuple[KeyRow, FloatArray]:
    """Play and measure one key."""
    phases = patch.phases[0] if patch.phases else None
    sound = render(
        patch,
        midi_pitch=midi_pitch,
        velocity=velocity,
        gate_s=gate_s,
        duration_s=gate_s + _TAIL_S,
        sample_rate_hz=_RATE_HZ,
        phases=phases,
    )
    note = Note(midi_pitch, velocity=velocity, gate_s=gate_s)
    row = measure_key(patch.values, note, sound, sample_rate_hz=_RATE_HZ, phases=phases)
    return row, sound


def _play_all(
    play: Callable[[float, int], tuple[KeyRow, FloatArray]],
    notes: Sequence[tuple[float, int]],
    *,
    progress: bool,
    stop: Callable[[], bool] | None,
) -> tuple[list[KeyRow], list[FloatArray]]:
    """Play keys until they are done, or a stop is asked for."""
    rows, sounds = [], []
    with Progress("playing", len(notes), show=progress) as bar:
        for n_played, (pitch, velocity) in enumerate(notes, start=1):
            if stop is not None and stop():
                break
            row, sound = play(pitch, velocity)
            rows.append(row)
            sounds.append(sound)
            bar.show(n_played, row.pitch_name)
    return rows, sounds


def _with_headroom(row: KeyRow, reference_dbtp: float) -> KeyRow:
    """Count peaks from the level at which the matched note has its headroom."""
    if row.true_peak_dbtp is None:
        return row
    return replace(row, true_peak_dbtp=row.true_peak_dbtp - reference_dbtp - _HEADROOM_DB)


def _key_text(key: str | float) -> str:
    """Name a key as a musician does, and one that doesn't exist by its number."""
    if isinstance(key, str):
        return key
    return pitch_name(key) if 0.0 <= key <= 127.0 else f"{key:g}"


def _pitches(low: str | float, high: str | float, step: int) -> list[float]:
    """List the keys."""
    first, last = (parse_pitch(p) if isinstance(p, str) else float(p) for p in (low, high))
    if not 0.0 <= first <= last <= 127.0:
        raise ParameterError(
            f"The keys from {_key_text(low)} to {_key_text(high)} are no span; they must be "
            "MIDI pitches from 0 to 127 (C-1 to G9), the lower one first.",
            name="low",
        )
    if not 1 <= step <= 24:
        raise ParameterError(f"step is {step}; it must be 1 to 24 semitones.", name="step")
    return [first + step * k for k in range(int((last - first) // step) + 1)]


def _checked_velocities(velocities: Sequence[int]) -> tuple[int, ...]:
    """Sort velocities, each once."""
    given = tuple(sorted(set(velocities)))
    if not given or not all(1 <= velocity <= 127 for velocity in given):
        raise ParameterError(
            f"velocities are {tuple(velocities)}; they must be one or more from 1 to 127.",
            name="velocities",
        )
    return given


def _check_gate(gate_s: float) -> None:
    """Refuse a gate that is out of range."""
    if not 0.0 < gate_s <= LONGEST_GATE_S:
        raise ParameterError(
            f"gate_s is {gate_s:g} s; it must be above 0 and up to {LONGEST_GATE_S:g} s.",
            name="gate_s",
        )
