"""From takes of the dialled patch to the next slip."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher.correcting.kept import KeptReading, KeptTake, keep_take, list_takes
from matcher.correcting.reading import Reading, read_take
from matcher.correcting.remembering import Bias, forget_biases, remember_biases
from matcher.correcting.taking import load_take, what_is_strange, what_is_wrong
from matcher.correcting.turning import MOST_TURNS, Turn, Turned, next_turns
from matcher.hearing import compare_notes
from matcher.losses import NoteScorer, breakdown
from matcher.playing import prepare_note
from matcher.refining import begin_from_run
from matcher.runs.folder import load_run
from matcher.runs.lock import lock_existing_run
from matcher.runs.updating import bring_up_to_date
from matcher.selection import Selection
from matcher.target import Target
from shared import CATALOGUE, ParameterError, RunFolderError, resample, sha256_digest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.correcting.reading import TakeFit
    from matcher.hearing import AudibleDifference
    from matcher.refining import Refinement
    from matcher.target import TargetNote
    from shared import FloatArray
    from voice import Structure

__all__ = ["Correction", "correct", "forget"]


@dataclass(frozen=True, eq=False)
class Correction:
    """What takes say.

    Parameters
    ----------
    run : Path
        The run.
    structure : Structure
        The panel that was dialled by.
    numbers : tuple of int
        Numbers under which the takes are kept; empty if they are not.
    note : str
        The note of the target that was played.
    problems : tuple of str
        Why the recordings are no takes of this patch; then nothing else is said.
    distance, voice_distance : float
        What lies between target and take, and between target and match, in just-noticeable
        differences; phases, which no knob sets, are in both.
    settings_distance, earlier_distance : float
        What the settings alone are away, in this take and in the one before (NaN without one).
    heard : tuple of AudibleDifference
        How the take differs from the target.
    turns : tuple of Turn
        What to turn now, the most important first; `later` are the ones after that.
    later : tuple of Turn
    right, idle : tuple of str
        Controls that are right, and those that were turned and did nothing.
    unexplained : tuple of AudibleDifference
        What no control explains: take against the voice that was fitted to it.
    remembered : tuple of str
        Controls whose tables were, or would be, written into the structure file.
    """

    run: Path
    structure: Structure
    numbers: tuple[int, ...] = ()
    note: str = ""
    problems: tuple[str, ...] = ()
    distance: float = np.nan
    voice_distance: float = np.nan
    settings_distance: float = np.nan
    earlier_distance: float = np.nan
    heard: tuple[AudibleDifference, ...] = ()
    turns: tuple[Turn, ...] = ()
    later: tuple[Turn, ...] = ()
    right: tuple[str, ...] = ()
    idle: tuple[str, ...] = ()
    unexplained: tuple[AudibleDifference, ...] = ()
    remembered: tuple[str, ...] = ()


def correct(
    run: str | Path,
    takes: Sequence[str | Path],
    *,
    structure_file: str | Path | None = None,
    dry_run: bool = False,
) -> Correction:
    """Compare takes of the dialled patch with target and match, and say what to turn.

    Parameters
    ----------
    run : str or Path
        The run whose slip was dialled. The first take is of its patch as it is now; later ones are
        of what the last correction said.
    takes : sequence of str or Path
        Recordings of one note as it is dialled; several tell how far the instrument drifts.
    structure_file : str or Path, optional
        Your structure file, which remembers what the knobs really do; the old one is kept.
    dry_run : bool
        Whether to say all this and write nothing.

    Returns
    -------
    Correction
        What to turn. If a recording is no take of this patch it says so, and nothing is kept.

    Raises
    ------
    RunFolderError
        If the run can't be used.
    AudioError, TargetError
        If a recording can't be read, or holds no note.
    StructureError, FileError
        If the structure file can't take the tables.
    """
    path = Path(run)
    if not takes:
        raise ParameterError("a take is missing: one recording or more must be given.")
    load_run(path)
    with lock_existing_run(path) as locked:
        # A patch that was edited by hand is one that was dialled.
        version = bring_up_to_date(path, locked)
        begun = begin_from_run(path, version, Selection(), seconds=None, evals=1, seed=0)
        known = list_takes(path)
        _refuse_known(takes, known)
        # Of another patch only what it told of the knobs counts.
        is_again = bool(known) and known[-1].aims == dict(begun.patch.values)
        dialled = begun.patch.replace(values=known[-1].slip) if is_again else begun.patch
        return _correct(
            path,
            replace(begun, patch=dialled),
            begun.patch.values,
            [Path(take) for take in takes],
            known=known,
            structure_file=structure_file,
            dry_run=dry_run,
        )


def forget(structure_file: str | Path) -> tuple[str, ...]:
    """Put back what the panel said before takes were remembered; return the controls."""
    return forget_biases(Path(structure_file))


def _correct(
    run: Path,
    begun: Refinement,
    aims: Mapping[str, float],
    files: Sequence[Path],
    *,
    known: Sequence[KeptTake],
    structure_file: str | Path | None,
    dry_run: bool,
) -> Correction:
    """Check the takes, read them, and put together what they say."""
    number = _which_note(begun.target, files[0])
    asked = begun.target.notes[number]
    loaded = [load_take(file, asked) for file in files]
    match = begun.score(begun.patch.replace(values=dict(aims)))[1][number]
    problems = [
        f"{file.name}: {text}"
        for file, take in zip(files, loaded, strict=True)
        for text in what_is_wrong(take, asked, match.sound)
    ]
    if problems:
        return Correction(run, begun.structure, note=asked.name, problems=tuple(problems))
    biases = _last_biases(known)
    fits = [_read(begun, take, aims, biases) for take in loaded]
    strange = [
        f"{file.name}: {text}"
        for file, fit in zip(files, fits, strict=True)
        for text in what_is_strange(fit)
    ]
    if strange:
        return Correction(run, begun.structure, note=asked.name, problems=tuple(strange))
    readings = _joined([fit.readings for fit in fits])
    turns, idle = next_turns(readings, aims, _history(known), begun.structure)
    best = int(np.argmin([fit.fitted_loss for fit in fits]))
    placed = [_against(asked, take) for take in loaded]
    distances = [loss for loss, _ in placed]
    slip = {turn.name: turn.to_value for turn in turns[:MOST_TURNS]}
    read = list(zip(files, fits, strict=True))
    kept = _takes_to_keep(begun, asked.name, aims, slip=slip, read=read, known=known)
    remembered: tuple[str, ...] = ()
    if structure_file is not None:
        remembered = remember_biases(
            Path(structure_file),
            _biases([*known, *kept]),
            origin=f"takes of {run.name}",
            dry_run=dry_run,
        )
    if not dry_run:
        for take, document in zip(loaded, kept, strict=True):
            keep_take(run, document, take)
    return Correction(
        run,
        begun.structure,
        numbers=() if dry_run else tuple(each.number for each in kept),
        note=asked.name,
        distance=float(np.mean(distances)),
        voice_distance=match.loss.total,
        settings_distance=float(np.mean([fit.settings_distance for fit in fits])),
        earlier_distance=known[-1].distance if known and known[-1].aims == dict(aims) else np.nan,
        heard=tuple(x for x in compare_notes(asked, placed[best][1]) if x.is_audible),
        turns=turns[:MOST_TURNS],
        later=turns[MOST_TURNS:],
        right=tuple(r.name for r in readings if r.name not in {*idle, *(t.name for t in turns)}),
        idle=idle,
        unexplained=tuple(
            x for x in compare_notes(loaded[best], fits[best].sound) if x.is_audible
        ),
        remembered=remembered,
    )


def _takes_to_keep(
    begun: Refinement,
    note: str,
    aims: Mapping[str, float],
    *,
    slip: Mapping[str, float],
    read: Sequence[tuple[Path, TakeFit]],
    known: Sequence[KeptTake],
) -> list[KeptTake]:
    """Write down what each take says, numbered behind those that are known."""
    return [
        KeptTake(
            number=number,
            note=note,
            sha256=sha256_digest(file),
            distance=fit.settings_distance,
            aims=dict(aims),
            slip={**begun.patch.values, **slip},
            readings={
                r.name: KeptReading(dialled=r.dialled, fitted=r.fitted, error=r.error)
                for r in fit.readings
            },
        )
        for number, (file, fit) in enumerate(read, start=len(known) + 1)
    ]


def _refuse_known(takes: Sequence[str | Path], known: Sequence[KeptTake]) -> None:
    """Refuse a recording that was read before: it would count for another slip."""
    digests = {take.sha256: take.number for take in known}
    for file in takes:
        number = digests.get(sha256_digest(Path(file)))
        if number is not None:
            raise RunFolderError(
                f"{file} is take {number} of this run already. Dial what the last correction "
                "said, and record a new take.",
                path=file,
            )


def _which_note(target: Target, file: Path) -> int:
    """Find the note of a target that lies nearest to what is heard."""
    from shared.units import hz_to_midi  # noqa: PLC0415

    heard_hz = load_take(file, target.notes[0]).analysis.pitch_hz
    if heard_hz is None:
        return 0
    heard = float(hz_to_midi(heard_hz))
    return int(np.argmin([abs(note.note.midi_pitch - heard) for note in target.notes]))


def _read(
    begun: Refinement,
    take: TargetNote,
    aims: Mapping[str, float],
    biases: Mapping[str, float],
) -> TakeFit:
    """Fit the voice to a take."""
    return read_take(replace(begun, target=Target((take,)), gates_s=()), aims, biases)


def _last_biases(known: Sequence[KeptTake]) -> dict[str, float]:
    """Say by how much each control was off when it was read last."""
    return {
        name: reading.fitted - reading.dialled
        for take in known
        for name, reading in take.readings.items()
    }


def _against(asked: TargetNote, take: TargetNote) -> tuple[float, FloatArray]:
    """Score a take as if a search had found it: its loss, and its sound on the timeline."""
    target = prepare_note(asked)
    sound = resample(take.signal, take.sample_rate_hz, asked.sample_rate_hz)
    sound = sound[round(take.onset_s * asked.sample_rate_hz) :][: target.n_render]
    group = np.zeros((target.n_render, 1), np.float32)
    group[: len(sound), 0] = sound
    scores = NoteScorer(target).score(group, 1)
    return breakdown(scores[0]).total, target.place(np.ascontiguousarray(group[:, 0]))


def _joined(every: Sequence[Sequence[Reading]]) -> tuple[Reading, ...]:
    """Average what several takes of one patch say; their spread is what the instrument drifts."""
    joined = []
    for readings in zip(*every, strict=True):
        fitted = np.array([reading.fitted for reading in readings])
        spread = float(fitted.std(ddof=1)) if len(fitted) > 1 else 0.0
        error = max(float(np.mean([r.error for r in readings])) / len(readings) ** 0.5, spread)
        weight = float(np.mean([reading.weight for reading in readings]))
        joined.append(
            replace(readings[0], fitted=float(fitted.mean()), error=error, weight=weight)
        )
    return tuple(joined)


def _history(known: Sequence[KeptTake]) -> dict[str, list[Turned]]:
    """Collect earlier readings, control by control."""
    history: dict[str, list[Turned]] = defaultdict(list)
    for take in known:
        for name, reading in take.readings.items():
            history[name].append(Turned(reading.dialled, reading.fitted, reading.error))
    return history


def _biases(takes: Sequence[KeptTake]) -> dict[str, list[Bias]]:
    """Collect what is certain of each control, place by place."""
    found: dict[str, list[Bias]] = defaultdict(list)
    for take in takes:
        for name, reading in take.readings.items():
            if abs(reading.fitted - reading.dialled) > reading.error:
                value = float(CATALOGUE[name].decode(reading.dialled))
                bias = reading.fitted - reading.dialled
                found[name].append(Bias(value, bias, reading.error))
    return dict(found)
