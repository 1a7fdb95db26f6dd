"""What pictures are drawn from: spectra, levels, pitch, harmonics and movement of known sounds."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.plots import SoundPair, measure_pair, measure_spectrogram
from matcher.plots.spectrograms import FLOOR_DB
from shared import FloatArray, Note, ParameterError

RATE_HZ = 44_100
ONSET_S = 0.02
A3 = 57.0
A3_HZ = 220.0


def _times(length_s: float = 1.0) -> FloatArray:
    """Return the times of the samples."""
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def _sawtooth(times_s: FloatArray, phase: FloatArray | None = None) -> FloatArray:
    """Return a band-limited sawtooth: harmonic n has amplitude 1/n (its Fourier series)."""
    cycles = A3_HZ * times_s if phase is None else phase
    return np.sum([np.sin(2 * np.pi * n * cycles) / n for n in range(1, 41)], axis=0)


def _gated(sound: FloatArray) -> FloatArray:
    """Put a sound behind a lead of silence, as the files of a run are."""
    return np.pad(sound, (round(ONSET_S * RATE_HZ), round(0.05 * RATE_HZ)))


def _pair(target: FloatArray, match: FloatArray) -> SoundPair:
    """Measure two sounds of the key A3."""
    return measure_pair(
        _gated(0.1 * target),
        _gated(0.1 * match),
        sample_rate_hz=RATE_HZ,
        note=Note(A3, 100, target.size / RATE_HZ),
        onset_s=ONSET_S,
    )


@pytest.fixture(scope="module")
def moving() -> SoundPair:
    """Return a steady sawtooth against one with a vibrato of 20 cents at 6 Hz."""
    times_s = _times()
    cents = 20.0 * np.sin(2 * np.pi * 6.0 * times_s)
    phase = np.cumsum(A3_HZ * 2.0 ** (cents / 1200.0)) / RATE_HZ
    return _pair(_sawtooth(times_s), _sawtooth(times_s, phase))


@pytest.mark.parametrize("hz", [55.0, 440.0, 3000.0, 12_000.0])
def test_a_sine_stands_in_its_band(hz: float) -> None:
    """The loudest band of a sine is the one that holds its frequency, within half a semitone."""
    (shown,) = measure_spectrogram(np.sin(2 * np.pi * hz * _times(0.3)), sample_rate_hz=RATE_HZ)
    loudest = shown.bands_hz[np.argmax(shown.level_db[:, shown.times_s.size // 2])]
    # Low bands are narrower than the bins of 21.5 Hz; read between bins, the peak may be one off.
    assert abs(12.0 * np.log2(loudest / hz)) <= (3.0 if hz < 100.0 else 0.5)


def test_two_sounds_share_one_scale() -> None:
    """A sound at half the amplitude lies 6.02 dB lower, and 0 dB is the loudest of both."""
    sine = np.sin(2 * np.pi * 1000.0 * _times(0.3))
    loud, soft = measure_spectrogram(sine, 0.5 * sine, sample_rate_hz=RATE_HZ)
    assert loud.level_db.max() == 0.0
    # 20 log10(2); rounding only.
    assert soft.level_db.max() == pytest.approx(-6.0206, abs=1e-3)
    assert min(loud.level_db.min(), soft.level_db.min()) >= FLOOR_DB


def test_silence_lies_on_the_floor() -> None:
    """Silence gives the floor, and no warning about a logarithm."""
    (shown,) = measure_spectrogram(np.zeros(8000), sample_rate_hz=8000)
    assert np.all(shown.level_db == FLOOR_DB)


def test_sounds_of_two_lengths_are_refused() -> None:
    """Pictures beside each other need one timeline."""
    with pytest.raises(ParameterError, match="one length"):
        measure_spectrogram(np.zeros(8000), np.zeros(8001), sample_rate_hz=8000)
    with pytest.raises(ParameterError, match="match has shape"):
        measure_pair(np.ones(8000), np.ones(8001), sample_rate_hz=8000, note=Note(57, 100, 0.5))


def test_levels_share_one_reference() -> None:
    """Of two sounds, the one at half the amplitude runs 6.02 dB under the other."""
    saw = _sawtooth(_times(0.5))
    pair = _pair(saw, 0.5 * saw)
    middle = pair.target.level_db.size // 2
    gap_db = pair.target.level_db[middle] - pair.match.level_db[middle]
    # 0.05 dB: the level is taken over whole periods, which end between samples.
    assert gap_db == pytest.approx(6.02, abs=0.05)
    assert max(pair.target.level_db.max(), pair.match.level_db.max()) == pytest.approx(
        0.0, abs=0.1
    )


def test_vibrato_is_a_peak_at_its_rate_and_depth(moving: SoundPair) -> None:
    """A vibrato of 20 cents to each side at 6 Hz is read as that."""
    movement = moving.match.movement
    place = np.argmax(movement.pitch_cents)
    # Rates are 0.25 Hz apart.
    assert movement.rates_hz[place] == pytest.approx(6.0, abs=0.25)
    # 10 %: the pitch is averaged over four periods, and the window over a second.
    assert movement.pitch_cents[place] == pytest.approx(20.0, rel=0.1)


def test_a_steady_tone_does_not_move(moving: SoundPair) -> None:
    """A steady sawtooth moves by less than is heard: 3 cents at 220 Hz, and 1 dB (from memory)."""
    assert moving.target.movement.pitch_cents.max() < 1.0
    assert moving.target.movement.level_db.max() < 0.3


def test_tremolo_is_a_peak_at_its_rate_and_depth() -> None:
    """A level that swings by 2 dB to each side at 4 Hz is read as that."""
    times_s = _times()
    swing = 10.0 ** (2.0 * np.sin(2 * np.pi * 4.0 * times_s) / 20.0)
    movement = _pair(_sawtooth(times_s), swing * _sawtooth(times_s)).match.movement
    place = np.argmax(movement.level_db)
    assert movement.rates_hz[place] == pytest.approx(4.0, abs=0.25)
    # 10 %: the window of 46 ms smooths the swing a little.
    assert movement.level_db[place] == pytest.approx(2.0, rel=0.1)


def test_the_pitch_track_follows_a_detuned_tone() -> None:
    """A tone 10 cents above the key is drawn at +10 cents."""
    phase = A3_HZ * 2.0 ** (10.0 / 1200.0) * _times(0.5)
    pair = _pair(_sawtooth(_times(0.5)), _sawtooth(_times(0.5), phase))
    # 0.5 cents: an eighth of what is heard at this pitch.
    assert np.nanmedian(pair.match.pitch_cents) == pytest.approx(10.0, abs=0.5)
    assert np.nanmedian(pair.target.pitch_cents) == pytest.approx(0.0, abs=0.5)


def test_harmonics_of_a_sawtooth_fall_by_6_db_each_octave(moving: SoundPair) -> None:
    """Fourier series of the sawtooth: harmonic n lies 20 log10(n) dB under the first."""
    numbers = np.arange(1, 25)
    for levels in (moving.target.sustain_harmonics_db, moving.target.attack_harmonics_db):
        # 0.5 dB: half of what is heard in the level of one partial (from memory).
        np.testing.assert_allclose(levels - levels[0], -20.0 * np.log10(numbers), atol=0.5)


def test_noise_has_no_pitch_to_draw(rng: np.random.Generator) -> None:
    """Where no pitch is heard, tracks and harmonics are empty, and levels are still there."""
    noise = rng.standard_normal(round(0.5 * RATE_HZ))
    pair = _pair(noise, noise)
    assert pair.target.pitch_cents.size == pair.target.sustain_harmonics_db.size == 0
    assert pair.target.movement.pitch_cents.size == 0
    assert pair.target.level_db.size > 0


def test_a_staccato_note_has_no_movement() -> None:
    """Within a tenth of a second nothing can be told about movement."""
    saw = _sawtooth(_times(0.1))
    assert _pair(saw, saw).target.movement.rates_hz.size == 0
