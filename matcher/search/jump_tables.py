"""The jumps of a search, as tables: what is switched on or off, and what is drawn anew together.

Values are where a part is plainly heard in plain patches: common practice, no source. How they
become candidates stands in `matcher.search.jumps`.
"""

from __future__ import annotations

__all__ = ["BEATS", "FANS", "GROUPS", "JUMPS", "START_VARIANTS"]

Jump = dict[str, float]


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
_FILTER_LFOS: list[Jump] = [
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
FRONT_EDGES: list[Jump] = [
    {f"{osc}.pitch_env.depth_cents": cents, f"{osc}.pitch_env.decay_s": decay_s}
    for osc in ("osc1", "osc2")
    for cents in (80.0, -80.0, 250.0, -250.0, 600.0, -600.0)
    for decay_s in (0.015, 0.05)
]
_NO_FRONT_EDGES: list[Jump] = [
    {f"{osc}.pitch_env.depth_cents": 0.0 for osc in group}
    for group in (("osc1",), ("osc2",), ("osc1", "osc2"))
]
_DEPTHS = ("vibrato.depth_cents", "pwm.depth_ratio")
_NO_MOVEMENTS: list[Jump] = [
    *({f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2")} for depth in _DEPTHS),
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS},
    {f"{osc}.{depth}": 0.0 for osc in ("osc1", "osc2") for depth in _DEPTHS}
    | {"osc2.detune_cents": 0.0},
    {"noise.level": 0.0},
    {"filter_lfo.depth_octaves": 0.0},
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
_SLOW_BREATH: Jump = _BRIGHT_BREATH | {"noise.attack_s": 0.08}
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
    *_BENDS,
    _SLOW_BRIGHTNESS,
    _QUICK_BRIGHTNESS,
)
# Parameters that are drawn anew together, with the phases that go with them.
_VIBRATO = ("rate_hz", "depth_cents", "delay_s", "rate_env_octaves", "*_key_track_ratio")
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
    (("filter_lfo.*",), ("filter_lfo.phase",)),
    (("noise.*",), ()),
    (("filter_env.*", "filter.cutoff_hz"), ()),
    (("amp_env.attack*", "filter_env.attack*"), ("osc1.phase",)),
    (("body.*",), ()),
    (("body2.*",), ()),
)
# What is tried at several places of a cycle, and of which.
FANS: tuple[tuple[str, tuple[Jump, ...]], ...] = (
    ("osc1.phase", ({},)),
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
    (
        "filter_lfo.phase",
        tuple(
            {"filter_lfo.depth_octaves": 0.2, "filter_lfo.rate_hz": rate_hz}
            for rate_hz in (1.0, 2.0, 4.0, 4.7, 5.5, 6.4)
        ),
    ),
)
