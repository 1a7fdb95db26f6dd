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
import re
import shutil
import warnings
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from matcher.optimise import current_sampler, state_from_bytes, state_to_bytes
from matcher.result import software_versions
from matcher.runs.layout import (
    RECORD_FILE,
    REQUEST_FILE,
    SEARCHES_FOLDER,
    read_unchecked,
    remove_empty_folders,
)
from matcher.search.checkpoint import STATE_FILES, Checkpoint
from matcher.target import Target, TargetNote
from matcher.target.model import LevelTrack, NoteAnalysis, PitchTrack
from matcher.target.note import choose_notes
from shared import EarwrightWarning, Note, ParameterError, RunFolderError, write_atomic
from shared.documents import Document, read_document, write_document
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from voice import Structure

__all__: list[str] = []

STRUCTURE_FILE = "structure.toml"
TARGET_FILE = "target.npz"
WHOLE_SEARCH = "all"
_TARGET_KIND = "earwright target"
_TARGET_VERSION = 1
_NUMBER = re.compile(r"\d{4,9}", re.ASCII)
# Of these, another version may search another way.
_DECIDING = ("python", "earwright", "numpy", "scipy", "numba")


class SearchRequest(Document, frozen=True, kw_only=True):
    """What was asked of a search: ``request.json``.

    `settings` are arguments of the search. A refinement says in `version` where it begins, or in
    `gates_s` for how long keys are held in a run of its own; `made` are the versions that came of
    it, and `finished` is why it ended.
    """

    kind: Literal["earwright search"]
    schema_version: Literal[1]
    what: Literal["match", "refine"]
    created: str = ""
    settings: dict[str, Any]
    versions: dict[str, str] = msgspec.field(default_factory=dict)
    command_line: list[str] | None = None
    gates_s: tuple[float, ...] = ()
    version: int | None = None
    note: str = ""
    finished: str | None = None
    made: tuple[int, ...] = ()


@dataclass(frozen=True)
class SearchFolder:
    """One search of a run.

    Parameters
    ----------
    path : Path
        Its folder.
    request : SearchRequest
        What was asked.
    """

    path: Path
    request: SearchRequest

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
        """The arguments of the search; an earlier name of a sampler is the present one."""
        settings = dict(self.request.settings)
        if "sampler" in settings:
            settings["sampler"] = current_sampler(settings["sampler"])
        return settings

    @property
    def has_begun(self) -> bool:
        """Whether anything was saved."""
        return any(self.path.rglob(STATE_FILES[0]))

    def checkpoint(self, part: str = WHOLE_SEARCH) -> Checkpoint:
        """Open the checkpoint of the search, or of one of its parts."""
        record = self.run if self.request.what == "match" else self.path
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

    def extended(self, seconds: float | None, evals: int | None) -> SearchFolder:
        """Add to the budget, in the kind of budget that the search has."""
        search = self
        for name, other, more in (("seconds", "evals", seconds), ("evals", "seconds", evals)):
            before = self.settings[name]
            if more is None:
                continue
            if before is None:
                raise ParameterError(
                    f"{name} is {more:g}, and the budget of {self.run} is in "
                    f"{'tries' if name == 'seconds' else 'seconds'}; it must be of the "
                    f"same kind. Give {other}.",
                    name=name,
                )
            search = search._changed(settings={**self.settings, name: before + more})
        return search

    def finish(self, reason: str, *, version: int | None = None) -> None:
        """Note why the search ended, and which version came of it."""
        made = (*self.request.made, *(() if version is None else (version,)))
        self._changed(finished=reason, made=made)

    def _changed(self, **fields: object) -> SearchFolder:
        """Write the request with other fields."""
        request = msgspec.structs.replace(self.request, **fields)
        write_document(self.path / REQUEST_FILE, request)
        return SearchFolder(self.path, request)

    def discard(self) -> None:
        """Take the folder away: nothing was searched."""
        shutil.rmtree(self.path, ignore_errors=True)
        remove_empty_folders(self.path.parent)

    def note_versions(self) -> None:
        """Warn if something that decides about the search has another version than before."""
        now, before = software_versions(), self.request.versions
        changed = [name for name in _DECIDING if before.get(name) != now.get(name)]
        if changed:
            listed = ", ".join(f"{n} {before.get(n)} then, {now.get(n)} now" for n in changed)
            warnings.warn(
                f"the search began with other versions ({listed}), so it may not come to the "
                "same patch as in one go. Install the earlier ones if that matters.",
                EarwrightWarning,
                stacklevel=2,
            )


def new_search(
    run: Path,
    what: Literal["match", "refine"],
    settings: Mapping[str, object],
    *,
    target: Target | None = None,
    structure: Structure | None = None,
    **further: Any,  # noqa: ANN401  fields of the request
) -> SearchFolder:
    """Make the folder of a search, before it begins; the caller holds the lock of the run."""
    numbers = [int(path.name) for path in _folders(run)]
    path = run / SEARCHES_FOLDER / f"{max(numbers, default=0) + 1:04d}"
    request = SearchRequest(
        kind="earwright search",
        schema_version=1,
        what=what,
        created=datetime.now(tz=UTC).isoformat(timespec="seconds"),
        settings=dict(settings),
        versions=software_versions(),
        **further,
    )
    search = SearchFolder(path, request)
    try:
        path.mkdir(parents=True)
        if target is not None:
            write_target(target, path / TARGET_FILE)
        if structure is not None:
            write_atomic(path / STRUCTURE_FILE, structure.toml, overwrite=False)
        # Last: a folder with a request is complete.
        write_document(path / REQUEST_FILE, request, overwrite=False)
    except BaseException:
        search.discard()
        raise
    return search


def list_searches(run: Path, what: str | None = None) -> list[SearchFolder]:
    """List the searches of a run in the order of their numbers, all or those of one kind."""
    found = [
        SearchFolder(path, _read_request(path / REQUEST_FILE))
        for path in _folders(run)
        if (path / REQUEST_FILE).is_file()
    ]
    return [search for search in found if what in {None, search.request.what}]


def find_match(run: Path) -> SearchFolder:
    """Find the match of a run: the last one that was begun in the folder."""
    if not run.is_dir():
        raise RunFolderError(
            f"{run} is no folder; it must be a folder that `earwright match` writes to. Check "
            "the name.",
            path=run,
        )
    searches = list_searches(run, "match")
    if not searches or (read_unchecked(run) is not None and not searches[-1].has_begun):
        raise RunFolderError(
            f"{run} holds no search to go on with; it must be a folder that `earwright match` "
            "writes to. Check the name.",
            path=run,
        )
    return searches[-1]


def own_search(run: Path) -> SearchFolder:
    """Find the search that a run came from, with its target and structure."""
    document = read_unchecked(run)
    if document is None:
        hint = (
            "its search hasn't ended; go on with it (earwright match --resume)"
            if run.is_dir() and list_searches(run)
            else "it must be a folder that `earwright match` has written. Check the name"
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
    """Read the notes that a run was fitted to, without those that were left out."""
    target = search.target()
    leave_out = search.settings.get("leave_out")
    if leave_out is None or leave_out == "each":
        return target
    places = choose_notes(target, leave_out)
    return Target(tuple(note for i, note in enumerate(target.notes) if i not in places))


def write_target(target: Target, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a target in one file, exactly as it was matched.

    The sounds in ``target/`` are for the ear: limited in level and rounded to 24 bits. Going on
    with a search, or refining its patch, needs the very samples and the analysis that the losses
    were measured on. Nothing in the file is executed when it is read.
    """
    notes = {str(i): _plain(note) for i, note in enumerate(target.notes)}
    document = {
        "kind": _TARGET_KIND, "version": _TARGET_VERSION, "digest": target.digest, "notes": notes
    }  # fmt: skip
    write_atomic(path, state_to_bytes(document), overwrite=overwrite)


def read_target(path: str | Path) -> Target:
    """Read what `write_target` wrote: the same notes, to the bit."""
    try:
        document = state_from_bytes(Path(path).read_bytes())
        if (document.get("kind"), document.get("version")) != (_TARGET_KIND, _TARGET_VERSION):
            raise ValueError("it is another kind of file")  # noqa: TRY301
        notes = document["notes"]
        target = Target(tuple(_note(notes[str(i)]) for i in range(len(notes))))
        if target.digest != document["digest"]:
            raise ValueError("its sound isn't the one that was written")  # noqa: TRY301
    except FileNotFoundError as error:
        raise RunFolderError(
            f"{path} is missing, so this run can't be gone on with or refined; runs of "
            "`earwright match` have it. Match again, or give the recordings.",
            path=path,
        ) from error
    except (OSError, ParameterError, KeyError, TypeError, ValueError) as error:
        raise RunFolderError(
            f"{path} can't be read: {error}. Take it from a copy of the run, or match again.",
            path=path,
        ) from error
    return target


def _folders(run: Path) -> list[Path]:
    """List the folders of searches."""
    folder = run / SEARCHES_FOLDER
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return sorted(path for path in folder.iterdir() if _NUMBER.fullmatch(path.name))
    return []


def _read_request(path: Path) -> SearchRequest:
    """Read a request."""
    advice = "Take it from a copy of the run, or match again."
    return read_document(path, SearchRequest, error=RunFolderError, advice=advice)


def _plain(value: Any) -> Any:  # noqa: ANN401  any field of a note
    """Turn dataclasses into dicts, and sets and tuples into lists."""
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, frozenset):
        return sorted(value)
    return list(value) if isinstance(value, tuple) else value


def _note(document: dict[str, Any]) -> TargetNote:
    """Make a note again."""
    analysis = dict(document["analysis"])
    if analysis["pitch_track"] is not None:
        analysis["pitch_track"] = PitchTrack(**analysis["pitch_track"])
    analysis["level_track"] = LevelTrack(**analysis["level_track"])
    return TargetNote(
        **{
            **document,
            "note": Note(**document["note"]),
            "analysis": NoteAnalysis(**analysis),
            "estimated": frozenset(document["estimated"]),
            "warnings": tuple(document["warnings"]),
        }
    )
