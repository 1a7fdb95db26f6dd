"""The command line: ``earwright COMMAND ...``.

Each command is a `Command` in one of the modules here; `COMMANDS` lists them. A
command parses, calls the library, and prints; errors of ours become one line and an exit status.

Modules here import nothing heavy at their top, not even numpy, so that help comes at once.
"""

from matcher.cli._main import COMMANDS, main

__all__ = ["COMMANDS", "main"]
