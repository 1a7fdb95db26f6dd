"""``python -m matcher`` is ``earwright``."""

import runpy

# By name, as nothing in the package imports the command line.
runpy.run_module("matcher.cli", run_name="__main__")
