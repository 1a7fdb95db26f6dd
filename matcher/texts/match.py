"""What is printed at the end of a match and of a refinement: plain text for 80 columns.

Only text is made here; who prints it is the business of the command line. A patch is shown part by
part, with the values that do something, and never with phases, which nobody can dial in.
"""

from __future__ import annotations

import shlex
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from matcher.hearing import audible_differences
from matcher.losses import LossBreakdown, describe_weights
from matcher.runs import compare_patches, find_version
from matcher.runs.document import figures, ladder_entries, sources
from matcher.texts.history import format_changes
from matcher.texts.ladder import format_ladder
from matcher.texts.tables import format_audible, format_loss, format_patch, loss_table
from matcher.texts.words import SEARCH_WORDS, STOP_REASONS, WIDTH, one_line, shorten
from shared import HEARING_CAUTION, hz_to_midi, pitch_name

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import LeftOutNote, MatchResult
    from matcher.runs.folder import RunFolder
    from matcher.target import TargetNote

__all__: list[str] = []

SHORT_CAUTION = f"{HEARING_CAUTION.partition(':')[0]}."


def format_match(result: MatchResult, run: RunFolder | None = None) -> str:
    """Say all about a match."""
    sections = [
        format_heard(_heard_notes(result)),
        format_search(result),
        format_loss(
            result.start,
            result.end,
            notes=[(match.note.name, match.loss) for match in result.notes],
        ),
        format_audible(
            [
                (match.note.name, differences)
                for match, differences in zip(
                    result.notes, audible_differences(result), strict=True
                )
            ]
        ),
        format_patch(result.patch, result.structure),
    ]
    if result.ladder:
        rungs = ladder_entries(result.ladder, range(1, 1 + len(result.ladder)))
        ladder = format_ladder(rungs, is_whole=result.is_ladder_whole)
        sections.append(f"Shorter and longer\n{ladder}")
    if "leave_out" in result.settings:
        sections.append(format_left_out(result))
    silent = _not_told(result)
    if silent:
        sections.append(silent)
    if run is not None:
        sections.append(format_files(run))
    return "\n\n".join(sections)


def format_heard(notes: Sequence[TargetNote]) -> str:
    """Say what was heard in the notes of a target."""
    title = "Heard in the target" if len(notes) == 1 else f"Heard in the {len(notes)} targets"
    return "\n".join([title, *(line for note in notes for line in _heard_lines(note))])


def format_search(result: MatchResult) -> str:
    """Say how much was tried, how fast, and why the search ended."""
    search = figures(result)
    reason = STOP_REASONS.get(result.stop_reason, result.stop_reason)
    text = (
        f"Search: {result.n_evaluations} tries in {search['elapsed_s']:.1f} s, "
        f"{search['evaluations_per_s']:.0f} per second, "
        f"{100.0 * search['search_overhead_ratio']:.1f} % overhead. "
        f"{len(result.space)} of the {len(result.structure.space)} settings of "
        f"{one_line(result.structure.name)} were moved, search: "
        f"{SEARCH_WORDS.get(str(result.settings['sampler']), result.settings['sampler'])}, "
        f"seed {result.settings['seed']}, weights: "
        f"{describe_weights(result.settings.get('weights'))}. It ended because {reason}."
    )
    return textwrap.fill(text, WIDTH, break_on_hyphens=False)


def format_files(run: RunFolder) -> str:
    """Say where the files of a run are, and how to listen."""
    sounds = "target/, match/"
    rows = [
        ("patch.json", "the patch"),
        (sounds, "target and match of each note, at the same level and place"),
        *([("", "NAME-left-out.wav: notes that were not fitted")] if run.left_out else []),
        ("run.json", "settings, seed, versions, what was heard, figures"),
        ("record.npz", "every try"),
        ("study.log", 'a selection of them as an Optuna journal, study "match"'),
    ]
    folder = _quoted(str(run.path))
    ways = [
        ("Another note of the patch:", f"render {folder} --pitch C5"),
        ("What mattered, and in which order to set it:", f"explain {folder}"),
        ("Some of it once more, and the rest as it is:", f"refine {folder} --only attack"),
    ]
    return "\n".join(
        [
            f"Files in {one_line(str(run.path))}",
            *(f"  {name:17}{meaning}" for name, meaning in rows),
            *(f"{meaning}\n  earwright {words}" for meaning, words in ways),
            SHORT_CAUTION,
        ]
    )


def _heard_notes(result: MatchResult) -> list[TargetNote]:
    """Return all notes, those that were left out behind those that were fitted."""
    notes = [match.note for match in result.notes]
    fitted = {note.name for note in notes}
    return notes + [left.note for left in result.left_out if left.note.name not in fitted]


def _heard_lines(note: TargetNote) -> list[str]:
    """Describe one note, line by line."""
    origin = sources(note)
    played = note.note
    rows = [
        (
            "pitch",
            pitch_name(played.midi_pitch),
            f"{_origin(origin['pitch'])}{_measured_pitch(note)}",
        ),
        ("begins", _milliseconds(note.source_onset_s), "into the recording"),
        ("key held", _milliseconds(played.gate_s), _origin(origin["gate"])),
        ("velocity", str(played.velocity), origin["velocity"]),
        ("level", f"{note.level_db:.1f} dBFS", f"noise {_noise(note.noise_floor_db)}"),
    ]
    if note.analysis.top_hz is not None:
        top = f"{note.analysis.top_hz / 1000.0:.1f} kHz"
        rows.append(("top", top, "a codec or a lower rate cut it off; not compared above"))
    lines = [f"  {shorten(note.name, WIDTH - 2)}"]
    return lines + [f"    {name:10}{value:16}{remark}" for name, value, remark in rows]


def _origin(source: str) -> str:
    """Say where a figure comes from."""
    return "measured" if source == "heard" else source


def _measured_pitch(note: TargetNote) -> str:
    """Say which pitch was measured, where that isn't the played one anyway."""
    hz = note.analysis.pitch_hz
    if "pitch" in note.estimated:
        return "" if hz is None else f", {hz:.1f} Hz"
    if hz is None:
        return "; no pitch heard"
    midi_pitch = float(hz_to_midi(hz))
    # Instruments may sound below or above the range of MIDI.
    heard = pitch_name(midi_pitch) if 0.0 <= midi_pitch <= 127.0 else "outside of MIDI"
    return f"; heard {heard}, {hz:.1f} Hz"


def _noise(noise_floor_db: float) -> str:
    """Say how far the noise lies below the peak; the measure ends at -120 dB."""
    if noise_floor_db <= -119.9:
        return "not measurable"
    return f"{-noise_floor_db:.0f} dB below the peak"


def _milliseconds(seconds: float) -> str:
    """Print a time in ms, from 10 s on in s."""
    return f"{1000.0 * seconds:.0f} ms" if seconds < 9.9995 else f"{seconds:.2f} s"


def _not_told(result: MatchResult) -> str:
    """Say which parameters the notes can't tell, and how to change that."""
    names = [name for name in result.structure.space.names if name not in result.space]
    missing = []
    if any(name.endswith("key_track_ratio") for name in names):
        missing.append(("key tracking", "pitches"))
    if any(".velocity_" in name for name in names):
        missing.append(("velocity response", "velocities"))
    if not missing:
        return ""
    what = " or ".join(name for name, _ in missing)
    needed = " and ".join(several for _, several in missing)
    text = (
        f"{'One note' if len(result.notes) == 1 else 'These notes'} can't show {what}; "
        f"{'both are' if len(missing) > 1 else 'it is'} off. Give notes of several {needed} to "
        "match that, too."
    )
    return textwrap.fill(text, WIDTH, break_on_hyphens=False)


def _quoted(path: str) -> str:
    """Write a path so that it can be copied into a shell."""
    return one_line(shlex.quote(path))


NAME_WIDTH = 32


def format_left_out(result: MatchResult) -> str:
    """Compare the notes that were fitted with those that were left out."""
    said = result.settings.get("leave_out")
    asked: Mapping[str, object] = said if isinstance(said, dict) else {}
    if not result.left_out:
        return "Left out: the search ended before a note was tried."
    n_sets = asked.get("phase_sets")
    how = (
        "The patch above was fitted to all notes. Here each note is played by a patch that was "
        "fitted, in less time, to the others."
        if asked.get("each")
        else "The patch was not fitted to these notes."
    )
    how += f" Phases, which no patch has, are the best of {n_sets} sets."
    fitted = mean_loss([note.fitted for note in result.left_out])
    left_out = mean_loss([note.loss for note in result.left_out])
    lines = ["Left out: does the patch hold on notes that it was not fitted to?"]
    lines += textwrap.wrap(how, WIDTH, initial_indent="  ", subsequent_indent="  ")
    lines += loss_table(("fitted", fitted), ("left out", left_out))
    lines.append(f"  {'Note by note':{NAME_WIDTH + 2}}{'fitted':>8}{'left out':>10}  level")
    return "\n".join([*lines, *(_left_out_line(note) for note in result.left_out)])


def mean_loss(losses: Sequence[LossBreakdown]) -> LossBreakdown:
    """Average losses, term by term and part by part."""

    def mean(tables: Sequence[Mapping[str, float]]) -> dict[str, float]:
        return {name: float(np.mean([table[name] for table in tables])) for name in tables[0]}

    return LossBreakdown(
        total=float(np.mean([loss.total for loss in losses])),
        terms=mean([loss.terms for loss in losses]),
        parts=mean([loss.parts for loss in losses]),
        version=losses[0].version,
    )


def _left_out_line(note: LeftOutNote) -> str:
    """Say how the patch does on one note; the level counts against the fitted notes."""
    gap_db = note.level_gap_db
    level = f"{abs(gap_db):.1f} dB too {'soft' if gap_db > 0.0 else 'loud'}"
    if abs(gap_db) < 0.05:
        level = "right"
    name = shorten(note.note.name, NAME_WIDTH)
    return f"    {name:{NAME_WIDTH}}{note.fitted.total:>8.2f}{note.loss.total:>10.2f}  {level}"


def format_refined(result: MatchResult, run: RunFolder) -> str:
    """Say what a refinement has changed and brought."""
    version = find_version(run.path)
    before = result.stages[0].patch
    is_changed = bool(compare_patches(before, result.patch))
    sections = [
        _search_text(result),
        format_loss(
            result.start,
            result.end,
            notes=[(match.note.name, match.loss) for match in result.notes],
        )
        if is_changed
        else "",
        format_changes(before, result.patch) if is_changed else _unchanged_text(result),
        format_audible(
            [
                (match.note.name, differences)
                for match, differences in zip(
                    result.notes, audible_differences(result), strict=True
                )
            ]
        ),
        f"Version {version.number} of {one_line(str(run.path))}; see earwright versions.",
    ]
    return "\n\n".join(section for section in sections if section)


def _unchanged_text(result: MatchResult) -> str:
    """Say that the search has found nothing better; two equal columns would say less."""
    text = f"Nothing changed: the distance is {result.end.total:.2f}"
    if result.n_evaluations:
        text += f", and none of {result.n_evaluations} tries came closer"
    return textwrap.fill(f"{text}.", WIDTH)


def _search_text(result: MatchResult) -> str:
    """Say how much was tried, or that values were set alone."""
    if not result.n_evaluations:
        return "Set, and not searched."
    reason = STOP_REASONS.get(result.stop_reason, result.stop_reason)
    text = (
        f"Search: {len(result.space)} settings were moved, {result.n_evaluations} tries "
        f"in {result.elapsed_s:.1f} s. It ended because {reason}."
    )
    return textwrap.fill(text, WIDTH, break_on_hyphens=False)
