"""What lies in a run folder: names that files and folders have, and which of them are a run's."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import unicodedata
from typing import TYPE_CHECKING

from shared import RunFolderError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__: list[str] = []

KIND = "earwright run"
RUN_FILE = "run.json"
PATCH_FILE = "patch.json"
RECORD_FILE = "record.npz"
EVALUATIONS_FILE = "evaluations.npz"
STUDY_FILE = "study.log"
REPORT_FILE = "report.html"
EXPLANATION_FILE = "explain.json"
REQUEST_FILE = "request.json"
PLOTS_FOLDER = "plots"
SOUND_FOLDERS = ("target", "match")
SEARCHES_FOLDER = "searches"
VERSIONS_FOLDER = "versions"
BUILD_FOLDER = "build"
TAKES_FOLDER = "takes"
SINGLE_FILES = (RUN_FILE, PATCH_FILE, RECORD_FILE, EVALUATIONS_FILE, STUDY_FILE)
OWN_FOLDERS = (
    *SOUND_FOLDERS,
    SEARCHES_FOLDER,
    PLOTS_FOLDER,
    VERSIONS_FOLDER,
    BUILD_FOLDER,
    TAKES_FOLDER,
)

_SOUND = re.compile(rf"({'|'.join(SOUND_FOLDERS)})/[^/\\]+\.wav")
# What is made of a run later, and goes away with it.
_DERIVED = re.compile(
    r"explain\.json|build/[^/\\]+\.wav|takes/\d{4,9}\.(?:json|wav)|versions/\d{4,9}\.json|versions/kept/[^/\\]+\.json"
    r"|searches/\d{4,9}/([\w-]+/)?[\w.-]+"
)
# Names may have 255 bytes; a suffix, a number and the hidden name while writing must fit, too.
_MAX_BYTES = 100
_SHORTEST_COMMON = 3
# What Windows refuses in names, and what shells and pages read as something else.
_REFUSED = set("<>:\"/\\|?*%&;$`'!{}[]()~^=,")
# Names of devices on Windows, with or without a suffix.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE | re.ASCII)


def read_unchecked(folder: Path) -> dict[str, object] | None:
    """Read `run.json` unchecked; None if there is none of ours."""
    try:
        document = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    is_ours = isinstance(document, dict) and document.get("kind") == KIND
    return document if is_ours else None


def is_unfinished(run: Path) -> bool:
    """Whether a folder holds a search that has not come to a run yet."""
    searches = run / SEARCHES_FOLDER
    return not (run / RUN_FILE).exists() and any(searches.glob(f"*/{REQUEST_FILE}"))


def own_files(folder: Path) -> list[str]:
    """List the files in a folder that an earlier run has written, as relative names.

    Only names that a run can have count, so that a changed `run.json` can't point elsewhere.
    """
    below = [folder / EXPLANATION_FILE]
    for sub in (VERSIONS_FOLDER, SEARCHES_FOLDER, BUILD_FOLDER, TAKES_FOLDER):
        below += (folder / sub).rglob("*")
    present = [path.relative_to(folder).as_posix() for path in below if path.is_file()]
    derived = [name for name in present if _DERIVED.fullmatch(name)] + _pages(folder)
    document = read_unchecked(folder)
    if document is None:
        names = [name for name in SINGLE_FILES if (folder / name).is_file()]
        for sub in SOUND_FOLDERS:
            names += [f"{sub}/{path.name}" for path in (folder / sub).glob("*.wav")]
        return names + derived
    files = document.get("files")
    listed = files if isinstance(files, list) else []
    paths = [entry.get("path") for entry in listed if isinstance(entry, dict)]
    return [path for path in paths if isinstance(path, str) and _is_run_file(path)] + derived


def _pages(folder: Path) -> list[str]:
    """List the report and its pictures, which are written after the run and tell about it."""
    report = [REPORT_FILE] if (folder / REPORT_FILE).is_file() else []
    plots = folder / PLOTS_FOLDER
    pictures = [*sorted(plots.glob("*-*.*")), *sorted(plots.glob("convergence.*"))]
    is_ours = [path for path in pictures if path.suffix in {".png", ".svg"} and path.is_file()]
    return report + [f"{PLOTS_FOLDER}/{path.name}" for path in is_ours]


def _is_run_file(name: str) -> bool:
    """Say whether a run writes a file of this name."""
    return name in SINGLE_FILES or _SOUND.fullmatch(name) is not None


def cannot_write(path: Path, error: OSError) -> RunFolderError:
    """Say why a run folder can't be written."""
    reason = error.strerror or str(error)
    return RunFolderError(
        f"{path} can't be written: {reason}. It must be a folder that you may write to, with "
        "room for the run; name one with --out.",
        path=path,
    )


def remove_empty_folders(folder: Path) -> None:
    """Take away a folder, and those in it, where they hold nothing."""
    inside = sorted(path for path in folder.rglob("*") if path.is_dir())
    for path in (*reversed(inside), folder):
        with contextlib.suppress(OSError):
            path.rmdir()


def safe_name(text: str, *, default: str) -> str:
    """Turn any text into a file name of at most 100 bytes, without suffix."""
    composed = unicodedata.normalize("NFC", text)
    kept = "".join("_" if _is_refused(sign) else sign for sign in composed)
    kept = re.sub(r"[\s_]+", "_", kept).strip("._-")
    kept = _shorten(kept).rstrip("._-")
    if _DEVICES.fullmatch(kept):
        # With a suffix it would be the device still.
        stem, dot, rest = kept.partition(".")
        kept = f"{stem}_{dot}{rest}"
    return kept or default


def unique_names(texts: Sequence[str]) -> list[str]:
    """Make one safe name for each text, all different also where case doesn't count."""
    taken: set[str] = set()
    names = []
    for text in texts:
        base = name = safe_name(text, default="note")
        count = 1
        while name.casefold() in taken:
            count += 1
            name = f"{base}-{count}"
        taken.add(name.casefold())
        names.append(name)
    return names


def common_name(texts: Sequence[str]) -> str:
    """Name several notes together: what their names begin with, or the first one."""
    if len(texts) == 1:
        return safe_name(texts[0], default="note")
    same = itertools.takewhile(lambda signs: len(set(signs)) == 1, zip(*texts, strict=False))
    common = "".join(signs[0] for signs in same)
    if any(text != common for text in texts):
        # Cut back to the last whole word: "pad_C3" and "pad_C4" are "pad".
        common = re.sub(r"[^\s_\-.]*$", "", common)
    name = safe_name(common, default="")
    return name if len(name) >= _SHORTEST_COMMON else safe_name(texts[0], default="note")


def _is_refused(sign: str) -> bool:
    """Say whether a sign is no part of a safe name; surrogates aren't printable either."""
    if sign in _REFUSED or not (sign.isprintable() or sign.isspace()):
        return True
    try:
        os.fsencode(sign)
    except UnicodeEncodeError:
        # Names of files are plain ASCII in the locale "C" of older systems.
        return True
    return False


def _shorten(name: str) -> str:
    """Cut a name at its limit, between two signs."""
    return name.encode()[:_MAX_BYTES].decode(errors="ignore")
