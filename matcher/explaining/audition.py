"""Auditions: a part of a patch exaggerated, at its final depth, and left out.

This is how a programmer checks that a movement is there, and that nobody hears it by itself.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  a field of a public record
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.explaining.patch_parts import at_work, exaggerated, find_parts, part_title
from matcher.explaining.sound_files import (
    GAP_S,
    common_gain,
    joined,
    keep_numbered,
    make_folder,
)
from matcher.interrupts import hold_interrupts
from matcher.parts import parameter_label
from matcher.playing import noise_seed
from matcher.runs.folder import RunFolder, load_patch_and_structure, load_run
from matcher.runs.layout import safe_name
from matcher.runs.lock import lock_run
from shared import CATALOGUE, ParameterError, samples_to_seconds, write_atomic, write_recording
from voice import render

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.voice_map import Switch
    from shared import FloatArray, Note, Patch

__all__ = ["AUDITION_FOLDER", "DEFAULT_FACTOR", "Audition", "Cue", "audition"]

AUDITION_FOLDER = "audition"
DEFAULT_FACTOR = 4.0
LARGEST_FACTOR = 100.0
_RATE_HZ = 44_100
_WHOLE = "audition.wav"
_CUES = "audition.txt"


@dataclass(frozen=True)
class Cue:
    """One sound of an audition."""

    # Its span in the file that plays them all.
    start_s: float
    end_s: float
    part: str
    # "exaggerated", "as it is" or "left out".
    version: str
    # The settings that make it; empty for what is left out.
    text: str
    # The sound alone, within the run folder.
    file: str

    @property
    def label(self) -> str:
        """Version and settings."""
        return f"{self.version}: {self.text}" if self.text else self.version


@dataclass(frozen=True)
class Audition:
    """Parts of a patch, one after the other, in three versions each.

    Parameters
    ----------
    file, cue_file : str
        The file that plays them all, and its cue list, within the run folder.
    factor : float
        By how much the exaggerated versions go further.
    gain : float
        Factor that brought all sounds within the limits of peak and loudness.
    cues : tuple of Cue
        In the order in which they play.
    """

    file: str
    cue_file: str
    factor: float
    gain: float
    cues: tuple[Cue, ...]


def audition(
    run: str | Path | RunFolder,
    *parts: str,
    factor: float = DEFAULT_FACTOR,
    note: Note | None = None,
) -> Audition:
    """Play parts of a patch exaggerated, at their final depth, and left out.

    The sounds go to ``audition/`` in the run folder: each alone, and all one after the other with
    short gaps, beside a cue list. All have one gain, and are limited in peak and loudness.

    Parameters
    ----------
    run : str, Path or RunFolder
        The run; its current patch is played.
    *parts : str
        The parts: a title ("vibrato, oscillator 2"), words of one ("vibrato"), or a pattern of
        parameter names ("osc2.vibrato", "filter_env.*"). What fits several plays them in turn.
    factor : float, above 1 and up to 100
        How much further the exaggerated version goes; depths stop at the ends of their ranges.
    note : Note, optional
        What is played; the first note of the target if left out.

    Returns
    -------
    Audition
        What was written.

    Raises
    ------
    ParameterError
        If a part isn't known or isn't in the patch, or the factor lies outside its range.
    RunFolderError, FileError
        If the run can't be read, or the sounds can't be written.
    """
    if not 1.0 < factor <= LARGEST_FACTOR:
        raise ParameterError(
            f"factor is {factor:g}; it must be above 1 and up to {LARGEST_FACTOR:g}. "
            f"{DEFAULT_FACTOR:g} makes most movements plain to hear.",
            name="factor",
        )
    folder = run if isinstance(run, RunFolder) else load_run(run)
    patch, structure = load_patch_and_structure(folder.path)
    chosen = find_parts(parts, patch.values)
    played = folder.notes[0].played if note is None else note
    takes: list[tuple[str, str, str, FloatArray]] = []
    for switch in chosen:
        for version, values in _versions(patch, switch, factor, played).items():
            linked = {n: values[source] for n, source in structure.links.items()}
            values = {**values, **linked}  # noqa: PLW2901  one control sets them all
            text = _settings(switch, patch.values, values, version)
            takes.append((switch.title, version, text, _sound(patch, values, played)))
    with lock_run(folder.path):
        return _write(folder.path, takes, factor)


def _versions(
    patch: Patch, switch: Switch, factor: float, note: Note
) -> dict[str, Mapping[str, float]]:
    """Make the values of the three versions."""
    return {
        "exaggerated": exaggerated(patch.values, switch, factor, note),
        "as it is": patch.values,
        "left out": {**patch.values, **switch.off},
    }


def _sound(patch: Patch, values: Mapping[str, float], note: Note) -> FloatArray:
    """Play one version as long as the patch itself sounds."""
    return render(
        values,
        midi_pitch=note.midi_pitch,
        velocity=note.velocity,
        gate_s=note.gate_s,
        sample_rate_hz=_RATE_HZ,
        phases=patch.phases[0] if patch.phases else None,
        seed=noise_seed(patch.provenance.get("settings")),
    )


def _settings(
    switch: Switch, before: Mapping[str, float], values: Mapping[str, float], version: str
) -> str:
    """Say what makes a version."""
    if version == "left out":
        return ""
    names = [name for name in CATALOGUE.names if name in switch.names or name in switch.off]
    changed = [name for name in names if values[name] != before[name]]
    working = at_work(before)
    shown = changed or [name for name in names if name in switch.off and name in working]
    # What goes with a part, as an envelope with its filter, is a part of its own.
    shown = [name for name in shown if part_title(name) == switch.title] or shown
    text = ", ".join(f"{parameter_label(n)} {CATALOGUE[n].format(values[n])}" for n in shown)
    if version != "exaggerated" or changed:
        return text
    if any(values[name] != before[name] for name in values):
        return f"{text}, all other levels lower"
    return f"{text}, which is as far as it goes"


def _write(folder: Path, takes: list[tuple[str, str, str, FloatArray]], factor: float) -> Audition:
    """Write all sounds at one gain, and the cue list."""
    gain = common_gain([sound for *_, sound in takes], _RATE_HZ)
    make_folder(folder / AUDITION_FOLDER)
    cues: list[Cue] = []
    start_s = 0.0
    with hold_interrupts():
        for number, (part, version, text, sound) in enumerate(takes, start=1):
            name = safe_name(f"{part} {version}", default="part").replace(",", "")
            file = f"{AUDITION_FOLDER}/{number:02d}-{name}.wav"
            write_recording(folder / file, sound * gain, _RATE_HZ, overwrite=True)
            end_s = start_s + samples_to_seconds(float(len(sound)), _RATE_HZ)
            cues.append(Cue(start_s, end_s, part, version, text, file))
            start_s = end_s + GAP_S
        whole = joined([sound * gain for *_, sound in takes], _RATE_HZ)
        write_recording(folder / AUDITION_FOLDER / _WHOLE, whole, _RATE_HZ, overwrite=True)
        _write_cues(folder / AUDITION_FOLDER / _CUES, cues)
        keep_numbered(folder / AUDITION_FOLDER, [cue.file for cue in cues])
    return Audition(
        f"{AUDITION_FOLDER}/{_WHOLE}", f"{AUDITION_FOLDER}/{_CUES}", factor, gain, tuple(cues)
    )


def _write_cues(path: Path, cues: list[Cue]) -> None:
    """Write the cue list: start, end and label with tabs between, as audio editors import it."""
    lines = [f"{cue.start_s:.3f}\t{cue.end_s:.3f}\t{cue.part}, {cue.label}" for cue in cues]
    write_atomic(path, "\n".join([*lines, ""]), overwrite=True)
