"""The files of a run: sounds, record, versions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.runs.claim import EVALUATIONS_FILE, RECORD_FILE, SOUND_FOLDERS, STUDY_FILE
from shared import limit_level, sha256_digest, write_recording

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from shared import FloatArray

__all__: list[str] = []

# Below this, a gain is rounding: a ten-thousandth of a dB.
_GAIN_SLACK = 1e-5
# Of 25 evaluations one goes into the study, which costs most of what a record costs.
_STUDY_SHARE = 25
_FEWEST_TRIALS = 400


def write_sounds(
    folder: Path, played: Sequence[NoteMatch | LeftOutNote], names: Sequence[str]
) -> list[float]:
    """Write target and match of each note; return their gains."""
    for sub in SOUND_FOLDERS:
        (folder / sub).mkdir(exist_ok=True)
    return [_write_sounds(folder, match, name) for match, name in zip(played, names, strict=True)]


def write_record(result: MatchResult, folder: Path, *, study_name: str) -> None:
    """Write every evaluation, as it is and as columns, and the study."""
    from matcher.optimise import (  # noqa: PLC0415  reading a run needs no search
        DEFAULT_N_TRIALS,
        write_columns,
        write_study,
    )

    record = result.record
    record.to_npz(folder / RECORD_FILE, overwrite=False)
    write_columns(record, result.space, folder / EVALUATIONS_FILE, overwrite=False)
    write_study(
        record,
        result.space,
        folder / STUDY_FILE,
        study_name=study_name,
        overwrite=False,
        n_trials=min(DEFAULT_N_TRIALS, max(_FEWEST_TRIALS, len(record) // _STUDY_SHARE)),
        attributes={"settings": dict(result.settings), "target": result.target.digest},
    )


def equal_gain(sounds: Sequence[FloatArray], rate_hz: int) -> float:
    """Find the one gain that brings all of some sounds within the limits of level."""
    gain = 1.0
    # Turned down, a sound can lose blocks below the gate of the loudness measure and then count
    # as louder, so one pass isn't always enough.
    for _ in range(8):
        further = min(limit_level(sound * gain, rate_hz)[1] for sound in sounds)
        gain *= further
        if further > 1.0 - _GAIN_SLACK:
            break
    return gain


def list_files(folder: Path) -> list[dict[str, object]]:
    """List the files in a folder with size and digest."""
    return [
        {
            "path": path.relative_to(folder).as_posix(),
            "bytes": path.stat().st_size,
            "sha256": sha256_digest(path),
        }
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    ]


def add_match_versions(result: MatchResult, folder: Path) -> int:
    """Add the start, the ends of stages and the end of a match; return the last number.

    Of a match that was gone on with, what has been added before stays as it is.
    """
    from matcher.runs import add_version, list_versions  # noqa: PLC0415  as above

    found = {(stage.kind, stage.title) for stage in result.stages}
    known: dict[tuple[str, str], int] = {}
    parent = None
    for version in list_versions(folder):
        what = (version.kind, version.title)
        # What the user set in the meantime is not where the search came from.
        if version.kind == "final" or (what in found and what not in known):
            known[what] = parent = version.number
    gates_s = tuple(match.note.note.gate_s for match in result.notes)
    for stage in result.stages:
        if (stage.kind, stage.title) not in known:
            parent = add_version(
                folder,
                stage.patch,
                kind=stage.kind,
                title=stage.title,
                parent=parent,
                loss=stage.loss,
                gates_s=gates_s,
            ).number
    return add_version(
        folder,
        result.patch,
        kind="final",
        title=_final_title(result, is_extended=("final", "match") in known),
        parent=parent,
        loss=result.end,
        gates_s=gates_s,
    ).number


def _final_title(result: MatchResult, *, is_extended: bool) -> str:
    """Say how a match ended, and whether it had ended before."""
    title = "match, extended" if is_extended else "match"
    is_cut_short = result.stop_reason in {"interrupted", "stopped"}
    return f"{title}, stopped early" if is_cut_short else title


def _write_sounds(folder: Path, match: NoteMatch | LeftOutNote, name: str) -> float:
    """Write target and match of a note with the same gain, and return it."""
    rate = match.note.sample_rate_hz
    gain = equal_gain((match.note.signal, match.sound), rate)
    for sub, sound in zip(SOUND_FOLDERS, (match.note.signal, match.sound), strict=True):
        write_recording(folder / sub / f"{name}.wav", sound * gain, rate)
    return gain
