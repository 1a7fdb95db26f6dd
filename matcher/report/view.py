"""All that the templates of reports are filled with: of a run, and of a comparison."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.comparing import MEASURE_WORDS, run_folder
from matcher.losses import TERM_MEANINGS, TERMS, describe_weights
from matcher.report.drawings import Picture, comparison_drawings, search_drawing
from matcher.report.explained import Explained, KeyboardView, explain_view, keyboard_view
from matcher.report.ladder import RungView, ladder_view
from matcher.report.notes import (
    ReadNote,
    count_pictured,
    drawings_of,
    listening_pair,
    read_notes,
)
from matcher.report.sheet import Sheet, make_sheet, structure_of
from matcher.report.sounds import EmbeddedSounds, PlainSound, embed_sounds, match_loudness
from matcher.runs.folder import load_run
from matcher.texts.words import SEARCH_WORDS, stop_reason_text
from shared import EarwrightError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from matcher.comparing import Comparison, Effect
    from matcher.runs import Version
    from matcher.runs.folder import RunFolder

# A distance of 2 fills a quarter of a gauge, 8 fill it.
GAUGE_STEPS = 8.0


@dataclass(frozen=True)
class NoteView:
    """A note of the page: what is said, what is heard, what is seen."""

    note: ReadNote
    target: str | None
    match: str | None
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class TermView:
    """One term of the loss, before and after."""

    name: str
    meaning: str
    start: float | None
    end: float | None

    @property
    def share(self) -> float:
        """How much of a gauge it fills, in percent."""
        return min(100.0, 100.0 * (self.end or 0.0) / GAUGE_STEPS)


@dataclass(frozen=True)
class ReportView:
    """All that a report shows."""

    title: str
    folder: str
    created: str
    structure: str
    meaning: str
    notes: tuple[NoteView, ...]
    sounds: EmbeddedSounds
    n_pictured: int
    terms: tuple[TermView, ...]
    start: float | None
    end: float | None
    n_audible: int
    sheet: Sheet
    explained: Explained
    ladder: tuple[RungView, ...]
    keys: KeyboardView
    convergence: Picture | None
    stop_reason: str
    settings: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    command: str | None
    command_is_python: bool
    warnings: tuple[str, ...]
    history: tuple[Version, ...]
    quoted_folder: str

    @property
    def sheet_of(self) -> str:
        """Whose the sheet is: ``"Version 5, played on C4, distance 3.92."``."""
        keys = dict.fromkeys(each.note.played.partition(",")[0] for each in self.notes)
        parts = [f"version {self.history[-1].number}"] if self.history else []
        parts.append(f"played on {', '.join(keys)}")
        parts += [] if self.end is None else [f"distance {self.end:.2f}"]
        text = ", ".join(parts)
        return f"{text[0].upper()}{text[1:]}."


def make_view(run: RunFolder) -> ReportView:
    """Gather all that a report shows."""
    notes = read_notes(run)
    document: Mapping[str, Any] = run.run
    pairs = [sound for note in notes for sound in listening_pair(note)]
    explained = explain_view(run)
    keys = keyboard_view(run)
    ladder = ladder_view(run, notes[0])
    last = [rung.sound for rung in ladder if rung.sound is not None]
    last += [] if keys.sound is None else [keys.sound]
    sounds = embed_sounds([*pairs, *explained.sounds, *last])
    loss = document.get("loss") or {}
    structure = structure_of(run)
    command, is_python = _command(run)
    search = search_drawing(document)
    return ReportView(
        title=_title(notes),
        folder=run.path.name or str(run.path),
        created=str(document.get("created", "")).partition("T")[0],
        structure=run.patch.structure,
        meaning="" if structure is None else structure.meaning,
        notes=_note_views(notes, sounds.addresses),
        sounds=sounds,
        n_pictured=count_pictured(notes),
        terms=_terms(loss),
        start=_number((loss.get("start") or {}).get("total")),
        end=_number((loss.get("end") or {}).get("total")),
        n_audible=sum(len(note.audible) for note in notes if not note.is_left_out),
        sheet=make_sheet(run.patch, structure, explained.explanation, note=notes[0].note.played),
        explained=explained,
        ladder=ladder,
        keys=keys,
        convergence=None if search is None else search.picture(),
        stop_reason=stop_reason_text(document.get("stop_reason")),
        settings=_settings(document),
        versions=tuple(
            (str(name), str(text)) for name, text in (document.get("versions") or {}).items()
        ),
        command=command,
        command_is_python=is_python,
        warnings=tuple(str(text) for text in document.get("warnings") or []),
        history=_history(run),
        quoted_folder=shlex.quote(str(run.path)),
    )


def _note_views(
    notes: Sequence[ReadNote], addresses: Sequence[str | None]
) -> tuple[NoteView, ...]:
    """Put notes, their sounds and their pictures together."""
    n_pictured = count_pictured(notes)
    return tuple(
        NoteView(
            note,
            addresses[2 * i],
            addresses[2 * i + 1],
            tuple(each.picture(f"note{i}-", has_key=False) for each in drawings_of(note))
            if i < n_pictured
            else (),
        )
        for i, note in enumerate(notes)
    )


def _title(notes: Sequence[ReadNote]) -> str:
    """Name the run by its notes."""
    names = list(dict.fromkeys(note.note.name for note in notes if not note.is_left_out))
    if len(names) <= 3:
        return ", ".join(names)
    return f"{', '.join(names[:2])} and {len(names) - 2} more"


def _terms(loss: Mapping[str, Any]) -> tuple[TermView, ...]:
    """Lay out the terms of the loss."""
    start, end = ((loss.get(key) or {}).get("terms") or {} for key in ("start", "end"))
    return tuple(
        TermView(term, TERM_MEANINGS[term], _number(start.get(term)), _number(end.get(term)))
        for term in TERMS
        if term in end
    )


def _number(value: object) -> float | None:
    """Return a number of a document; None for anything else."""
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(value) if is_number else None  # type: ignore[arg-type]


def _settings(document: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """List the settings of a run in words."""
    settings: Mapping[str, Any] = document.get("settings") or {}
    figures: Mapping[str, Any] = document.get("figures") or {}
    rows = [
        ("structure", str(settings.get("structure", ""))),
        ("budget", _budget(settings)),
        ("seed", str(document.get("seed"))),
        ("search", SEARCH_WORDS.get(str(settings.get("sampler")), "")),
        ("weights", describe_weights(settings.get("weights"))),
        ("tries", _count(figures.get("evaluations"))),
        ("time", _seconds(figures.get("elapsed_s"))),
        ("target", f"SHA-256 {(document.get('target') or {}).get('digest', 'unknown')}"),
    ]
    return tuple((name, text) for name, text in rows if text)


def _budget(settings: Mapping[str, Any]) -> str:
    """Say what the search was given."""
    seconds, evals = settings.get("seconds"), settings.get("evals")
    parts = [f"{seconds:g} s"] if isinstance(seconds, (int, float)) else []
    parts += [f"{evals} tries"] if isinstance(evals, int) else []
    return " and ".join(parts)


def _count(value: object) -> str:
    """Write a number of tries."""
    return f"{value:,}".replace(",", " ") if isinstance(value, int) else ""


def _seconds(value: object) -> str:
    """Write a time."""
    return f"{value:.1f} s" if isinstance(value, (int, float)) else ""


def _command(run: RunFolder) -> tuple[str | None, bool]:
    """Return what reproduces a run: its command line, or lines of Python."""
    document: Mapping[str, Any] = run.run
    words = document.get("command_line")
    if isinstance(words, list) and words:
        return shlex.join(str(word) for word in words), False
    settings: Mapping[str, Any] = document.get("settings") or {}
    if not settings:
        return None, False
    names = ("structure", "seconds", "evals", "seed", "sampler", "weights")
    given = {name: settings[name] for name in names if settings.get(name) is not None}
    options = "".join(f",\n    {name}={value!r}" for name, value in given.items())
    return f"import matcher\n\nmatcher.match(\n    target{options},\n)", True


def _history(run: RunFolder) -> tuple[Version, ...]:
    """List the versions of the patch, if any were kept."""
    from matcher.runs import list_versions  # noqa: PLC0415

    return list_versions(run.path) if (run.path / "versions").is_dir() else ()


@dataclass(frozen=True)
class HeardNote:
    """A note of a target, with the best match of each structure."""

    title: str
    onset_s: float
    sounds: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class EffectView:
    """A line of the table of differences."""

    first: str
    second: str
    measure: str
    effect: Effect

    @property
    def words(self) -> str:
        """What the runs show about it."""
        if self.effect.is_audible:
            return "clear, and 1 or more"
        if self.effect.is_clear:
            return "clear"
        return "less than 1" if self.effect.is_inaudible else "these runs don't tell"


@dataclass(frozen=True)
class ComparisonView:
    """All that the page of a comparison shows."""

    comparison: Comparison
    folder: str
    quoted_folder: str
    heard: tuple[HeardNote, ...]
    n_unheard: int
    sounds: EmbeddedSounds
    pictures: tuple[Picture, ...]
    effects: tuple[EffectView, ...]
    settings: tuple[tuple[str, str], ...]


def make_comparison_view(comparison: Comparison) -> ComparisonView:
    """Gather all that the page of a comparison shows."""
    heard, n_unheard, sounds = _listen(comparison)
    return ComparisonView(
        comparison=comparison,
        folder=comparison.folder.name or str(comparison.folder),
        quoted_folder=shlex.quote(str(comparison.folder)),
        heard=heard,
        n_unheard=n_unheard,
        sounds=sounds,
        pictures=tuple(drawing.picture() for drawing in comparison_drawings(comparison)),
        effects=tuple(
            EffectView(pair.first, pair.second, MEASURE_WORDS[name], effect)
            for pair in comparison.pairs
            for name, effect in pair.effects.items()
        ),
        settings=_compared_settings(comparison),
    )


def _listen(comparison: Comparison) -> tuple[tuple[HeardNote, ...], int, EmbeddedSounds]:
    """Read the best run of each target and structure, and embed what fits."""
    entries: list[tuple[ReadNote, list[tuple[str, PlainSound]]]] = []
    for target in comparison.targets:
        runs = {name: _read_best(comparison, target, name) for name in comparison.structures}
        n_notes = max((len(notes) for notes in runs.values()), default=0)
        entries += [_note_sounds(i, runs) for i in range(n_notes)]
    embedded = embed_sounds([sound for _, sounds in entries for _, sound in sounds])
    heard = []
    for note, sounds in entries:
        pairs = tuple((name, embedded.of(sound) or "") for name, sound in sounds)
        if all(address for _, address in pairs):
            heard.append(HeardNote(note.title, note.onset_s, pairs))
    return tuple(heard), len(entries) - len(heard), embedded


def _note_sounds(
    place: int, runs: Mapping[str, tuple[ReadNote, ...]]
) -> tuple[ReadNote, list[tuple[str, PlainSound]]]:
    """Collect one note: the target, then the match of each structure, all at one loudness."""
    notes = {name: found[place] for name, found in runs.items() if place < len(found)}
    first = next(iter(notes.values()))
    matches = [(name, match_loudness(first.target, note.match)[1]) for name, note in notes.items()]
    return first, [("Target", first.target), *matches]


def _read_best(comparison: Comparison, target: str, structure: str) -> tuple[ReadNote, ...]:
    """Read the notes of the best run; none if it isn't there."""
    try:
        return read_notes(load_run(run_folder(comparison.folder, target, structure)))
    except EarwrightError:
        return ()


def _compared_settings(comparison: Comparison) -> tuple[tuple[str, str], ...]:
    """List the settings in words."""
    settings = dict(comparison.settings)
    settings["weights"] = describe_weights(settings.get("weights"))
    rows = [(name, value) for name, value in settings.items() if value is not None]
    return tuple(
        (
            str(name),
            ", ".join(str(entry) for entry in value)
            if isinstance(value, (list, tuple))
            else str(value),
        )
        for name, value in rows
    )
