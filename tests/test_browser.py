"""The helpers of tests/browser.py see what they are there to see."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.browser import PHONE, open_page, serious_findings

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser

GOOD = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>A page</title></head>'
    "<body><main><h1>A page</h1><p>Text.</p></main></body></html>"
)


def _write(folder: Path, text: str) -> Path:
    """Write a page to a file."""
    path = folder / "page.html"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_clean_page_has_no_findings(chromium: Browser, tmp_path: Path) -> None:
    """Nothing is reported where nothing is wrong."""
    with open_page(chromium, _write(tmp_path, GOOD), size=PHONE, is_offline=True) as watched:
        assert watched.page.evaluate("window.innerWidth") == PHONE[0]
        assert serious_findings(watched.page) == []
    assert watched.problems == []
    assert [url.rpartition("/")[2] for url in watched.requests] == ["page.html"]


@pytest.mark.parametrize(
    "fault",
    ["<script>throw new Error('fault')</script>", "<script>console.error('fault')</script>"],
    ids=["exception", "console"],
)
def test_errors_of_a_script_are_seen(chromium: Browser, tmp_path: Path, fault: str) -> None:
    """Exceptions and console errors are noted."""
    page = _write(tmp_path, GOOD.replace("<p>", f"{fault}<p>"))
    with open_page(chromium, page) as watched:
        assert len(watched.problems) == 1
        assert "fault" in watched.problems[0]


def test_requests_are_seen(chromium: Browser, tmp_path: Path) -> None:
    """A page that asks for another file is told from one that doesn't."""
    page = _write(tmp_path, GOOD.replace("<p>", '<img alt="x" src="missing.png"><p>'))
    with open_page(chromium, page) as watched:
        assert any(url.endswith("missing.png") for url in watched.requests)


def test_axe_finds_text_that_cannot_be_read(chromium: Browser, tmp_path: Path) -> None:
    """Pale text on white is reported (WCAG 2.2, 1.4.3: contrast of at least 4.5 to 1)."""
    page = _write(tmp_path, GOOD.replace("<p>", '<p style="color: #bbb">'))
    with open_page(chromium, page) as watched:
        assert any("color-contrast" in finding for finding in serious_findings(watched.page))
