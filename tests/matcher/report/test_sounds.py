"""Sounds inside a page: exact where they fit, level-matched, and never too many."""

from __future__ import annotations

import base64
import io

import numpy as np
import pyloudnorm
import pytest
import soundfile

from matcher.report.sounds import PlainSound, embed_sounds, match_loudness
from shared import MAX_TRUE_PEAK_DBTP, FloatArray, true_peak_db

RATE_HZ = 22_050


def _noise(rng: np.random.Generator, level: float, length_s: float = 1.0) -> PlainSound:
    """Return noise."""
    return PlainSound(level * rng.standard_normal(round(length_s * RATE_HZ)), RATE_HZ)


def _decoded(address: str | None) -> tuple[FloatArray, int, str]:
    """Read an address back with libsndfile: samples, rate, format."""
    assert address is not None
    head, _, text = address.partition(";base64,")
    assert head.startswith("data:audio/")
    with soundfile.SoundFile(io.BytesIO(base64.b64decode(text, validate=True))) as file:
        return file.read(), file.samplerate, file.format


def test_sounds_come_back_exactly(rng: np.random.Generator) -> None:
    """FLAC of 16 bits differs by half a step of 16 bits at most."""
    sound = _noise(rng, 0.05)
    embedded = embed_sounds([sound])
    signal, rate_hz, kind = _decoded(embedded.addresses[0])
    assert embedded.is_exact
    assert (rate_hz, kind) == (RATE_HZ, "FLAC")
    # 2^-15 is one step; libsndfile rounds, or cuts, within it.
    np.testing.assert_allclose(signal, sound.signal, atol=2.0**-15)


def test_too_loud_sounds_are_turned_down(rng: np.random.Generator) -> None:
    """Nothing louder than the limits gets into a page."""
    signal, _, _ = _decoded(embed_sounds([_noise(rng, 0.5)]).addresses[0])
    # One step of 16 bits above the limit is rounding.
    assert true_peak_db(signal, RATE_HZ) <= MAX_TRUE_PEAK_DBTP + 0.01


def test_large_sounds_are_compressed_with_loss(rng: np.random.Generator) -> None:
    """Where exact copies don't fit, Vorbis ones do, of the same length."""
    sounds = [_noise(rng, 0.05, 2.0) for _ in range(4)]
    exact = sum(len(address or "") for address in embed_sounds(sounds).addresses)
    embedded = embed_sounds(sounds, largest_bytes=exact // 2)
    assert not embedded.is_exact
    signal, _, kind = _decoded(embedded.addresses[0])
    assert kind == "OGG"
    assert signal.size == sounds[0].signal.size


def test_what_does_not_fit_is_left_out(rng: np.random.Generator) -> None:
    """The first sounds stay, and all together keep within the limit."""
    sounds = [_noise(rng, 0.05) for _ in range(6)]
    addresses = embed_sounds(sounds, largest_bytes=40_000).addresses
    fitting = [address for address in addresses if address is not None]
    assert 0 < len(fitting) < len(sounds)
    assert addresses[: len(fitting)] == tuple(fitting)
    assert sum(map(len, fitting)) <= 40_000


def test_both_sounds_get_one_loudness(rng: np.random.Generator) -> None:
    """Pyloudnorm 0.1 (ITU-R BS.1770) measures the same for both, and the softer one stays."""
    soft, loud = _noise(rng, 0.02), _noise(rng, 0.2)
    target, match = match_loudness(soft, loud)
    meter = pyloudnorm.Meter(RATE_HZ)
    levels = [meter.integrated_loudness(sound.signal) for sound in (target, match)]
    # 0.05 dB: the meter here is set to its default filters.
    assert levels[0] == pytest.approx(levels[1], abs=0.05)
    assert target.signal is soft.signal


def test_silence_beside_a_sound_is_left_alone(rng: np.random.Generator) -> None:
    """Nothing is turned up or down against silence."""
    silence = PlainSound(np.zeros(RATE_HZ), RATE_HZ)
    target, match = match_loudness(_noise(rng, 0.1), silence)
    assert match is silence
    assert float(np.abs(target.signal).max()) > 0.1
