"""Outside measures of how far a match is from its target; the search never uses them.

They are written with librosa alone and share no code with the matcher's losses, so that a search
which fools its own loss is found out here.

Conventions
-----------
- The order is always ``(target, match)``. Both are mono, at the same rate, 8000 to 48 000 Hz.
- Both are placed by their onsets, cut to one length and scaled to one level first: see
  `tests.placing`.
- Mel bands and centroid follow Slaney's scale as librosa has it; constants without a source
  beside them are common practice, no source.

Measures
--------
`log_mel_difference_db`, `onset_log_mel_difference_db`, `envelope_difference_db`,
`centroid_error_ratio`, `pitch_difference_cents`, and `judge`, which takes all of them.
For orientation, in dB of `log_mel_difference_db`, measured on the notes of `tests.recordings`: two
related instruments differ by 6 to 10, a recorded note and a plain sawtooth by 12 to 18.
"""

from dataclasses import dataclass

import librosa
import numpy as np

from shared.types import FloatArray
from tests.placing import place

ONSET_STRETCH_S = 0.12
MEL_FLOOR_DB = 80.0
ENVELOPE_FLOOR_DB = 60.0
N_FFT, HOP_LENGTH, N_MELS = 2048, 256, 128
# 40 bands: with more, the narrowest of them hold no bin of a 256-point transform at 48 kHz.
ONSET_N_FFT, ONSET_HOP_LENGTH, ONSET_N_MELS = 256, 64, 40
# Power under which nothing is told apart; full scale is near 1 after the scaling.
SMALLEST_POWER = 1e-16


@dataclass(frozen=True)
class Judgement:
    """All measures of one match; zero everywhere means that no difference was found.

    Attributes
    ----------
    log_mel_db, onset_log_mel_db, envelope_db : float >= 0
        Differences in dB over the whole note, over its first 120 ms, and of its level.
    centroid_ratio : float >= 0
        Mean relative error of the spectral centroid, no unit.
    pitch_cents : float
        Pitch of the match over that of the target, in cents.
    """

    log_mel_db: float
    onset_log_mel_db: float
    envelope_db: float
    centroid_ratio: float
    pitch_cents: float


def _log_mel_db(
    signal: FloatArray, sample_rate_hz: int, n_fft: int, hop_length: int, n_mels: int
) -> FloatArray:
    """Return the mel spectrogram in dB, held to 80 dB under its own highest value."""
    mel = librosa.feature.melspectrogram(
        y=signal, sr=sample_rate_hz, n_fft=n_fft, hop_length=hop_length, n_mels=n_mels
    )
    log_mel_db: FloatArray = librosa.power_to_db(mel, amin=SMALLEST_POWER, top_db=MEL_FLOOR_DB)
    return log_mel_db


def log_mel_difference_db(target: FloatArray, match: FloatArray, sample_rate_hz: int) -> float:
    """Return the mean absolute difference of the mel spectrograms in dB.

    128 bands, windows of 2048 samples every 256, power in dB, held to 80 dB under each signal's
    own highest value.
    """
    settings = (sample_rate_hz, N_FFT, HOP_LENGTH, N_MELS)
    placed = place(target, match, sample_rate_hz)
    target_db, match_db = (_log_mel_db(signal, *settings) for signal in placed)
    return float(np.mean(np.abs(target_db - match_db)))


def onset_log_mel_difference_db(
    target: FloatArray, match: FloatArray, sample_rate_hz: int
) -> float:
    """Return the mean absolute difference of the mel spectrograms over the first 120 ms, in dB.

    40 bands, windows of 256 samples every 64, otherwise as `log_mel_difference_db`. The level is
    that of the whole note, so that a front edge too soft for its note counts.
    """
    settings = (sample_rate_hz, ONSET_N_FFT, ONSET_HOP_LENGTH, ONSET_N_MELS)
    n_onset = round(ONSET_STRETCH_S * sample_rate_hz)
    placed = place(target, match, sample_rate_hz)
    target_db, match_db = (_log_mel_db(signal[:n_onset], *settings) for signal in placed)
    return float(np.mean(np.abs(target_db - match_db)))


def _level_db(signal: FloatArray, sample_rate_hz: int, floor_db: float) -> FloatArray:
    """Return the RMS of 20 ms every 5 ms in dB, held to `floor_db` under its highest value."""
    rms = librosa.feature.rms(
        y=signal,
        frame_length=round(0.02 * sample_rate_hz),
        hop_length=round(0.005 * sample_rate_hz),
    )[0]
    level_db: FloatArray = librosa.power_to_db(rms**2, amin=SMALLEST_POWER, top_db=floor_db)
    return level_db


def envelope_difference_db(target: FloatArray, match: FloatArray, sample_rate_hz: int) -> float:
    """Return the RMS difference of the level envelopes in dB.

    The level is the RMS of 20 ms every 5 ms, held to 60 dB under each signal's highest value.
    """
    placed = place(target, match, sample_rate_hz)
    target_db, match_db = (_level_db(x, sample_rate_hz, ENVELOPE_FLOOR_DB) for x in placed)
    return float(np.sqrt(np.mean((target_db - match_db) ** 2)))


def centroid_error_ratio(target: FloatArray, match: FloatArray, sample_rate_hz: int) -> float:
    """Return the mean relative error of the spectral centroid, weighted by the target's energy."""
    target, match = place(target, match, sample_rate_hz)
    target_hz, match_hz = (
        librosa.feature.spectral_centroid(
            y=signal, sr=sample_rate_hz, n_fft=N_FFT, hop_length=HOP_LENGTH
        )[0]
        for signal in (target, match)
    )
    power = librosa.feature.rms(y=target, frame_length=N_FFT, hop_length=HOP_LENGTH)[0] ** 2
    is_sounding = power > power.max() * 1e-4
    error = np.abs(match_hz - target_hz)[is_sounding] / target_hz[is_sounding]
    return float(np.average(error, weights=power[is_sounding]))


def _pitch_hz(signal: FloatArray, sample_rate_hz: int, lowest_hz: float) -> float:
    """Return the median pitch of the frames within 20 dB of the loudest, in Hz."""
    # YIN needs two periods of the lowest pitch in a frame.
    frame_length = 2 ** int(np.ceil(np.log2(2.5 * sample_rate_hz / lowest_hz)))
    pitch_hz = librosa.yin(
        signal,
        fmin=lowest_hz,
        fmax=sample_rate_hz / 10.0,
        sr=sample_rate_hz,
        frame_length=frame_length,
    )
    level = librosa.feature.rms(y=signal, frame_length=frame_length, hop_length=frame_length // 4)[
        0
    ]
    return float(np.median(pitch_hz[level > 0.1 * level.max()]))


def pitch_difference_cents(
    target: FloatArray, match: FloatArray, sample_rate_hz: int, *, lowest_hz: float = 30.0
) -> float:
    """Return the pitch of the match over that of the target.

    The pitch is the median of YIN over the frames within 20 dB of the loudest [1]_. It is good to
    about 1 cent on notes with overtones, and to 5 cents on pure tones.
    """
    placed = place(target, match, sample_rate_hz)
    target_hz, match_hz = (_pitch_hz(signal, sample_rate_hz, lowest_hz) for signal in placed)
    return float(1200.0 * np.log2(match_hz / target_hz))


def judge(target: FloatArray, match: FloatArray, sample_rate_hz: int) -> Judgement:
    """Take all measures of one match."""
    arguments = (target, match, sample_rate_hz)
    return Judgement(
        log_mel_db=log_mel_difference_db(*arguments),
        onset_log_mel_db=onset_log_mel_difference_db(*arguments),
        envelope_db=envelope_difference_db(*arguments),
        centroid_ratio=centroid_error_ratio(*arguments),
        pitch_cents=pitch_difference_cents(*arguments),
    )
