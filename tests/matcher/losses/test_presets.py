"""Weights by names of the trade, and one by one."""

from __future__ import annotations

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.losses import (
    DEFAULT_WEIGHTS,
    PARTS,
    PRESETS,
    TERMS,
    preset_of,
    presets,
    totals,
    weights_for,
)
from shared import ParameterError

WEIGHTS = st.dictionaries(st.sampled_from(TERMS), st.floats(0.01, 10.0))


def total_of_one_step(term: str, weights: dict[str, float]) -> float:
    """Return the loss of a sound that is one just-noticeable difference off in one term."""
    score = np.array([part.scale if part.term == term else 0.0 for part in PARTS])
    return float(totals(score[None, :], weights)[0])


def test_nothing_said_is_balanced() -> None:
    """The default weights have a name."""
    assert weights_for() == weights_for(None) == weights_for("balanced") == dict(DEFAULT_WEIGHTS)


@pytest.mark.parametrize("name", PRESETS)
def test_a_preset_weighs_every_term(name: str) -> None:
    """All terms, in their order, above 0: no preset is deaf to anything."""
    weights = weights_for(name)
    assert tuple(weights) == TERMS
    assert min(weights.values()) > 0.0


@pytest.mark.parametrize(
    ("name", "term"), [("attack first", "onset"), ("animation first", "modulation")]
)
def test_a_preset_puts_its_term_first(name: str, term: str) -> None:
    """The same audible step costs most where the name says so, and more than when balanced."""
    steps = {each: total_of_one_step(each, weights_for(name)) for each in TERMS}
    assert max(steps, key=lambda each: steps[each]) == term
    assert steps[term] > total_of_one_step(term, weights_for())


@pytest.mark.parametrize(
    "spelling", ["attack first", "attack-first", "Attack-First", "  ATTACK  first "]
)
def test_hyphens_and_capitals_do_not_count(spelling: str) -> None:
    """The command line's spelling and the printed one are the same name."""
    assert weights_for(spelling) == weights_for("attack first")


@given(WEIGHTS)
def test_a_mapping_keeps_its_numbers_and_takes_defaults_for_the_rest(
    given_weights: dict[str, float],
) -> None:
    """What was said stands, nothing else changes."""
    assert weights_for(given_weights) == {**DEFAULT_WEIGHTS, **given_weights}


@given(st.sampled_from(list(PRESETS)), WEIGHTS)
def test_single_weights_stand_over_a_preset(name: str, single: dict[str, float]) -> None:
    """A name first, then what is to differ from it."""
    assert weights_for(name, **single) == {**weights_for(name), **single}


@pytest.mark.parametrize("name", PRESETS)
@pytest.mark.parametrize("factor", [0.3, 1.0, 7.0])
def test_weights_are_named_whatever_their_size(name: str, factor: float) -> None:
    """Only ratios count, so only ratios name."""
    scaled = {term: factor * weight for term, weight in weights_for(name).items()}
    assert preset_of(scaled) == name


def test_weights_of_ones_own_have_no_name() -> None:
    """A preset with one weight changed is another thing."""
    assert preset_of(weights_for("attack first", pitch=0.0)) is None
    assert preset_of({}) == "balanced"


@pytest.mark.parametrize(
    ("weights", "single", "message"),
    [
        ("atack first", {}, r'"atack first" aren\'t known; balanced, .*Did you mean attack first'),
        ("", {}, r'"" aren\'t known; balanced, attack first, animation first are accepted'),
        ("balanced", {"onsets": 1.0}, r"weight onsets: no such term\. Did you mean onset"),
        ({"onset": -1.0}, {}, "-1.0.*numbers of 0 or more"),
        ({"onset": "2"}, {}, "'2'.*numbers of 0 or more"),
        ({"onset": None}, {}, "None.*numbers of 0 or more"),
        (dict.fromkeys(TERMS, 0.0), {}, "one of them above 0"),
    ],
    ids=["misspelt", "empty", "unknown term", "negative", "text", "nothing", "all zero"],
)
def test_what_cannot_be_weighed_is_refused(
    weights: object, single: dict[str, float], message: str
) -> None:
    """The message holds what was given, what is accepted, and the nearest name."""
    with pytest.raises(ParameterError, match=message):
        weights_for(weights, **single)  # type: ignore[arg-type]


def test_presets_cannot_be_changed() -> None:
    """No caller changes what a name means for another one."""
    with pytest.raises(TypeError):
        PRESETS["loud"] = {}  # type: ignore[index]
    with pytest.raises(TypeError):
        PRESETS["attack first"]["onset"] = 1.0  # type: ignore[index]


def test_the_examples_hold() -> None:
    """What the docstrings show is what comes out."""
    assert doctest.testmod(presets).failed == 0
