"""Tests for `shared.audio`: what comes in, what goes out, and what was assumed on the way."""

from __future__ import annotations

import contextlib
import io
import struct
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from shared.audio import Recording, quiet_decoder, read_recording, resample, write_recording
from shared.errors import AudioError, EarwrightWarning, FileError
from shared.safety import MAX_LOUDNESS_LUFS, MAX_TRUE_PEAK_DBTP, loudness_lufs, true_peak_db

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from shared.types import FloatArray

RATE_HZ = 48_000
FORMATS = [
    pytest.param("WAV", "PCM_16", id="wav-16"),
    pytest.param("WAV", "PCM_24", id="wav-24"),
    pytest.param("WAV", "FLOAT", id="wav-float"),
    pytest.param("WAVEX", "PCM_16", id="wav-extensible"),
    pytest.param("FLAC", "PCM_16", id="flac"),
    pytest.param("AIFF", "PCM_24", id="aiff"),
    pytest.param("OGG", "VORBIS", id="ogg-vorbis"),
    pytest.param("OGG", "OPUS", id="ogg-opus"),
    pytest.param("MP3", "MPEG_LAYER_III", id="mp3"),
]


def tone(
    duration_s: float = 0.5, *, rate_hz: int = RATE_HZ, frequency_hz: float = 440.0
) -> FloatArray:
    """Make a tone of half of full scale over whole cycles, so that it has no offset."""
    times_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    return 0.5 * np.sin(2.0 * np.pi * frequency_hz * times_s)


def save(
    path: Path, signal: FloatArray, *, rate_hz: int = RATE_HZ, subtype: str = "FLOAT"
) -> Path:
    """Write a file past our own checks."""
    soundfile.write(path, signal, rate_hz, subtype=subtype)
    return path


def encoded(signal: FloatArray, file_format: str, subtype: str, **options: str | float) -> bytes:
    """Return the bytes of a file."""
    buffer = io.BytesIO()
    soundfile.write(buffer, signal, RATE_HZ, format=file_format, subtype=subtype, **options)
    return buffer.getvalue()


@pytest.mark.parametrize(("file_format", "subtype"), FORMATS)
def test_formats_are_read(tmp_path: Path, file_format: str, subtype: str) -> None:
    """WAV, FLAC, AIFF, OGG and MP3 come in with their rate, length and sound."""
    path = tmp_path / "horn_C4_v100.audio"
    path.write_bytes(encoded(tone(), file_format, subtype))
    recording = read_recording(path)
    assert (recording.sample_rate_hz, recording.name) == (RATE_HZ, "horn_C4_v100")
    assert (recording.path, recording.warnings) == (path, ())
    assert recording.signal.dtype == np.float64
    # Coding with losses changes the waveform, hardly its power; MP3 pads its ends.
    middle = recording.signal[4800:19_200]
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.5 / np.sqrt(2.0), rel=0.02)
    assert recording.duration_s == pytest.approx(0.5, abs=0.05)


def test_samples_are_read_to_the_bit(tmp_path: Path, rng: np.random.Generator) -> None:
    """A clean file of one channel is not touched at all."""
    samples = rng.integers(-20_000, 20_000, size=9600)
    samples -= round(float(samples.mean()))
    path = save(tmp_path / "a.wav", samples / 32_768.0, subtype="PCM_16")
    np.testing.assert_array_equal(read_recording(path).signal, samples / 32_768.0)


@pytest.mark.parametrize(("file_format", "subtype"), FORMATS)
@pytest.mark.parametrize("kept", ["all-but-one-byte", "half", "100-bytes"])
def test_a_file_that_was_cut_off_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], file_format: str, subtype: str, kept: str
) -> None:
    """Half a download must not pass for a short note, whatever the format."""
    whole = encoded(tone(), file_format, subtype)
    n_bytes = {"all-but-one-byte": len(whole) - 1, "half": len(whole) // 2, "100-bytes": 100}[kept]
    path = tmp_path / "horn.audio"
    path.write_bytes(whole[:n_bytes])
    with pytest.raises(AudioError, match=r"horn\.audio .*cut off") as caught:
        read_recording(path)
    assert caught.value.path == path
    # Decoders write their own complaints to the terminal; ours is the only line.
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_an_ogg_file_cut_between_pages_is_refused(tmp_path: Path, subtype: str) -> None:
    """Whole pages alone don't make a whole file: the last one says that it is the last."""
    whole = encoded(tone(2.0), "OGG", subtype)
    (tmp_path / "a.ogg").write_bytes(whole[: whole.rindex(b"OggS")])
    with pytest.raises(AudioError, match=r"a\.ogg is cut off"):
        read_recording(tmp_path / "a.ogg")


def streamed(content: bytes) -> bytes:
    """Leave the length open, as a program does that writes to a pipe."""
    data = content.index(b"data")
    size = struct.pack("<I", 0xFFFFFFFF)
    return content[:4] + size + content[8 : data + 4] + size + content[data + 8 :]


def with_chunk(content: bytes) -> bytes:
    """Put a chunk of odd length, with its padding, before the samples."""
    data = content.index(b"data")
    riff = content[:data] + struct.pack("<4sI", b"note", 3) + b"abc\x00" + content[data:]
    return riff[:4] + struct.pack("<I", len(riff) - 8) + riff[8:]


@pytest.mark.parametrize(
    "changed", [streamed, with_chunk, lambda content: content + b"TAGgarbage" * 3]
)
def test_a_whole_wav_file_is_read(tmp_path: Path, changed: Callable[[bytes], bytes]) -> None:
    """An open length, a chunk before the sound and loose bytes after it are no hindrance."""
    (tmp_path / "a.wav").write_bytes(changed(encoded(tone(), "WAV", "PCM_16")))
    assert len(read_recording(tmp_path / "a.wav").signal) == len(tone())


def test_a_tag_before_an_mp3_is_skipped(tmp_path: Path) -> None:
    """An ID3 tag shifts the frames; a whole file behind it is read, a cut one isn't."""
    body = encoded(tone(), "MP3", "MPEG_LAYER_III")
    tag = b"ID3\x04\x00\x00\x00\x00\x02\x00" + b"\x00" * 256
    (tmp_path / "whole.mp3").write_bytes(tag + body)
    assert read_recording(tmp_path / "whole.mp3").duration_s == pytest.approx(0.5, abs=0.05)
    (tmp_path / "half.mp3").write_bytes(tag + body[: len(body) - 100])
    with pytest.raises(AudioError, match=r"half\.mp3 is cut off"):
        read_recording(tmp_path / "half.mp3")


@pytest.mark.parametrize("flags", [None, 1], ids=["no-lengths", "frames-only"])
def test_an_mp3_without_its_length_is_read(tmp_path: Path, flags: int | None) -> None:
    """At a constant bit rate the length follows from the size, where no header gives it."""
    # Without a compression level soundfile leaves the mode at variable.
    options = {"bitrate_mode": "CONSTANT", "compression_level": 0.5}
    content = bytearray(encoded(tone(), "MP3", "MPEG_LAYER_III", **options))
    tag = content.index(b"Info")
    if flags is None:
        content[tag : tag + 4] = bytes(4)
    else:
        content[tag + 4 : tag + 8] = struct.pack(">I", flags)
    (tmp_path / "a.mp3").write_bytes(content)
    assert read_recording(tmp_path / "a.mp3").duration_s == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_damaged_mp3_is_read_or_refused_without_a_word(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], share: float
) -> None:
    """The MP3 decoder complains about frames on the error stream; none of that is shown."""
    content = bytearray(encoded(tone(), "MP3", "MPEG_LAYER_III"))
    place = int(share * len(content))
    content[place : place + 300] = b"\xff" * 300
    (tmp_path / "take.mp3").write_bytes(content)
    with contextlib.suppress(AudioError):
        read_recording(tmp_path / "take.mp3")
    with contextlib.suppress(soundfile.LibsndfileError), quiet_decoder(tmp_path / "take.mp3"):
        soundfile.read(tmp_path / "take.mp3")
    assert capfd.readouterr() == ("", "")


def test_a_file_that_may_not_be_read_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file of another user gives the reason of the system in our line."""

    def forbidden(_path: Path) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("shared.audio.is_cut_off", forbidden)
    path = save(tmp_path / "a.wav", tone())
    with pytest.raises(AudioError, match=r"a\.wav can't be read: Permission denied\. Check its"):
        read_recording(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, r"doesn't exist\. Check the name"),
        (b"", r"is empty \(0 bytes\)"),
        (b"This is a text about horns.\n" * 50, "can't be read as audio: it is no WAV"),
        (b"\xff", "can't be read as audio"),
        (b"RIFF", "can't be read as audio"),
        (b"RIFF\x04\x00\x00\x00WAVE", "can't be read as audio"),
        (b"OggS", "is cut off"),
        (
            encoded(tone(), "AU", "PCM_16"),
            "(has the format AU; it must be WAV, FLAC|can't be read)",
        ),
    ],
    ids=["missing", "empty", "text", "byte", "magic-only", "no-chunks", "ogg-magic", "format"],
)
# A text called .raw isn't played as sound.
@pytest.mark.parametrize("name", ["a.wav", "a.raw", "a"])
def test_what_is_no_audio_is_refused(
    tmp_path: Path, name: str, content: bytes | None, message: str
) -> None:
    """Other bytes give one line with the name and the formats that are accepted."""
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(AudioError, match=rf"/{name} {message}"):
        read_recording(tmp_path / name)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    """One file is wanted."""
    with pytest.raises(AudioError, match="is a folder; it must be one audio file"):
        read_recording(tmp_path)


def stereo(right: float) -> FloatArray:
    """Make a tone on the left and so much of it on the right."""
    return np.stack([tone(), right * tone()], axis=1)


UNUSABLE = {
    "zeros": (np.zeros(RATE_HZ), "is silent: its peak is -inf dBFS; it must be -80 dBFS or more"),
    "hiss": (0.00009 * 2.0 * tone(), "is silent: its peak is -80.9 dBFS"),
    "silent-stereo": (np.zeros((RATE_HZ, 2)), "is silent: its peak is -inf dBFS"),
    "nan": (
        np.where(np.arange(9600) == 1234, np.nan, tone(0.2)),
        ": sample 1234 is nan; all samples",
    ),
    "infinite": (np.full(9600, -np.inf), ": sample 0 is -inf; all samples must be finite"),
    "offset": (np.full(RATE_HZ, -0.5), "holds only a constant offset of -0.500"),
    "full-offset": (np.ones(RATE_HZ), "holds only a constant offset of 1.000"),
    "short": (tone(0.049), "is 49 ms long; it must be 50 ms or more"),
    "no-samples": (np.zeros(0), "is 0 ms long; it must be 50 ms or more"),
    "nine-channels": (np.tile(tone()[:, None], 9), "has 9 channels; there must be 1 to 8"),
    "whole-numbers": (32_768.0 * tone(), ".* dB above full scale; it must be at most 40 dB above"),
    "rubbish": (1e38 * tone(), ".* dB above full scale"),
}


@pytest.mark.parametrize(("signal", "message"), UNUSABLE.values(), ids=UNUSABLE)
def test_what_cannot_be_matched_is_refused(
    tmp_path: Path, signal: FloatArray, message: str
) -> None:
    """Silence, a constant, what is no number and what is no note are named."""
    with pytest.raises(AudioError, match=rf"a\.wav ?{message}"):
        read_recording(save(tmp_path / "a.wav", signal, subtype="DOUBLE"))


NOISE = 0.1 * np.random.default_rng(3).standard_normal((RATE_HZ, 2))
USABLE = {
    "quiet": (0.0003 * tone(), 0.0003 * tone()),
    # Less than a hundredth of the peak does no harm and changes nothing.
    "small-offset": (tone() + 0.004, tone() + 0.004),
    "full-scale": (2.0 * tone(frequency_hz=1000.0), 2.0 * tone(frequency_hz=1000.0)),
    "fifty-ms": (tone(0.05), tone(0.05)),
    "three-channels": (tone()[:, None] * [0.5, 0.75, 1.0], 0.75 * tone()),
    "eight-channels": (np.tile(tone()[:, None], 8), tone()),
    # A wide stereo recording loses 3 dB in the fold, one with a silent side 6.
    "unrelated-channels": (NOISE, NOISE.mean(axis=1)),
    "one-side": (stereo(0.0), 0.5 * tone()),
}


@pytest.mark.parametrize(("signal", "expected"), USABLE.values(), ids=USABLE)
def test_what_is_fine_gives_no_warning(
    tmp_path: Path, signal: FloatArray, expected: FloatArray
) -> None:
    """Channels come in as their mean, and nothing else is changed or said."""
    recording = read_recording(save(tmp_path / "a.wav", signal, subtype="DOUBLE"))
    assert recording.warnings == ()
    # The mean of floats near 1 is rounded to 1e-16.
    np.testing.assert_allclose(recording.signal, expected, rtol=1e-12, atol=1e-15)


def test_an_offset_is_taken_off(tmp_path: Path) -> None:
    """A sound on an offset is centred, and the offset is said."""
    path = save(tmp_path / "a.wav", tone() + 0.1, subtype="DOUBLE")
    with pytest.warns(EarwrightWarning, match=r"a\.wav had a constant offset of 0\.100"):
        recording = read_recording(path)
    # The sum of two floats near 0.5 is rounded to 1e-16.
    np.testing.assert_allclose(recording.signal, tone(), rtol=0.0, atol=1e-12)
    assert len(recording.warnings) == 1
    assert "constant offset of 0.100" in recording.warnings[0]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("gain", [2.2, -2.2, 20.0])
def test_clipping_is_noticed(tmp_path: Path, subtype: str, gain: float) -> None:
    """Samples that stand still at full scale are said, as the match would imitate them."""
    clipped = np.clip(gain * tone(), -1.0, 1.0)
    # The fold to one channel doesn't hide a clipped one.
    for signal in (clipped, np.stack([0.2 * tone(), clipped], axis=1)):
        path = save(tmp_path / "a.wav", signal, subtype=subtype)
        with pytest.warns(EarwrightWarning, match=r"a\.wav is clipped: 3 or more samples in a"):
            assert len(read_recording(path).warnings) == 1


def test_a_file_that_is_too_long_is_cut(tmp_path: Path) -> None:
    """Of 61 s the first 60 s are used, and that is said."""
    path = save(tmp_path / "a.wav", tone(61.0, rate_hz=8000), rate_hz=8000)
    with pytest.warns(EarwrightWarning, match=r"a\.wav is 61\.0 s long; only the first 60 s"):
        recording = read_recording(path)
    assert recording.duration_s == 60.0
    np.testing.assert_allclose(recording.signal, tone(60.0, rate_hz=8000), atol=1e-7)


def test_the_longest_duration_is_an_option(tmp_path: Path) -> None:
    """The user may use less, but not less than the shortest note."""
    path = save(tmp_path / "a.wav", tone(1.0))
    with pytest.warns(EarwrightWarning, match=r"only the first 0\.25 s are used"):
        assert read_recording(path, max_duration_s=0.25).duration_s == 0.25
    for bad in (0.0, 0.01, -1.0, np.nan, np.inf):
        with pytest.raises(
            AudioError, match=r"max_duration_s is .* s; it must be 0\.05 s or more"
        ):
            read_recording(path, max_duration_s=bad)


@pytest.mark.parametrize("rate_hz", [7_900, 8_000, 11_025, 96_000, 192_000, 192_001])
def test_rates_from_telephone_to_studio_are_read(tmp_path: Path, rate_hz: int) -> None:
    """Each recording keeps its rate; one outside 8 to 192 kHz is named."""
    path = save(tmp_path / "a.wav", tone(0.1, rate_hz=rate_hz), rate_hz=rate_hz)
    if 8_000 <= rate_hz <= 192_000:
        assert read_recording(path).sample_rate_hz == rate_hz
    else:
        message = f"has a sampling rate of {rate_hz} Hz; it must be 8000 to 192000 Hz"
        with pytest.raises(AudioError, match=message):
            read_recording(path)


@pytest.mark.parametrize(
    ("right", "loudest"), [(-1.0, 1), (-0.8, 1), (-1.2, 2)], ids=["equal", "left", "right"]
)
def test_channels_that_cancel_are_not_folded(tmp_path: Path, right: float, loudest: int) -> None:
    """Of channels in opposite phase the loudest is used alone, and that is said."""
    path = save(tmp_path / "a.wav", stereo(right), subtype="DOUBLE")
    with pytest.warns(
        EarwrightWarning, match=rf"2 channels cancel .* channel {loudest}, the loud"
    ):
        recording = read_recording(path)
    np.testing.assert_array_equal(recording.signal, stereo(right)[:, loudest - 1])


def test_all_that_was_assumed_is_kept(tmp_path: Path) -> None:
    """Several assumptions give several warnings, and the recording keeps their texts."""
    loud = np.clip(4.0 * tone(1.0), -1.0, 1.0)
    path = save(tmp_path / "a.wav", np.stack([loud, -loud], axis=1))
    with pytest.warns(EarwrightWarning) as caught:
        recording = read_recording(path, max_duration_s=0.5)
    assert [str(warning.message) for warning in caught] == list(recording.warnings)
    assert len(recording.warnings) == 3


@pytest.mark.parametrize(
    ("from_hz", "to_hz"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (8_000, 48_000)]
)
def test_a_resampled_tone_is_the_same_tone(from_hz: int, to_hz: int) -> None:
    """A tone computed at the new rate is what resampling gives, and as long."""
    resampled = resample(tone(1.0, rate_hz=from_hz), from_hz, to_hz)
    assert (len(resampled), resampled.dtype) == (to_hz, np.float64)
    middle = slice(to_hz // 10, -to_hz // 10)
    # soxr's very high quality: better than 24 bits, which is 6e-8.
    np.testing.assert_allclose(
        resampled[middle], tone(1.0, rate_hz=to_hz)[middle], rtol=0.0, atol=6e-8
    )


def test_resampling_needs_rates() -> None:
    """Equal rates give a copy; a rate that isn't above 0 is refused before the library sees it."""
    signal = tone()
    copy = resample(signal, RATE_HZ, RATE_HZ)
    np.testing.assert_array_equal(copy, signal)
    assert not np.shares_memory(copy, signal)
    for from_hz, to_hz in ((0, 1), (1, 0), (-1, 1), (1, np.nan)):
        with pytest.raises(AudioError, match=r"_hz is .* Hz; it must be a rate above 0"):
            resample(signal, from_hz, to_hz)


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".aiff", ".aif", ".WAV"])
def test_written_files_are_read_back(tmp_path: Path, suffix: str) -> None:
    """The suffix gives the format, and the sound comes back to 24 bits."""
    path = tmp_path / f"match{suffix}"
    quiet = 0.1 * tone()
    assert write_recording(path, quiet, RATE_HZ) == 1.0
    recording = read_recording(path)
    assert recording.sample_rate_hz == RATE_HZ
    # Half a step of 24 bits, and rounding.
    np.testing.assert_allclose(recording.signal, quiet, rtol=0.0, atol=2.0**-23)


@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT", "DOUBLE"])
def test_the_sample_format_is_an_option(tmp_path: Path, subtype: str) -> None:
    """The file has the sample format that was asked for."""
    write_recording(tmp_path / "a.wav", tone(), RATE_HZ, subtype=subtype)
    assert soundfile.info(tmp_path / "a.wav").subtype == subtype


@pytest.mark.parametrize("level", [0.5, 1.0, 30.0])
@pytest.mark.parametrize("n_channels", [1, 2])
def test_written_files_are_limited(tmp_path: Path, level: float, n_channels: int) -> None:
    """Whatever was rendered, the file holds no more than the limits, without clipping."""
    signal = level * 2.0 * np.tile(tone()[:, np.newaxis], n_channels)
    gain = write_recording(tmp_path / "a.wav", signal, RATE_HZ)
    written, _ = soundfile.read(tmp_path / "a.wav", always_2d=True)
    # A step of 24 bits at the level of the limit.
    assert true_peak_db(written, RATE_HZ) <= MAX_TRUE_PEAK_DBTP + 1e-5
    assert loudness_lufs(written, RATE_HZ) <= MAX_LOUDNESS_LUFS + 1e-5
    np.testing.assert_allclose(written, signal * gain, rtol=0.0, atol=2.0**-23)


def test_a_written_file_is_not_replaced_by_accident(tmp_path: Path) -> None:
    """An existing sound is kept unless replacing it is asked for."""
    path = tmp_path / "match.wav"
    write_recording(path, tone(), RATE_HZ)
    before = path.read_bytes()
    with pytest.raises(FileError, match=r"match\.wav exists already and is kept"):
        write_recording(path, 0.5 * tone(), RATE_HZ)
    assert path.read_bytes() == before
    write_recording(path, 0.1 * tone(), RATE_HZ, overwrite=True)
    assert path.read_bytes() != before


@pytest.mark.parametrize(
    ("name", "signal", "options", "message"),
    [
        ("a.ogg", tone(), {}, r'the suffix is "\.ogg"; it must be one of \.wav, \.flac, \.aiff'),
        ("a", tone(), {}, r'the suffix is "";'),
        ("a.wav", tone(), {"subtype": "PCM_25"}, r'the subtype is "PCM_25"; for WAV it must'),
        ("a.flac", tone(), {"subtype": "FLOAT"}, r"for FLAC it must be one of PCM_S8, PCM_16"),
        ("a.wav", np.zeros((10, 3)), {}, r"the signal has 3 channels; there must be 1 or 2"),
        ("a.wav", np.zeros(0), {}, r"the signal has shape \(0,\)"),
        ("a.wav", np.array([0.0, np.nan]), {}, r"the signal is not finite at sample 1"),
        (
            "a.wav",
            tone(),
            {"rate": 1000},
            r"has a sampling rate of 1000 Hz; it must be 8000 to 192000 Hz",
        ),
        ("a.wav", tone(), {"rate": 44_100.5}, r"has a sampling rate of 44100\.5 Hz"),
    ],
    ids=["ogg", "no-suffix", "subtype", "flac", "channels", "empty", "nan", "rate", "fraction"],
)
def test_what_cannot_be_written_is_refused(
    tmp_path: Path, name: str, signal: FloatArray, options: dict[str, Any], message: str
) -> None:
    """Nothing is written, and the line says what is accepted."""
    rate_hz = options.pop("rate", RATE_HZ)
    with pytest.raises(AudioError, match=message):
        write_recording(tmp_path / name, signal, rate_hz, **options)
    assert list(tmp_path.iterdir()) == []


def test_a_recording_can_be_made_from_samples() -> None:
    """A rendered note is a recording without a file."""
    recording = Recording(tone(), RATE_HZ, "rendered")
    assert (recording.path, recording.warnings, recording.duration_s) == (None, (), 0.5)


@pytest.mark.parametrize(
    ("signal", "rate_hz", "message"),
    [
        (np.zeros((10, 2)), RATE_HZ, r"rendered: the signal has shape \(10, 2\)"),
        (np.array([np.nan]), RATE_HZ, r"rendered: the signal .* isn't finite"),
        (tone(), 100, r"rendered has a sampling rate of 100 Hz"),
    ],
    ids=["stereo", "nan", "rate"],
)
def test_a_recording_is_checked(signal: FloatArray, rate_hz: int, message: str) -> None:
    """Whatever made it, a recording is one channel of finite samples at a known rate."""
    with pytest.raises(AudioError, match=message):
        Recording(signal, rate_hz, "rendered")
