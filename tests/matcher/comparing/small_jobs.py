"""Small recordings and jobs, so that a run takes a tenth of a second."""

from __future__ import annotations

from typing import TYPE_CHECKING

import soundfile

from matcher.comparing.planning import Plan, make_plan
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

__all__ = ["small_plan", "write_notes"]


def write_notes(folder: Path, *names: str) -> list[Path]:
    """Write notes of half a second, a semitone apart."""
    paths = [folder / name for name in names]
    for i, path in enumerate(paths):
        soundfile.write(path, played_note(57.0 + i), RATE_HZ)
    return paths


def small_plan(folder: Path, *names: str, **changes: Any) -> Plan:  # noqa: ANN401
    """Plan runs of 48 candidates; `changes` are those of `make_plan`."""
    settings: dict[str, Any] = {
        "seeds": 1,
        "seconds": None,
        "evals": 48,
        "thresholds": None,
        "sampler": None,
        "weights": None,
        **changes,
    }
    structures = settings.pop("structures", ["one-oscillator"])
    return make_plan(write_notes(folder, *(names or ("reed_A3.wav",))), structures, **settings)
