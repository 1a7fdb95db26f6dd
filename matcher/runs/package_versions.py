"""Versions of everything that a result depends on."""

from __future__ import annotations

import platform
from importlib import metadata

__all__ = ["versions"]

PACKAGES = ("earwright", "numpy", "scipy", "numba", "librosa", "cmaes", "optuna", "soxr")


def versions() -> dict[str, str]:
    """Name the versions of Python and of the packages that take part in a result.

    Returns
    -------
    dict of str to str
        Version by name; "unknown" for a package that runs without being installed.
    """
    found = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found
