"""Proposals: changes that no small step reaches, and how they become vectors.

A depth near neutral hardly matters, so a search in small steps may never leave it; a proposal puts
the part where it is plainly heard (switched on, another waveform, another octave), and what
follows scales it back. That is also how a programmer finds out whether a sound has it. Values are
where a part is plainly heard in plain patches: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target import first_values
from matcher.voice_map import (
    OSCILLATORS,
    PHASE_DEPTHS,
    ROWS,
    coupled_names,
    matching_names,
    names_where,
    voice_row,
)
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from matcher.target import Target
    from shared import FloatArray
    from shared.types import IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = [
    "BEATS",
    "PHASE_GRIDS",
    "PROPOSALS",
    "START_VARIANTS",
    "PhaseGrid",
    "coarse_entries",
    "coupled_entries",
    "families_of",
    "phase_grid",
    "proposal_vectors",
    "redrawn_entries",
    "start_vectors",
    "sweep_vectors",
]

GOLDEN_SECTION = 0.6180339887498949
# The second sawtooth of the plain patch; the search decides whether it stays.
SECOND_SAW = 0.8

# Physical values that are set together.
Setting = dict[str, float]


def _on_each(*settings: tuple[tuple[str, float], ...]) -> list[Setting]:
    """Put each setting on oscillator 1, on oscillator 2, and on both together."""
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
_FILTER_LFOS: list[Setting] = [
    {"filter_lfo.depth_octaves": depth_octaves, "filter_lfo.rate_hz": rate_hz}
    for depth_octaves in (0.1, 0.3)
    for rate_hz in (1.0, 2.5, 4.7, 6.0)
]
_PULSE_ALONE = (("saw_level", 0.0), ("pulse_level", 1.0), ("triangle_level", 0.0))
_PULSE_WIDTHS = _on_each(
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 0.6)),
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.2), ("pwm.rate_hz", 1.2)),
    (("pulse_level", 0.7), ("pwm.depth_ratio", 0.15), ("pwm.rate_hz", 2.5)),
    (*_PULSE_ALONE, ("pwm.depth_ratio", 0.2), ("pwm.rate_hz", 0.8)),
    (*_PULSE_ALONE, ("pwm.depth_ratio", 0.25), ("pwm.rate_hz", 1.3)),
)
BENDS: list[Setting] = [
    {f"{osc}.pitch_env.depth_cents": cents, f"{osc}.pitch_env.decay_s": decay_s}
    for osc in ("osc1", "osc2")
    for cents in (80.0, -80.0, 250.0, -250.0, 600.0, -600.0)
    for decay_s in (0.015, 0.05)
]
_NO_BENDS: list[Setting] = [
    {f"{osc}.pitch_env.depth_cents": 0.0 for osc in group}
    for group in (("osc1",), ("osc2",), ("osc1", "osc2"))
]
_DEPTHS = ("vibrato.depth_cents", "pwm.depth_ratio")
_STEADY: list[Setting] = [
    *({f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2")} for depth in _DEPTHS),
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS},
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS}
    | {"osc2.detune_cents": 0.0},
    {"noise.level": 0.0},
    {"filter_lfo.depth_octaves": 0.0},
]
_WAVEFORMS: list[Setting] = [
    {f"{osc}.{wave}_level": level}
    for osc in ("osc1", "osc2")
    for wave in ("saw", "pulse", "triangle")
    for level in (0.8, 0.0)
]
_WIDTHS: list[Setting] = [{f"{osc}.pulse_width_ratio": 0.2} for osc in ("osc1", "osc2")]
_OCTAVES: list[Setting] = [
    {f"{osc}.octave": octave} for osc in ("osc1", "osc2") for octave in (-1.0, 0.0, 1.0)
]
_DETUNES: list[Setting] = [{"osc2.detune_cents": cents} for cents in (-15.0, -3.0, 0.0, 8.0, 15.0)]
BEATS: list[Setting] = [
    {"osc2.detune_cents": sign * cents}
    for cents in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 15.0)
    for sign in (1.0, -1.0)
]
_FILTERS: list[Setting] = [
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
_BREATH: Setting = {"noise.level": 0.1, "noise.sustain_ratio": 1.0, "noise.bypass_ratio": 0.4}
_BRIGHT_BREATH: Setting = _BREATH | {"noise.level": 0.03, "noise.colour_ratio": 0.9}
_DARK_BREATH: Setting = _BREATH | {"noise.level": 0.1, "noise.colour_ratio": -0.7}
_SLOW_BREATH: Setting = _BRIGHT_BREATH | {"noise.attack_s": 0.08}
_CHIFF: Setting = {"noise.level": 0.3, "noise.decay_s": 0.03, "noise.sustain_ratio": 0.1}
_SLOW_ATTACKS: list[Setting] = [
    {f"{env}.attack_curve_ratio": curve, f"{env}.attack_s": attack_s}
    for env in ("filter_env", "amp_env")
    for curve in (0.6, -0.6)
    for attack_s in (0.03, 0.1)
]
_SLOW_BRIGHTNESS: Setting = {
    "filter_env.depth_octaves": 2.5,
    "filter_env.attack_s": 0.06,
    "filter_env.decay_s": 0.3,
    "filter_env.sustain_ratio": 0.6,
}
_QUICK_BRIGHTNESS: Setting = {
    "filter_env.depth_octaves": 3.0,
    "filter_env.attack_s": 0.001,
    "filter_env.decay_s": 0.2,
    "filter_env.sustain_ratio": 0.2,
}

START_VARIANTS: tuple[Setting, ...] = (
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
PROPOSALS: tuple[Setting, ...] = (
    *BENDS,
    *_NO_BENDS,
    *_STEADY,
    *_VIBRATOS,
    *_FILTER_LFOS,
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
    _SLOW_BREATH,
    {"noise.attack_s": 0.05},
    _CHIFF,
    *_SLOW_ATTACKS,
    _SLOW_BRIGHTNESS,
    _QUICK_BRIGHTNESS,
)
# Parameters that are drawn anew together, with the phases that go with them.
_VIBRATO = ("rate_hz", "depth_cents", "delay_s", "rate_env_octaves", "*_key_track_ratio")
_PULSE = ("pulse_width_ratio", "pwm.rate_hz", "pwm.depth_ratio")
# What another kind of pulse may ask for.
_OF_PULSES = tuple(f"{osc}.{name}" for osc in OSCILLATORS for name in ("pulse_level", *_PULSE))
# A wrong place on the timeline hides in the attacks.
_OF_PLACES = ("amp_env.attack_s", "filter_env.attack_s")
REDRAWN: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
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
    (("filter_lfo.*",), ("filter_lfo.phase",)),
    (("noise.*",), ()),
    (("filter_env.*", "filter.cutoff_hz"), ()),
    (("amp_env.attack*", "filter_env.attack*"), ("osc1.phase",)),
    (("body.*",), ()),
    (("body2.*",), ()),
)
# What is tried at several places of a cycle, and of which.
PHASE_GRIDS: tuple[tuple[str, tuple[Setting, ...]], ...] = (
    ("osc1.phase", ({},)),
    ("note.place", ({},)),
    ("osc2.phase", (*BEATS, *BENDS)),
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
    (
        "filter_lfo.phase",
        tuple(
            {"filter_lfo.depth_octaves": 0.2, "filter_lfo.rate_hz": rate_hz}
            for rate_hz in (1.0, 2.0, 4.0, 4.7, 5.5, 6.4)
        ),
    ),
)


def start_vectors(problem: Problem, target: Target) -> FloatArray:
    """Make what a search begins with: the values read off the notes, then their envelopes alone.

    Values are medians over the notes; in the second one the rest of the voice is neutral.
    """
    measured = [first_values(note) for note in target.notes]
    names = sorted({name for values in measured for name in values})
    typical = {
        name: float(np.median([values[name] for values in measured if name in values]))
        for name in names
    }
    typical = {"osc2.saw_level": SECOND_SAW, **typical}
    envelope = {name: value for name, value in typical.items() if name.startswith("amp_env")}
    return np.stack([problem.vector(typical), problem.vector(envelope)])


def sweep_vectors(problem: Problem, base: FloatArray, n_vectors: int, *, seed: int) -> FloatArray:
    """Spread candidates over the voice, around the envelope and the pitch that were measured.

    A scrambled Sobol' sequence, which a power of two spreads best; as many copies of the base if
    the structure has nothing to sweep.
    """
    from scipy.stats import qmc  # noqa: PLC0415  imported when first used

    swept = {n: known.sweep for n, known in ROWS.items() if known.sweep and n in problem.space}
    rows = np.tile(base, (n_vectors, 1))
    if not swept:
        return rows
    exponent = math.ceil(math.log2(n_vectors))
    spread = qmc.Sobol(len(swept), rng=np.random.default_rng(seed)).random_base2(exponent)
    for (name, reach), shares in zip(swept.items(), spread[:n_vectors].T, strict=True):
        parameter = problem.space[name]
        ends = np.clip(reach, parameter.low, parameter.high)
        low, high = (parameter.encode(float(end)) for end in ends)
        rows[:, problem.space.index(name)] = low + (high - low) * shares
    kinds = pulse_kinds(problem)
    if len(kinds):
        chosen = np.random.default_rng(seed).integers(len(kinds), size=n_vectors)
        rows[:, problem.pulse_entries] = kinds[chosen][:, problem.pulse_entries]
    columns = [problem.space.index(name) for name in swept]
    units = rows[:, : len(problem.space)]
    # There and back again: steps and choices are in the middle of their cells.
    rows[:, columns] = problem.space.encode(problem.space.decode(units))[:, columns]
    return rows


def proposal_vectors(
    problem: Problem, settings: Sequence[Mapping[str, float]], base: FloatArray | None = None
) -> FloatArray:
    """Encode settings as vectors, one row for each of which the structure has every parameter.

    The rest of a row is the base, or NaN; rows equal to it are left out, but for the empty
    setting, of which grids move the phase. Values beyond a range move to its end.
    """
    plain = np.full(problem.n_dimensions, np.nan) if base is None else base
    rows = []
    for setting in settings:
        if not all(name in problem.space for name in setting):
            continue
        row = plain.copy()
        for name, value in setting.items():
            parameter = problem.space[name]
            held = min(max(value, parameter.low), parameter.high)
            row[problem.space.index(name)] = parameter.encode(held)
        if not setting or not np.array_equal(row, plain):
            rows.append(row)
    return np.array(rows).reshape(len(rows), problem.n_dimensions)


def pulse_kinds(problem: Problem) -> FloatArray:
    """Make a row for each kind of pulse, NaN elsewhere; none if there is nothing to choose."""
    n_kinds = len(problem.pulse_columns)
    rows = np.full((2**n_kinds if n_kinds else 0, problem.n_dimensions), np.nan)
    cells = np.arange(len(rows))[:, None] >> np.arange(n_kinds) & 1
    rows[:, problem.pulse_entries] = (cells + 0.5) / 2.0
    return rows


@dataclass(frozen=True, eq=False)
class PhaseGrid:
    """Settings, each with an oscillator or LFO at several places of its cycle."""

    # Shape (n_settings * n_phases, n_dimensions), setting after setting.
    rows: FloatArray
    # The entries of the phase, one for each note.
    columns: IntArray
    n_phases: int

    def best_of_each_note(self, losses: FloatArray) -> FloatArray:
        """Put the best place of each note together, one row for each setting.

        Notes do not know of each other's phases. `losses` are those of the rows, note by note:
        shape (n_notes, n_settings * n_phases).
        """
        best = np.argmin(losses.reshape(len(losses), -1, self.n_phases), axis=2)
        places = self.rows.reshape(-1, self.n_phases, self.rows.shape[1])
        joined: FloatArray = places[:, 0].copy()
        settings = np.arange(len(joined))
        for note, entry in enumerate(self.columns):
            joined[:, entry] = places[settings, best[note], entry]
        return joined


def phase_grid(
    problem: Problem,
    settings: Sequence[Mapping[str, float]],
    base: FloatArray,
    *,
    phase: str,
    n_phases: int,
) -> PhaseGrid:
    """Encode settings with a phase all round its cycle; no rows if it can't be heard.

    Notes begin one golden section of the cycle apart, as nothing ties them to each other.
    """
    rows, columns = proposal_vectors(problem, settings, base), problem.phase_entries(phase)
    if not len(columns):
        return PhaseGrid(rows[:0], columns, n_phases)
    notes = np.arange(problem.n_notes)
    grid = np.repeat(rows, n_phases, axis=0)
    places = np.tile(np.arange(n_phases) / n_phases, len(rows))
    grid[:, columns] = (places[:, None] + GOLDEN_SECTION * notes) % 1.0
    return PhaseGrid(grid, columns, n_phases)


def redrawn_entries(problem: Problem) -> BoolArray:
    """Say which entries are drawn anew together, a row for each group of which some are there."""
    rows = []
    for patterns, phases in REDRAWN:
        wanted = matching_names(patterns)
        is_own = [name in wanted for name in problem.space.names]
        row = np.array([*is_own, *(False,) * (problem.n_dimensions - len(is_own))])
        row[problem.phase_entries(*phases)] = True
        if any(is_own):
            rows.append(row)
    return np.array(rows, bool).reshape(len(rows), problem.n_dimensions)


def coarse_entries(problem: Problem) -> BoolArray:
    """Say what moves in the first steps from many starts: all but fine movement."""
    fine = names_where("is_fine")
    phases = [PHASE_DEPTHS[PHASE_NAMES[column]] for column in problem.phase_columns]
    is_coarse = [fine.isdisjoint(depths) for depths in phases]
    entries = np.array(
        [
            *(name not in fine for name in problem.space.names),
            *is_coarse * problem.n_notes,
            *(True,) * len(problem.pulse_columns),
        ],
        bool,
    )
    # Where movement is most of what is searched, it decides.
    return entries if 2 * np.count_nonzero(entries) > len(entries) else np.ones_like(entries)


def coupled_entries(problem: Problem, changed: BoolArray) -> BoolArray:
    """Say what is fitted first after some entries were changed, row by row.

    Whether a change was right is asked long before everything else was fitted again. Some twenty
    parameters answer that: those of the part itself, those that it trades with, and those that
    any change of the sound moves. Common practice, no source.
    """
    names = np.array(problem.space.names)
    phase_parts = [PHASE_NAMES[column].removesuffix(".phase") for column in problem.phase_columns]
    places = problem.phase_entries("note.place")
    # Hundreds of proposals touch the same few parts.
    known: dict[frozenset[str], BoolArray] = {}
    masks = np.zeros(changed.shape, bool)
    for i, entries in enumerate(changed):
        touched = names[entries[: len(names)]].tolist()
        if np.any(entries[problem.pulse_entries]):
            touched += [name for name in _OF_PULSES if name in problem.space]
        if np.any(entries[places]):
            touched += [name for name in _OF_PLACES if name in problem.space]
        parts = frozenset(voice_row(name).part for name in touched)
        if parts not in known:
            fitted = names_where("is_always_fitted").union(*map(coupled_names, touched))
            moving = [part in {*parts, *OSCILLATORS, "note.place"} for part in phase_parts]
            is_fitted = [name in fitted for name in problem.space.names]
            of_pulses = (False,) * len(problem.pulse_columns)
            known[parts] = np.array([*is_fitted, *moving * problem.n_notes, *of_pulses], bool)
        masks[i] = known[parts]
    return masks | changed


def families_of(problem: Problem, rows: FloatArray) -> IntArray:
    """Give proposals that differ in the same phases only the same number."""
    known: dict[bytes, int] = {}
    n = len(problem.space)
    kinds = np.hstack([rows[:, :n], rows[:, problem.pulse_entries], np.isnan(rows[:, n:])])
    return np.array([known.setdefault(kind.tobytes(), len(known)) for kind in kinds], np.int64)
