"""What stays constant during a note: levels, filters, drive, noise, bells.

Computed once for each note of 16 candidates, so in plain numpy and double precision; the kernels
of `voice.oscillator_kernels` and `voice.filter_kernels` take the result as float32. Rows of the
parameters are those of `voice.control_kernels`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared.catalogue import BANK_HZ, EQUALISER_BANDS
from voice import control_kernels as c

if TYPE_CHECKING:
    from shared.types import Float32Array, FloatArray

__all__: list[str] = []

# Rows of the settings: levels of sawtooth, pulse and triangle of each oscillator; tuning,
# damping and on (1) or off (0) of each filter section; drive gain - 1; high-pass tan; 1 for
# each oscillator whose pitch moves; shares of the noise that go through the filters and past
# them; shares of white, dark and bright noise; tan, loop factor and added band-pass of each
# bell: the body resonances, the bands of the filter bank, those of the equaliser.
LEVELS, SECTIONS, DRIVE, HIGHPASS_TAN, MOVING, SHARES = 0, 6, 12, 13, 14, 16
COLOURS, BELLS = 18, 21
N_BODIES = 2
N_BANDS = len(EQUALISER_BANDS)
N_BELLS = N_BODIES + len(BANK_HZ) + N_BANDS
N_SETTINGS = BELLS + 3 * N_BELLS

# Wider than the 0.67 octaves from band to band, so that bands raised alike make one plateau: with
# all at 3 dB its ripple is 0.6 dB from top to bottom, instead of 0.9 dB.
BAND_OCTAVES = 0.8
LOWEST_CUTOFF_HZ = 20.0
HIGHEST_CUTOFF = 0.49  # of the rate
LEAST_DAMPING = 0.002
DB_PER_OCTAVE_BETWEEN_SLOPES = 18.0


def prepare_settings(values: Float32Array, sample_rate_hz: float, settings: Float32Array) -> None:
    """Set what stays constant during a note."""
    v = values.astype(np.float64)
    for o, osc in enumerate((c.OSC1, c.OSC2)):
        saw, pulse, triangle = v[osc + c.SAW], v[osc + c.PULSE], v[osc + c.TRIANGLE]
        settings[LEVELS + 3 * o : LEVELS + 3 * o + 3] = saw + pulse, -pulse, triangle
        depths = np.abs(v[osc + o + c.PITCH_ENV]) + v[osc + o + c.VIBRATO + 1]
        settings[MOVING + o] = depths > 0.0
    settings[SECTIONS : SECTIONS + 6] = _sections(v[c.FILTER + 1], v[c.FILTER + 2])
    settings[DRIVE] = 10.0 ** (v[c.FILTER + 4] / 20.0) - 1.0
    # 0 switches the high-pass off: 20 Hz is its neutral value.
    is_on = v[c.HIGHPASS] > LOWEST_CUTOFF_HZ
    settings[HIGHPASS_TAN] = np.where(is_on, _tan_pi(v[c.HIGHPASS] / sample_rate_hz), 0.0)
    colour, past = v[c.NOISE + 4], v[c.NOISE + 5]
    settings[SHARES : SHARES + 2] = 1.0 - past, past
    dark, bright = np.maximum(-colour, 0.0), np.maximum(colour, 0.0)
    settings[COLOURS : COLOURS + 3] = 1.0 - dark - bright, dark, bright
    settings[BELLS:] = _bells(v, sample_rate_hz)


def _tan_pi(share: FloatArray) -> FloatArray:
    """tan(pi f / rate) of a frequency as a share of the rate, which is held below a half."""
    tangents: FloatArray = np.tan(np.pi * np.minimum(share, HIGHEST_CUTOFF))
    return tangents


def _sections(resonance: FloatArray, slope_db: FloatArray) -> FloatArray:
    """Tuning, damping and on or off of both filter sections, shape (6, LANES).

    24 dB/octave: the poles of (1 + s)**4 + 4 r (four equal stages in a loop), r the resonance;
    with k = (4 r)**(1/4) they lie at s = -1 + k exp(+-i pi/4) and s = -1 + k exp(+-3i pi/4).
    12 dB/octave: s**2 + 2 (1 - r) s + 1, in the first section alone.
    """
    k = (4.0 * resonance) ** 0.25
    turned = np.sqrt(2.0) * k
    is_fourth = slope_db > DB_PER_OCTAVE_BETWEEN_SLOPES
    tuning = np.where(is_fourth, np.sqrt(1.0 - turned + k * k), 1.0)
    damping = np.where(is_fourth, (2.0 - turned) / tuning, 2.0 * (1.0 - resonance))
    second = np.sqrt(1.0 + turned + k * k)
    return np.array(
        [
            tuning,
            np.maximum(damping, LEAST_DAMPING),
            np.ones_like(k),
            second,
            (2.0 + turned) / second,
            is_fourth,
        ]
    )


def _bells(v: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Set all bells: (s**2 + s A / Q + 1) / (s**2 + s / (A Q) + 1), A**2 the gain.

    That is 1 plus (A - 1 / A) / Q of the band-pass s / (s**2 + s / (A Q) + 1); the bandwidth
    makes 1 / Q = 2 sinh(ln(2) / 2 * octaves). See `voice.body_resonance` for the source.
    """
    bodies = v[c.BODIES : c.BODIES + 3 * N_BODIES].reshape(N_BODIES, 3, -1)
    mixer = v[c.EQUALISER : c.EQUALISER + 3 * N_BANDS].reshape(N_BANDS, 3, -1)
    bands_db = v[c.BANK : c.BANK + len(BANK_HZ)]
    middles_hz = np.repeat(np.array(BANK_HZ, np.float64)[:, None], bands_db.shape[1], axis=1)
    # A band that the rate can't hold is off; a body is held below half the rate.
    bands_db = np.where(middles_hz > HIGHEST_CUTOFF * sample_rate_hz, 0.0, bands_db)
    g = _tan_pi(np.concatenate([bodies[:, 0], middles_hz, mixer[:, 0]]) / sample_rate_hz)
    a = 10.0 ** (np.concatenate([bodies[:, 1], bands_db, mixer[:, 1]]) / 40.0)
    # A digital mixer keeps the width up to half the rate (Audio EQ Cookbook: BW w0 / sin w0).
    w0 = 2.0 * np.pi * np.minimum(mixer[:, 0] / sample_rate_hz, HIGHEST_CUTOFF)
    octaves = np.concatenate(
        [bodies[:, 2], np.full_like(bands_db, BAND_OCTAVES), mixer[:, 2] * w0 / np.sin(w0)]
    )
    x = 2.0 * np.sinh(0.5 * np.log(2.0) * octaves)
    # Exactly 0 at 0 dB, where a is exactly 1: that switches the bell off.
    rows = np.stack([g, 1.0 / (1.0 + g * (g + x / a)), x * (a - 1.0 / a)], axis=1)
    return rows.reshape(-1, v.shape[1])
