"""Refining: some parameters of a patch are searched again, the rest stays as it is, to the bit."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.evaluator import Evaluator
from matcher.losses import loss_change, weights_for
from matcher.matching import check_budget, make_problem
from matcher.optimise import DEFAULT_SAMPLER, SearchRecord
from matcher.parts import used_parameters
from matcher.playing import noise_seed, prepare_note, with_velocity_level
from matcher.problem import Problem
from matcher.result import MatchResult, StageResult, software_versions
from matcher.runs import find_version
from matcher.runs.searches import fitted_target, own_search
from matcher.scoring import score_patch
from matcher.search.gates import fit_gates
from matcher.search.pruning import ALLOWANCE_RATIO, ALLOWANCE_STEPS, switched_off
from matcher.search.run import SearchRun
from matcher.search.stages import EvolutionStrategy, LocalSearch, Stage
from matcher.selection import Selection, choose_space, with_values
from shared import CATALOGUE, EarwrightWarning, ParameterError, ParameterSpace, Patch
from voice import Structure, load_structure

if TYPE_CHECKING:
    from matcher.losses import LossBreakdown
    from matcher.result import NoteMatch
    from matcher.runs import Version
    from matcher.runs.folder import RunFolder
    from matcher.runs.searches import SearchFolder
    from matcher.target import Target

__all__ = [
    "DEFAULT_REFINE_SECONDS",
    "Refinement",
    "begin_again",
    "begin_from_patch",
    "begin_from_run",
    "search_options",
    "search_refinement",
]

DEFAULT_REFINE_SECONDS = 10.0
# In the folder of a search: the patch that a refinement in a run of its own began with.
START_FILE = "start.json"
# Spread of the first candidates, as a share of each range: near the patch if nothing is said, and
# over all of what `within` allows.
SIGMA_NEAR = 0.1
SIGMA_WITHIN = 0.3
# So few parameters come to a close sooner by small generations than by local searches, which end
# in side valleys; with 12 it is the other way round (measured with known notes). Generations
# of 8 end in side valleys, too.
FEW = 8
POPULATION = 16
# What the search leaves of its budget for switching off again what was off and isn't heard.
PLAIN_SHARE = 0.1
# Moving anything else leaves the phases of a performance as they are.
_MOVES_PHASES = ("osc", "tune")


@dataclass(frozen=True)
class Refinement:
    """What a refinement begins with: patch, voice, notes, what may move, and for how long.

    `patch` is as it was before values were set; gates are those of the target if `gates_s` is
    empty; a budget of 0 means that nothing is searched.
    """

    patch: Patch
    structure: Structure
    target: Target
    gates_s: tuple[float, ...]
    weights: Mapping[str, float]
    noise_seed: int
    selection: Selection
    seconds: float | None
    evals: int | None
    seed: int

    @property
    def is_search(self) -> bool:
        """Whether anything is to be searched."""
        return self.seconds != 0 and self.evals != 0

    @property
    def begun(self) -> Patch:
        """The patch after values were set."""
        return with_values(self.patch, self.structure, self.selection.set_values)

    def space(self) -> ParameterSpace:
        """Say what moves; see `choose_space`."""
        hearable = make_problem(self.target, self.structure, self.begun.values).space.names
        if self.selection.only:  # a band that is off is moved only if it is asked for
            hearable += self.structure.mixer.names
        return choose_space(self.begun, self.structure, hearable, self.selection)

    @property
    def has_phases(self) -> bool:
        """Whether the patch has phases for these notes."""
        return len(self.patch.phases) == len(self.target.notes)

    def evaluator(self, problem: Problem) -> Evaluator:
        """Make what scores candidates of a problem on these notes."""
        notes = [note.note for note in self.target.notes]
        if self.gates_s:
            pairs = zip(notes, self.gates_s, strict=True)
            notes = [replace(note, gate_s=gate_s) for note, gate_s in pairs]
        targets = [prepare_note(note) for note in self.target.notes]
        return Evaluator(problem, targets, notes, weights=self.weights, seed=self.noise_seed)

    def score(self, patch: Patch) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
        """Score a patch on these notes, and play it."""
        return score_patch(
            patch,
            self.structure,
            self.target,
            gates_s=self.gates_s,
            weights=self.weights,
            seed=self.noise_seed,
        )

    def settings(self) -> dict[str, Any]:
        """Describe it as the settings of a search; `search_options` reads them back."""
        chosen, within = self.selection, self.selection.within
        return {
            "structure": self.structure.name,
            "seconds": self.seconds,
            "evals": self.evals,
            "seed": self.seed,
            "noise_seed": self.noise_seed,
            "sampler": DEFAULT_SAMPLER,
            "weights": dict(self.weights),
            "only": list(chosen.only),
            "hold": list(chosen.hold),
            "within": dict(within) if isinstance(within, Mapping) else within,
            "set_values": dict(chosen.set_values),
        }


def begin_from_run(
    run: Path,
    version: Version,
    selection: Selection,
    *,
    weights: str | Mapping[str, float] | None = None,
    structure: str | Path | Structure | None = None,
    seconds: float | None,
    evals: int | None,
    seed: int,
) -> Refinement:
    """Begin at a version of a run, with its notes, gates, structure, weights and noise.

    Weights and a structure are refused: losses of versions of one run are comparable.
    """
    for name, value in (("weights", weights), ("structure", structure)):
        if value is not None:
            raise ParameterError(
                f"{name} can't be given where a run is refined in its folder; it stays that of "
                "the run. Give the recordings, too, to begin another run.",
                name=name,
            )
    search = own_search(run)
    settings = search.settings
    if version.loss and (change := loss_change(version.loss.version, version.loss.parts)):
        warnings.warn(
            f"{run}: distances were measured otherwise when version {version.number} was made: "
            f"{change}. New versions can't be compared with the earlier ones by it; "
            "`earwright changes` measures any two anew.",
            EarwrightWarning,
            stacklevel=4,
        )
    return _checked(
        Refinement(
            version.patch,
            search.structure(),
            fitted_target(search),
            version.gates_s,
            weights_for(settings.get("weights")),
            noise_seed(settings),
            selection,
            *_checked_budget(seconds, evals, selection),
            seed,
        )
    )


def begin_from_patch(
    run_or_patch: str | Path | RunFolder | Patch,
    target: Target | None,
    selection: Selection,
    *,
    version: str | int | None = None,
    structure: str | Path | Structure | None,
    weights: str | Mapping[str, float] | None,
    seconds: float | None,
    evals: int | None,
    seed: int,
) -> Refinement:
    """Begin at a patch, for a target, with gates that fit the patch where they were estimated."""
    patch, own = _find_patch(run_or_patch, version)
    if target is None:
        raise ParameterError(
            f"target is missing: {getattr(run_or_patch, 'structure', run_or_patch)} is a patch, "
            "and a patch has none. Give the recordings that it is to match.",
            name="target",
        )
    voice = structure or own or patch.structure
    begun = _checked(
        Refinement(
            patch,
            voice if isinstance(voice, Structure) else load_structure(voice),
            target,
            (),
            weights_for(weights),
            seed,
            selection,
            *_checked_budget(seconds, evals, selection),
            seed,
        )
    )
    return replace(begun, gates_s=_fitted_gates(begun))


def begin_again(search: SearchFolder) -> Refinement:
    """Begin as a refinement in a run of its own did, but for a budget that may have grown."""
    settings, options = search.settings, search_options(search)
    return Refinement(
        Patch.load(search.path / START_FILE),
        search.structure(),
        search.target(),
        search.request.gates_s,
        settings["weights"],
        noise_seed(settings),
        options["selection"],
        options["seconds"],
        options["evals"],
        options["seed"],
    )


def search_options(search: SearchFolder) -> dict[str, Any]:
    """Read back selection, budget and seed of a refinement, as `begin_from_run` takes them."""
    settings = search.settings
    # Files that were written before the group was called movement name it so.
    only, hold = (
        tuple("movement" if name == "animation" else name for name in settings[which])
        for which in ("only", "hold")
    )
    selection = Selection(
        only,
        hold,
        settings["within"],
        dict(settings["set_values"]),
    )
    budget = {name: settings[name] for name in ("seconds", "evals", "seed")}
    return {"selection": selection, **budget}


def _find_patch(
    run_or_patch: str | Path | RunFolder | Patch, version: str | int | None
) -> tuple[Patch, Structure | None]:
    """Find the patch that is meant, and its structure where it belongs to a run."""
    if isinstance(run_or_patch, Patch):
        return run_or_patch, None
    path = Path(str(getattr(run_or_patch, "path", run_or_patch)))
    if path.suffix == ".json":
        return Patch.load(path), None
    structure = own_search(path).structure()
    return find_version(path, version).patch, structure


def search_refinement(
    begun: Refinement,
    *,
    parent: str | None = None,
    **options: Any,  # noqa: ANN401  as for `SearchRun`
) -> MatchResult:
    """Set, search, and keep the better of both ends.

    `parent` is where the patch came from, for the provenance; the options are those of the
    search. `stages` of the result hold the patch as it was given and, if values were set, the
    patch after that.
    """
    chosen = begun.selection
    given, _ = begun.score(begun.patch)
    start = begun.begun
    stages = [StageResult("start", "start", begun.patch, given)]
    before, notes_before = begun.score(start)
    if chosen.set_values:
        title = "set " + ", ".join(chosen.set_values)
        stages.append(StageResult("set", title, _stamped(start, begun, before, parent), before))
    patch, run, reason = start, None, "evaluations"
    if begun.is_search:
        patch, run, reason = _search(begun, start, options)
    after, notes = begun.score(patch)
    is_closer = after.total < before.total
    if not is_closer or is_longer_for_nothing(start, patch, before.total, after.total):
        patch, after, notes = start, before, notes_before
    return MatchResult(
        patch=_stamped(patch, begun, after, parent),
        target=begun.target,
        structure=begun.structure,
        space=begun.space() if begun.is_search else ParameterSpace(()),
        start=given,
        end=after,
        notes=tuple(
            replace(note, start=earlier.loss)
            for note, earlier in zip(notes, notes_before, strict=True)
        ),
        record=SearchRecord(()) if run is None else run.record,
        settings=begun.settings(),
        n_evaluations=0 if run is None else run.n_evaluations,
        elapsed_s=0.0 if run is None else run.elapsed_s,
        busy_s=0.0 if run is None else run.busy_s,
        stop_reason=reason,
        stages=tuple(stages),
    )


def is_longer_for_nothing(start: Patch, patch: Patch, before: float, after: float) -> bool:
    """Whether something has come on for a gain in loss that nobody hears."""
    is_longer = bool(used_parameters(patch.values) - used_parameters(start.values))
    return is_longer and before <= after * (1.0 + ALLOWANCE_RATIO) + ALLOWANCE_STEPS


def _checked(begun: Refinement) -> Refinement:
    """Refuse a wrong pattern before anything takes time."""
    if begun.is_search:
        begun.space()
    return begun


def _checked_budget(
    seconds: float | None, evals: int | None, selection: Selection
) -> tuple[float | None, int | None]:
    """Accept one budget; 0 of either where values are set."""
    if selection.set_values and 0 in (seconds, evals):
        check_budget(seconds or None, evals or None)
        return seconds, evals
    check_budget(seconds, evals)
    return (DEFAULT_REFINE_SECONDS if seconds is None and evals is None else seconds), evals


def _fitted_gates(begun: Refinement) -> tuple[float, ...]:
    """Correct estimated gates for the patch; they stay for the whole refinement."""
    n_notes = len(begun.target.notes)
    problem = Problem(begun.structure, ParameterSpace(()), begun.begun.values, n_notes)
    with begun.evaluator(problem) as evaluator:
        vector = problem.vector({}, begun.patch.phases if begun.has_phases else ())
        fit_gates(evaluator, vector, ["gate" in note.estimated for note in begun.target.notes])
        return tuple(note.gate_s for note in evaluator.notes)


def _search(
    begun: Refinement, start: Patch, options: Mapping[str, Any]
) -> tuple[Patch, SearchRun, str]:
    """Search, and make a patch of the best candidate."""
    space = begun.space()
    _note_ends(space, start)
    problem = Problem(begun.structure, space, start.values, len(begun.target.notes))
    first = problem.vector(start.values, start.phases if begun.has_phases else ())
    moves_phases = not begun.has_phases or any(n.startswith(_MOVES_PHASES) for n in space.names)
    plan = _plan(space, is_narrow=begun.selection.within is not None, has_phases=moves_phases)
    share = PLAIN_SHARE if switched_off(problem, first) else 0.0
    n_plain = round(share * (begun.evals or 0))
    with begun.evaluator(problem) as evaluator:
        run = SearchRun(
            evaluator,
            first[None, :],
            [False] * problem.n_notes,
            seconds=begun.seconds and (1.0 - share) * begun.seconds,
            evals=begun.evals and begun.evals - n_plain,
            **options,
        )
        reason = run.search(DEFAULT_SAMPLER, begun.seed, plan, is_plain=False)
        plain = run.best
        if share and reason not in {"stopped", "interrupted"}:
            n_most = None if begun.evals is None else n_plain
            most_s = share * (begun.seconds or 0.0)
            plain = run.made_plainer(first, n_most=n_most, most_s=most_s)
        found = with_velocity_level(
            problem, plain, evaluator.targets, evaluator.notes, seed=begun.noise_seed
        )
    values = dict(zip(CATALOGUE.names, problem.values(found[None, :])[0].tolist(), strict=True))
    phases = problem.note_phases(found) if moves_phases else start.phases
    return start.replace(values=values, phases=phases), run, reason


def _plan(space: ParameterSpace, *, is_narrow: bool, has_phases: bool) -> tuple[Stage, ...]:
    """Take small generations for few parameters; else local searches, and some for steps."""
    sigma = SIGMA_WITHIN if is_narrow else SIGMA_NEAR
    if len(space) <= FEW:
        few = EvolutionStrategy(
            "small steps", 1.0, has_phases=has_phases, sigma=sigma, population=POPULATION
        )
        return (few,)
    # Where a panel has steps, no local search can stop at them for sure.
    has_steps = any(p.choices or p.step is not None for p in space)
    fine = LocalSearch("fine search", 0.6 if has_steps else 1.0, has_phases=has_phases)
    steps = EvolutionStrategy("small steps", 0.4, has_phases=has_phases, sigma=sigma)
    return (fine, steps) if has_steps else (fine,)


def _note_ends(space: ParameterSpace, start: Patch) -> None:
    """Say where a patch lies outside of what this structure can do."""
    for parameter in space:
        value = start.values[parameter.name]
        low, high = parameter.curve_range
        if not low <= value <= high:
            warnings.warn(
                f"{parameter.name} is {parameter.format(value)} in the patch; it must be "
                f"{parameter.accepted} here, so the search begins at the end.",
                EarwrightWarning,
                stacklevel=5,
            )


def _stamped(patch: Patch, begun: Refinement, loss: LossBreakdown, parent: str | None) -> Patch:
    """Say in a patch where it comes from."""
    provenance = {
        "target_digest": begun.target.digest,
        "settings": begun.settings(),
        "versions": software_versions(),
        "loss": loss.to_dict(),
        "parent": parent,
    }
    return patch.replace(structure=begun.structure.name, provenance=provenance)
