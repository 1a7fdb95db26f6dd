"""Hypothesis strategies for what the packages pass to each other.

Each strategy draws only what the public doors accept; tests for what they refuse name their
cases one by one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from shared import (
    CATALOGUE,
    PHASE_NAMES,
    FloatArray,
    NotePhases,
    Parameter,
    ParameterSpace,
    Patch,
)
from shared.parameters import LABELS

__all__ = [
    "note_phases",
    "parameters",
    "patches",
    "positive_units",
    "signals",
    "spaces",
    "units_for",
    "values_for",
]

_GROUPS = ("pitch", "waveform", "attack", "movement", "brightness", "level")
_NAMES = st.from_regex(r"[a-z]{1,8}[0-9]?(\.[a-z]{1,8}){0,2}_(hz|s|cents)", fullmatch=True)


@st.composite
def _ranges(draw: st.DrawFn) -> tuple[float, float]:
    """Draw a range as panels have it: neither empty nor finer than a float can divide."""
    low = draw(st.floats(-1e4, 1e4).map(lambda value: round(value, 3)))
    width = draw(st.floats(0.01, 1e4).map(lambda value: round(value, 3)))
    return low, low + width


@st.composite
def parameters(draw: st.DrawFn, *, name: str | None = None) -> Parameter:
    """Draw a parameter of any unit and scale, continuous, stepped or with choices."""
    low, high = draw(_ranges())
    scale = draw(st.sampled_from(["linear", "log", "octaves", "cents", "quadratic"]))
    fields: dict[str, Any] = {}
    if scale == "log":
        low, high = abs(low) + 0.001, abs(low) + 0.001 + (high - low)
    share = draw(st.floats(0.0, 1.0))
    if scale == "quadratic":
        neutral = draw(st.sampled_from([low, 0.5 * (low + high)]))
    else:
        neutral = min(high, low + share * (high - low))
    kind = draw(st.sampled_from(["continuous", "continuous", "stepped", "choices"]))
    if kind == "stepped":
        low, high = round(low, 3), round(high, 3)
        neutral = low if scale == "quadratic" else round(min(max(neutral, low), high), 3)
        fields["step"] = max(0.001, round((high - low) / draw(st.integers(1, 40)), 3))
    if kind == "choices":
        places = draw(st.sets(st.integers(1, 9), max_size=5))
        choices = (low, *(low + place * (high - low) / 10 for place in sorted(places)), high)
        fields["choices"] = choices
        neutral = low if scale == "quadratic" else draw(st.sampled_from(choices))
    return Parameter(
        draw(_NAMES) if name is None else name,
        draw(st.sampled_from(sorted(LABELS))),
        low,
        high,
        scale,
        neutral,
        draw(st.sampled_from(_GROUPS)),
        "drawn by a test",
        **fields,
    )


def spaces(*, max_size: int = 6) -> st.SearchStrategy[ParameterSpace]:
    """Draw a space of at least one drawn parameter."""
    drawn = st.lists(parameters(), min_size=1, max_size=max_size, unique_by=lambda p: p.name)
    return drawn.map(lambda chosen: ParameterSpace(tuple(chosen)))


def units_for(
    space: ParameterSpace, *, n_rows: int | None = None
) -> st.SearchStrategy[FloatArray]:
    """Draw places in the unit range, (n_parameters,), or (n_rows, n_parameters)."""
    shape = (len(space),) if n_rows is None else (n_rows, len(space))
    return hnp.arrays(np.float64, shape, elements=st.floats(0.0, 1.0))


def values_for(space: ParameterSpace) -> st.SearchStrategy[dict[str, float]]:
    """Draw accepted values of all parameters of a space, by name."""
    return units_for(space).map(lambda unit: space.to_dict(space.decode(unit)))


def note_phases() -> st.SearchStrategy[NotePhases]:
    """Draw the phases of one note."""
    cycles = st.dictionaries(st.sampled_from(PHASE_NAMES), st.floats(0.0, 1.0, exclude_max=True))
    return cycles.map(NotePhases)


def provenances() -> st.SearchStrategy[dict[str, Any]]:
    """Draw what a patch may say of its origin: all that JSON holds."""
    # Surrogates are no text: UTF-8 has no place for them.
    text = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
    numbers = st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    leaves = st.none() | st.booleans() | numbers | text
    entries = st.recursive(
        leaves,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(text, inner, max_size=3),
        max_leaves=6,
    )
    return st.dictionaries(text, entries, max_size=4)


@st.composite
def patches(draw: st.DrawFn, *, space: ParameterSpace = CATALOGUE) -> Patch:
    """Draw a complete patch; what lies outside `space` stands at neutral."""
    return Patch(
        draw(st.from_regex(r"[a-z][a-z0-9_-]{0,15}", fullmatch=True)),
        draw(values_for(space)),
        draw(provenances()),
        tuple(draw(st.lists(note_phases(), max_size=3))),
    )


def positive_units(low: float, high: float) -> st.SearchStrategy[FloatArray]:
    """Draw an array of positive numbers, for conversions."""
    return hnp.arrays(np.float64, hnp.array_shapes(max_dims=2), elements=st.floats(low, high))


def signals(*, min_samples: int = 1, max_samples: int = 2048) -> st.SearchStrategy[FloatArray]:
    """Draw short, finite signals of one channel within full scale."""
    n_samples = st.integers(min_samples, max_samples)
    return hnp.arrays(np.float64, n_samples, elements=st.floats(-1.0, 1.0))
