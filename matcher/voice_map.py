"""What is known of each parameter of the voice, beside its range: one row each, in one table.

The catalogue (`shared.catalogue`) says what a parameter is. Here is what whoever works with
patches has to know besides: which part of the panel it is on, how that part is switched off, what
it is fitted with, where it is worth trying, what the notes must have to tell it, and when it does
nothing. Values are where a part is plainly heard in plain patches for notes of a melody: common
practice, no source. Rows of both oscillators come from one declaration, with ``?`` for the number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from typing import TYPE_CHECKING, Any

from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND, ParameterError, suggest_names
from shared.catalogue import BANK_HZ, EQUALISER_BANDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shared import Parameter

__all__ = [
    "LEVELS",
    "OSCILLATORS",
    "PHASE_DEPTHS",
    "READING_ORDER",
    "ROWS",
    "SWITCHES",
    "Row",
    "Switch",
    "coupled_names",
    "matching_names",
    "names_where",
    "off_value",
    "removals",
    "switches",
    "voice_row",
]

OSCILLATORS = ("osc1", "osc2")
TRIANGLE = "osc?.triangle_level"


@dataclass(frozen=True)
class Row:
    """What is known of one parameter."""

    name: str
    # What the control is called within its part, and the part of the panel it is on.
    label: str
    title: str = ""
    # What switches it off: None is the neutral value that the structure gives it.
    off: float | None = None
    # Whether that switches something off, and whether it is the level of a waveform.
    is_switch: bool = False
    is_level: bool = False
    # The phase that is heard where it differs from 0.
    phase: str = ""
    # Patterns of what it is fitted with beside its own part; whether any change moves it.
    coupled: tuple[str, ...] = ()
    is_always_fitted: bool = False
    # Fine movement, which says little about which valley is deeper.
    is_fine: bool = False
    # Whether it makes the onset, and is fitted to that alone.
    is_onset: bool = False
    # Whether a wrong gate bends it.
    bends_with_gate: bool = False
    # Whether moving it asks for other phases of the oscillators.
    turns_phases: bool = False
    # How far a sweep of the whole voice goes, in its own unit.
    sweep: tuple[float, float] | None = None
    # What notes must differ in to tell it: "pitch", "velocity", or nothing.
    needs: str = ""
    # What must be at work for it to do something (`matcher.parts.used_parameters`), and whether
    # it then counts at its neutral value, too.
    works_with: str = ""
    is_used_at_rest: bool = False
    # Whether it stands in the mixer, after the instrument: it is fitted when all else is found.
    is_in_mixer: bool = False
    # The just-noticeable difference that its own value is judged by.
    judged_by: str = ""

    @property
    def part(self) -> str:
        """The beginning of the name: ``osc1.pwm`` of ``osc1.pwm.rate_hz``."""
        return self.name.rpartition(".")[0]


@dataclass(frozen=True)
class Switch:
    """One thing that can be left out of a patch: title, what is left out, and by which values."""

    title: str
    names: tuple[str, ...]
    off: Mapping[str, float]


def _part(
    key: str,
    title: str,
    *rows: Row,
    works_with: str = "",
    **facts: Any,  # noqa: ANN401  fields of a row
) -> tuple[Row, ...]:
    """Complete the rows of one part with its name, and with what all of them have in common."""
    named = [
        replace(
            declared,
            name=f"{key}.{declared.name}",
            title=title,
            works_with=declared.works_with.replace("@", key) or works_with or key,
        )
        for declared in rows
    ]
    return tuple(replace(declared, **facts) for declared in named)


def _on_oscillators(rows: Iterable[Row]) -> list[Row]:
    """Put both numbers in the place of ``?``: part after part, oscillator 1 first."""
    parts: dict[str, list[Row]] = {}
    for declared in rows:
        parts.setdefault(declared.title, []).append(declared)
    return [
        replace(
            declared,
            turns_phases=True,
            # A second triangle adds little to the sweep, and takes a dimension of it.
            sweep=None if (declared.name, number) == (TRIANGLE, "2") else declared.sweep,
            **{
                field: getattr(declared, field).replace("?", number)
                for field in ("name", "title", "phase", "works_with")
            },
            coupled=tuple(pattern.replace("?", number) for pattern in declared.coupled),
        )
        for of_part in parts.values()
        for number in "12"
        for declared in of_part
        # Detune counts against oscillator 1.
        if declared.name != "osc?.detune_cents" or number == "2"
    ]


def _level(wave: str, label: str, *, sweep: tuple[float, float] | None = (0.0, 1.0)) -> Row:
    """Return the row of a waveform, whose silence is 0."""
    return Row(f"{wave}_level", label, off=0.0, is_switch=True, is_level=True, phase="osc?.phase",
               is_always_fitted=True, sweep=sweep, works_with=f"@.{wave}_level",
               is_used_at_rest=True)  # fmt: skip


def _envelope(
    key: str,
    title: str,
    *rows: Row,
    sweep: Mapping[str, tuple[float, float]],
    **facts: Any,  # noqa: ANN401  fields of a row
) -> tuple[Row, ...]:
    """Return the rows of an envelope that is held at its sustain level."""
    falls = f"{key} falls"
    common = (
        Row("attack_s", "attack", is_onset=True, is_used_at_rest=True, judged_by="attack",
            is_always_fitted=key == "amp_env"),
        Row("attack_curve_ratio", "attack curve", is_switch=True, is_fine=True,
            is_onset=True),
        Row("decay_s", "decay", bends_with_gate=True, works_with=falls, is_used_at_rest=True,
            is_onset=key == "filter_env", judged_by="decay"),
        Row("sustain_ratio", "sustain", is_switch=key == "amp_env", bends_with_gate=True,
            is_onset=key == "filter_env", is_used_at_rest=True),
        Row("release_s", "release", bends_with_gate=True, is_used_at_rest=True,
            judged_by="release"),
    )  # fmt: skip
    swept = [replace(declared, sweep=sweep.get(declared.name)) for declared in (*rows, *common)]
    return _part(key, title, *swept, **facts)


def _body(
    key: str, title: str, hz: tuple[float, float], db: tuple[float, float]
) -> tuple[Row, ...]:
    """Return the rows of a resonance of the body."""
    return _part(
        key, title,
        Row("frequency_hz", "frequency", is_used_at_rest=True, sweep=hz),
        Row("gain_db", "gain", is_switch=True, is_used_at_rest=True, sweep=db),
        Row("bandwidth_octaves", "bandwidth", is_used_at_rest=True),
        coupled=("filter.*", "body*", "highpass.cutoff_hz"),
    )  # fmt: skip


_OSCILLATOR = (
    *_part(
        "osc?", "oscillator ?",
        _level("saw", "sawtooth"),
        _level("pulse", "pulse"),
        _level("triangle", "triangle"),
        Row("octave", "octave", is_switch=True, sweep=(-1.0, 1.0), judged_by="pitch"),
        Row("detune_cents", "detune", is_switch=True, is_always_fitted=True, sweep=(-12.0, 12.0),
            judged_by="pitch"),
        Row("pulse_width_ratio", "pulse width", works_with="@.pulse", is_used_at_rest=True,
            sweep=(0.1, 0.5)),
        coupled=("osc?.pulse_width_ratio", "highpass.cutoff_hz"),
    ),
    *_part(
        "osc?.pitch_env", "pitch envelope, oscillator ?",
        Row("depth_cents", "depth", is_switch=True, judged_by="pitch"),
        Row("attack_s", "attack", is_used_at_rest=True, judged_by="attack"),
        Row("decay_s", "decay", is_used_at_rest=True, judged_by="decay"),
        is_fine=True, is_onset=True,
        coupled=("filter_env.attack_s", "filter_env.decay_s", "filter_env.sustain_ratio"),
    ),
    *_part(
        "osc?.vibrato", "vibrato, oscillator ?",
        Row("rate_hz", "rate", is_used_at_rest=True, judged_by="vibrato rate"),
        Row("depth_cents", "depth", is_switch=True, judged_by="vibrato depth",
            phase="osc?.vibrato.phase"),
        Row("delay_s", "delay", is_switch=True, judged_by="attack"),
        Row("rate_key_track_ratio", "rate key tracking", is_switch=True, needs="pitch"),
        Row("depth_key_track_ratio", "depth key tracking", is_switch=True, needs="pitch"),
        Row("rate_env_octaves", "rate at the start", is_switch=True),
        is_fine=True,
    ),
    *_part(
        "osc?.pwm", "pulse-width modulation, oscillator ?",
        Row("rate_hz", "rate", is_used_at_rest=True, judged_by="vibrato rate"),
        Row("depth_ratio", "depth", is_switch=True, phase="osc?.pwm.phase"),
        Row("rate_key_track_ratio", "rate key tracking", is_switch=True, needs="pitch"),
        is_fine=True, coupled=("osc?.pulse_width_ratio",),
    ),
)  # fmt: skip

# In the order in which a patch is read.
_ROWS = (
    Row("tune_cents", "fine tune", "tuning", is_always_fitted=True, turns_phases=True,
        works_with="sound", judged_by="pitch"),
    *_on_oscillators(_OSCILLATOR),
    *_part(
        "noise", "noise",
        Row("level", "level", is_switch=True, is_used_at_rest=True,
            sweep=(0.0, 0.3)),
        Row("attack_s", "attack", is_switch=True, is_onset=True, judged_by="attack"),
        Row("decay_s", "decay", bends_with_gate=True, works_with="@ falls", is_used_at_rest=True,
            sweep=(0.05, 3.0), judged_by="decay"),
        Row("sustain_ratio", "sustain", is_switch=True, bends_with_gate=True, sweep=(0.0, 1.0)),
        Row("colour_ratio", "colour", is_switch=True, sweep=(-1.0, 1.0)),
        Row("bypass_ratio", "filter bypass", is_switch=True, works_with="@ past the filters",
            is_used_at_rest=True, sweep=(0.0, 1.0)),
    ),
    *_part(
        "highpass", "high-pass filter",
        Row("cutoff_hz", "cutoff", is_switch=True, sweep=(20.0, 400.0)),
        works_with="sound", coupled=("filter.*", "body.*"),
    ),
    *_part(
        "filter", "low-pass filter",
        Row("cutoff_hz", "cutoff", is_always_fitted=True, is_onset=True, bends_with_gate=True,
            is_used_at_rest=True, sweep=(225.0, 14_000.0)),
        Row("resonance_ratio", "resonance", is_switch=True, sweep=(0.0, 0.6)),
        Row("slope_db_per_octave", "slope", is_switch=True, is_used_at_rest=True),
        Row("key_track_ratio", "key tracking", is_switch=True, needs="pitch"),
        Row("drive_db", "drive", is_switch=True, works_with="sound", sweep=(0.0, 20.0)),
        coupled=("filter*", "highpass.cutoff_hz", "body.*"),
    ),
    *_body("body", "body resonance", (300.0, 5000.0), (-2.0, 12.0)),
    *_body("body2", "second body resonance", (1000.0, 6000.0), (-8.0, 8.0)),
    *_part(
        "bank", "12-band equaliser",
        *(Row(f"gain_{hz}_hz_db", f"{hz} Hz", is_switch=True) for hz in BANK_HZ),
        works_with="sound",
    ),
    *_envelope(
        "filter_env", "filter envelope",
        Row("depth_octaves", "depth", is_switch=True, is_always_fitted=True, is_onset=True,
            bends_with_gate=True, is_used_at_rest=True),
        Row("velocity_octaves", "velocity to depth", is_switch=True, needs="velocity"),
        coupled=("filter_env.*", "amp_env.*", "filter.*"),
        sweep={"depth_octaves": (-1.5, 5.0), "attack_s": (0.0005, 0.25),
               "attack_curve_ratio": (-0.5, 0.5), "decay_s": (0.03, 2.0),
               "sustain_ratio": (0.1, 1.0)},
    ),
    *_part(
        "filter_lfo", "LFO on the cutoff",
        Row("rate_hz", "rate", is_used_at_rest=True, judged_by="vibrato rate"),
        Row("depth_octaves", "depth", is_switch=True, phase="filter_lfo.phase"),
        Row("delay_s", "delay", is_switch=True, judged_by="attack"),
        is_fine=True,
    ),
    *_envelope(
        "amp_env", "amplifier envelope",
        Row("velocity_db", "velocity to level", is_switch=True, needs="velocity"),
        coupled=("filter_env.*", "amp_env.*"), works_with="sound", sweep={},
    ),
    *(
        row
        for band in EQUALISER_BANDS
        for row in _part(
            band, "in the mixer, after the instrument",
            Row("frequency_hz", f"band {band[-1]} frequency", is_used_at_rest=True),
            Row("gain_db", f"band {band[-1]} gain", is_switch=True, is_used_at_rest=True),
            Row("bandwidth_octaves", f"band {band[-1]} width", is_used_at_rest=True),
            coupled=("filter.*", "eq*", "highpass.cutoff_hz"), is_in_mixer=True,
        )
    ),
)  # fmt: skip

READING_ORDER = tuple(dict.fromkeys(declared.title for declared in _ROWS))
ROWS = {
    declared.name: declared
    for declared in sorted(_ROWS, key=lambda known: CATALOGUE.index(known.name))
}
SWITCHES = frozenset(name for name, known in ROWS.items() if known.is_switch)
LEVELS = tuple(name for name, declared in ROWS.items() if declared.is_level)
# The parameters that must be able to differ from zero for a phase to be heard.
PHASE_DEPTHS = {
    phase: tuple(name for name, declared in ROWS.items() if declared.phase == phase)
    for phase in PHASE_NAMES
    if phase not in {"note.place", *PULSE_KIND}
}
PHASE_DEPTHS["note.place"] = LEVELS
PHASE_DEPTHS |= dict.fromkeys(PULSE_KIND, tuple(f"{osc}.pulse_level" for osc in OSCILLATORS))

# Title, what is set to leave it out, and which other controls then do nothing.
_SWITCHES: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("fine tune", ("tune_cents",), ()),
    ("detune, oscillator 2", ("osc2.detune_cents",), ()),
    ("octave, oscillator 1", ("osc1.octave",), ()),
    ("octave, oscillator 2", ("osc2.octave",), ()),
    *(
        (f"{title}, oscillator {osc[-1]}", (f"{osc}.{part}.{depth}",), (f"{osc}.{part}.*",))
        for osc in OSCILLATORS
        for title, part, depth in (
            ("pitch envelope", "pitch_env", "depth_cents"),
            ("vibrato", "vibrato", "depth_cents"),
            ("pulse-width modulation", "pwm", "depth_ratio"),
        )
    ),
    *(
        (f"key tracking of the {title}, oscillator {osc[-1]}", (f"{osc}.{part}.*key_track*",), ())
        for title, part in (("vibrato", "vibrato"), ("pulse-width modulation", "pwm"))
        for osc in OSCILLATORS
    ),
    ("noise", ("noise.level",), ("noise.*",)),
    ("colour of the noise", ("noise.colour_ratio",), ()),
    ("high-pass filter", ("highpass.cutoff_hz",), ()),
    (
        "low-pass filter",
        ("filter.cutoff_hz", "filter.resonance_ratio", "filter.key_track_ratio",
         "filter_env.depth_octaves", "filter_env.velocity_octaves", "filter_lfo.depth_octaves"),
        ("filter.slope_db_per_octave", "filter_env.*", "filter_lfo.*"),
    ),
    ("resonance", ("filter.resonance_ratio",), ()),
    ("drive", ("filter.drive_db",), ()),
    ("key tracking of the filter", ("filter.key_track_ratio",), ()),
    ("filter envelope", ("filter_env.depth_octaves", "filter_env.velocity_octaves"),
     ("filter_env.*",)),
    ("LFO on the cutoff", ("filter_lfo.depth_octaves",), ("filter_lfo.*",)),
    ("velocity to brightness", ("filter_env.velocity_octaves",), ()),
    ("body resonance", ("body.gain_db",), ("body.*",)),
    ("second body resonance", ("body2.gain_db",), ("body2.*",)),
    ("12-band equaliser", ("bank.*",), ()),
    ("equaliser after the instrument", ("eq*.gain_db",), ("eq*",)),
    ("amplifier envelope", ("amp_env.attack_s", "amp_env.sustain_ratio", "amp_env.release_s"),
     ("amp_env.attack_curve_ratio", "amp_env.decay_s")),
)  # fmt: skip

# What both oscillators do, and settings that switch nothing off and needn't be set at rest.
_PAIRS = tuple(
    (f"{title}, both oscillators", f"osc?.{end}")
    for title, end in (
        ("pitch envelopes", "pitch_env.depth_cents"),
        ("vibratos", "vibrato.depth_cents"),
        ("pulse-width modulations", "pwm.depth_ratio"),
        ("octaves", "octave"),
    )
)
_AT_REST = ("osc?.pulse_width_ratio", "*_env.attack_s", "*_env.release_s",
            "filter_env.sustain_ratio")  # fmt: skip


def voice_row(name: str) -> Row:
    """Return what is known of a parameter; an unknown name is refused with a suggestion."""
    if name not in ROWS:
        hint = suggest_names(name, CATALOGUE.names) or "See `earwright structures complete`."
        raise ParameterError(f"{name}: no such parameter. {hint}", name=name)
    return ROWS[name]


@cache
def names_where(field: str, value: object = True) -> frozenset[str]:  # noqa: FBT002
    """Name the parameters whose row holds a value in a field: ``names_where("is_switch")``."""
    return frozenset(name for name, known in ROWS.items() if getattr(known, field) == value)


def off_value(parameter: Parameter) -> float:
    """Return what switches a structure's parameter off: 0 for a level, else its neutral value."""
    off = ROWS[parameter.name].off
    return float(parameter.neutral) if off is None else off


@cache
def coupled_names(name: str) -> frozenset[str]:
    """Name what is fitted with a parameter: its part, what it trades with, and what always is."""
    known = voice_row(name)
    own = (other for other, its in ROWS.items() if its.part == known.part)
    return names_where("is_always_fitted").union(own, matching_names(known.coupled))


@cache
def switches() -> tuple[Switch, ...]:
    """List all that can be left out of a patch, oscillators with each of their waveforms first.

    These are finer than the parts of a panel: detune, resonance, drive and key tracking are
    moves of their own, though each is one control of a larger part.
    """
    found = []
    for osc in OSCILLATORS:
        levels = {name: 0.0 for name in LEVELS if name.startswith(osc)}
        title = voice_row(next(iter(levels))).title
        found.append(Switch(title, matching_names((f"{osc}.*",)), levels))
        found += [Switch(f"{voice_row(n).label}, {title}", (n,), {n: 0.0}) for n in levels]
    for title, off, also in _SWITCHES:
        values = {name: float(CATALOGUE[name].neutral) for name in matching_names(off)}
        found.append(Switch(title, matching_names((*off, *also)), values))
    return tuple(found)


@cache
def removals() -> tuple[Switch, ...]:
    """List everything that makes a patch shorter: `switches`, pairs, and single settings.

    One of two bends alone shifts how the oscillators beat, so both go together, too.
    """
    pairs = [
        Switch(title, names, {name: float(CATALOGUE[name].neutral) for name in names})
        for title, pattern in _PAIRS
        for names in [matching_names((pattern,))]
    ]
    found = [*switches(), *pairs]
    known = {switch.names for switch in found}
    for name in matching_names((*SWITCHES, *_AT_REST)):
        if (name,) not in known:
            title = f"{ROWS[name].label}, {ROWS[name].title}"
            found.append(Switch(title, (name,), {name: float(CATALOGUE[name].neutral)}))
    return tuple(found)


def matching_names(patterns: Iterable[str]) -> tuple[str, ...]:
    """Name what fits one of some patterns, in the order of the catalogue."""
    wanted = tuple(patterns)
    return tuple(n for n in CATALOGUE.names if any(fnmatchcase(n, glob) for glob in wanted))
