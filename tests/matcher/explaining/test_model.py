"""Explanations survive their file, whole or in part, and bad files are refused by field."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from matcher.explaining import (
    BuildOrder,
    BuildStep,
    Explanation,
    Importance,
    Interactions,
    PartEffect,
    PartsInPatch,
    SearchImportance,
    Slack,
    SlackOfPatch,
    StandIn,
    TradeOff,
)
from shared import RunFolderError

if TYPE_CHECKING:
    from pathlib import Path

EMPTY = Explanation(
    patch_digest="0" * 64,
    structure="two-oscillator",
    loss=0.25,
    terms={"spectral": 0.5},
    notes=("horn",),
    created="2026-01-01T00:00:00+00:00",
    seconds=30.0,
    elapsed_s=1.5,
    stop_reason="stopped",
)
WHOLE = replace(
    EMPTY,
    search=SearchImportance(
        800, (Importance("PED-ANOVA", "all evaluations", "Which?", 800, {"tune_cents": 1.0}),)
    ),
    parts=PartsInPatch(
        (
            PartEffect("noise", "absent"),
            PartEffect(
                "filter envelope",
                "replaceable",
                neutral={"filter_env.depth_octaves": 0.0},
                loss=2.0,
                rise=1.75,
                by_time={"attack": 0.1},
                stand_ins=(StandIn("filter.cutoff_hz", 400.0, 900.0, "cutoff 400 to 900 Hz"),),
            ),
        ),
        {"attack": "the first 150 ms"},
        {"lows": "below 250 Hz"},
        Interactions({"tune_cents": 1.0}, {"tune_cents": 1.0}, ()),
    ),
    slack=SlackOfPatch(
        (
            Slack(
                name="filter.cutoff_hz",
                part="low-pass filter",
                label="cutoff",
                value=400.0,
                low=380.0,
                high=430.0,
                is_low_open=False,
                is_high_open=True,
                alone_low=390.0,
                alone_high=410.0,
                exactness="exactly",
                sentence="cutoff ...",
            ),
        ),
        (TradeOff("a", "b", (1.0, 2.0), (3.0, 4.0), 0.9, "more a, less b"),),
    ),
    build=BuildOrder(
        "a plain sawtooth", 5.0, 0.25, "build/00.wav",
        (BuildStep(1, "noise", "noise: level 0.5", {"noise.level": 0.5}, 0.3, 4.0, "b"),), (),
    ),
)  # fmt: skip


@pytest.mark.parametrize("explanation", [EMPTY, WHOLE], ids=["empty", "whole"])
def test_an_explanation_survives_its_file(explanation: Explanation, tmp_path: Path) -> None:
    """What was saved is loaded again, with sections that are missing still missing."""
    path = explanation.save(tmp_path)
    assert path == tmp_path / "explain.json"
    assert Explanation.load(tmp_path) == explanation
    assert Explanation.load(path) == explanation


def test_a_run_without_explanation_says_what_to_do(tmp_path: Path) -> None:
    """Loading before explaining names the command that makes the file."""
    with pytest.raises(RunFolderError, match="earwright explain"):
        Explanation.load(tmp_path)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"schema_version": 99}, "99"),
        ({"kind": "a poem"}, "a poem"),
        ({"loss": "low"}, 'loss is "low"; it must be a number'),
        ({"loss": True}, "loss is (True|true)"),
        ({"notes": "horn"}, 'notes is "horn"; it must be a list'),
        ({"search": {"n_evaluations": 3}}, "search.measures is missing"),
        ({"terms": {"onset": []}}, "terms.onset"),
    ],
)
def test_bad_files_are_refused_by_field(
    change: dict[str, object], message: str, tmp_path: Path
) -> None:
    """Each error names the field, the value, and what is accepted."""
    path = EMPTY.save(tmp_path)
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(RunFolderError, match=message):
        Explanation.load(tmp_path)


@pytest.mark.parametrize("text", ["{", "[]", "\udcff"], ids=["cut", "list", "bytes"])
def test_what_is_no_explanation_is_refused(text: str, tmp_path: Path) -> None:
    """A damaged file gives one of our errors."""
    (tmp_path / "explain.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(RunFolderError, match=r"explain\.json"):
        Explanation.load(tmp_path)
