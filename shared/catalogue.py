"""The table of all parameters of the voice, in the order of the signal path.

A structure chooses from it, and may give a parameter another range, step or neutral value; a
patch always holds all of it. The ranges are those that subtractive instruments offer on their
panels: common practice, no source.
"""

from __future__ import annotations

from shared.parameter_space import ParameterSpace
from shared.parameters import Parameter

__all__ = ["BANK_HZ", "CATALOGUE", "EQUALISER_BANDS", "PHASE_NAMES", "PULSE_KIND"]

# Where free-running parts stand when a note starts. Shifting both oscillators together can hardly
# be heard, but short windows see where in its cycle a low note sets in. The place of a note on the
# timeline of its recording, against where its onset was found, is told in cycles, too: of 20 ms.
PHASE_NAMES = (
    "osc2.phase",
    "osc1.vibrato.phase",
    "osc2.vibrato.phase",
    "osc1.pwm.phase",
    "osc2.pwm.phase",
    "filter_lfo.phase",
    "osc1.phase",
    "note.place",
    "pulse.edge",
    "pulse.polarity",
)
# What the maker of an instrument chose for both oscillators, 0 or half a cycle: whether the other
# edge of a pulse moves with its width, which nobody hears, and whether pulses are turned over
# against sawtooths, which is heard where one oscillator sounds both.
PULSE_KIND = ("pulse.edge", "pulse.polarity")

# Preferred frequencies of ISO 266:1997, every second one of the one-third-octave series.
BANK_HZ = (100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10_000, 16_000)

# Bands of the equaliser after the instrument, and where each rests: bass, middle, treble.
EQUALISER_BANDS = {"eq1": 200.0, "eq2": 1000.0, "eq3": 5000.0}

# fmt: off
_TUNE = (
    Parameter("tune_cents", "cents", -100.0, 100.0, "cents", 0.0, "pitch",
              "fine tune of the whole voice"),
)


def _body(name: str, what: str, *, frequency_hz: float) -> tuple[Parameter, ...]:
    """Return a resonance of the body."""
    return (
        Parameter(f"{name}.frequency_hz", "hz", 80.0, 8000.0, "log", frequency_hz, "brightness",
                  f"middle of {what}; it stays where it is"),
        Parameter(f"{name}.gain_db", "db", -18.0, 24.0, "linear", 0.0, "brightness",
                  f"level at the middle of {what}; 0 dB is no resonance"),
        Parameter(f"{name}.bandwidth_octaves", "octaves", 0.3, 4.0, "log", 1.5, "brightness",
                  f"width of {what}, where half of its dB are left"),
    )


_BANK = tuple(
    Parameter(f"bank.gain_{hz}_hz_db", "db", -20.0, 20.0, "linear", 0.0, "brightness",
              f"12-band equaliser on ISO frequencies: level around {hz} Hz; 0 dB is off")
    for hz in BANK_HZ
)

_NOISE_AND_FILTERS = (
    Parameter("noise.level", "level", 0.0, 1.0, "quadratic", 0.0, "attack",
              "breath and bow noise"),
    Parameter("noise.attack_s", "s", 0.0, 1.0, "quadratic", 0.0, "attack",
              "time in which the noise rises in a straight line; 0 is at once"),
    Parameter("noise.decay_s", "s", 0.005, 10.0, "log", 0.05, "attack",
              "time constant with which the noise dies away after its attack"),
    Parameter("noise.sustain_ratio", "ratio", 0.0, 1.0, "linear", 0.0, "attack",
              "what stays of the noise while the note sounds, as a share of its level"),
    Parameter("noise.colour_ratio", "ratio", -1.0, 1.0, "linear", 0.0, "attack",
              "colour of the noise: -1 dark (falls by 6 dB/octave), 0 white, 1 bright (rises)"),
    Parameter("noise.bypass_ratio", "ratio", 0.0, 1.0, "linear", 0.0, "attack",
              "filter bypass: share of the noise that reaches the 12-band equaliser directly"),
    Parameter("highpass.cutoff_hz", "hz", 20.0, 2000.0, "log", 20.0, "brightness",
              "high-pass corner, 6 dB/octave; 20 Hz is off"),
    Parameter("filter.cutoff_hz", "hz", 20.0, 20_000.0, "log", 20_000.0, "brightness",
              "low-pass cutoff at C4 with no envelope"),
    Parameter("filter.resonance_ratio", "ratio", 0.0, 1.0, "linear", 0.0, "brightness",
              "emphasis at the cutoff; 1 is the edge of self-oscillation"),
    Parameter("filter.slope_db_per_octave", "db_per_octave", 12.0, 24.0, "linear", 24.0,
              "brightness", "steepness of the low-pass filter", choices=(12.0, 24.0)),
    Parameter("filter.key_track_ratio", "ratio", 0.0, 1.5, "linear", 0.0, "brightness",
              "octaves of cutoff for each octave of key; 1 follows the key"),
    Parameter("filter.drive_db", "db", 0.0, 36.0, "linear", 0.0, "brightness",
              "how far the filter is driven into saturation"),
    *_body("body", "a broad resonance of the body", frequency_hz=1000.0),
    *_body("body2", "the second resonance of the body", frequency_hz=3000.0),
    *_BANK,
)

_FILTER_ENVELOPE = (
    Parameter("filter_env.depth_octaves", "octaves", -4.0, 8.0, "octaves", 0.0, "brightness",
              "how far the filter envelope moves the cutoff at velocity 100"),
    Parameter("filter_env.attack_s", "s", 0.0005, 4.0, "log", 0.0005, "attack",
              "filter envelope, time from the start to the peak"),
    Parameter("filter_env.attack_curve_ratio", "ratio", -1.0, 1.0, "linear", 0.0, "attack",
              "filter envelope, attack curve: 0 straight, 1 quick, -1 slow at first"),
    Parameter("filter_env.decay_s", "s", 0.005, 10.0, "log", 0.3, "brightness",
              "filter envelope, time constant from the peak to the sustain level"),
    Parameter("filter_env.sustain_ratio", "ratio", 0.0, 1.0, "linear", 1.0, "brightness",
              "filter envelope while the key is held, as a share of its peak"),
    Parameter("filter_env.release_s", "s", 0.005, 5.0, "log", 0.1, "brightness",
              "filter envelope, time constant after the key is let go"),
    Parameter("filter_env.velocity_octaves", "octaves", 0.0, 4.0, "octaves", 0.0, "brightness",
              "octaves of filter-envelope depth between velocity 1 and velocity 100"),
)

_FILTER_LFO = (
    Parameter("filter_lfo.rate_hz", "hz", 0.1, 12.0, "log", 5.0, "movement",
              "LFO on the cutoff, rate"),
    Parameter("filter_lfo.depth_octaves", "octaves", 0.0, 2.0, "quadratic", 0.0, "movement",
              "LFO on the cutoff, depth from the middle to the peak"),
    Parameter("filter_lfo.delay_s", "s", 0.0, 2.0, "quadratic", 0.0, "movement",
              "time to full depth: silent for its first half, then rising in a straight line"),
)

_AMPLIFIER_ENVELOPE = (
    Parameter("amp_env.attack_s", "s", 0.0005, 4.0, "log", 0.0005, "attack",
              "amplifier envelope, time from the start to the peak"),
    Parameter("amp_env.attack_curve_ratio", "ratio", -1.0, 1.0, "linear", 0.0, "attack",
              "amplifier envelope, attack curve: 0 straight, 1 quick, -1 slow at first"),
    Parameter("amp_env.decay_s", "s", 0.005, 10.0, "log", 0.3, "level",
              "amplifier envelope, time constant from the peak to the sustain level"),
    Parameter("amp_env.sustain_ratio", "ratio", 0.0, 1.0, "linear", 1.0, "level",
              "level while the key is held, as a share of the peak"),
    Parameter("amp_env.release_s", "s", 0.005, 5.0, "log", 0.05, "level",
              "amplifier envelope, time constant after the key is let go"),
    Parameter("amp_env.velocity_db", "db", 0.0, 40.0, "linear", 0.0, "level",
              "level difference between velocity 1 and velocity 100"),
)

_EQUALISER = tuple(
    parameter
    for band, rest_hz in EQUALISER_BANDS.items()
    for parameter in (
        Parameter(f"{band}.frequency_hz", "hz", 40.0, 16_000.0, "log", rest_hz, "mixer",
                  "equaliser after the instrument, middle of the band"),
        Parameter(f"{band}.gain_db", "db", -15.0, 15.0, "linear", 0.0, "mixer",
                  "equaliser after the instrument, level at the middle; 0 dB is off"),
        Parameter(f"{band}.bandwidth_octaves", "octaves", 0.3, 4.0, "log", 1.5, "mixer",
                  "equaliser after the instrument, width where half of the dB are left"),
    )
)

_DETUNE = (
    Parameter("osc2.detune_cents", "cents", -100.0, 100.0, "quadratic", 0.0, "pitch",
              "oscillator 2 against oscillator 1"),
)


def _oscillator(osc: str, *, saw_level: float) -> tuple[Parameter, ...]:
    """Return an oscillator: what it mixes, and what moves its pitch and width."""
    env, lfo, pwm = f"{osc}.pitch_env", f"{osc}.vibrato", f"{osc}.pwm"
    return (
        Parameter(f"{osc}.saw_level", "level", 0.0, 1.0, "linear", saw_level, "waveform",
                  "sawtooth in the mixer; waveforms add up"),
        Parameter(f"{osc}.pulse_level", "level", 0.0, 1.0, "linear", 0.0, "waveform",
                  "pulse in the mixer; waveforms add up"),
        Parameter(f"{osc}.triangle_level", "level", 0.0, 1.0, "linear", 0.0, "waveform",
                  "triangle in the mixer; waveforms add up"),
        Parameter(f"{osc}.octave", "octave", -2.0, 2.0, "linear", 0.0, "pitch",
                  "transposition in whole octaves", step=1.0),
        *(_DETUNE if osc == "osc2" else ()),
        Parameter(f"{osc}.pulse_width_ratio", "ratio", 0.05, 0.95, "linear", 0.5, "waveform",
                  "share of the period that the pulse is high; 0.5 is square"),
        Parameter(f"{env}.depth_cents", "cents", -2400.0, 2400.0, "quadratic", 0.0, "attack",
                  "pitch added at the peak of the pitch envelope; it falls back to zero"),
        Parameter(f"{env}.attack_s", "s", 0.0005, 4.0, "log", 0.0005, "attack",
                  "pitch envelope, time from the start to the peak"),
        Parameter(f"{env}.decay_s", "s", 0.002, 10.0, "log", 0.03, "attack",
                  "pitch envelope, time constant from the peak back to the played pitch"),
        Parameter(f"{lfo}.rate_hz", "hz", 0.1, 12.0, "log", 5.0, "movement",
                  "vibrato rate at C4"),
        Parameter(f"{lfo}.depth_cents", "cents", 0.0, 100.0, "quadratic", 0.0, "movement",
                  "vibrato depth at C4, from the middle to the peak"),
        Parameter(f"{lfo}.delay_s", "s", 0.0, 2.0, "quadratic", 0.0, "movement",
                  "time to full depth: silent for its first half, then rising in a straight line"),
        Parameter(f"{lfo}.rate_key_track_ratio", "ratio", -0.5, 1.0, "linear", 0.0, "movement",
                  "octaves of vibrato rate for each octave of key"),
        Parameter(f"{lfo}.depth_key_track_ratio", "ratio", -1.0, 0.5, "linear", 0.0, "movement",
                  "octaves of vibrato depth for each octave of key"),
        Parameter(f"{lfo}.rate_env_octaves", "octaves", -2.0, 2.0, "octaves", 0.0, "movement",
                  "octaves from its rate at which the vibrato starts; time constant 0.5 s"),
        Parameter(f"{pwm}.rate_hz", "hz", 0.05, 10.0, "log", 0.8, "movement",
                  "pulse-width modulation, rate at C4"),
        Parameter(f"{pwm}.depth_ratio", "ratio", 0.0, 0.45, "linear", 0.0, "movement",
                  "pulse-width modulation, from the middle to the widest"),
        Parameter(f"{pwm}.rate_key_track_ratio", "ratio", -0.5, 1.0, "linear", 0.0, "movement",
                  "octaves of pulse-width modulation rate for each octave of key"),
    )
# fmt: on


CATALOGUE = ParameterSpace(
    (
        *_TUNE,
        # Oscillator 1 alone gives a plain sawtooth when everything is neutral: a voice in which
        # nothing sounds would be of no use as a starting point.
        *_oscillator("osc1", saw_level=1.0),
        *_oscillator("osc2", saw_level=0.0),
        *_NOISE_AND_FILTERS,
        *_FILTER_ENVELOPE,
        *_FILTER_LFO,
        *_AMPLIFIER_ENVELOPE,
        *_EQUALISER,
    )
)
