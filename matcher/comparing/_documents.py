"""Finished runs as JSON, and back."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.comparing.outcome import Curve, NoteOutcome, RunOutcome
from matcher.losses import TERMS, LossBreakdown
from matcher.runs.run_document import to_json
from shared import Patch, RunFolderError

if TYPE_CHECKING:
    from pathlib import Path

    from shared import FloatArray

__all__: list[str] = []

OUTCOME_KIND = "earwright compared run"
OUTCOME_VERSION = 1
# Far beyond any loss, number of evaluations or time, and its square is finite still.
_LARGEST = 1e100


def outcome_to_json(outcome: RunOutcome) -> bytes:
    """Write a finished run."""
    curve = outcome.curve
    return to_json(
        {
            "kind": OUTCOME_KIND,
            "schema_version": OUTCOME_VERSION,
            "key": outcome.key,
            "target": outcome.target,
            "structure": outcome.structure,
            "seed": outcome.seed,
            "stop_reason": outcome.stop_reason,
            "n_evaluations": outcome.n_evaluations,
            "elapsed_s": outcome.elapsed_s,
            "n_threads": outcome.n_threads,
            "processor": outcome.processor,
            "start": outcome.start.to_dict(),
            "final": outcome.final.to_dict(),
            "notes": [
                {"name": note.name, "loss": note.loss.to_dict(), "audible": list(note.audible)}
                for note in outcome.notes
            ],
            "curve": {
                "evaluations": [int(n) for n in curve.evaluations],
                "elapsed_s": curve.elapsed_s.tolist(),
                "loss": curve.loss.tolist(),
                "terms": {name: values.tolist() for name, values in curve.terms.items()},
            },
            "warnings": list(outcome.warnings),
            "versions": dict(outcome.versions),
            "patch": json.loads(outcome.patch.to_json()),
        }
    )


def read_outcome(path: Path) -> RunOutcome:
    """Read a finished run; a file that can't be used is named."""
    try:
        return _outcome(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise RunFolderError(
            f"{path} can't be read as a finished run: {reason}. Remove the file, and that run "
            "is done again.",
            path=path,
        ) from error


def _outcome(document: dict[str, Any]) -> RunOutcome:
    """Build a run of its JSON."""
    if document["kind"] != OUTCOME_KIND or document["schema_version"] != OUTCOME_VERSION:
        raise ValueError(f"it is {document['kind']!r} {document['schema_version']!r}")
    curve = document["curve"]
    if len({len(curve[name]) for name in ("evaluations", "elapsed_s", "loss")}) != 1:
        raise ValueError("the parts of its curve are of different lengths")
    return RunOutcome(
        key=str(document["key"]),
        target=str(document["target"]),
        structure=str(document["structure"]),
        seed=int(_number(document["seed"])),
        start=_loss(document["start"]),
        final=_loss(document["final"]),
        notes=tuple(
            NoteOutcome(str(note["name"]), _loss(note["loss"]), tuple(map(str, note["audible"])))
            for note in document["notes"]
        ),
        curve=Curve(
            evaluations=_numbers(curve["evaluations"]),
            elapsed_s=_numbers(curve["elapsed_s"]),
            loss=_numbers(curve["loss"]),
            terms={name: _numbers(curve["terms"][name]) for name in TERMS},
        ),
        patch=Patch.from_json(json.dumps(document["patch"])),
        n_evaluations=_count(document["n_evaluations"]),
        elapsed_s=_number(document["elapsed_s"]),
        stop_reason=str(document["stop_reason"]),
        n_threads=_count(document["n_threads"]),
        processor=str(document["processor"]),
        versions={str(name): str(text) for name, text in document["versions"].items()},
        warnings=tuple(map(str, document["warnings"])),
    )


def _loss(document: dict[str, Any]) -> LossBreakdown:
    """Build a loss of its JSON."""
    terms = {name: _number(document["terms"][name]) for name in TERMS}
    parts = {str(name): _number(value) for name, value in document["parts"].items()}
    return LossBreakdown(_number(document["total"]), terms, parts)


def _number(value: object) -> float:
    """Read a finite number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError(f"{value!r:.60} is no number")
    if not abs(value) < _LARGEST:
        raise ValueError(f"{value!r:.60} is no finite number")
    return float(value)


def _count(value: object) -> int:
    """Read a whole number of things, at least one."""
    number = _number(value)
    if number < 1.0 or number != round(number):
        raise ValueError(f"{value!r:.60} is no number of things")
    return int(number)


def _numbers(values: object) -> FloatArray:
    """Read the numbers of a curve, at least one."""
    if not isinstance(values, list) or not values:
        raise TypeError(f"{values!r:.60} is no list of numbers")
    return np.array([_number(value) for value in values])
