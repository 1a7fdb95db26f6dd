"""Finished runs as JSON, and back."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher._run_document import to_json
from matcher.comparing.outcome import Curve, NoteOutcome, RunOutcome
from matcher.losses import TERMS, LossBreakdown
from shared import Patch, RunFolderError

if TYPE_CHECKING:
    from pathlib import Path

__all__: list[str] = []

OUTCOME_KIND = "earwright compared run"
OUTCOME_VERSION = 1


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
    return RunOutcome(
        key=str(document["key"]),
        target=str(document["target"]),
        structure=str(document["structure"]),
        seed=int(document["seed"]),
        start=_loss(document["start"]),
        final=_loss(document["final"]),
        notes=tuple(
            NoteOutcome(str(note["name"]), _loss(note["loss"]), tuple(map(str, note["audible"])))
            for note in document["notes"]
        ),
        curve=Curve(
            evaluations=np.array(curve["evaluations"], dtype=np.float64),
            elapsed_s=np.array(curve["elapsed_s"], dtype=np.float64),
            loss=np.array(curve["loss"], dtype=np.float64),
            terms={name: np.array(curve["terms"][name], dtype=np.float64) for name in TERMS},
        ),
        patch=Patch.from_json(json.dumps(document["patch"])),
        n_evaluations=int(document["n_evaluations"]),
        elapsed_s=float(document["elapsed_s"]),
        stop_reason=str(document["stop_reason"]),
        n_threads=int(document["n_threads"]),
        processor=str(document["processor"]),
        versions={str(name): str(text) for name, text in document["versions"].items()},
        warnings=tuple(map(str, document["warnings"])),
    )


def _loss(document: dict[str, Any]) -> LossBreakdown:
    """Build a loss of its JSON."""
    terms = {name: float(document["terms"][name]) for name in TERMS}
    parts = {str(name): float(value) for name, value in document["parts"].items()}
    return LossBreakdown(float(document["total"]), terms, parts)
