"""Looking on while a search runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher import match
from tests.own_notes import own_target
from voice import render

if TYPE_CHECKING:
    from matcher.search.run import SearchRun
    from matcher.search.state import SearchState


def test_the_best_so_far_is_told_while_the_search_runs() -> None:
    """Each moment names the lowest loss until then, its parts, and a patch that plays."""
    seen: list[SearchState] = []
    lowest: list[float] = []

    def look(run: SearchRun) -> None:
        seen.append(run.state())
        lowest.append(float(np.min(run.record.losses)))

    result = match(own_target(), evals=900, seed=2, n_threads=1, progress=False, watch=look)
    counts = [state.n_evaluations for state in seen]
    assert counts == sorted(counts)
    assert counts[-1] == result.n_evaluations
    # Until parts are switched off, the best is the lowest; a plain patch may cost a little.
    assert seen[0].loss.total == pytest.approx(lowest[0], rel=1e-12)
    assert all(
        state.loss.total >= best * (1 - 1e-12) for state, best in zip(seen, lowest, strict=True)
    )
    assert seen[-1].evals == 900
    assert seen[-1].seconds is None
    assert set(seen[-1].loss.terms) == set(result.end.terms)
    assert np.abs(render(seen[-1].values, gate_s=0.1)).max() > 0.0
