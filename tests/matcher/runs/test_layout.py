"""Names of files made from any text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.runs.layout import common_name, safe_name, unique_names

# Surrogates come from names of files that aren't text in the system's encoding.
ANY_TEXT = st.text(st.characters(codec=None), max_size=300)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("horn_C4_v100", "horn_C4_v100"),
        ("horn C#4", "horn_C#4"),
        ("../../etc/passwd", "etc_passwd"),
        ("a\nb\tc", "a_b_c"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("con", "con_"),
        ("AUX.note", "AUX_.note"),
        ("Fl\u00f6te", "Fl\u00f6te"),
        ("\u202egnp.exe", "gnp.exe"),
        ("bad\udcff", "bad"),
        ("///", "note"),
        ("", "note"),
        ("x" * 300, "x" * 100),
    ],
)
def test_safe_names(text: str, expected: str) -> None:
    """Common practice, no source: names that every file system and shell takes as they are."""
    assert safe_name(text, default="note") == expected


@given(ANY_TEXT)
def test_any_text_gives_a_safe_name(text: str) -> None:
    """Whatever it was called: one visible, short, plain part of a path."""
    name = safe_name(text, default="note")
    assert 0 < len(name.encode()) <= 105
    assert name.isprintable()
    assert not set(name) & set('/\\:*?"<>| ')
    assert name[0] not in ".-"


@given(st.lists(ANY_TEXT, min_size=1, max_size=8))
def test_names_are_unique(texts: list[str]) -> None:
    """No two notes share a file, also where case doesn't count."""
    names = unique_names(texts)
    assert len(names) == len(texts)
    assert len({name.casefold() for name in names}) == len(texts)


def test_a_number_is_added_to_a_name_that_is_taken() -> None:
    """The second of a name is called so, and doesn't run into one that has the number."""
    assert unique_names(["a", "A", "a-2", "a"]) == ["a", "A-2", "a-2-2", "a-3"]


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["horn_C4_v100"], "horn_C4_v100"),
        (["string_pad_C3_v80", "string_pad_C4_v80"], "string_pad"),
        (["C3", "C4", "C5"], "C3"),
        (["horn", "flute"], "horn"),
        (["horn", "horn"], "horn"),
        (["pad", "pad_C4"], "pad"),
    ],
)
def test_common_names(texts: list[str], expected: str) -> None:
    """Several notes are called by the whole words that they begin with."""
    assert common_name(texts) == expected
