"""Wording of what the command line says."""

from __future__ import annotations

import contextlib
import re
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

__all__: list[str] = []

# Arguments of the library and the options that set them.
_OPTIONS = {
    "midi_pitch": "--pitch",
    "gate_s": "--held",
    "sample_rate_hz": "--rate",
    "sampler": "--search",
    "seconds": "--seconds",
    "evals": "--tries",
    "seed": "--seed",
    "velocity": "--velocity",
    "split": "--split",
    "instrument": "--instrument",
    "leave_out": "--leave-out",
    "n_processes": "--processes",
    "cluster": "--cluster",
    "seeds": "--seeds",
    "thresholds": "--threshold",
    "structures": "--structure",
}
_AS_SUBJECT = re.compile(rf"\A({'|'.join(_OPTIONS)})(?= (?:is|has) )")
_IN_ADVICE = re.compile(r"\b(Give|Set) (midi_pitch|gate_s|velocity|evals|seconds(?=\.))\b")
_LENGTH_ADVICE = "Set max_duration_s to use more."


def as_options(message: str) -> str:
    """Name options where a message of the library names its arguments.

    Only the places where our messages put them are changed: their first word, and the advice at
    their end. Names of files may hold the same words.
    """
    text = _AS_SUBJECT.sub(lambda match: _OPTIONS[match[1]], message)
    text = _IN_ADVICE.sub(lambda match: f"{match[1]} {_OPTIONS[match[2]]}", text)
    return text.replace(_LENGTH_ADVICE, "From Python, max_duration_s sets more.")


def one_line(text: str) -> str:
    """Bring a message on one line; signs that move the cursor are shown as escapes."""
    joined = " ".join(text.split())
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in joined)


def only_result_on_stdout() -> contextlib.AbstractContextManager[object]:
    """Send to stderr what a library may print, such as notes beside the progress bar."""
    return contextlib.redirect_stdout(sys.stderr)


def shows_progress(arguments: argparse.Namespace) -> bool:
    """Whether a progress bar is wanted; drawn into a log file it would be a mess."""
    return not arguments.quiet and sys.stderr.isatty()
