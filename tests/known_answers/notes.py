"""The notes with known settings: what they are for, and all that is set for each.

`make_known_answers` renders them and writes them down. Notes of one family are played by one
patch at several keys, each with phases of its own, as a free-running instrument gives them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["NOTES", "KnownNote"]


@dataclass(frozen=True)
class KnownNote:
    """A note and all that is set for it.

    Attributes
    ----------
    name : str
        File name without suffix.
    meaning : str
        What the note is there for, one line.
    midi_pitch, gate_s, duration_s : float
        Pitch (69 = A4), time to the key's release and length of the file in seconds.
    values : Mapping[str, float]
        Parameters that are not at neutral, in physical units.
    phases : Mapping[str, float]
        Phases at the start that are not 0, in cycles.
    family : str
        Notes of one family share their values; empty for a note that stands alone.
    """

    name: str
    meaning: str
    midi_pitch: float
    gate_s: float
    duration_s: float
    values: Mapping[str, float]
    phases: Mapping[str, float] = field(default_factory=dict)
    family: str = ""


BRASS = {
    "osc1.saw_level": 1.0,
    "osc2.saw_level": 0.8,
    "osc2.detune_cents": 7.0,
    "filter.cutoff_hz": 500.0,
    "filter.resonance_ratio": 0.1,
    "filter_env.depth_octaves": 2.6,
    "filter_env.attack_s": 0.06,
    "filter_env.decay_s": 0.25,
    "filter_env.sustain_ratio": 0.55,
    "filter_env.release_s": 0.12,
    "amp_env.attack_s": 0.035,
    "amp_env.decay_s": 0.4,
    "amp_env.sustain_ratio": 0.75,
    "amp_env.release_s": 0.08,
}
HARD_BRASS = {
    **BRASS,
    "osc2.detune_cents": -5.0,
    "filter.cutoff_hz": 300.0,
    "filter.resonance_ratio": 0.25,
    "filter_env.depth_octaves": 4.2,
    "filter_env.attack_s": 0.018,
    "filter_env.decay_s": 0.14,
    "filter_env.sustain_ratio": 0.6,
    "amp_env.attack_s": 0.006,
}
STRINGS = {
    "filter.cutoff_hz": 3000.0,
    "amp_env.attack_s": 0.22,
    "amp_env.release_s": 0.1,
}
VIBRATOS = {
    "osc1.vibrato.rate_hz": 5.6,
    "osc1.vibrato.depth_cents": 14.0,
    "osc1.vibrato.delay_s": 0.4,
    "osc2.vibrato.rate_hz": 4.7,
    "osc2.vibrato.depth_cents": 11.0,
}
PWMS = {
    "osc1.pulse_width_ratio": 0.5,
    "osc1.pwm.rate_hz": 0.9,
    "osc1.pwm.depth_ratio": 0.3,
    "osc2.pulse_width_ratio": 0.42,
    "osc2.pwm.rate_hz": 1.3,
    "osc2.pwm.depth_ratio": 0.25,
}

# Brass that opens more on high keys, and hard brass of which oscillator 2 alone overshoots.
BRASS_FAMILY = {
    **BRASS,
    "osc2.detune_cents": 6.0,
    "filter.cutoff_hz": 420.0,
    "filter.key_track_ratio": 0.6,
}
HARD_BRASS_FAMILY = {
    **HARD_BRASS,
    "osc2.pitch_env.depth_cents": 250.0,
    "osc2.pitch_env.attack_s": 0.004,
    "osc2.pitch_env.decay_s": 0.045,
    "filter.key_track_ratio": 0.4,
}
# Vibratos that run faster and shallower up the keyboard, each to its own degree.
STRINGS_FAMILY = {
    **STRINGS,
    "osc1.saw_level": 1.0,
    "osc1.vibrato.rate_hz": 5.2,
    "osc1.vibrato.depth_cents": 16.0,
    "osc1.vibrato.delay_s": 0.3,
    "osc1.vibrato.rate_key_track_ratio": 0.35,
    "osc1.vibrato.depth_key_track_ratio": -0.4,
    "osc2.saw_level": 0.85,
    "osc2.detune_cents": -7.0,
    "osc2.vibrato.rate_hz": 4.3,
    "osc2.vibrato.depth_cents": 12.0,
    "osc2.vibrato.rate_key_track_ratio": 0.2,
    "osc2.vibrato.depth_key_track_ratio": -0.3,
    "filter.cutoff_hz": 2200.0,
    "filter.key_track_ratio": 0.3,
}
KEYS = {48.0: "low", 60.0: "middle", 72.0: "high"}


def _family(
    family: str,
    meaning: str,
    *,
    gate_s: float,
    duration_s: float,
    values: Mapping[str, float],
    phases: Mapping[str, tuple[float, float, float]],
) -> tuple[KnownNote, ...]:
    """Return three notes of one patch: an octave below C4, C4, and an octave above."""
    return tuple(
        KnownNote(
            f"{family}_{place}",
            f"{meaning}: the {place} key",
            midi_pitch,
            gate_s,
            duration_s,
            values,
            {name: three[i] for name, three in phases.items()},
            family,
        )
        for i, (midi_pitch, place) in enumerate(KEYS.items())
    )


NOTES = (
    KnownNote(
        "single_saw",
        "one plain sawtooth: nothing else may be found",
        57.0,
        1.0,
        1.4,
        {"osc1.saw_level": 1.0, "amp_env.attack_s": 0.04, "amp_env.release_s": 0.06},
    ),
    KnownNote(
        "brass",
        "two detuned sawtooths with an opening filter, no pitch envelope",
        58.0,
        1.0,
        1.5,
        BRASS,
        {"osc2.phase": 0.37},
    ),
    KnownNote(
        "brass_pitch_env_osc2",
        "the same note with a quick pitch envelope on oscillator 2 alone",
        58.0,
        1.0,
        1.5,
        {
            **BRASS,
            "osc2.pitch_env.depth_cents": -300.0,
            "osc2.pitch_env.decay_s": 0.05,
        },
        {"osc2.phase": 0.37},
    ),
    KnownNote(
        "hard_brass",
        "low note with a hard front edge and some resonance",
        46.0,
        1.0,
        1.5,
        HARD_BRASS,
        {"osc2.phase": 0.81},
    ),
    KnownNote(
        "hard_brass_pitch_env_osc1",
        "high note whose oscillator 1 alone overshoots its pitch",
        70.0,
        0.9,
        1.4,
        {
            **HARD_BRASS,
            "osc1.pitch_env.depth_cents": 200.0,
            "osc1.pitch_env.attack_s": 0.012,
            "osc1.pitch_env.decay_s": 0.06,
        },
        {"osc2.phase": 0.12},
    ),
    KnownNote(
        "strings_vibrato",
        "two detuned sawtooths, each with a vibrato of its own",
        60.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **VIBRATOS,
            "osc1.saw_level": 1.0,
            "osc2.saw_level": 0.9,
            "osc2.detune_cents": 6.0,
        },
        {"osc2.phase": 0.55, "osc1.vibrato.phase": 0.2, "osc2.vibrato.phase": 0.7},
    ),
    KnownNote(
        "strings_pwm",
        "two detuned pulses, each with pulse-width modulation of its own",
        64.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **PWMS,
            "osc1.saw_level": 0.0,
            "osc1.pulse_level": 1.0,
            "osc2.pulse_level": 0.9,
            "osc2.detune_cents": -5.0,
        },
        {"osc2.phase": 0.27, "osc1.pwm.phase": 0.1, "osc2.pwm.phase": 0.6},
    ),
    KnownNote(
        "strings_pwm_other_edge",
        "the same from a maker who moves the other edge of a pulse",
        57.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **PWMS,
            "osc1.saw_level": 0.0,
            "osc1.pulse_level": 1.0,
            "osc2.pulse_level": 0.8,
            "osc2.detune_cents": 6.0,
        },
        {"osc2.phase": 0.71, "osc1.pwm.phase": 0.4, "osc2.pwm.phase": 0.15, "pulse.edge": 0.5},
    ),
    KnownNote(
        "lead_opposite",
        "sawtooth and a pulse that is turned over in one oscillator, a sawtooth beside it",
        60.0,
        1.0,
        1.4,
        {
            **BRASS,
            "osc1.saw_level": 0.7,
            "osc1.pulse_level": 1.0,
            "osc1.pulse_width_ratio": 0.3,
            "osc1.pwm.rate_hz": 1.6,
            "osc1.pwm.depth_ratio": 0.12,
            "osc2.saw_level": 0.6,
            "filter.resonance_ratio": 0.4,
        },
        {"osc2.phase": 0.44, "osc1.pwm.phase": 0.8, "pulse.polarity": 0.5},
    ),
    KnownNote(
        "strings_full",
        "sawtooth and pulse in both oscillators, two vibratos, two pulse-width modulations",
        55.0,
        1.2,
        1.6,
        {
            **STRINGS,
            **VIBRATOS,
            **PWMS,
            "osc1.saw_level": 0.8,
            "osc1.pulse_level": 0.5,
            "osc2.saw_level": 0.5,
            "osc2.pulse_level": 0.7,
            "osc2.detune_cents": 8.0,
            "osc2.vibrato.rate_env_octaves": -0.8,
            "filter.cutoff_hz": 1400.0,
            "filter_env.depth_octaves": 1.2,
            "filter_env.attack_s": 0.3,
            "filter_env.decay_s": 0.6,
            "filter_env.sustain_ratio": 0.5,
            "filter_env.release_s": 0.2,
        },
        {
            "osc2.phase": 0.64,
            "osc1.vibrato.phase": 0.45,
            "osc2.vibrato.phase": 0.05,
            "osc1.pwm.phase": 0.8,
            "osc2.pwm.phase": 0.3,
        },
    ),
    *_family(
        "brass_family",
        "brass whose cutoff follows the key",
        gate_s=0.7,
        duration_s=1.0,
        values=BRASS_FAMILY,
        phases={"osc2.phase": (0.22, 0.59, 0.91)},
    ),
    *_family(
        "hard_brass_family",
        "hard brass with a quick pitch envelope on oscillator 2 alone",
        gate_s=0.6,
        duration_s=0.9,
        values=HARD_BRASS_FAMILY,
        phases={"osc2.phase": (0.48, 0.07, 0.71)},
    ),
    *_family(
        "strings_family",
        "strings whose vibratos run faster and shallower up the keyboard",
        gate_s=1.3,
        duration_s=1.6,
        values=STRINGS_FAMILY,
        phases={
            "osc2.phase": (0.34, 0.83, 0.13),
            "osc1.vibrato.phase": (0.9, 0.15, 0.5),
            "osc2.vibrato.phase": (0.3, 0.75, 0.0),
        },
    ),
)
