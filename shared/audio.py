"""Audio files in and out, and the change of sampling rates.

Recordings come in as one channel of float64, checked, with everything that was assumed said as
a warning. What goes out is limited in peak and loudness, and whole or not there.
"""

from __future__ import annotations

import contextlib
import io
import os
import threading
import warnings as python_warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import numpy as np

from shared.audio_headers import is_cut_off
from shared.errors import AudioError, EarwrightWarning
from shared.files import write_atomic
from shared.safety import limit_level
from shared.units import amplitude_to_db, db_to_amplitude, samples_to_seconds, seconds_to_samples

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import soundfile

    from shared.types import FloatArray

__all__ = [
    "SIDES",
    "Recording",
    "Stretch",
    "quiet_decoder",
    "read_recording",
    "resample",
    "write_recording",
]

MIN_SAMPLE_RATE_HZ = 8_000
MAX_SAMPLE_RATE_HZ = 192_000
MIN_DURATION_S = 0.05
MAX_DURATION_S = 60.0
MAX_CHANNELS = 8
# Two are what players and pages take; the project writes nothing else.
MAX_WRITTEN_CHANNELS = 2

_READ_FORMATS = {"WAV", "WAVEX", "FLAC", "AIFF", "OGG", "MP3"}
_READ_FORMATS_TEXT = "WAV, FLAC, AIFF, OGG or MP3"
_WRITE_FORMATS = {".wav": "WAV", ".flac": "FLAC", ".aiff": "AIFF", ".aif": "AIFF"}
# A peak below this is silence: dither alone peaks at one step of 16 bits, -90 dBFS.
SILENCE_DBFS = -80.0
# Float files may go beyond full scale; four orders of power more is no level of a sound. Common
# practice, no source.
LOUDEST_DBFS = 40.0
# Folding two unrelated channels loses 3 dB; a loss above this means that they cancel.
_FOLD_LOSS_DB = 6.0
_DC_DB = -40.0
# Three samples in a row at the peak: a converter that runs out of numbers.
_CLIPPED_RUN = 3
# Full scale of 16 bits is 32767/32768; 12-bit and dithered files stop a little lower.
_FULL_SCALE = 0.999
_STANDARD_ERROR = 2
# Two readers at once would put the streams back in the wrong order.
_LOCK = threading.Lock()


# Weights of the left and the right channel.
SIDES = {"left": (1.0, 0.0), "right": (0.0, 1.0), "middle": (0.5, 0.5), "sides": (0.5, -0.5)}


@dataclass(frozen=True)
class Stretch:
    """What is used of a recording.

    Parameters
    ----------
    from_s, to_s : float >= 0
        Where it begins and ends, in s from the start of the file; to its end if `to_s` is None.
    side : str, optional
        Of a stereo recording: ``"left"``, ``"right"``, ``"middle"`` (what both channels have in
        common) or ``"sides"`` (what they haven't).

    Raises
    ------
    AudioError
        If the times don't rise, or the side is unknown.
    """

    from_s: float = 0.0
    to_s: float | None = None
    side: str | None = None

    def __post_init__(self) -> None:
        """Check the times and the side."""
        end_s = np.inf if self.to_s is None else self.to_s
        if not 0.0 <= self.from_s < end_s:
            raise AudioError(
                f"what is used of the recording would begin at {self.from_s:g} s and end at "
                f"{end_s:g} s; the end must be later. Give seconds from the start of the file.",
                name="from_s",
            )
        if self.side is not None and self.side not in SIDES:
            raise AudioError(
                f'side is "{self.side}"; it must be {", ".join(SIDES)}.',
                name="side",
            )


WHOLE = Stretch()


# Two recordings are compared by their sound, not by ==, which arrays don't answer with one word.
@dataclass(frozen=True, eq=False)
class Recording:
    """One channel of recorded sound.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,), dtype=float64
        Finite samples, full scale is 1.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    name : str
        Name for messages and reports; of a file, its name without folder and suffix.
    path : Path, optional
        The file that it was read from.
    warnings : tuple of str
        What was assumed while reading.

    Raises
    ------
    AudioError
        If the signal has another shape or isn't finite, or the rate lies outside its range.
    """

    signal: FloatArray
    sample_rate_hz: int
    name: str
    path: Path | None = None
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check the signal and the rate."""
        _check_rate(self.sample_rate_hz, self.name)
        if self.signal.ndim != 1 or not np.isfinite(self.signal).all():
            raise AudioError(
                f"{self.name}: the signal has shape {self.signal.shape} or isn't finite; it must "
                "be finite samples of one channel, shape (n_samples,).",
                name=self.name,
            )

    @property
    def duration_s(self) -> float:
        """Length in s."""
        return samples_to_seconds(float(len(self.signal)), self.sample_rate_hz)


def read_recording(
    path: str | Path,
    *,
    max_duration_s: float = MAX_DURATION_S,
    stretch: Stretch = WHOLE,
    fold: Callable[[FloatArray, int], tuple[FloatArray, str]] | None = None,
) -> Recording:
    """Read an audio file as one channel.

    Channels are averaged; where they cancel, the loudest is taken alone. A constant offset is
    taken off, a file that is too long is cut. Each of these, and clipping, gives a warning.

    Parameters
    ----------
    path : str or Path
        WAV, FLAC, AIFF, OGG or MP3 file with 1 to 8 channels and 8 to 192 kHz.
    max_duration_s : float >= 0.05
        Use at most this many seconds.
    stretch : Stretch
        Which part and side of the file is used; only that part of it is decoded.
    fold : callable, optional
        Folds two channels, (n_samples, 2) at a rate in Hz, to one that the caller likes better
        than the mean, and says so in a sentence; used where no side is given.

    Returns
    -------
    Recording
        The sound, at the rate of the file.

    Raises
    ------
    AudioError
        If the file is missing, empty, cut off or no audio; is silent, holds only an offset, or
        samples that aren't finite; is shorter than 50 ms; has too many channels or another
        rate; or doesn't have that stretch or side.

    Warns
    -----
    EarwrightWarning
        With the texts that `Recording.warnings` keeps.

    Notes
    -----
    libsndfile guesses the length of an MP3 file of variable bit rate that lacks the usual length
    in its first frame, and may stop early; convert such a file to WAV or FLAC first.
    """
    file_path = Path(path)
    source = str(path)
    if not MIN_DURATION_S <= max_duration_s < np.inf:
        raise AudioError(
            f"max_duration_s is {max_duration_s:g} s; it must be {MIN_DURATION_S:g} s or more.",
            name="max_duration_s",
        )
    _check_file(file_path, source)
    notes: list[str] = []
    channels, sample_rate_hz = _read_channels(file_path, source, max_duration_s, stretch, notes)
    if stretch.side is not None:
        channels = _side(channels, stretch.side, source)
    elif fold is not None and channels.shape[1] == 2:
        _check_finite(channels, source)
        mono, note = fold(channels, sample_rate_hz)
        if note:
            channels = mono[:, None]
            notes.append(f"{source}: {note}")
    signal = to_usable_mono(channels, source, notes.append)
    for note in notes:
        python_warnings.warn(note, EarwrightWarning, stacklevel=2)
    return Recording(signal, sample_rate_hz, file_path.stem, file_path, tuple(notes))


def resample(signal: FloatArray, from_hz: float, to_hz: float) -> FloatArray:
    """Change the sampling rate of samples, (n_samples,) or (n_samples, n_channels).

    soxr at very high quality; a copy if the rates are equal. An `AudioError` refuses a rate that
    isn't above 0.
    """
    import soxr  # noqa: PLC0415 - late, so that `earwright --help` stays quick

    for name, rate_hz in (("from_hz", from_hz), ("to_hz", to_hz)):
        if not (rate_hz > 0.0 and np.isfinite(rate_hz)):
            raise AudioError(f"{name} is {rate_hz:g} Hz; it must be a rate above 0.", name=name)
    if from_hz == to_hz:
        return signal.copy()
    resampled = soxr.resample(signal, from_hz, to_hz, quality="VHQ")
    return np.asarray(resampled, dtype=np.float64)


def write_recording(
    path: str | Path,
    signal: FloatArray,
    sample_rate_hz: int,
    *,
    subtype: str = "PCM_24",
    overwrite: bool = False,
) -> float:
    """Write an audio file, limited in peak and loudness; see `shared.safety.limit_level`.

    Parameters
    ----------
    path : str or Path
        File to write; the suffix gives the format: ``.wav``, ``.flac`` or ``.aiff``.
    signal : np.ndarray, shape=(n_samples,) or (n_samples, n_channels), dtype=float64
        Finite samples of 1 or 2 channels, full scale is 1.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    subtype : str
        Sample format as libsndfile names it: ``"PCM_16"``, ``"PCM_24"``, ``"FLOAT"``.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    float, 0 < gain <= 1
        The factor by which the signal was turned down.

    Raises
    ------
    AudioError
        If the suffix, the subtype, the rate or the signal isn't accepted.
    FileError
        If the file exists and may not be replaced, or can't be written.
    """
    import soundfile  # noqa: PLC0415 - late, so that `earwright --help` stays quick

    file_path = Path(path)
    file_format = _WRITE_FORMATS.get(file_path.suffix.lower())
    if file_format is None:
        known = ", ".join(_WRITE_FORMATS)
        text = f': the suffix is "{file_path.suffix}"; it must be one of {known}.'
        _refuse(str(path), f"{text} Choose another name.")
    if not soundfile.check_format(file_format, subtype):
        known = ", ".join(soundfile.available_subtypes(file_format))
        text = f': the subtype is "{subtype}"; for {file_format} it must be one of {known}.'
        _refuse(str(path), text)
    _check_rate(sample_rate_hz, str(path))
    if signal.ndim == 2 and not 1 <= signal.shape[1] <= MAX_WRITTEN_CHANNELS:
        text = f": the signal has {signal.shape[1]} channels; there must be 1 or 2."
        _refuse(str(path), text)
    limited, gain = limit_level(signal, sample_rate_hz)
    buffer = io.BytesIO()
    soundfile.write(buffer, limited, sample_rate_hz, format=file_format, subtype=subtype)
    write_atomic(file_path, buffer.getvalue(), overwrite=overwrite)
    return gain


def _refuse(source: str, text: str) -> NoReturn:
    """Raise for a recording or a file."""
    raise AudioError(f"{source}{text}", path=source)


def _check_file(path: Path, source: str) -> None:
    """Refuse what isn't a whole file, before a decoder sees it."""
    reason = None
    if not path.exists():
        reason = "doesn't exist. Check the name"
    elif path.is_dir():
        reason = "is a folder; it must be one audio file. Name a file in it"
    else:
        try:
            if path.stat().st_size == 0:
                reason = "is empty (0 bytes). Export the recording anew"
            elif is_cut_off(path):
                reason = (
                    "is cut off: it is shorter than its header says. Copy it again, or export the "
                    "recording anew"
                )
        except OSError as error:
            reason = f"can't be read: {error.strerror or error}. Check its permissions"
    if reason:
        raise AudioError(f"{source} {reason}.", path=path)


def _read_channels(
    path: Path, source: str, max_duration_s: float, stretch: Stretch, notes: list[str]
) -> tuple[FloatArray, int]:
    """Decode the part of a file that is used, (n_samples, n_channels)."""
    import soundfile  # noqa: PLC0415 - late, so that `earwright --help` stays quick

    try:
        # TypeError: soundfile asks for the layout of files called .raw.
        with quiet_decoder(path), soundfile.SoundFile(os.fsencode(path)) as file:
            sample_rate_hz = int(file.samplerate)
            _check_header(file, source)
            duration_s = samples_to_seconds(float(file.frames), sample_rate_hz)
            used_s = _check_stretch(stretch, duration_s, source)
            file.seek(min(seconds_to_samples(stretch.from_s, sample_rate_hz), file.frames))
            n_wanted = seconds_to_samples(min(used_s, max_duration_s), sample_rate_hz)
            channels = file.read(n_wanted, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, TypeError) as error:
        raise AudioError(
            f"{source} can't be read as audio: it is no {_READ_FORMATS_TEXT} file, or damaged or "
            "cut off. Export the recording anew.",
            path=path,
        ) from error
    if len(channels) < seconds_to_samples(MIN_DURATION_S, sample_rate_hz):
        length_ms = 1000.0 * samples_to_seconds(float(len(channels)), sample_rate_hz)
        needed = f"it must be {1000.0 * MIN_DURATION_S:g} ms or more"
        text = f" is {length_ms:.0f} ms long; {needed}. Export more of the note."
        _refuse(source, text)
    if used_s > max_duration_s:
        notes.append(
            f"{source} is {used_s:.1f} s long; only the first {max_duration_s:g} s are used. "
            "Say from when to when the sound lasts to choose others (--from, --to)."
        )
    return channels, sample_rate_hz


def _check_stretch(stretch: Stretch, duration_s: float, source: str) -> float:
    """Refuse a stretch that the file doesn't have; return its length in s."""
    end_s = duration_s if stretch.to_s is None else stretch.to_s
    for what, time_s in (("begin", stretch.from_s), ("end", end_s)):
        # A time that was read off to two digits may lie behind the last sample.
        if time_s > duration_s + 0.01:
            text = f" ends at {duration_s:.2f} s, and what is used of it would {what} at "
            _refuse(source, f"{text}{time_s:g} s. Give a time before the end.")
    return end_s - stretch.from_s


def _side(channels: FloatArray, side: str, source: str) -> FloatArray:
    """Take one side of a stereo recording, (n_samples, 1)."""
    if channels.shape[1] != 2:
        count = f"{channels.shape[1]} channel{'' if channels.shape[1] == 1 else 's'}"
        text = f" has {count}, and side is {side}; a side needs a recording of 2. Leave it out."
        _refuse(source, text)
    mono: FloatArray = channels @ np.array(SIDES[side])[:, None]
    return mono


def _check_header(file: soundfile.SoundFile, source: str) -> None:
    """Refuse formats, rates and channel counts that aren't promised."""
    if file.format not in _READ_FORMATS:
        text = f" has the format {file.format}; it must be {_READ_FORMATS_TEXT}. Convert it."
        _refuse(source, text)
    _check_rate(file.samplerate, source)
    if file.channels > MAX_CHANNELS:
        text = f" has {file.channels} channels; there must be 1 to {MAX_CHANNELS}."
        _refuse(source, f"{text} Export the channels that hold the sound.")


def _check_rate(sample_rate_hz: float, source: str) -> None:
    """Refuse a rate that isn't a whole number in the range."""
    is_in_range = MIN_SAMPLE_RATE_HZ <= sample_rate_hz <= MAX_SAMPLE_RATE_HZ
    if not is_in_range or sample_rate_hz != int(sample_rate_hz):
        raise AudioError(
            f"{source} has a sampling rate of {sample_rate_hz:g} Hz; it must be "
            f"{MIN_SAMPLE_RATE_HZ} to {MAX_SAMPLE_RATE_HZ} Hz. Convert it to 48000 Hz.",
            name="sample_rate_hz",
        )


def to_usable_mono(channels: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Check the samples, (n, n_channels), fold them, and take the offset off."""
    _check_finite(channels, source)
    _check_peak(channels, source)
    _warn_if_clipped(channels, source, warn)
    mono = _fold(channels, source, warn)
    _check_audible(mono, source)
    return _without_offset(mono, source, warn)


def _check_finite(channels: FloatArray, source: str) -> None:
    """Refuse NaN and infinity, which float files can hold."""
    is_finite = np.isfinite(channels)
    if not is_finite.all():
        place = int(np.argwhere(~is_finite)[0][0])
        text = f": sample {place} is {channels[~is_finite][0]}; all samples must be finite."
        _refuse(source, f"{text} Export the recording anew.")


def _peak(channels: FloatArray) -> float:
    """Return the largest absolute sample, without a copy of all of them."""
    return float(max(channels.max(initial=0.0), -channels.min(initial=0.0)))


def _check_peak(channels: FloatArray, source: str) -> None:
    """Refuse what float files can hold and no sound is: whole numbers as they are, rubbish."""
    peak = _peak(channels)
    if peak > db_to_amplitude(LOUDEST_DBFS):
        level = f"{amplitude_to_db(peak):.0f} dB above full scale"
        most = f"it must be at most {LOUDEST_DBFS:g} dB above. Export it with samples from -1 to 1"
        _refuse(source, f": the loudest sample is {peak:.3g}, {level}; {most}.")


def _check_audible(mono: FloatArray, source: str) -> None:
    """Refuse silence."""
    peak_dbfs = amplitude_to_db(float(np.max(np.abs(mono))))
    if peak_dbfs < SILENCE_DBFS:
        needed = f"it must be {SILENCE_DBFS:g} dBFS or more. Check the recording level."
        _refuse(source, f" is silent: its peak is {peak_dbfs:.1f} dBFS; {needed}")


def _warn_if_clipped(channels: FloatArray, source: str, warn: Callable[[str], None]) -> None:
    """Look for runs of samples that stand still at full scale."""
    peak = _peak(channels)
    if peak < _FULL_SCALE or len(channels) < _CLIPPED_RUN:
        return
    is_at_peak = (channels >= peak) | (channels <= -peak)
    windows = np.lib.stride_tricks.sliding_window_view(is_at_peak, _CLIPPED_RUN, axis=0)
    if windows.all(axis=-1).any():
        warn(
            f"{source} is clipped: {_CLIPPED_RUN} or more samples in a row stand still at full "
            "scale. The match will take the distortion for part of the sound; record it again at "
            "a lower level if you can."
        )


def _fold(channels: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Average the channels, or take the loudest where the average would lose the sound."""
    if channels.shape[1] == 1:
        return channels[:, 0].copy()
    mono: FloatArray = channels.mean(axis=1)
    powers = np.array([float(channel @ channel) / len(channel) for channel in channels.T])
    loss_ratio = float(np.mean(mono**2)) / max(float(powers.mean()), np.finfo(np.float64).tiny)
    if not float(powers.mean()) > 0.0 or loss_ratio >= 10.0 ** (-_FOLD_LOSS_DB / 10.0):
        return mono
    loudest = int(np.argmax(powers))
    warn(
        f"{source}: the {channels.shape[1]} channels cancel when they are folded to one (more "
        f"than {_FOLD_LOSS_DB:g} dB are lost), so channel {loudest + 1}, the loudest, is used "
        "alone. Export the channel that you want to choose another."
    )
    return channels[:, loudest].copy()


def _without_offset(mono: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Take a constant offset off, and refuse a file that holds nothing else."""
    offset = float(mono.mean())
    if abs(offset) <= db_to_amplitude(_DC_DB) * float(np.max(np.abs(mono))):
        return mono
    centred: FloatArray = mono - offset
    if float(np.max(np.abs(centred))) < db_to_amplitude(SILENCE_DBFS):
        text = f" holds only a constant offset of {offset:.3f} and no sound."
        _refuse(source, f"{text} Check the recording chain.")
    warn(
        f"{source} had a constant offset of {offset:.3f}, which was taken off. Nothing needs to "
        "be done; a fault in the recording chain may be the cause."
    )
    return centred


@contextlib.contextmanager
def quiet_decoder(path: Path) -> Iterator[None]:
    """Send standard error nowhere while a file that may hold MP3 is decoded.

    That decoder, inside libsndfile, writes dozens of lines about damaged frames past Python, into
    the middle of a progress bar. What is no WAV, FLAC, AIFF or OGG by its first bytes is taken for
    MP3, whatever its suffix.
    """
    with path.open("rb") as file:
        is_other = file.read(4) in {b"RIFF", b"RIFX", b"fLaC", b"FORM", b"OggS"}
    if is_other:
        yield
        return
    with _LOCK, contextlib.ExitStack() as stack:
        try:
            kept = os.dup(_STANDARD_ERROR)
            nowhere = os.open(os.devnull, os.O_WRONLY)
        except OSError:
            # Started without such a stream: nothing can be written to it.
            yield
            return
        stack.callback(os.close, kept)
        stack.callback(os.dup2, kept, _STANDARD_ERROR)
        os.dup2(nowhere, _STANDARD_ERROR)
        os.close(nowhere)
        yield
