"""Keeping Optuna off the user's screen."""

from __future__ import annotations

import contextlib
import warnings
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def quiet_optuna() -> Iterator[None]:
    """Hold back Optuna's log and its notes on parts that may change, and set all back after."""
    import optuna  # noqa: PLC0415 (slow; only where it is used)

    verbosity = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    try:
        with warnings.catch_warnings():
            # QMCSampler and with_margin are experimental in Optuna 5.0; FutureWarning announces
            # that CmaEsSampler loses arguments in 6.0.
            warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
            warnings.simplefilter("ignore", FutureWarning)
            yield
    finally:
        optuna.logging.set_verbosity(verbosity)
