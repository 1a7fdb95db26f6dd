"""Runs with all that a report can show, for its tests."""

from __future__ import annotations

import atexit
import functools
import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher import load_run, save_run
from matcher.explaining import (
    BuildOrder,
    BuildStep,
    Explanation,
    Importance,
    Interactions,
    PartEffect,
    PartsInPatch,
    SearchImportance,
    Slack,
    SlackOfPatch,
    TradeOff,
)
from matcher.explaining.key_checks import KeyRow
from matcher.explaining.keyboard import Keyboard
from matcher.parts import parameter_label, used_parameters, voice_parts
from shared import CATALOGUE, Patch, pitch_name, sha256_digest, write_recording
from tests.matcher.small_match import small_match

if TYPE_CHECKING:
    from matcher import RunFolder

__all__ = [
    "HOSTILE",
    "check_keyboard",
    "edit_document",
    "explain_run",
    "fullest_patch",
    "set_patch",
    "small_run",
    "step_sound",
]

# As bad as a name can be: markup, an end of a script, a template, a formula, signs that turn text.
HOSTILE = (
    "</script></title><img src=x onerror=\"document.title='taken'\"><script>document.title="
    "'taken'</script>{{ 7 * 7 }}{% raw %}'\"&$x^{\u202e`\\"
)


def small_run(folder: Path, *names: str) -> RunFolder:
    """Match notes of these names with 64 candidates, and save the run."""
    shutil.copytree(_kept_run(names), folder / "run")
    return load_run(folder / "run")


@functools.cache
def _kept_run(names: tuple[str, ...]) -> Path:
    """Match and save once, for all tests of this process; they get copies."""
    folder = Path(tempfile.mkdtemp(prefix="earwright-small-run-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    command = ["earwright", "match", "reed.wav"]
    return save_run(small_match(*names), folder / "run", command_line=command).path


def fullest_patch() -> Patch:
    """Return a patch in which every control of every part does something."""
    # A third of the range from the top: neutral values lie at the ends and in the middle.
    values = CATALOGUE.to_dict(CATALOGUE.decode(np.full(len(CATALOGUE), 0.66)))
    patch = Patch("complete", {**values, "filter.slope_db_per_octave": 12.0})
    assert used_parameters(patch.values) == set(CATALOGUE.names)
    return patch


def set_patch(run: RunFolder, patch: Patch) -> None:
    """Put another patch into a run folder."""
    (run.path / "patch.json").unlink()
    patch.save(run.path / "patch.json")


def step_sound(run: RunFolder, file: str) -> None:
    """Write a sound of a build step: a tenth of a second of a sine, softly."""
    path = run.path / file
    path.parent.mkdir(exist_ok=True)
    write_recording(path, 0.05 * np.sin(2 * np.pi * 220.0 * np.arange(2205) / 22_050), 22_050)


def explain_run(run: RunFolder, *, text: str = "") -> Explanation:
    """Explain a run with every section, for each control of its patch, and save that.

    The figures are made up; how they come about is tested where they are made.
    """
    steps = [
        BuildStep(1, "amplifier envelope", f"Set the attack to 33 ms. {text}", {}, 4.0, 2.0,
                  "build/01.wav"),
        BuildStep(2, "oscillator 1", "Add the sawtooth.", {}, 3.0, 1.5, "build/02.wav"),
    ]  # fmt: skip
    patch = Patch.load(run.path / "patch.json")
    for file in ("build/00.wav", "build/01.wav", "build/02.wav"):
        step_sound(run, file)
    explanation = Explanation(
        patch_digest=sha256_digest(run.path / "patch.json"),
        structure=patch.structure,
        loss=3.0,
        terms={"spectral": 3.0},
        notes=tuple(note.name for note in run.notes),
        created="2025-01-01T00:00:00+00:00",
        seconds=10.0,
        elapsed_s=9.0,
        stop_reason="complete",
        search=SearchImportance(
            64,
            (Importance("PED-ANOVA", "all evaluations", f"What decided. {text}", 64,
                        {"filter.cutoff_hz": 0.6, "amp_env.attack_s": 0.4}),),
        ),
        parts=_parts(text),
        slack=SlackOfPatch(
            tuple(_slack(name, value) for name, value in patch.values.items()),
            (TradeOff("filter.cutoff_hz", "filter_env.depth_octaves", (900.0, 700.0), (1.0, 2.0),
                      0.8, f"A lower cutoff with more depth sounds the same. {text}"),),
        ),
        build=BuildOrder("A sawtooth, nothing else.", 6.0, 3.0, "build/00.wav", tuple(steps),
                         ("fine tune",)),
    )  # fmt: skip
    explanation.save(run.path)
    return explanation


def check_keyboard(run: RunFolder, *findings: str) -> Keyboard:
    """Write a keyboard check of an octave at two velocities, with made-up figures."""
    rows = tuple(
        KeyRow(float(key), pitch_name(float(key)), velocity, -30.0 + 0.1 * velocity - 0.2 * key,
               -6.0, 900.0, 4.0 if key != 60 else None, {}, {}, -80.0, ())
        for velocity in (40, 100)
        for key in range(48, 61)
    )  # fmt: skip
    keyboard = Keyboard("one-oscillator", "A3", (40, 100), 0.6, rows, findings, "keyboard.wav")
    (run.path / "keyboard.json").write_text(json.dumps(keyboard.to_dict()), encoding="utf-8")
    step_sound(run, "keyboard.wav")
    return keyboard


def _parts(text: str) -> PartsInPatch:
    """Say of two parts what they bring."""
    needed = PartEffect(
        "filter envelope", "needed", rise=2.5,
        by_time={"attack": 4.0, "body": 1.0, "release": 0.5},
        sentence=f"Without it the front edge is dull. {text}",
    )  # fmt: skip
    return PartsInPatch(
        (needed, PartEffect("noise", "absent", sentence="It does nothing.")),
        {"attack": "first 100 ms", "body": "", "release": "after the key"},
        {"low": "up to 500 Hz"},
        Interactions({}, {}, ("Cutoff and depth act jointly.",)),
    )


def _slack(name: str, value: float) -> Slack:
    """Say that a control may move by a tenth to each side."""
    parameter = CATALOGUE[name]
    margin = 0.1 * (parameter.high - parameter.low)
    low, high = max(parameter.low, value - margin), min(parameter.high, value + margin)
    part = next(part.title for part in voice_parts() if name in part.names)
    return Slack(name, part, parameter_label(name), value, low, high,
                 is_low_open=False, is_high_open=False, alone_low=low, alone_high=high,
                 exactness="with care", sentence="With care.")  # fmt: skip


def edit_document(run: RunFolder, **fields: object) -> None:
    """Change fields of `run.json`."""
    path = run.path / "run.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**document, **fields}), encoding="utf-8")
