"""What page and report say is in a player's words: one word for one thing."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from matcher.page.app import STATIC
from matcher.report.writing import ASSETS

if TYPE_CHECKING:
    from pathlib import Path

# Said instead: distance, tries, attack, movement, off, lock, key held, tolerance.
REPLACED = re.compile(
    r"\b(loss(es)?|candidates?|evaluations?|audible steps?|neutral|at rest|out of the way|slack"
    r"|gates?|onsets?|front edges?|animation|nobody hears|is accepted|are accepted|as an ear would"
    r"|honest|sampler|holds?)\b",
    re.IGNORECASE,
)
FILES = [
    *sorted(STATIC.glob("*.js")),
    STATIC / "index.html",
    ASSETS / "player.js",
    *sorted((ASSETS.parent / "templates").glob("*.j2")),
]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_no_replaced_word_is_shown(path: Path) -> None:
    """Texts of a script are its strings with a blank; of a page, what isn't markup."""
    content = path.read_text(encoding="utf-8")
    if path.suffix == ".js":
        content = re.sub(r"^\s*(//|\*|/\*).*$", "", content, flags=re.MULTILINE)
        strings = re.findall(r"\"((?:[^\"\\\n]|\\.)*)\"|`((?:[^`\\]|\\.)*)`", content)
        texts = [re.sub(r"\$\{[^}]*\}", " ", "".join(each)) for each in strings]
        texts = [text for text in texts if " " in text.strip()]
    else:
        texts = [re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<[^>]*>", " ", content, flags=re.DOTALL)]
    assert [found[0] for text in texts for found in REPLACED.finditer(text)] == []
