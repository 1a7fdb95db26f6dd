"""The folders ``searches/0001`` of a run: what was asked of each search, and where it stands.

::

    runs/horn/searches/0001/
        request.json     what is searched, with which settings and budget
        target.npz       the target, exactly
        structure.toml   the voice
        all/             checkpoint of the search (see `matcher.search.checkpoint`)

A match has the number that ``run.json`` names; refinements of it have later ones, with the same
files but target and structure.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from matcher.optimise import current_sampler
from matcher.runs.claim import (
    RECORD_FILE,
    SEARCHES_FOLDER,
    read_document,
    remove_empty_folders,
)
from matcher.runs.package_versions import versions
from matcher.runs.run_document import to_json
from matcher.runs.target_file import TARGET_FILE, read_target, write_target
from matcher.search.checkpoint import STATE_FILES, Checkpoint
from matcher.target import Target
from shared import EarwrightWarning, RunFolderError, write_atomic
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from voice import Structure

__all__: list[str] = []

KIND = "earwright search"
SCHEMA_VERSION = 1
REQUEST_FILE = "request.json"
STRUCTURE_FILE = "structure.toml"
WHOLE_SEARCH = "all"
_NUMBER = re.compile(r"\d{4,9}", re.ASCII)
# Of these, another version may search another way.
_DECIDING = ("python", "earwright", "numpy", "scipy", "numba")


@dataclass(frozen=True)
class SearchFolder:
    """One search of a run.

    Parameters
    ----------
    path : Path
        Its folder.
    request : mapping of str to object
        What was asked; ``settings`` are arguments of the search.
    """

    path: Path
    request: Mapping[str, Any]

    @property
    def name(self) -> str:
        """Its number, as the folder is called."""
        return self.path.name

    @property
    def run(self) -> Path:
        """The run that it belongs to."""
        return self.path.parent.parent

    @property
    def settings(self) -> dict[str, Any]:
        """The arguments of the search."""
        return dict(self.request["settings"])

    @property
    def has_begun(self) -> bool:
        """Whether anything was saved."""
        return any(self.path.rglob(STATE_FILES[0]))

    def checkpoint(self, part: str = WHOLE_SEARCH) -> Checkpoint:
        """Open the checkpoint of the search, or of one of its parts."""
        record = self.run if self.request["what"] == "match" else self.path
        finished = record / RECORD_FILE if part == WHOLE_SEARCH else None
        return Checkpoint(self.path / part, finished_record=finished)

    def target(self) -> Target:
        """Read the target."""
        return read_target(self.path / TARGET_FILE)

    def structure(self) -> Structure:
        """Read the structure."""
        path = self.path / STRUCTURE_FILE
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise RunFolderError(
                f"{path} can't be read, so this run can't be gone on with or refined. Take it "
                "from a copy of the run, or match again.",
                path=path,
            ) from error
        return parse_structure(text, source=str(path))

    def with_settings(self, **changes: object) -> SearchFolder:
        """Change settings, such as a budget that grows."""
        request = {**self.request, "settings": {**self.settings, **changes}}
        write_atomic(self.path / REQUEST_FILE, to_json(request), overwrite=True)
        return SearchFolder(self.path, request)

    def finish(self, reason: str, *, version: int | None = None) -> None:
        """Note why the search ended, and which version came of it."""
        made = [*self.request.get("made", []), *([] if version is None else [version])]
        request = {**self.request, "finished": reason, "made": made}
        write_atomic(self.path / REQUEST_FILE, to_json(request), overwrite=True)

    def discard(self) -> None:
        """Take the folder away: nothing was searched."""
        shutil.rmtree(self.path, ignore_errors=True)
        remove_empty_folders(self.path.parent)

    def note_versions(self) -> None:
        """Warn if something that decides about the search has another version than before."""
        now, before = versions(), self.request.get("versions", {})
        changed = [name for name in _DECIDING if before.get(name) != now.get(name)]
        if changed:
            import warnings  # noqa: PLC0415

            listed = ", ".join(f"{n} {before.get(n)} then, {now.get(n)} now" for n in changed)
            warnings.warn(
                f"the search began with other versions ({listed}), so it may not come to the "
                "same patch as in one go. Install the earlier ones if that matters.",
                EarwrightWarning,
                stacklevel=2,
            )


def new_search(
    run: Path,
    what: str,
    settings: Mapping[str, object],
    *,
    target: Target | None = None,
    structure: Structure | None = None,
    **further: object,
) -> SearchFolder:
    """Make the folder of a search, before it begins; the caller holds the lock of the run."""
    numbers = [int(path.name) for path in _folders(run)]
    path = run / SEARCHES_FOLDER / f"{max(numbers, default=0) + 1:04d}"
    request: dict[str, Any] = {
        "kind": KIND,
        "schema_version": SCHEMA_VERSION,
        "what": what,
        "created": datetime.now(tz=UTC).isoformat(timespec="seconds"),
        "settings": dict(settings),
        "versions": versions(),
        **further,
    }
    try:
        path.mkdir(parents=True)
        if target is not None:
            write_target(target, path / TARGET_FILE)
        if structure is not None:
            write_atomic(path / STRUCTURE_FILE, structure.toml, overwrite=False)
        # Last: a folder with a request is complete.
        write_atomic(path / REQUEST_FILE, to_json(request), overwrite=False)
    except BaseException:
        SearchFolder(path, request).discard()
        raise
    return SearchFolder(path, request)


def list_searches(run: Path, what: str | None = None) -> list[SearchFolder]:
    """List the searches of a run in the order of their numbers, all or those of one kind."""
    found = []
    for path in _folders(run):
        if (path / REQUEST_FILE).is_file():
            search = SearchFolder(path, _read_request(path / REQUEST_FILE))
            if what in {None, search.request["what"]}:
                found.append(search)
    return found


def own_search(run: Path) -> SearchFolder:
    """Find the search that a run came from, with its target and structure.

    Parameters
    ----------
    run : Path
        The run folder.

    Returns
    -------
    SearchFolder
        The search.

    Raises
    ------
    RunFolderError
        If the folder holds no run that has ended, or the search is missing.
    """
    document = read_document(run)
    if document is None:
        hint = (
            "its search hasn't ended; go on with it (earwright match --resume)"
            if run.is_dir() and list_searches(run)
            else "a folder that `earwright match` has written is accepted. Check the name"
        )
        raise RunFolderError(f"{run} holds no run: {hint}.", path=run)
    for search in list_searches(run):
        if search.name == document.get("search"):
            return search
    raise RunFolderError(
        f"{run} doesn't hold its search (searches/), so its patch can't be refined there. Copy "
        "the folder whole, or refine its patch.json with the recordings.",
        path=run,
    )


def fitted_target(search: SearchFolder) -> Target:
    """Read the notes that a run was fitted to.

    Parameters
    ----------
    search : SearchFolder
        The search of the run.

    Returns
    -------
    Target
        Without the notes that were left out.
    """
    from matcher.leave_out import choose_notes  # noqa: PLC0415  few runs leave out notes

    target = search.target()
    leave_out = search.settings.get("leave_out")
    if leave_out is None or leave_out == "each":
        return target
    places = choose_notes(target, leave_out)
    return Target(tuple(note for i, note in enumerate(target.notes) if i not in places))


def _folders(run: Path) -> list[Path]:
    """List the folders of searches."""
    folder = run / SEARCHES_FOLDER
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return sorted(path for path in folder.iterdir() if _NUMBER.fullmatch(path.name))
    return []


def _read_request(path: Path) -> dict[str, Any]:
    """Read a request."""
    try:
        request = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise RunFolderError(
            f"{path} can't be read: {getattr(error, 'strerror', None) or error}. Take it from a "
            "copy of the run, or match again.",
            path=path,
        ) from error
    is_known = (
        isinstance(request, dict)
        and (request.get("kind"), request.get("schema_version")) == (KIND, SCHEMA_VERSION)
        and request.get("what") in ("match", "refine")
        and isinstance(request.get("settings"), dict)
    )
    if not is_known:
        raise RunFolderError(
            f'{path} is not understood; "{KIND}", schema {SCHEMA_VERSION}, is accepted. A newer '
            "earwright may have written it.",
            path=path,
        )
    settings = dict(request["settings"])
    if "sampler" in settings:
        settings["sampler"] = current_sampler(settings["sampler"])
    return {**request, "settings": settings}
