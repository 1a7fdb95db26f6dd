"""Compiling what a match needs, once after an install, before its time begins.

numba holds a lock while it compiles, so threads don't help. Where nothing was compiled yet,
another process compiles losses and fits while this one compiles the voice. What is compiled stands
beside the modules, and is loaded from there.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from matcher.defaults import DEFAULT_STRUCTURE
from matcher.losses import NoteScorer, residual_weights, spectra
from matcher.optimise import compile_fits
from matcher.partial_fit import Movements
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.target import target_from_signal
from shared import CATALOGUE, PHASE_NAMES, Note, usable_cores
from voice import NoteRenderer, load_structure

__all__ = ["compile_losses", "compile_side_by_side", "compile_voice"]

RATE_HZ = 44_100
# What losses leave behind when they are compiled.
COMPILED = "spectra.band_levels-*.nbi"


def compile_side_by_side() -> None:
    """Compile voice, losses and fits in two processes, if that was never done here.

    What it leaves, the first call compiles.
    """
    if usable_cores() < 2 or not _is_first_time():
        return
    other = _begin_losses()
    try:
        compile_voice()
        other.wait()
    finally:
        other.kill()


def _is_first_time() -> bool:
    """Whether the losses as they are now were never compiled here, and can be kept here."""
    source = Path(spectra.__file__)
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    folder = Path(chosen) if chosen else source.parent / "__pycache__"
    written_s = source.stat().st_mtime
    kept = folder.rglob(COMPILED) if chosen else folder.glob(COMPILED)
    is_kept = any(path.stat().st_mtime >= written_s for path in kept)
    return not is_kept and os.access(source.parent if not folder.exists() else folder, os.W_OK)


def _begin_losses() -> subprocess.Popen[bytes]:
    """Let another process compile the losses; what it can't do is done here later."""
    # -P: a module of that name in the current folder is none of ours.
    paths = os.pathsep.join(path for path in sys.path if path)
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "matcher.compiling"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": paths},
    )


def compile_voice() -> None:
    """Render a few blocks."""
    renderer = NoteRenderer(Note(60.0, gate_s=0.01), n_samples=512, sample_rate_hz=RATE_HZ)
    values = np.array([list(CATALOGUE.neutral().values())])
    renderer.render(values, np.zeros((1, len(PHASE_NAMES))))


def compile_losses() -> None:
    """Score a short sound, and take a step of each kind of fit."""
    noise = np.random.default_rng(0).normal(size=RATE_HZ // 4)
    note = target_from_signal(
        noise * np.exp(-np.linspace(0.0, 5.0, len(noise))),
        RATE_HZ,
        name="noise",
        midi_pitch=60.0,
        velocity=100,
        gate_s=0.2,
    )
    target = prepare_note(note)
    group = np.zeros((target.n_render, 16), np.float32)
    group[: len(noise)] = noise[:, None]
    residuals = np.empty((1, len(residual_weights(target, None, 1))), np.float32)
    NoteScorer(target).score(group, 1, residuals)
    compile_fits()
    structure = load_structure(DEFAULT_STRUCTURE)
    problem = Problem(structure, structure.space, structure.complete({}), 1)
    Movements(problem, (note,)).compile()


if __name__ == "__main__":
    compile_losses()
