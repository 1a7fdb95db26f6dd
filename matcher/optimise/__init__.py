"""Search for the candidate with the lowest loss, by ask and tell over the unit box.

This package knows vectors in [0, 1]^n and losses. What a vector means, how it sounds and how it
is judged is handed to it as a plain callable.
"""

from matcher.optimise.basin_hopping import BasinHopping
from matcher.optimise.box import Box
from matcher.optimise.gauss_newton import LocalFits, compile_fits, descend
from matcher.optimise.loop import StopReason, search
from matcher.optimise.optuna_samplers import quiet_optuna
from matcher.optimise.record import SearchRecord
from matcher.optimise.samplers import (
    DEFAULT_POPULATION,
    DEFAULT_SAMPLER,
    EARLIER_DEFAULT,
    SAMPLER_NAMES,
    Sampler,
    check_sampler,
    current_sampler,
    make_sampler,
    restore_sampler,
)
from matcher.optimise.state_file import state_from_bytes, state_to_bytes

__all__ = [
    "DEFAULT_POPULATION",
    "DEFAULT_SAMPLER",
    "EARLIER_DEFAULT",
    "SAMPLER_NAMES",
    "BasinHopping",
    "Box",
    "LocalFits",
    "Sampler",
    "SearchRecord",
    "StopReason",
    "check_sampler",
    "compile_fits",
    "current_sampler",
    "descend",
    "make_sampler",
    "quiet_optuna",
    "restore_sampler",
    "search",
    "state_from_bytes",
    "state_to_bytes",
]
