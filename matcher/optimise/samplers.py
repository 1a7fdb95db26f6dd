"""What every sampler promises, and the one place that makes them by name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np

from matcher.optimise.basin_hopping import BasinHopping
from matcher.optimise.box import Box, check_number
from matcher.optimise.optuna_samplers import OPTUNA_NAMES, OptunaSampler
from matcher.optimise.restarts import CmaesSampler
from shared.errors import ParameterError, suggest_names

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

# What a match may search with. The default goes through stages of its own, mostly basin hopping;
# the others are there to be compared with it.
DEFAULT_SAMPLER = "staged"
SAMPLER_NAMES = (DEFAULT_SAMPLER, *OPTUNA_NAMES)
# Files that were written before the default got a name of its own call it so.
EARLIER_DEFAULT = "cmaes"
# What `make_sampler` makes: the stages call for the first one where they take small steps.
_MADE_NAMES = (CmaesSampler.name, *OPTUNA_NAMES)

# Of the whole range: wide enough to see the box from its middle, and the figure used around the
# middle of [-5, 5] in the benchmarks that `restarts` cites (2, a fifth of the range).
DEFAULT_SIGMA = 0.2
# Two passes of the renderer's 16 candidates side by side; the best of those measured on known
# patches at 4,000 evaluations.
DEFAULT_POPULATION = 32


@runtime_checkable
class Sampler(Protocol):
    """Proposes candidates in the unit box and learns from their losses.

    `ask` and `tell` alternate: what was asked is told, in the same order, at once or in parts.
    The sequence depends on the seed and on the told losses only, never on the clock or on the
    number of threads.
    """

    @property
    def name(self) -> str:
        """Name by which `make_sampler` makes it."""

    @property
    def n_dimensions(self) -> int:
        """Length of a candidate."""

    @property
    def slowdown_note(self) -> str:
        """One sentence for the user if candidates take longer the more were told, else empty."""

    @property
    def is_converged(self) -> bool:
        """Whether going on would hardly bring anything; False for what can't tell."""

    @property
    def preferred_batch(self) -> int:
        """How many candidates are best asked for next."""

    def ask(self, n_candidates: int) -> FloatArray:
        """Propose candidates, shape (n_candidates, n_dimensions), values in [0, 1].

        Stepped dimensions stand at the centre of a cell.
        """

    def tell(self, candidates: FloatArray, losses: npt.ArrayLike) -> None:
        """Learn the losses of candidates, as they were asked for, in the same order.

        Lower is better; a value that isn't finite counts as the worst. Other candidates than those
        that come next are refused.
        """

    def state(self) -> dict[str, Any]:
        """Return all that `restore_sampler` needs: arrays, numbers, strings and plain dicts."""


def check_sampler(name: str, seed: int = 0) -> None:
    """Refuse a sampler that a match doesn't have, or a seed that isn't one.

    The name that the default had before is refused, too: only files may say that.
    """
    if name == EARLIER_DEFAULT:
        raise ParameterError(
            f"sampler {name!r} is called {DEFAULT_SAMPLER!r} now; it must be one of "
            f"{', '.join(SAMPLER_NAMES)}. Give {DEFAULT_SAMPLER}, or leave it out.",
            name="sampler",
        )
    _check_name(name, SAMPLER_NAMES)
    check_number("seed", seed, low=0)


def current_sampler(name: str) -> str:
    """Return the present name of a sampler that a file names."""
    return DEFAULT_SAMPLER if name == EARLIER_DEFAULT else name


def _check_name(name: str, known: tuple[str, ...]) -> None:
    """Refuse a name that isn't known."""
    if name not in known:
        raise ParameterError(
            f"sampler {name!r} isn't known; it must be one of {', '.join(known)}. "
            f"{suggest_names(name, known)}".rstrip(),
            name="sampler",
        )


def make_sampler(
    name: str,
    n_dimensions: int,
    *,
    seed: int,
    starts: npt.ArrayLike | None = None,
    sigma: float = DEFAULT_SIGMA,
    population: int = DEFAULT_POPULATION,
    circular: npt.ArrayLike | None = None,
    cells: npt.ArrayLike | None = None,
) -> Sampler:
    """Make a sampler by name.

    Parameters
    ----------
    name : str
        ``"cmaes"``, or one of Optuna's.
    n_dimensions : int >= 1
        Length of a candidate.
    seed : int >= 0
        The same seed gives the same candidates for the same losses.
    starts : array-like, shape=(n_starts, n_dimensions), optional
        Candidates in [0, 1] that are proposed first. Without them, ``"cmaes"`` begins around the
        middle of the box.
    sigma : float, 0 < sigma <= 1
        Standard deviation of the first draws as a share of each range (``"cmaes"`` only).
    population : int >= 4
        Candidates in a generation of both CMA-ES samplers; a multiple of 16 suits the renderer.
    circular : array-like of bool, shape=(n_dimensions,), optional
        True where 0 and 1 are the same value, as in phases. Only ``"cmaes"`` uses it.
    cells : array-like of int >= 0, shape=(n_dimensions,), optional
        Number of equal cells where only so many values exist, else 0.

    Returns
    -------
    Sampler
        Ready to be asked.
    """
    box = Box.of(n_dimensions, circular, cells)
    rows = np.empty((0, n_dimensions)) if starts is None else np.array(starts, dtype=np.float64)
    if name == "cmaes":
        return CmaesSampler(box, seed=seed, starts=rows, sigma=sigma, population=population)
    return OptunaSampler(name, box, seed=seed, starts=rows, population=population)


def restore_sampler(state: dict[str, Any]) -> Sampler:
    """Make a sampler that goes on where another one was, from what its `state` returned."""
    name = state.get("sampler")
    if name in BasinHopping.names:
        return BasinHopping.from_state(state)
    if name not in _MADE_NAMES:
        raise ParameterError(
            f"the saved search is of sampler {name!r}; it must be one of "
            f"{', '.join(_MADE_NAMES)}. "
            "Start the search anew.",
            name="sampler",
        )
    if name == "cmaes":
        return CmaesSampler.from_state(state)
    return OptunaSampler.from_state(state)
