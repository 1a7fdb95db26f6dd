"""Spoiling whole files: bytes, lines, and the fields of documents."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

__all__ = ["HOSTILE_TEXTS", "mutate_bytes", "mutate_json", "mutate_text"]

# Line ends, signs that turn the direction of text, ends of strings, a path that leaves the folder.
HOSTILE_TEXTS = (
    "",
    "two\nlines",
    "\u202egnirts",
    "nul\0",
    "../../away",
    "/",
    "C:\\takes\\horn.wav",
    "\ud83c\udfba",
    "x" * 5000,
    "[red]{0}%s%d",
    "nan",
    "1e999",
)
_HOSTILE_VALUES: tuple[Any, ...] = (
    *HOSTILE_TEXTS,
    None,
    True,
    False,
    0,
    -1,
    1,
    10**30,
    -(10**400),
    1e308,
    -1e308,
    5e-324,
    0.5,
    float("nan"),
    float("inf"),
    [],
    {},
    [[]],
    [None],
    {"": None},
    [1, "two", {}],
)
_EDGES = (0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF)
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
_WORDS = (
    "nan",
    "inf",
    "-1",
    "1e999",
    "true",
    '"x"',
    "[]",
    "{}",
    "9" * 20,
    "9" * 400,
    "9" * 5000,
    "''",
    "",
)


def mutate_bytes(rng: np.random.Generator, content: bytes) -> bytes:
    """Change some bytes, most of them near the front, where headers are."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        if not data:
            break
        # Half of the changes in the first 128 bytes.
        end = min(128, len(data)) if rng.random() < 0.5 else len(data)
        place = int(rng.integers(end))
        _BYTE_CHANGES[int(rng.integers(len(_BYTE_CHANGES)))](rng, data, place)
    return bytes(data)


def _flip(rng: np.random.Generator, data: bytearray, place: int) -> None:
    data[place] ^= 1 << int(rng.integers(8))


def _edge(rng: np.random.Generator, data: bytearray, place: int) -> None:
    data[place] = _EDGES[int(rng.integers(len(_EDGES)))]


def _word(rng: np.random.Generator, data: bytearray, place: int) -> None:
    """Four bytes at once, as sizes have them: nothing, one, the largest, the largest signed."""
    word = (b"\0\0\0\0", b"\1\0\0\0", b"\xff" * 4, b"\xff\xff\xff\x7f")[int(rng.integers(4))]
    data[place : place + 4] = word[: len(data) - place]


def _cut(_rng: np.random.Generator, data: bytearray, place: int) -> None:
    del data[place:]


def _drop(rng: np.random.Generator, data: bytearray, place: int) -> None:
    del data[place : place + int(rng.integers(1, 64))]


def _repeat(rng: np.random.Generator, data: bytearray, place: int) -> None:
    data[place:place] = data[place : place + int(rng.integers(1, 256))]


def _noise(rng: np.random.Generator, data: bytearray, place: int) -> None:
    data[place:place] = rng.bytes(int(rng.integers(1, 64)))


_BYTE_CHANGES: tuple[Callable[[np.random.Generator, bytearray, int], None], ...] = (
    _flip,
    _flip,
    _edge,
    _word,
    _word,
    _cut,
    _drop,
    _repeat,
    _noise,
)


def mutate_text(rng: np.random.Generator, content: bytes) -> bytes:
    """Change lines and numbers of a text; sometimes its bytes."""
    kind = rng.random()
    if kind < 0.15:
        return mutate_bytes(rng, content)
    lines = content.decode().split("\n")
    for _ in range(int(rng.integers(1, 4))):
        place = int(rng.integers(len(lines)))
        line = lines[place]
        what = rng.random()
        if what < 0.5:
            lines[place] = _NUMBER.sub(lambda _: _pick(rng, _WORDS), line, count=1)
        elif what < 0.6:
            lines[place] = ""
        elif what < 0.7:
            lines.insert(int(rng.integers(len(lines) + 1)), line)
        elif what < 0.85 and "=" in line:
            name = line.partition("=")[0]
            lines[place] = f"{name}= {json.dumps(_hostile(rng))}"
        else:
            at = int(rng.integers(len(line) + 1))
            lines[place] = line[:at] + _pick(rng, HOSTILE_TEXTS) + line[at:]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def mutate_json(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace, drop or add fields anywhere in a document; sometimes change its bytes."""
    if rng.random() < 0.1:
        return mutate_bytes(rng, content)
    document = json.loads(content)
    for _ in range(int(rng.integers(1, 4))):
        _spoil(rng, document)
    return json.dumps(document).encode()


def _spoil(rng: np.random.Generator, node: Any) -> None:  # noqa: ANN401  JSON holds anything
    """Walk down at random, and spoil what is found there."""
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            return
        key = keys[int(rng.integers(len(keys)))]
        child = node[key]
        # Most fields of a document lie deep, so most walks go on.
        if isinstance(child, (dict, list)) and child and rng.random() < 0.85:
            node = child
            continue
        what = rng.random()
        if what < 0.15:
            del node[key]
        elif what < 0.25 and isinstance(node, dict):
            node[_pick(rng, HOSTILE_TEXTS)] = child
        elif what < 0.35 and isinstance(node, list):
            node.append(child)
        elif what < 0.5 and isinstance(child, (int, float)) and not isinstance(child, bool):
            is_turned = rng.random() < 0.5 or abs(child) > 1e300
            node[key] = -child if is_turned else child * 1e6
        else:
            node[key] = _hostile(rng)
        return


def _hostile(rng: np.random.Generator) -> Any:  # noqa: ANN401  any value is drawn
    return _HOSTILE_VALUES[int(rng.integers(len(_HOSTILE_VALUES)))]


def _pick(rng: np.random.Generator, texts: tuple[str, ...]) -> str:
    return texts[int(rng.integers(len(texts)))]
