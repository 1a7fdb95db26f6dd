"""One server, one target and one short match for all tests of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.matcher.page.windows import HORN, quick_run
from tests.page_server import PageServer, serve_page

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageServer]:
    """Serve the page beside a secret that it must not give away."""
    folder = tmp_path_factory.mktemp("outside")
    (folder / "secret.toml").write_text("secret", encoding="utf-8")
    (folder / "desk").mkdir()
    with serve_page(folder / "desk") as running:
        yield running


@pytest.fixture(scope="session")
def target(server: PageServer) -> str:
    """Give the page a target; no test changes it."""
    return str(server.upload(HORN).document["name"])


@pytest.fixture(scope="session")
def run(server: PageServer, target: str) -> str:
    """Match it with a few candidates, to look at."""
    return quick_run(server, target)
