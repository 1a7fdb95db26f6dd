"""The options that several commands take: notes, weights, going on with a search."""

from __future__ import annotations

import argparse
import contextlib
import re
import sys
from typing import Any

from matcher.cli._parser import CommandLineError, gate_s, number, one_or_list, pitch, velocity

__all__: list[str] = []

GROUP_TEXT = """\
One value for all notes, or one for each, separated by commas; a gap leaves a
note as it is.
"""


def add_note_options(parser: argparse.ArgumentParser, *, leave_out: bool = True) -> None:
    """Add what the user knows about the notes."""
    note = parser.add_argument_group("notes", GROUP_TEXT)
    note.add_argument(
        "--pitch",
        type=one_or_list(pitch),
        metavar="P",
        help="note name (Bb3, A4+14) or MIDI pitch (60.25); C4 is 60",
    )
    note.add_argument(
        "--velocity", type=one_or_list(velocity), metavar="V", help="1 to 127 (default: 100)"
    )
    note.add_argument(
        "--held",
        dest="gate",
        type=one_or_list(gate_s),
        metavar="S",
        help="how long the key is held, in s",
    )
    longer = parser.add_argument_group("a longer recording")
    for option, destination, what in (("--from", "from_s", "begins"), ("--to", "to_s", "ends")):
        longer.add_argument(
            option,
            dest=destination,
            type=number(0.0, 86_400.0, "0 s or more"),
            metavar="S",
            help=f"where in the recording the sound {what}, in s",
        )
    longer.add_argument(
        "--side",
        choices=("left", "right", "middle", "sides"),
        help="where in a stereo recording the sound is: left, right, middle (in both channels "
        "alike), sides (all but that); left out, where one note is clearest",
    )
    several = parser.add_argument_group("several notes")
    several.add_argument(
        "--split",
        nargs="?",
        const=True,
        default=False,
        type=_split_times,
        metavar="TIMES",
        help="cut a recording of several notes at its onsets, or where TIMES say that they "
        "begin, in s: 0.1,1.2,2.5",
    )
    several.add_argument(
        "--instrument", metavar="NAME", help="which instrument of a manifest, if it has several"
    )
    if not leave_out:
        return
    several.add_argument(
        "--leave-out",
        action="append",
        metavar="NOTE",
        help="fit without this note (its file, name or pitch) and try the patch on it; may be "
        "given several times; `each` does so with every note in turn, with half of the budget",
    )


def note_settings(arguments: argparse.Namespace) -> dict[str, Any]:
    """Collect what `load_target` is told."""
    settings: dict[str, Any] = {"split": arguments.split, "instrument": arguments.instrument}
    for option, name in (("pitch", "midi_pitch"), ("velocity", "velocity"), ("gate", "gate_s")):
        values = getattr(arguments, option)
        if values is not None:
            settings[name] = values[0] if len(values) == 1 else values
    if (arguments.from_s, arguments.to_s, arguments.side) != (None, None, None):
        from shared import Stretch  # noqa: PLC0415  keeps the help quick

        settings["stretch"] = Stretch(arguments.from_s or 0.0, arguments.to_s, arguments.side)
    return settings


def notes_left_out(arguments: argparse.Namespace) -> str | list[str] | None:
    """Tell which notes aren't fitted; None if all are."""
    names: list[str] | None = arguments.leave_out
    return names[0] if names and len(names) == 1 else names


def _split_times(text: str) -> list[float]:
    """Read times in s."""
    read = number(0.0, 86_400.0, "0 s or more")
    try:
        return [read(piece) for piece in text.split(",")]
    except argparse.ArgumentTypeError as error:
        raise argparse.ArgumentTypeError(
            f'"{text}" is not a list of times; it must be seconds with commas between them '
            "(0.1,1.2,2.5), or nothing, and recordings stand before --split"
        ) from error


def add_weight_options(search: argparse._ArgumentGroup) -> None:
    """Add ``--weights`` and ``--weight``."""
    search.add_argument(
        "--weights",
        type=_preset,
        metavar="NAME",
        help="what counts most: balanced (the default), attack-first or movement-first",
    )
    search.add_argument(
        "--weight",
        type=_term_weight,
        action="append",
        default=[],
        metavar="WHAT=X",
        help="weight of one thing, for example attack=2; may be given several times: "
        "tone, attack, level, movement, pitch",
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
            f"it must be {', '.join(names[:-1])} or {names[-1]}"
        ) from error


def _term_weight(text: str) -> tuple[str, float]:
    """Read the weight of one term, named in a player's word."""
    from matcher.losses import TERM_WORDS  # noqa: PLC0415  see above
    from shared import suggest_names  # noqa: PLC0415

    terms = {word: term for term, word in TERM_WORDS.items()}
    form = re.fullmatch(r"\s*([a-z]+)\s*=\s*(\d+\.?\d*|\.\d+)\s*", text, re.ASCII)
    if form is not None and form[1] in terms:
        return terms[form[1]], float(form[2])
    named = text.partition("=")[0].strip().lower()
    hint = "" if named in terms else _meant(suggest_names(named, terms))
    if named in TERM_WORDS and named not in terms:
        hint = f" ({named} is called {TERM_WORDS[named]} now)"
    *first, last = terms
    raise argparse.ArgumentTypeError(
        f'"{text}" is not understood{hint}; it must be {", ".join(first)} or {last}, = and a '
        "number of 0 or more, for example attack=2"
    )


def _meant(suggestion: str) -> str:
    """Put a suggestion in brackets, as the sentence goes on behind it."""
    return f" ({suggestion[0].lower()}{suggestion[1:]})" if suggestion else ""


_GOING_ON_GROUP_TEXT = """\
All settings are those of the search; give none again.
"""


# What may stand beside --resume and --extend.
_BESIDE = frozenset(
    {
        "command",
        "command_line",
        "going_on",
        "resume",
        "extend",
        "quiet",
        "json",
        "no_report",
        "details",
        "times",
    }
)


def add_going_on(parser: argparse.ArgumentParser, command: str) -> None:
    """Add ``--resume`` and ``--extend``."""
    group = parser.add_argument_group("going on", _GOING_ON_GROUP_TEXT)
    group.add_argument(
        "--resume",
        metavar="RUN",
        help="go on with the search of this run folder after Ctrl-C, a crash or a full disk",
    )
    group.add_argument(
        "--extend",
        metavar="RUN",
        help="the same with a larger budget, also after its end: --seconds or --tries are added",
    )
    parser.set_defaults(going_on=(command, parser))


def check_going_on(arguments: argparse.Namespace, given: object, what: str) -> None:
    """Refuse what doesn't go together with going on; without it, something to search for."""
    run = arguments.resume or arguments.extend
    if not run:
        if not given:
            raise CommandLineError(
                f"{what} is missing. See earwright {arguments.going_on[0]} --help."
            )
        return
    if arguments.resume and arguments.extend:
        raise CommandLineError("--extend can't stand beside --resume; give one.")
    option = "--resume" if arguments.resume else "--extend"
    allowed = _BESIDE | ({"seconds", "evals"} if arguments.extend else set())
    parser = arguments.going_on[1]
    for name, value in vars(arguments).items():
        is_given = value not in (None, [], parser.get_default(name))
        if is_given and name not in allowed:
            written = what if value is given else parser.option_of(name)
            raise CommandLineError(
                f"{written} can't stand beside {option}; the settings of the search stay as they "
                "are. Leave it out."
            )
    if arguments.extend and arguments.seconds is None and arguments.evals is None:
        raise CommandLineError("--extend needs --seconds or --tries, which is what is added.")


def announce_stop() -> None:
    """Say at once that Ctrl-C was heard; the batch at work is finished first."""
    # A signal may come in the middle of another write to stderr, which Python refuses to nest.
    with contextlib.suppress(RuntimeError):
        sys.stderr.write("\nearwright: stopping; the best patch so far will be written.\n")
