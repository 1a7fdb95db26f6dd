"""Kernels of the voice: compiled and plain they agree, and their tables fit together."""

from __future__ import annotations

import ast
import inspect
from typing import TYPE_CHECKING

import numpy as np
import pytest

from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND, Note
from shared.catalogue import BANK_HZ
from tests.voice.plain_steps import PLAIN_STEPS
from tests.voice_sounds import row_of
from voice import (
    NoteRenderer,
    control_kernels,
    filter_kernels,
    list_structures,
    oscillator_kernels,
    packing,
    setting_kernels,
)
from voice import load_structure as load
from voice.render import KERNEL_PHASES
from voice.wavetables import sawtooth_tables, triangle_tables

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from shared import Float32Array, FloatArray

MODULES = [control_kernels, oscillator_kernels, filter_kernels]
N_SAMPLES = 200


def every_part() -> FloatArray:
    """Return 16 candidates that use every part, and switch some of them off in some lanes."""
    rng = np.random.default_rng(11)
    units = rng.uniform(0.0, 1.0, (16, len(CATALOGUE)))
    values = CATALOGUE.decode(units)
    is_off = rng.uniform(size=values.shape) < 0.3
    # Attacks and delays of a long note would leave 200 samples nearly silent.
    values[:, CATALOGUE.index("amp_env.attack_s")] = 0.001
    values[:, CATALOGUE.index("osc1.vibrato.delay_s")] = 0.0
    return np.where(is_off, row_of({}), values)


@pytest.fixture
def renderer() -> NoteRenderer:
    """Return a renderer that has played all parts; the gate ends within the note."""
    played = NoteRenderer(
        Note(52.3, velocity=40, gate_s=0.003), n_samples=N_SAMPLES, sample_rate_hz=44_100
    )
    phases = np.random.default_rng(12).uniform(0.0, 1.0, (16, len(PHASE_NAMES)))
    played.render(every_part(), phases)
    return played


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> Callable[[ModuleType, str], Callable[..., None]]:
    """Return a kernel as plain Python, with all kernels that it calls."""

    def undo_compilation(module: ModuleType, name: str) -> Callable[..., None]:
        for key, value in list(vars(module).items()):
            if hasattr(value, "py_func"):
                monkeypatch.setattr(module, key, value.py_func)
        for key, step in PLAIN_STEPS.items():
            if hasattr(module, key):
                monkeypatch.setattr(module, key, step)
        function: Callable[..., None] = getattr(module, name)
        return function

    return undo_compilation


def test_the_controls_are_those_of_plain_python(
    renderer: NoteRenderer, plain: Callable[[ModuleType, str], Callable[..., None]]
) -> None:
    """The compiled kernel computes what its source says."""
    render_controls = plain(control_kernels, "render_controls")
    controls = np.empty_like(renderer._controls)
    with np.errstate(all="ignore"):  # both branches of a choice are computed
        render_controls(
            renderer._values, renderer._phases, renderer._note, np.float32(0.003),
            renderer._block, controls,
        )  # fmt: skip
    # 1e-6: rounding of float32; the compiler may put a product and a sum in another order.
    np.testing.assert_allclose(renderer._controls, controls, rtol=1e-6, atol=1e-7)


def test_the_oscillators_are_those_of_plain_python(
    renderer: NoteRenderer, plain: Callable[[ModuleType, str], Callable[..., None]]
) -> None:
    """The compiled kernel computes what its source says."""
    arguments = (
        renderer._settings, renderer._controls, renderer._phases[:2], renderer._block,
        sawtooth_tables(), triangle_tables(),
    )  # fmt: skip
    compiled, expected = np.empty((N_SAMPLES, 16), np.float32), np.empty((N_SAMPLES, 16), "f4")
    oscillator_kernels.render_oscillators(*arguments, compiled)
    render_oscillators = plain(oscillator_kernels, "render_oscillators")
    with np.errstate(over="ignore"):  # phases wrap on purpose
        render_oscillators(*arguments, expected)
    assert np.abs(expected).max() > 0.5
    # 1e-6 of a full-scale wave: rounding of float32.
    np.testing.assert_allclose(compiled, expected, atol=2e-6)


def test_the_filters_are_those_of_plain_python(
    renderer: NoteRenderer, plain: Callable[[ModuleType, str], Callable[..., None]]
) -> None:
    """The compiled kernel computes what its source says."""
    wave: Float32Array = np.empty((N_SAMPLES, 16), np.float32)
    oscillator_kernels.render_oscillators(
        renderer._settings, renderer._controls, renderer._phases[:2], renderer._block,
        sawtooth_tables(), triangle_tables(), wave,
    )  # fmt: skip
    run_filters = plain(filter_kernels, "run_filters")
    with np.errstate(all="ignore"):  # both branches of a choice are computed
        run_filters(renderer._settings, renderer._controls, renderer._block, renderer._noise, wave)
    assert np.abs(renderer._out).max() > 0.1
    # 1e-5: float32 rounding goes round in resonant filters.
    np.testing.assert_allclose(renderer._out, wave, rtol=1e-4, atol=1e-5)


# Where each part begins in the controls; within a part rows follow the catalogue.
FIRST_ROWS = {
    "TUNE": "tune_cents",
    "OSC1": "osc1.saw_level",
    "OSC2": "osc2.saw_level",
    "NOISE": "noise.level",
    "HIGHPASS": "highpass.cutoff_hz",
    "FILTER": "filter.cutoff_hz",
    "BODIES": "body.frequency_hz",
    "BANK": f"bank.gain_{BANK_HZ[0]}_hz_db",
    "FILTER_ENV": "filter_env.depth_octaves",
    "FILTER_LFO": "filter_lfo.rate_hz",
    "AMP_ENV": "amp_env.attack_s",
    "EQUALISER": "eq1.frequency_hz",
}
# The same within an oscillator; the later ones stand one row further in the second, which has a
# detune before them.
OSCILLATOR_ROWS = {
    "SAW": "saw_level",
    "PULSE": "pulse_level",
    "TRIANGLE": "triangle_level",
    "OCTAVE": "octave",
    "WIDTH": "pulse_width_ratio",
    "PITCH_ENV": "pitch_env.depth_cents",
    "VIBRATO": "vibrato.rate_hz",
    "PWM": "pwm.rate_hz",
}


def test_the_rows_are_in_the_order_of_the_catalogue() -> None:
    """Each row constant points to its parameter, and there are as many rows."""
    rows = {name: getattr(control_kernels, name) for name in (*FIRST_ROWS, *OSCILLATOR_ROWS)}
    for name, parameter in FIRST_ROWS.items():
        assert CATALOGUE.names[rows[name]] == parameter
    for name, parameter in OSCILLATOR_ROWS.items():
        is_later = rows[name] > rows["OCTAVE"]
        assert CATALOGUE.names[rows["OSC1"] + rows[name]] == f"osc1.{parameter}"
        assert CATALOGUE.names[rows["OSC2"] + is_later + rows[name]] == f"osc2.{parameter}"
    assert len(CATALOGUE) == control_kernels.N_PARAMETERS
    assert [*PHASE_NAMES[control_kernels.N_PHASES :]] == ["note.place", *PULSE_KIND]


def test_the_phases_are_in_the_order_of_their_names() -> None:
    """Oscillators, vibratos, pulse-width LFOs, each 1 and 2, cutoff."""
    c = control_kernels
    rows = {
        c.PHASE_OSC: "osc1.phase",
        c.PHASE_OSC + 1: "osc2.phase",
        c.PHASE_VIBRATO: "osc1.vibrato.phase",
        c.PHASE_VIBRATO + 1: "osc2.vibrato.phase",
        c.PHASE_PWM: "osc1.pwm.phase",
        c.PHASE_PWM + 1: "osc2.pwm.phase",
        c.PHASE_FILTER: "filter_lfo.phase",
    }
    assert [rows[i] for i in sorted(rows)] == [PHASE_NAMES[column] for column in KERNEL_PHASES]


@pytest.mark.parametrize(
    "module", [oscillator_kernels, filter_kernels], ids=["oscillators", "filters"]
)
def test_constants_that_two_kernel_files_share_are_equal(module: ModuleType) -> None:
    """Each kernel file has its own copy, as numba's cache does not see across files."""
    settings = (
        "LEVELS",
        "MOVING",
        "SECTIONS",
        "DRIVE",
        "HIGHPASS_TAN",
        "SHARES",
        "COLOURS",
        "BELLS",
        "N_BELLS",
        "N_BODIES",
        "N_BANDS",
    )
    known = {name: getattr(setting_kernels, name) for name in settings}
    known |= {
        name: value
        for name, value in vars(control_kernels).items()
        if name.isupper() and isinstance(value, int) and name not in known
    }
    own = {name: value for name, value in vars(module).items() if name in known}
    assert "LANES" in own
    assert own.keys() & set(settings)
    assert own == {name: known[name] for name in own}
    assert module.LANES == packing.LANES


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_kernel_files_take_nothing_from_other_files(module: ModuleType) -> None:
    """Cached kernels would not notice a change in another file, so they import none of ours.

    But for steps of vectors, which say what has to be touched.
    """
    tree = ast.parse(inspect.getsource(module))
    imported = {node.module or "" for node in tree.body if isinstance(node, ast.ImportFrom)} | {
        alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names
    }
    steps = {
        oscillator_kernels: {"voice.lane_oscillators"},
        filter_kernels: {"voice.lane_filters"},
    }
    assert imported == {"__future__", "typing", "numpy", "numba"} | steps.get(module, set())


def test_every_part_is_searched_somewhere() -> None:
    """The shipped structures together free every parameter of the catalogue."""
    names = {name for structure in list_structures() for name in load(structure).settable.names}
    assert names == set(CATALOGUE.names)
