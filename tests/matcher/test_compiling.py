"""What is compiled before a search begins."""

from __future__ import annotations

import subprocess
import sys

import pytest

# In a process of its own: in this one other tests have compiled.
MATCH_AFTER_COMPILING = """
import sys
from matcher.compiling import compile_losses, compile_voice
compile_voice()
compile_losses()
modules = [m for name, m in list(sys.modules.items()) if name.startswith(("matcher.", "voice."))]
kernels = {k for m in modules for k in vars(m).values() if hasattr(k, "py_func")}
known = {k: set(k.signatures) for k in kernels}
from matcher import match
from tests.own_notes import own_target
match(own_target(gate_s=0.4), evals=700, progress=False, n_threads=1)
print(sorted(k.py_func.__name__ for k in kernels if set(k.signatures) - known[k]))
"""


@pytest.mark.slow
def test_a_search_finds_everything_compiled() -> None:
    """No kernel gets another signature once a search's time runs."""
    done = subprocess.run(  # noqa: S603  our own interpreter
        [sys.executable, "-c", MATCH_AFTER_COMPILING], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
