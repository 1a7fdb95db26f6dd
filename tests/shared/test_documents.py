"""Tests for `shared.documents`."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping  # noqa: TC003  msgspec reads the annotations
from pathlib import Path
from typing import Annotated, Any, Literal

import jsonschema
import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.documents import (
    Document,
    document_from,
    document_text,
    json_schema,
    read_document,
    read_toml,
    to_builtins,
    write_document,
)
from shared.errors import ParameterError, RunFolderError, TargetError

Ratio = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]


@dataclasses.dataclass(frozen=True)
class Take:
    """A frozen dataclass that judges itself."""

    pitch: float
    losses: Mapping[str, float] = dataclasses.field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a pitch in a sentence of its own."""
        if self.pitch > 127.0:
            raise ParameterError(f"pitch is {self.pitch:g}; it must be 0 to 127. Transpose it.")


class Session(Document, frozen=True, kw_only=True):
    """A document with every kind of field."""

    kind: Literal["test session"]
    schema_version: Literal[1]
    title: Annotated[str, msgspec.Meta(min_length=1)] = "untitled"
    count: Annotated[int, msgspec.Meta(ge=0)] = 0
    ratio: Ratio = 0.5
    rate: Annotated[float, msgspec.Meta(gt=0.0)] | None = None
    levels: dict[str, Ratio] = msgspec.field(default_factory=dict)
    takes: tuple[Take, ...] = ()
    span: tuple[float, float] | None = None
    names: Annotated[list[str], msgspec.Meta(min_length=1)] | None = None
    is_done: bool = False


class Strict(Document, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A document that knows all its fields."""

    cutoff: float = 1.0


HEAD: dict[str, Any] = {"kind": "test session", "schema_version": 1}

WRONG = {
    "list": ([1], r"a.json holds \[1\]; it must be an object. Check"),
    "no-kind": ({"schema_version": 1}, 'a.json, kind is missing; it must be "test session".'),
    "kind": (
        {"kind": "x", "count": "x"},
        'a.json, kind is "x"; it must be "test session". This is',
    ),
    "version": (
        {**HEAD, "schema_version": 2, "count": "x"},
        "a.json, schema_version is 2; it must be 1. A newer earwright may have written it.",
    ),
    "empty": ({**HEAD, "title": ""}, """title is ""; it must be text that isn't empty."""),
    "whole": ({**HEAD, "count": 1.5}, "count is 1.5; it must be a whole number from 0 up."),
    "true": ({**HEAD, "count": True}, "count is true; it must be a whole number from 0 up."),
    "range": ({**HEAD, "ratio": 3}, "ratio is 3; it must be a number from 0 to 1. Edit"),
    "huge": ({**HEAD, "ratio": 10**400}, r"ratio is 10*\.\.\.; it must be a number from 0 to 1"),
    "above": ({**HEAD, "rate": 0}, "rate is 0; it must be a number above 0 or null."),
    "key": (
        {**HEAD, "levels": {"a": 1, "b.c": 2}},
        r"levels\.b\.c is 2; it must be a number from 0 to 1",
    ),
    "entry": ({**HEAD, "takes": {}}, "takes is {}; it must be a list."),
    "nested": (
        {**HEAD, "takes": [{"pitch": 1}, {"pitch": 1, "losses": {"onset": "low"}}]},
        r'takes\[1\]\.losses\.onset is "low"; it must be a number.',
    ),
    "missing": ({**HEAD, "takes": [{}]}, r"takes\[0\]\.pitch is missing; it must be a number."),
    "own": ({**HEAD, "takes": [{"pitch": 128}]}, r"takes\[0\]: pitch is 128; .* Transpose it\.$"),
    "row": ({**HEAD, "span": [1]}, r"span is \[1\]; it must be a list of 2 or null."),
    "length": ({**HEAD, "names": []}, r"names is \[\]; it must be a list of at least 1 or null."),
    "length-entry": ({**HEAD, "names": ["a", 2]}, r"names\[1\] is 2; it must be text."),
    "row-entry": ({**HEAD, "span": [1, "x"]}, r'span\[1\] is "x"; it must be a number.'),
    "flag": ({**HEAD, "is_done": 1}, "is_done is 1; it must be true or false."),
    "list-for-one": ({**HEAD, "schema_version": [1]}, r"schema_version is \[1\]; it must be 1."),
    "nan": ({**HEAD, "span": [1.0, float("nan")]}, r"span\[1\] is nan; it must be finite"),
}


def test_a_document_survives_its_file(tmp_path: Path) -> None:
    """What is written comes back equal, with its nested classes."""
    session = Session(
        **HEAD, levels={"a": 0.25}, takes=(Take(60.0, {"onset": 0.1}),), span=(1.0, 2.5)
    )
    write_document(tmp_path / "a.json", session)
    assert read_document(tmp_path / "a.json", Session, error=RunFolderError) == session
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.json"]


@settings(max_examples=40)
@given(st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(), st.lists))
def test_any_data_is_read_or_refused(data: object) -> None:
    """Whatever is there, the answer is a document or the error that was asked for."""
    for value in (data, {**HEAD, "takes": data}, {**HEAD, "span": data, "levels": {"a": data}}):
        try:
            assert isinstance(document_from(value, Session, where="a", error=TargetError), Session)
        except TargetError as error:
            assert str(error).startswith("a")  # noqa: PT017 - another exception isn't fine


@pytest.mark.parametrize(("data", "message"), WRONG.values(), ids=WRONG)
def test_a_wrong_field_gives_one_line(data: object, message: str) -> None:
    """The line names the file, the field, what is there, and what is accepted."""
    with pytest.raises(RunFolderError, match=message) as caught:
        document_from(data, Session, where="a.json", error=RunFolderError)
    assert str(caught.value).startswith("a.json")
    assert "\n" not in str(caught.value)
    assert caught.value.path == "a.json"


def test_unknown_fields_are_the_choice_of_the_class() -> None:
    """Newer files open by default; a strict class suggests what was meant."""
    data = {**HEAD, "later": 1}
    assert document_from(data, Session, where="a", error=TargetError) == Session(**HEAD)
    with pytest.raises(TargetError, match=r"^a, cutof: no such field\. Did you mean cutoff\?$"):
        document_from({"cutof": 1.0}, Strict, where="a", error=TargetError)
    with pytest.raises(TargetError, match=r"^a, x: no such field\. It must be one of cutoff\.$"):
        document_from({"x": 1.0}, Strict, where="a", error=TargetError)


def test_a_byte_order_mark_is_skipped(tmp_path: Path) -> None:
    """Some editors put a mark before UTF-8; it is no part of the JSON."""
    (tmp_path / "a.json").write_text('{"cutoff": 2}', encoding="utf-8-sig")
    assert read_document(tmp_path / "a.json", Strict, error=TargetError) == Strict(cutoff=2.0)


def test_the_advice_is_the_callers() -> None:
    """What to do depends on the file."""
    with pytest.raises(TargetError, match=r'"x"; it must be a number\. Take it from a copy\.$'):
        document_from(
            {"cutoff": "x"}, Strict, where="a", error=TargetError, advice="Take it from a copy."
        )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "can't be read: No such file or directory; it must be a file in JSON"),
        (b"\xff\xfe\x00", "isn't text in UTF-8, so it is no JSON"),
        (b"{", "is no JSON that can be read: Expecting property name.*line 1 column 2"),
        (b'{"cutoff": NaN}', "NaN is not a JSON number"),
        (b'{"cutoff": 1e999}', "1e999 is too large"),
        (b'{"cutoff": 1, "cutoff": 1}', "cutoff stands twice"),
        (b"[" * 100_000, "nested too deeply"),
    ],
    ids=["missing", "binary", "cut", "nan", "large", "twice", "deep"],
)
def test_what_is_no_json_is_refused(tmp_path: Path, content: bytes | None, message: str) -> None:
    """A file that can't be parsed is named, with the reason."""
    path = tmp_path / "a.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TargetError, match=message) as caught:
        read_document(path, Strict, error=TargetError)
    assert str(caught.value).startswith(str(path))
    assert str(caught.value.path) == str(path)


def test_a_folder_is_no_document(tmp_path: Path) -> None:
    """A folder given for a file is refused."""
    with pytest.raises(TargetError, match="can't be read: Is a directory"):
        read_document(tmp_path, Strict, error=TargetError)


def test_toml_is_read_by_the_same_rules(tmp_path: Path) -> None:
    """A TOML file gives a document, or the same line about a field; a limit on its size holds."""
    path = tmp_path / "a.toml"
    path.write_text("cutoff = 2\n")
    assert read_toml(path, Strict, error=TargetError) == Strict(cutoff=2.0)
    for text, message in [
        ("cutoff = 'x'", 'a.toml, cutoff is "x"; it must be a number'),
        ("cutoff = inf", "a.toml, cutoff is inf; it must be finite"),
        ("cutoff = 2000-01-01", 'a.toml, cutoff is "2000-01-01"; it must be a number'),
        ("cutoff", "a.toml is no TOML: Expected '='"),
        ("# " + "x" * 99, "a.toml can't be read: it has more than 99 bytes"),
    ]:
        path.write_text(text)
        with pytest.raises(TargetError, match=message):
            read_toml(path, Strict, error=TargetError, max_bytes=99)


def test_values_become_what_json_holds() -> None:
    """Numbers of numpy, arrays, paths and classes become plain; what isn't finite is null."""

    class Own:
        def to_builtins(self) -> dict[str, object]:
            return {"x": np.float32(0.5)}

    assert to_builtins(
        {
            1: np.int64(3),
            "array": np.array([0.5, np.inf]),
            "path": Path("a/b"),
            "take": Take(60.0),
            "strict": Strict(),
            "own": Own(),
            "none": (None, True, float("nan")),
        }
    ) == {
        "1": 3,
        "array": [0.5, None],
        "path": str(Path("a/b")),
        "take": {"pitch": 60.0, "losses": {}},
        "strict": {"cutoff": 1.0},
        "own": {"x": 0.5},
        "none": [None, True, None],
    }


def test_text_stays_readable() -> None:
    """Names in any script are written as they are, and the text ends with a line feed."""
    assert document_text({"title": "b\u00fchne"}) == '{\n  "title": "b\u00fchne"\n}\n'


def test_the_schema_accepts_what_the_reader_accepts() -> None:
    """Other programs are told the same fields and ranges (JSON Schema, draft 2020-12)."""
    schema = json.loads(document_text(json_schema(Session)))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(to_builtins(Session(**HEAD, takes=(Take(60.0),))))
    own_words = {"own", "nan"}
    for name, (data, _) in WRONG.items():
        assert name in own_words or not validator.is_valid(data), name
