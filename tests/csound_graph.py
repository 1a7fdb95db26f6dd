"""Run a graph of Csound, an audio language of its own, with settings in our parameter names.

A template is a complete ``.csd`` file in which ``${osc1.saw_level}`` stands for a number. Csound
isn't a Python package: it comes with the operating system's packages, as ``csound``.
"""

import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from shared.errors import ParameterError
from shared.types import FloatArray

MISSING = "csound is not installed. Install it from the system's packages (Debian: csound)."
_COLOUR = re.compile(r"\x1b\[\d*m|\x00")
_FIELD = re.compile(r"\$\{([a-z0-9_.]+)\}")


def fill_template(text: str, values: Mapping[str, float], *, unused: frozenset[str]) -> str:
    """Put numbers into a template."""
    fields = set(_FIELD.findall(text))
    if missing := sorted(fields - set(values)):
        raise ParameterError(f"the template needs {', '.join(missing)}. Give each a number.")
    if ignored := sorted(set(values) - fields - unused):
        raise ParameterError(
            f"the template has no part for {', '.join(ignored)}. Leave them at neutral."
        )
    # repr writes the shortest decimal that is read back as the same float64.
    return _FIELD.sub(lambda field: repr(float(values[field[1]])), text)


def csound_path() -> str | None:
    """Return where the program is, or None if it isn't installed."""
    return shutil.which("csound")


def csound_version() -> str:
    """Return the version that runs, such as "6.18"."""
    report = _run(["--version"])
    found = re.search(r"version (\d+\.\d+)", report)
    assert found is not None, report
    return found[1]


def run_graph(csd_path: Path, *options: str) -> None:
    """Let Csound perform a file."""
    _run(["-d", "-m0", *options, str(csd_path)])


def _run(arguments: list[str]) -> str:
    """Start the program, wait for it, and return what it said."""
    program = csound_path()
    if program is None:
        raise FileNotFoundError(MISSING)
    done = subprocess.run(  # noqa: S603, the program is found by its fixed name
        [program, *arguments], capture_output=True, text=True, check=False
    )
    report = _COLOUR.sub("", done.stderr + done.stdout)
    if done.returncode != 0:
        raise RuntimeError(f"csound {' '.join(arguments)} failed: {report[-2000:]}")
    return report


def render_graph(text: str, folder: Path) -> tuple[FloatArray, int]:
    """Perform a graph and read the sound back."""
    csd_path, wav_path = folder / "graph.csd", folder / "graph.wav"
    csd_path.write_text(text)
    run_graph(csd_path, "-W", "-f", "-o", str(wav_path))
    signal, sample_rate_hz = soundfile.read(wav_path, dtype="float64")
    return np.asarray(signal), int(sample_rate_hz)
