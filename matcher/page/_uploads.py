"""Recordings that come in: their names made safe, and how much of them is accepted."""

from __future__ import annotations

from pathlib import Path

from matcher.runs.file_names import safe_name
from shared import AudioError
from shared._decoder_output import quiet_decoder

__all__: list[str] = []

SUFFIXES = (".wav", ".flac", ".aiff", ".aif", ".ogg", ".mp3")
# Ten minutes: a file that claims more is no recording of a note, or its header lies.
LONGEST_FILE_S = 600.0


def check_length(path: Path) -> None:
    """Refuse a file whose header promises more sound than a note can be.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    AudioError
        If it is longer than ten minutes, whatever its size.
    """
    import soundfile  # noqa: PLC0415  loads a library

    try:
        with quiet_decoder(path):
            info = soundfile.info(str(path))
    except soundfile.LibsndfileError:
        # Whoever reads the file says better what is wrong with it.
        return
    if info.duration > LONGEST_FILE_S:
        raise AudioError(
            f"{path.name} is {info.duration:.0f} s long; up to {LONGEST_FILE_S:.0f} s are "
            "accepted. Cut out the notes that are to be matched.",
            path=path.name,
            value=info.duration,
        )


def checked_name(file_name: str) -> tuple[str, str]:
    """Split a file name into a safe stem and a suffix that is accepted."""
    plain = file_name.replace("\\", "/").rsplit("/", maxsplit=1)[-1]
    suffix = Path(plain).suffix.lower()
    if suffix not in SUFFIXES:
        raise AudioError(
            f'"{plain[:80]}" is no audio file by its name; {", ".join(SUFFIXES)} are accepted. '
            "Export the recording as one of them.",
            path=plain[:80],
        )
    return safe_name(plain[: -len(suffix)], default="recording"), suffix


def free_file(folder: Path, stem: str, suffix: str) -> Path:
    """Return a path in a folder that is free."""
    number = 1
    while True:
        path = folder / f"{stem if number == 1 else f'{stem}-{number}'}{suffix}"
        if not path.exists():
            return path
        number += 1
