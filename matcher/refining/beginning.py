"""From what the user names to what a refinement begins with."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.losses import weights_for
from matcher.playing import noise_seed
from matcher.refining.refinement import Refinement, checked_budget, fitted_gates
from matcher.refining.selection import Selection
from matcher.runs import Version, find_version, split_version
from matcher.runs.search_folder import SearchFolder, fitted_target, own_search
from shared import ParameterError, Patch
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.runs.run_folder import RunFolder
    from matcher.target import Target

__all__ = ["begin_again", "begin_from_patch", "begin_from_run", "find_patch", "search_options"]

START_FILE = "start.json"


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
    """Bring together what a refinement within a run begins with.

    Parameters
    ----------
    run : Path
        The run folder.
    version : Version
        Where it begins.
    selection : Selection
        What may move, and what is set.
    weights, structure
        None: losses of versions of one run are comparable, as they are measured in one way.
    seconds, evals, seed
        As for `matcher.refine`.

    Returns
    -------
    Refinement
        With notes, gates, structure, weights and noise of the run.

    Raises
    ------
    ParameterError
        If weights or a structure are given, or as for `matcher.refine`.
    RunFolderError
        If the run can't be read.
    """
    for name, value in (("weights", weights), ("structure", structure)):
        if value is not None:
            raise ParameterError(
                f"{name} can't be given where a run is refined in its folder; it stays that of "
                "the run. Give the recordings, too, to begin another run.",
                name=name,
                value=value,
            )
    search = own_search(run)
    settings = search.settings
    begun = Refinement(
        version.patch,
        search.structure(),
        fitted_target(search),
        version.gates_s,
        weights_for(settings.get("weights")),
        noise_seed(settings),
        selection,
        *checked_budget(seconds, evals, selection),
        seed,
    )
    if begun.is_search:
        begun.space()  # a wrong pattern is refused before anything takes time
    return begun


def find_patch(
    run_or_patch: str | Path | RunFolder | Patch,
) -> tuple[Patch, Structure | None]:
    """Find the patch that is meant, and its structure where that is known.

    Parameters
    ----------
    run_or_patch : str, Path, RunFolder or Patch
        As for `matcher.refine`.

    Returns
    -------
    tuple of (Patch, Structure or None)
        The patch; the structure of a run.

    Raises
    ------
    PatchError, RunFolderError
        If it can't be read.
    """
    if isinstance(run_or_patch, Patch):
        return run_or_patch, None
    path = Path(str(getattr(run_or_patch, "path", run_or_patch)))
    if path.suffix == ".json":
        return Patch.load(path), None
    run, wanted = split_version(path)
    structure = own_search(run).structure()
    return find_version(run, wanted).patch, structure


def begin_from_patch(
    run_or_patch: str | Path | RunFolder | Patch,
    target: Target | None,
    selection: Selection,
    *,
    structure: str | Path | Structure | None,
    weights: str | Mapping[str, float] | None,
    seconds: float | None,
    evals: int | None,
    seed: int,
) -> Refinement:
    """Bring together what a refinement of a patch for a target begins with.

    Parameters
    ----------
    run_or_patch, target, structure, weights, seconds, evals, seed
        As for `matcher.refine`.
    selection : Selection
        What may move, and what is set.

    Returns
    -------
    Refinement
        With gates that fit the patch, where they were estimated.

    Raises
    ------
    ParameterError
        If there is no target, or as for `matcher.refine`.
    """
    patch, own = find_patch(run_or_patch)
    if target is None:
        raise ParameterError(
            f"target is missing: {getattr(run_or_patch, 'structure', run_or_patch)} is a patch, "
            "and a patch has none. Give the recordings that it is to match.",
            name="target",
        )
    voice = structure or own or patch.structure
    begun = Refinement(
        patch,
        voice if isinstance(voice, Structure) else load_structure(voice),
        target,
        (),
        weights_for(weights),
        seed,
        selection,
        *checked_budget(seconds, evals, selection),
        seed,
    )
    if begun.is_search:
        begun.space()  # a wrong pattern is refused before anything takes time
    return replace(begun, gates_s=fitted_gates(begun))


def search_options(search: SearchFolder) -> dict[str, Any]:
    """Read back what a refinement was asked for.

    Parameters
    ----------
    search : SearchFolder
        Its search.

    Returns
    -------
    dict
        Selection, budget and seed, as `begin_from_run` takes them.
    """
    settings = search.settings
    selection = Selection(
        tuple(settings["only"]),
        tuple(settings["hold"]),
        settings["within"],
        dict(settings["set_values"]),
    )
    budget = {name: settings[name] for name in ("seconds", "evals", "seed")}
    return {"selection": selection, **budget}


def begin_again(search: SearchFolder) -> Refinement:
    """Bring together what a refinement in a run of its own began with.

    Parameters
    ----------
    search : SearchFolder
        Its search.

    Returns
    -------
    Refinement
        The same as then, but for a budget that may have grown.
    """
    settings, options = search.settings, search_options(search)
    return Refinement(
        Patch.load(search.path / START_FILE),
        search.structure(),
        search.target(),
        tuple(search.request["gates_s"]),
        settings["weights"],
        settings["noise_seed"],
        options["selection"],
        options["seconds"],
        options["evals"],
        options["seed"],
    )
