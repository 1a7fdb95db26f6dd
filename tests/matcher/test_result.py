"""What a result says of the software that made it."""

from __future__ import annotations

import json
import platform
from typing import TYPE_CHECKING

import numba
import numpy as np

from matcher.result import software_versions

if TYPE_CHECKING:
    import pytest


def test_versions_are_those_that_run() -> None:
    """Python's and the packages' own word."""
    found = software_versions()
    assert found["python"] == platform.python_version()
    assert found["numpy"] == np.__version__
    assert found["numba"] == numba.__version__
    assert json.loads(json.dumps(found)) == found


def test_a_package_without_metadata_is_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    """Run from a source tree, the program still says what it can."""
    monkeypatch.setattr("matcher.result.PACKAGES", ("no-such-package",))
    assert software_versions()["no-such-package"] == "unknown"
