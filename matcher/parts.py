"""The voice as a musician sees it: parts, the labels of their controls, and which of them work.

The catalogue orders parameters along the signal path, and its groups say what a parameter
shapes. On a panel, controls stand together by part (an oscillator, an envelope, an LFO); that
view is here, for everything that prints a patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from shared import CATALOGUE, ParameterError, suggest_names
from shared.catalogue import BANK_HZ

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["VoicePart", "parameter_label", "used_parameters", "voice_parts"]

# A waveform this far below the loudest one is masked by it: -46 dB, common practice, no source.
_SILENT_RATIO = 0.005
# Noise that goes past the filters stands above the tone, where nothing masks it: at -66 dB it is
# at the threshold of hearing, about 10 dB SPL, when the tone has 75 dB SPL (from memory).
_SILENT_PAST_RATIO = 0.0005
_WAVE_LEVELS = tuple(
    f"{osc}.{wave}_level" for osc in ("osc1", "osc2") for wave in ("saw", "pulse", "triangle")
)
_BANK = CATALOGUE.only("bank.*").names

# Title, and the beginning of the names; `tune_cents` belongs to no part of the panel.
_PREFIXES = (
    ("tuning", "tune_cents"),
    ("oscillator 1", "osc1."),
    ("oscillator 2", "osc2."),
    ("pitch envelope, oscillator 1", "osc1.pitch_env."),
    ("pitch envelope, oscillator 2", "osc2.pitch_env."),
    ("vibrato, oscillator 1", "osc1.vibrato."),
    ("vibrato, oscillator 2", "osc2.vibrato."),
    ("pulse-width modulation, oscillator 1", "osc1.pwm."),
    ("pulse-width modulation, oscillator 2", "osc2.pwm."),
    ("noise", "noise."),
    ("high-pass filter", "highpass."),
    ("low-pass filter", "filter."),
    ("body resonance", "body."),
    ("second body resonance", "body2."),
    ("filter bank", "bank."),
    ("filter envelope", "filter_env."),
    ("LFO on the cutoff", "filter_lfo."),
    ("amplifier envelope", "amp_env."),
)

_LABELS = {
    "tune_cents": "fine tune",
    "saw_level": "sawtooth",
    "pulse_level": "pulse",
    "triangle_level": "triangle",
    "octave": "octave",
    "detune_cents": "detune",
    "pulse_width_ratio": "pulse width",
    "depth_cents": "depth",
    "depth_ratio": "depth",
    "depth_octaves": "depth",
    "attack_s": "attack",
    "attack_curve_ratio": "bend of the attack",
    "decay_s": "decay",
    "sustain_ratio": "sustain",
    "release_s": "release",
    "rate_hz": "rate",
    "delay_s": "delay",
    "rate_key_track_ratio": "rate key tracking",
    "depth_key_track_ratio": "depth key tracking",
    "rate_env_octaves": "rate at the start",
    "level": "level",
    "colour_ratio": "colour",
    "bypass_ratio": "past the filters",
    "cutoff_hz": "cutoff",
    "resonance_ratio": "resonance",
    "slope_db_per_octave": "slope",
    "key_track_ratio": "key tracking",
    "drive_db": "drive",
    "frequency_hz": "frequency",
    "gain_db": "gain",
    "bandwidth_octaves": "bandwidth",
    **{f"gain_{hz}_hz_db": f"{hz} Hz" for hz in BANK_HZ},
    "velocity_octaves": "velocity to depth",
    "velocity_db": "velocity to level",
}


@dataclass(frozen=True)
class VoicePart:
    """One part of the voice.

    Parameters
    ----------
    title : str
        What it is called: ``"vibrato, oscillator 2"``.
    names : tuple of str
        Its parameters, in the order of the catalogue.
    """

    title: str
    names: tuple[str, ...]


@cache
def voice_parts() -> tuple[VoicePart, ...]:
    """List the parts of the voice in the order in which a patch is read.

    Returns
    -------
    tuple of VoicePart
        Together they hold each parameter of the catalogue once.
    """
    return tuple(
        VoicePart(title, tuple(name for name in CATALOGUE.names if _prefix(name) == prefix))
        for title, prefix in _PREFIXES
    )


def parameter_label(name: str) -> str:
    """Say what a control is called within its part.

    Parameters
    ----------
    name : str
        Name of a parameter.

    Returns
    -------
    str
        ``"rate key tracking"`` for ``"osc1.vibrato.rate_key_track_ratio"``.

    Raises
    ------
    ParameterError
        If the catalogue has no such parameter.
    """
    if name not in CATALOGUE:
        hint = suggest_names(name, CATALOGUE.names) or "See `earwright structures complete`."
        raise ParameterError(f"{name}: no such parameter. {hint}", name=name, value=name)
    return _LABELS[name.rsplit(".", maxsplit=1)[-1]]


def used_parameters(values: Mapping[str, float]) -> frozenset[str]:
    """Say which parameters of a patch do something.

    A silent oscillator's pitch, the rate of an LFO without depth, the decay of an envelope that
    stays at its peak: such values don't matter, and a patch is easier to read without them.

    Parameters
    ----------
    values : mapping of str to float
        Values of all parameters of the catalogue, in physical units.

    Returns
    -------
    frozenset of str
        Names of those that are at work.
    """
    shaping = _used_in_filters(values)
    used = _if_working(values, "tune_cents", "amp_env.velocity_db") | shaping
    used |= _used_in_mixer(values) | _used_in_noise(values, is_shaped=bool(shaping))
    return frozenset(used | _envelope("amp_env", values))


def _prefix(name: str) -> str:
    """Return the longest beginning in the table that a name has."""
    return max((prefix for _, prefix in _PREFIXES if name.startswith(prefix)), key=len)


def _works(name: str, values: Mapping[str, float]) -> bool:
    """Say whether a value, as printed, differs from its neutral value."""
    parameter = CATALOGUE[name]
    return parameter.format(values[name]) != parameter.format(parameter.neutral)


def _used_in_mixer(values: Mapping[str, float]) -> set[str]:
    """Collect what the sounding oscillators use."""
    least = _SILENT_RATIO * _loudest(values)
    sounding = {name for name in _WAVE_LEVELS if values[name] > 0.0 and values[name] >= least}
    used = set(sounding)
    for osc in ("osc1", "osc2"):
        own = {name for name in sounding if name.startswith(osc)}
        if own:
            used |= _used_in_oscillator(osc, values, has_pulse=f"{osc}.pulse_level" in own)
    return used


def _used_in_noise(values: Mapping[str, float], *, is_shaped: bool) -> set[str]:
    """Collect what the noise uses; nothing goes past filters that do nothing."""
    level, loudest = values["noise.level"], _loudest(values)
    past_level = level * values["noise.bypass_ratio"] if is_shaped else 0.0
    is_heard_past = past_level > 0.0 and past_level >= _SILENT_PAST_RATIO * loudest
    # A share that prints as 0.00 may be all that sounds above the tone.
    past = {"noise.bypass_ratio"} if is_heard_past else set()
    if is_shaped:
        past |= _if_working(values, "noise.bypass_ratio")
    if level > 0.0 and (level >= _SILENT_RATIO * loudest or is_heard_past):
        shape = _if_working(values, "noise.attack_s", "noise.sustain_ratio", "noise.colour_ratio")
        # Noise that stays as it is has no decay.
        falls = values["noise.sustain_ratio"] < 1.0
        return {"noise.level"} | shape | past | ({"noise.decay_s"} if falls else set())
    return set()


def _loudest(values: Mapping[str, float]) -> float:
    """Return the highest level in the mixer."""
    return max(values[name] for name in (*_WAVE_LEVELS, "noise.level"))


def _used_in_oscillator(osc: str, values: Mapping[str, float], *, has_pulse: bool) -> set[str]:
    """Collect what a sounding oscillator uses besides its levels."""
    used = _if_working(values, f"{osc}.octave")
    if osc == "osc2":
        used |= _if_working(values, "osc2.detune_cents")
    if has_pulse:
        used.add(f"{osc}.pulse_width_ratio")
        used |= _modulator(values, f"{osc}.pwm", "depth_ratio", ("rate_hz",))
    used |= _modulator(values, f"{osc}.pitch_env", "depth_cents", ("attack_s", "decay_s"))
    used |= _modulator(values, f"{osc}.vibrato", "depth_cents", ("rate_hz",))
    return used


def _modulator(
    values: Mapping[str, float], part: str, depth: str, always: tuple[str, ...]
) -> set[str]:
    """Collect what a modulator with some depth uses: fixed names, and all that isn't neutral."""
    if not _works(f"{part}.{depth}", values):
        return set()
    names = [name for name in CATALOGUE.names if name.startswith(f"{part}.")]
    return {f"{part}.{name}" for name in always} | _if_working(values, *names)


def _if_working(values: Mapping[str, float], *names: str) -> set[str]:
    """Keep the names whose values aren't neutral."""
    return {name for name in names if _works(name, values)}


def _used_in_filters(values: Mapping[str, float]) -> set[str]:
    """Collect what filters, drive, body, bank and what moves the cutoff use."""
    used = _if_working(values, "highpass.cutoff_hz", "filter.drive_db")
    for body in ("body", "body2"):
        if _works(f"{body}.gain_db", values):
            used |= {f"{body}.{name}" for name in ("frequency_hz", "gain_db", "bandwidth_octaves")}
    used |= _if_working(values, *_BANK)
    moves = _if_working(values, "filter_env.depth_octaves", "filter_env.velocity_octaves")
    # Key tracking lowers even an open filter, below C4.
    names = ("filter.cutoff_hz", "filter.resonance_ratio", "filter.key_track_ratio")
    shapes = _if_working(values, *names)
    if moves:
        used |= moves | {"filter_env.depth_octaves"} | _envelope("filter_env", values)
    wavers = _modulator(values, "filter_lfo", "depth_octaves", ("rate_hz",))
    used |= wavers
    if moves or shapes or wavers:
        used |= shapes | {"filter.cutoff_hz", "filter.slope_db_per_octave"}
    return used


def _envelope(part: str, values: Mapping[str, float]) -> set[str]:
    """Collect what an envelope uses; one that stays at its peak has no decay."""
    names = {f"{part}.attack_s", f"{part}.sustain_ratio", f"{part}.release_s"}
    names |= _if_working(values, f"{part}.attack_curve_ratio")
    return names | ({f"{part}.decay_s"} if _works(f"{part}.sustain_ratio", values) else set())
