"""File names that are safe on every system, made from the names of notes and structures."""

from __future__ import annotations

import itertools
import os
import re
import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__: list[str] = []

# Names may have 255 bytes; a suffix, a number and the hidden name while writing must fit, too.
_MAX_BYTES = 100
_SHORTEST_COMMON = 3
# What Windows refuses in names, and what shells and pages read as something else.
_REFUSED = set("<>:\"/\\|?*%&;$`'!{}[]()~^=,")
# Names of devices on Windows, with or without a suffix.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE | re.ASCII)


def safe_name(text: str, *, default: str) -> str:
    """Turn any text into a file name of at most 100 bytes, without suffix."""
    composed = unicodedata.normalize("NFC", text)
    kept = "".join("_" if _is_refused(sign) else sign for sign in composed)
    kept = re.sub(r"[\s_]+", "_", kept).strip("._-")
    kept = _shorten(kept).rstrip("._-")
    if _DEVICES.fullmatch(kept):
        # With a suffix it would be the device still.
        stem, dot, rest = kept.partition(".")
        kept = f"{stem}_{dot}{rest}"
    return kept or default


def unique_names(texts: Sequence[str]) -> list[str]:
    """Make one safe name for each text, all different also where case doesn't count."""
    taken: set[str] = set()
    names = []
    for text in texts:
        base = name = safe_name(text, default="note")
        count = 1
        while name.casefold() in taken:
            count += 1
            name = f"{base}-{count}"
        taken.add(name.casefold())
        names.append(name)
    return names


def common_name(texts: Sequence[str]) -> str:
    """Name several notes together: what their names begin with, or the first one."""
    if len(texts) == 1:
        return safe_name(texts[0], default="note")
    same = itertools.takewhile(lambda signs: len(set(signs)) == 1, zip(*texts, strict=False))
    common = "".join(signs[0] for signs in same)
    if any(text != common for text in texts):
        # Cut back to the last whole word: "pad_C3" and "pad_C4" are "pad".
        common = re.sub(r"[^\s_\-.]*$", "", common)
    name = safe_name(common, default="")
    return name if len(name) >= _SHORTEST_COMMON else safe_name(texts[0], default="note")


def _is_refused(sign: str) -> bool:
    """Say whether a sign is no part of a safe name; surrogates aren't printable either."""
    if sign in _REFUSED or not (sign.isprintable() or sign.isspace()):
        return True
    try:
        os.fsencode(sign)
    except UnicodeEncodeError:
        # Names of files are plain ASCII in the locale "C" of older systems.
        return True
    return False


def _shorten(name: str) -> str:
    """Cut a name at its limit, between two signs."""
    return name.encode()[:_MAX_BYTES].decode(errors="ignore")
