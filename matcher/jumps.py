"""Changes that no small step reaches: a part switched on, another waveform, another octave.

A depth near neutral hardly matters, so a search in small steps may never leave it; a jump puts
the part where it is plainly heard, and what follows scales it back. That is also how a programmer
finds out whether a sound has it (common practice, no source).
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from shared.patch_schema import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = [
    "BEATS",
    "FANS",
    "GROUPS",
    "JUMPS",
    "START_VARIANTS",
    "fan_vectors",
    "jump_groups",
    "jump_vectors",
    "meet_notes",
]

Jump = dict[str, float]

GOLDEN_SECTION = 0.6180339887498949


def jump_vectors(
    problem: Problem, jumps: Sequence[Mapping[str, float]], base: FloatArray | None = None
) -> FloatArray:
    """Encode jumps as vectors.

    Parameters
    ----------
    problem : Problem
        What is searched.
    jumps : sequence of mapping of str to float
        Physical values; those beyond a range of the structure move to its end.
    base : np.ndarray, shape=(n_dimensions,), optional
        What stands where a jump changes nothing; NaN if left out.

    Returns
    -------
    np.ndarray, shape=(n_jumps, n_dimensions), dtype=float64
        One row for each jump of which the structure has every parameter, and that goes somewhere
        else than the base.
    """
    plain = np.full(problem.n_dimensions, np.nan) if base is None else base
    rows = []
    for jump in jumps:
        if not all(name in problem.space for name in jump):
            continue
        row = plain.copy()
        for name, value in jump.items():
            parameter = problem.space[name]
            held = min(max(value, parameter.low), parameter.high)
            row[problem.space.index(name)] = parameter.encode(held)
        if not np.array_equal(row, plain):
            rows.append(row)
    return np.array(rows).reshape(len(rows), problem.n_dimensions)


def fan_vectors(
    problem: Problem,
    jumps: Sequence[Mapping[str, float]],
    base: FloatArray,
    *,
    phase: str,
    n_phases: int,
) -> FloatArray:
    """Encode jumps with an oscillator or LFO at several places of its cycle.

    How two oscillators stand to each other when the note begins decides how they beat, and the
    valley around the right place is narrow; so it is with what an LFO moves.

    Parameters
    ----------
    problem : Problem
        What is searched.
    jumps : sequence of mapping of str to float
        As for `jump_vectors`.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where a jump changes nothing.
    phase : str
        A name of `shared.patch_schema.PHASE_NAMES`.
    n_phases : int >= 1
        How many places around the cycle.

    Returns
    -------
    np.ndarray, shape=(n_rows, n_dimensions), dtype=float64
        Each jump at each place; no rows if that phase can't be heard. Notes begin one golden
        section of the cycle apart, as nothing ties them to each other.
    """
    rows = jump_vectors(problem, jumps, base)
    column = PHASE_NAMES.index(phase)
    if column not in problem.phase_columns or not len(rows):
        return np.empty((0, problem.n_dimensions))
    first = len(problem.space) + problem.phase_columns.index(column)
    columns = first + len(problem.phase_columns) * np.arange(problem.n_notes)
    fan = np.repeat(rows, n_phases, axis=0)
    places = np.tile(np.arange(n_phases) / n_phases, len(rows))
    fan[:, columns] = (places[:, None] + GOLDEN_SECTION * np.arange(problem.n_notes)) % 1.0
    return fan


def meet_notes(
    problem: Problem, fan: FloatArray, losses: FloatArray, *, phase: str, n_phases: int
) -> FloatArray:
    """Put the best place of each note together: notes do not know of each other's phases.

    Parameters
    ----------
    problem : Problem
        What is searched.
    fan : np.ndarray, shape=(n_jumps * n_phases, n_dimensions)
        From `fan_vectors`.
    losses : np.ndarray, shape=(n_notes, n_jumps * n_phases)
        Their losses, note by note.
    phase, n_phases
        As for `fan_vectors`.

    Returns
    -------
    np.ndarray, shape=(n_jumps, n_dimensions), dtype=float64
        Each jump once, with the phase of every note at the place that suits this note best.
    """
    column = problem.phase_columns.index(PHASE_NAMES.index(phase))
    columns = len(problem.space) + column + len(problem.phase_columns) * np.arange(problem.n_notes)
    best = np.argmin(losses.reshape(problem.n_notes, -1, n_phases), axis=2)
    places = fan.reshape(-1, n_phases, problem.n_dimensions)
    met: FloatArray = places[:, 0].copy()
    jumps = np.arange(len(met))
    for note, entry in enumerate(columns):
        met[:, entry] = places[jumps, best[note], entry]
    return met


def jump_groups(problem: Problem) -> npt.NDArray[np.bool_]:
    """Say which entries of a vector belong together, and are drawn anew together.

    Parameters
    ----------
    problem : Problem
        What is searched.

    Returns
    -------
    np.ndarray of bool, shape=(n_groups, n_dimensions)
        One row for each of `GROUPS` of which the problem has a parameter.
    """
    rows = []
    for patterns, phases in GROUPS:
        row = np.zeros(problem.n_dimensions, bool)
        for i, name in enumerate(problem.space.names):
            row[i] = any(fnmatchcase(name, pattern) for pattern in patterns)
        if not row.any():
            continue
        for i, column in enumerate(problem.phase_columns):
            first = len(problem.space) + i
            row[first :: len(problem.phase_columns)] = PHASE_NAMES[column] in phases
        rows.append(row)
    return np.array(rows, bool).reshape(len(rows), problem.n_dimensions)


def _on_each(*settings: tuple[tuple[str, float], ...]) -> list[Jump]:
    """Make a jump of each setting for oscillator 1, for oscillator 2, and for both together."""
    return [
        {f"{osc}.{name}": value for osc in group for name, value in setting}
        for group in (("osc1",), ("osc2",), ("osc1", "osc2"))
        for setting in settings
    ]


_VIBRATOS = _on_each(
    (("vibrato.depth_cents", 8.0), ("vibrato.rate_hz", 4.0)),
    (("vibrato.depth_cents", 8.0), ("vibrato.rate_hz", 5.5)),
    (("vibrato.depth_cents", 20.0), ("vibrato.rate_hz", 4.5)),
    (("vibrato.depth_cents", 20.0), ("vibrato.rate_hz", 6.0)),
)
_PULSE_ALONE = (("saw_level", 0.0), ("pulse_level", 1.0), ("triangle_level", 0.0))
_PULSE_WIDTHS = _on_each(
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 0.6)),
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.2), ("pwm.rate_hz", 1.2)),
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 2.5)),
    (*_PULSE_ALONE, ("pwm.depth_ratio", 0.2), ("pwm.rate_hz", 0.8)),
    (*_PULSE_ALONE, ("pwm.depth_ratio", 0.25), ("pwm.rate_hz", 1.3)),
)
FRONT_EDGES: list[Jump] = [
    {f"{osc}.pitch_env.depth_cents": cents, f"{osc}.pitch_env.decay_s": decay_s}
    for osc in ("osc1", "osc2")
    for cents in (80.0, -80.0, 250.0, -250.0, 600.0, -600.0)
    for decay_s in (0.015, 0.05)
]
_NO_FRONT_EDGES: list[Jump] = [{f"{osc}.pitch_env.depth_cents": 0.0} for osc in ("osc1", "osc2")]
_DEPTHS = ("vibrato.depth_cents", "pwm.depth_ratio")
_NO_MOVEMENTS: list[Jump] = [
    *({f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2")} for depth in _DEPTHS),
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS},
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS}
    | {"osc2.detune_cents": 0.0},
    {"noise.level": 0.0},
]
_WAVEFORMS: list[Jump] = [
    {f"{osc}.{wave}_level": level}
    for osc in ("osc1", "osc2")
    for wave in ("saw", "pulse", "triangle")
    for level in (0.8, 0.0)
]
_WIDTHS: list[Jump] = [{f"{osc}.pulse_width_ratio": 0.2} for osc in ("osc1", "osc2")]
_OCTAVES: list[Jump] = [
    {f"{osc}.octave": octave} for osc in ("osc1", "osc2") for octave in (-1.0, 0.0, 1.0)
]
_DETUNES: list[Jump] = [{"osc2.detune_cents": cents} for cents in (-15.0, -3.0, 0.0, 8.0, 15.0)]
BEATS: list[Jump] = [
    {"osc2.detune_cents": sign * cents}
    for cents in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 15.0)
    for sign in (1.0, -1.0)
]
_FILTERS: list[Jump] = [
    {"filter.resonance_ratio": 0.6},
    {"filter.drive_db": 15.0},
    {"filter.drive_db": 0.0},
    {"filter.slope_db_per_octave": 12.0},
    {"filter.slope_db_per_octave": 24.0},
    {"highpass.cutoff_hz": 200.0},
    *(
        {f"{body}.gain_db": gain_db, f"{body}.frequency_hz": hz, f"{body}.bandwidth_octaves": 0.8}
        for body in ("body", "body2")
        for gain_db in (8.0, -8.0)
        for hz in (500.0, 1000.0, 2000.0, 4000.0)
    ),
]
_BREATH: Jump = {"noise.level": 0.1, "noise.sustain_ratio": 1.0, "noise.bypass_ratio": 0.4}
_BRIGHT_BREATH: Jump = _BREATH | {"noise.level": 0.03, "noise.colour_ratio": 0.9}
_DARK_BREATH: Jump = _BREATH | {"noise.level": 0.1, "noise.colour_ratio": -0.7}
_CHIFF: Jump = {"noise.level": 0.3, "noise.decay_s": 0.03, "noise.sustain_ratio": 0.1}
_BENDS: list[Jump] = [
    {f"{env}.attack_curve_ratio": curve, f"{env}.attack_s": attack_s}
    for env in ("filter_env", "amp_env")
    for curve in (0.6, -0.6)
    for attack_s in (0.03, 0.1)
]
_SLOW_BRIGHTNESS: Jump = {
    "filter_env.depth_octaves": 2.5,
    "filter_env.attack_s": 0.06,
    "filter_env.decay_s": 0.3,
    "filter_env.sustain_ratio": 0.6,
}
_QUICK_BRIGHTNESS: Jump = {
    "filter_env.depth_octaves": 3.0,
    "filter_env.attack_s": 0.001,
    "filter_env.decay_s": 0.2,
    "filter_env.sustain_ratio": 0.2,
}

START_VARIANTS: tuple[Jump, ...] = (
    {"osc1.saw_level": 0.0, "osc1.pulse_level": 1.0},
    {"osc2.octave": -1.0},
    {"osc2.octave": 1.0},
    {"osc1.octave": 1.0},
    _SLOW_BRIGHTNESS,
    _QUICK_BRIGHTNESS,
    {"osc2.detune_cents": 8.0},
    {"osc2.detune_cents": -3.0},
    _BREATH,
    _BRIGHT_BREATH,
    {"osc1.vibrato.depth_cents": 10.0, "osc2.vibrato.depth_cents": 10.0},
)
JUMPS: tuple[Jump, ...] = (
    *FRONT_EDGES,
    *_NO_FRONT_EDGES,
    *_NO_MOVEMENTS,
    *_VIBRATOS,
    *_PULSE_WIDTHS,
    *_WAVEFORMS,
    *_WIDTHS,
    *_OCTAVES,
    *_DETUNES,
    *({"osc2.saw_level": 0.8} | beat for beat in BEATS),
    *_FILTERS,
    _BREATH,
    _BRIGHT_BREATH,
    _DARK_BREATH,
    _CHIFF,
    *_BENDS,
    _SLOW_BRIGHTNESS,
    _QUICK_BRIGHTNESS,
)
# Parameters that are drawn anew together, with the phases that go with them.
_VIBRATO = ("rate_hz", "depth_cents", "delay_s", "rate_env_octaves")
_PULSE = ("pulse_width_ratio", "pwm.rate_hz", "pwm.depth_ratio")
GROUPS: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    *(
        (tuple(f"{osc}.vibrato.{name}" for name in _VIBRATO), (f"{osc}.vibrato.phase",))
        for osc in ("osc1", "osc2")
    ),
    *(
        (tuple(f"{osc}.{name}" for name in _PULSE), (f"{osc}.pwm.phase",))
        for osc in ("osc1", "osc2")
    ),
    *(((f"{osc}.*_level", f"{osc}.pulse_width_ratio"), ()) for osc in ("osc1", "osc2")),
    *(((f"{osc}.pitch_env.*",), ("osc2.phase",)) for osc in ("osc1", "osc2")),
    (("osc2.detune_cents",), ("osc2.phase",)),
    (("noise.*",), ()),
    (("filter_env.*", "filter.cutoff_hz"), ()),
    (("amp_env.attack*", "filter_env.attack*"), ()),
    (("body.*",), ()),
    (("body2.*",), ()),
)
# What is tried at several places of a cycle, and of which.
FANS: tuple[tuple[str, tuple[Jump, ...]], ...] = (
    ("osc2.phase", (*BEATS, *FRONT_EDGES)),
    *(
        (
            f"{osc}.vibrato.phase",
            tuple(
                {f"{osc}.vibrato.depth_cents": 10.0, f"{osc}.vibrato.rate_hz": rate_hz}
                for rate_hz in (4.0, 4.7, 5.5, 6.4)
            ),
        )
        for osc in ("osc1", "osc2")
    ),
    *(
        (
            f"{osc}.pwm.phase",
            tuple(
                {f"{osc}.{name}": level for name, level in levels}
                | {f"{osc}.pwm.depth_ratio": 0.2, f"{osc}.pwm.rate_hz": hz}
                for levels in ((("pulse_level", 0.7),), _PULSE_ALONE)
                for hz in (0.6, 0.9, 1.3, 2.0)
            ),
        )
        for osc in ("osc1", "osc2")
    ),
)
