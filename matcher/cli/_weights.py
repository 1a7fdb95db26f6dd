"""The options that say what counts most in a match."""

from __future__ import annotations

import argparse
import re

__all__: list[str] = []


def add_weight_options(search: argparse._ArgumentGroup) -> None:
    """Add ``--weights`` and ``--weight``."""
    search.add_argument(
        "--weights",
        type=_preset,
        metavar="NAME",
        help="what counts most: balanced (the default), attack-first or animation-first",
    )
    search.add_argument(
        "--weight",
        type=_term_weight,
        action="append",
        default=[],
        metavar="TERM=X",
        help="weight of one term, for example onset=2; may be given several times. Terms are "
        "spectral, onset, envelope, modulation and pitch",
    )


def chosen_weights(arguments: argparse.Namespace) -> dict[str, float] | None:
    """Join preset and single weights; None if nothing was said."""
    if arguments.weights is None and not arguments.weight:
        return None
    from matcher.losses import weights_for  # noqa: PLC0415  see below

    return weights_for(arguments.weights, **dict(arguments.weight))


def _preset(text: str) -> dict[str, float]:
    """Read the name of a preset."""
    # Only where the option is given: the losses take half a second to import.
    from matcher.losses import PRESETS, weights_for  # noqa: PLC0415
    from shared import ParameterError, suggest_names  # noqa: PLC0415

    try:
        return weights_for(text)
    except ParameterError as error:
        names = [name.replace(" ", "-") for name in PRESETS]
        raise argparse.ArgumentTypeError(
            f'"{text}" is not known{_meant(suggest_names(text.lower(), names))}; '
            f"{', '.join(names[:-1])} or {names[-1]} is accepted"
        ) from error


def _term_weight(text: str) -> tuple[str, float]:
    """Read the weight of one term."""
    from matcher.losses import TERMS  # noqa: PLC0415
    from shared import suggest_names  # noqa: PLC0415

    form = re.fullmatch(r"\s*([a-z]+)\s*=\s*(\d+\.?\d*|\.\d+)\s*", text, re.ASCII)
    if form is not None and form[1] in TERMS:
        return form[1], float(form[2])
    term = text.partition("=")[0].strip().lower()
    hint = "" if term in TERMS else _meant(suggest_names(term, TERMS))
    raise argparse.ArgumentTypeError(
        f'"{text}" is not understood{hint}; {", ".join(TERMS[:-1])} or {TERMS[-1]}, = and a '
        "number of 0 or more are accepted, for example onset=2"
    )


def _meant(suggestion: str) -> str:
    """Put a suggestion in brackets, as the sentence goes on behind it."""
    return f" ({suggestion[0].lower()}{suggestion[1:]})" if suggestion else ""
