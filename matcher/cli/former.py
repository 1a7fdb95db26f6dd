"""Names that commands and options had before: whoever types one is told the present one."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.cli._parser import CommandLineError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__: list[str] = []

COMMANDS = {"log": "versions", "diff": "changes", "show": "summary"}
OPTIONS = {
    "--evals": "--tries",
    "--gate": "--held",
    "--hold": "--lock",
    "--note": "--comment",
    "--sampler": "--search",
}
# A version of a run in one word.
_RUN_AND_VERSION = re.compile(r"(.+)@([^@/]+)")


def check_former(given: Sequence[str]) -> None:
    """Refuse what had another name before, and say how it is called now."""
    for text in given:
        if text == "--":
            return
        option = text.partition("=")[0]
        if option in OPTIONS:
            raise CommandLineError(f"{option} is called {OPTIONS[option]} now.")
        form = _RUN_AND_VERSION.fullmatch(text)
        if form and not Path(text).exists() and Path(form[1]).is_dir():
            raise CommandLineError(
                f'"{text}" is written {form[1]} --version {form[2]} now: versions have an option.'
            )
    command = next((text for text in given if not text.startswith("-")), None)
    if command in COMMANDS:
        new = COMMANDS[command]
        raise CommandLineError(f'"{command}" is called {new} now. See earwright {new} --help.')
