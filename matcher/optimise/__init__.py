"""Search for the candidate with the lowest loss, by ask and tell over the unit box.

This package knows vectors in [0, 1]^n and losses. What a vector means, how it sounds and how it
is judged is handed to it as a plain callable.
"""

from matcher.optimise.basin_hopping import BasinHopping
from matcher.optimise.box import unit_cells
from matcher.optimise.gauss_newton import LocalFits, descend, fit
from matcher.optimise.loop import BatchReport, SearchResult, StopReason, search
from matcher.optimise.optuna_samplers import quiet_optuna
from matcher.optimise.record import SearchRecord, write_columns
from matcher.optimise.samplers import (
    DEFAULT_POPULATION,
    DEFAULT_SAMPLER,
    DEFAULT_SIGMA,
    EARLIER_DEFAULT,
    SAMPLER_NAMES,
    Sampler,
    check_sampler,
    current_sampler,
    make_basin_hopping,
    make_sampler,
    restore_sampler,
)
from matcher.optimise.state_file import state_from_bytes, state_to_bytes
from matcher.optimise.study_file import DEFAULT_N_TRIALS, write_study

__all__ = [
    "DEFAULT_N_TRIALS",
    "DEFAULT_POPULATION",
    "DEFAULT_SAMPLER",
    "DEFAULT_SIGMA",
    "EARLIER_DEFAULT",
    "SAMPLER_NAMES",
    "BasinHopping",
    "BatchReport",
    "LocalFits",
    "Sampler",
    "SearchRecord",
    "SearchResult",
    "StopReason",
    "check_sampler",
    "current_sampler",
    "descend",
    "fit",
    "make_basin_hopping",
    "make_sampler",
    "quiet_optuna",
    "restore_sampler",
    "search",
    "state_from_bytes",
    "state_to_bytes",
    "unit_cells",
    "write_columns",
    "write_study",
]
