"""Manifests written as TOML."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__: list[str] = []


def manifest_text(entries: Sequence[Mapping[str, object]], instrument: str) -> str:
    """Write the notes of one instrument as a manifest that `matcher.target.manifest` reads."""
    blocks = ["# What is played in these recordings; what is left out is taken from the sound."]
    for entry in entries:
        lines = [f"{key} = {_value(value)}" for key, value in entry.items()]
        lines.append(f"instrument = {_value(instrument)}")
        blocks.append("\n".join(["[[target]]", *lines]))
    return "\n\n".join(blocks) + "\n"


def _value(value: object) -> str:
    """Write one value; text with JSON's escapes, which TOML's basic strings share."""
    if isinstance(value, str):
        # JSON leaves DEL as it is, TOML wants it escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    # TOML writes inf and nan as Python does; the manifest refuses them where they are read.
    return repr(value)
