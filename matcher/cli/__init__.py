"""The command line: ``earwright COMMAND ...``.

Each command is a module of this package with ``add_parser(subparsers)`` and
``run(arguments) -> int``; `matcher.cli._main.COMMANDS` lists them. A command parses, calls the
library, and prints; errors of ours become one line and an exit status there.

Modules here import nothing heavy at their top, not even numpy, so that help comes at once.
"""

from matcher.cli._main import main

__all__ = ["main"]
