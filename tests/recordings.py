"""Real recorded notes for the tests, played from a sound bank that another package ships.

The bank is ``TimGM6mb.sf2`` of the PyPI package ``pretty-midi``; it is played by the PyPI package
``tinysoundfont``. Neither the bank nor a sound made from it may be copied into this repository:
the bank has a licence of its own, so a test asks for the notes that it needs and throws them away.

The player has neither reverb nor chorus, and knows one rule for the key velocity: amplitude in
proportion to it. Notes of one instrument at several velocities therefore differ in level alone,
unless the bank holds recordings made at several dynamics.
"""

import functools
import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from shared.errors import ParameterError
from shared.types import FloatArray

if TYPE_CHECKING:
    import tinysoundfont

# General MIDI System Level 1 (MIDI Manufacturers Association, RP-003), sound set table. That
# table counts from 1, the program-change message, and these numbers, from 0.
PROGRAMS = {
    "violin": 40,
    "viola": 41,
    "cello": 42,
    "contrabass": 43,
    "string ensemble": 48,
    "string ensemble 2": 49,
    "synth strings": 50,
    "trumpet": 56,
    "trombone": 57,
    "tuba": 58,
    "muted trumpet": 59,
    "horn": 60,
    "brass section": 61,
    "synth brass": 62,
    "soprano sax": 64,
    "alto sax": 65,
    "tenor sax": 66,
    "baritone sax": 67,
    "oboe": 68,
    "english horn": 69,
    "bassoon": 70,
    "clarinet": 71,
    "piccolo": 72,
    "flute": 73,
}

INSTALL_COMMAND = "pip install pretty-midi && pip install --no-deps tinysoundfont"
PEAK_DBFS = -6.0
REFERENCE_VELOCITY = 100


@dataclass(frozen=True)
class RealNote:
    """One recorded note.

    Attributes
    ----------
    signal : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sound, read-only; the key goes down at sample 0. Its peak is -6 dBFS at velocity 100,
        and other velocities keep their level against that.
    sample_rate_hz : int
        Sampling rate in Hz.
    instrument : str
        A name of `PROGRAMS`.
    midi_pitch : float
        MIDI pitch, 69 = A4 = 440 Hz.
    velocity : int
        Key velocity, 1 to 127.
    gate_s : float
        Time in seconds after which the key goes up.
    """

    signal: FloatArray
    sample_rate_hz: int
    instrument: str
    midi_pitch: float
    velocity: int
    gate_s: float


def sound_bank_path() -> Path:
    """Return the sound bank's path inside the installed ``pretty-midi``."""
    # The package is located, not imported: its import takes long, and nothing of it is needed.
    spec = importlib.util.find_spec("pretty_midi")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError(
            "pretty-midi is not installed, and it holds the sound bank of the recorded notes. "
            f"Run: {INSTALL_COMMAND}"
        )
    return Path(spec.origin).with_name("TimGM6mb.sf2")


@functools.cache
def _sound_bank() -> bytes:
    """Read the bank once; it has 6 MB."""
    return sound_bank_path().read_bytes()


def _new_synth(sample_rate_hz: int) -> "tinysoundfont.Synth":
    """Return a fresh player that holds the bank: nothing of an earlier note rings on."""
    try:
        import tinysoundfont  # noqa: PLC0415, here its absence can be explained
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError(
            "tinysoundfont is not installed, and it plays the recorded notes. "
            f"Run: {INSTALL_COMMAND}"
        ) from error
    synth = tinysoundfont.Synth(samplerate=sample_rate_hz)
    synth.sfload(_sound_bank())
    return synth


def _check(
    instrument: str, midi_pitch: float, velocity: int, gate_s: float, duration_s: float
) -> None:
    """Refuse what the player would play wrongly or not at all."""
    if instrument not in PROGRAMS:
        raise ParameterError(
            f'instrument is "{instrument}"; accepted: {", ".join(sorted(PROGRAMS))}. '
            "Take one of them, or add its General MIDI program to PROGRAMS."
        )
    if not 0.0 <= midi_pitch <= 127.0:
        raise ParameterError(f"midi_pitch is {midi_pitch}; it must be 0 to 127 (60 is C4).")
    if not 1 <= velocity <= 127:
        raise ParameterError(f"velocity is {velocity}; it must be 1 to 127.")
    if not 0.0 < gate_s <= duration_s:
        raise ParameterError(
            f"gate_s is {gate_s} s; it must lie above 0 and not above duration_s={duration_s} s. "
            "Shorten the gate or lengthen the duration."
        )


@functools.lru_cache(maxsize=256)
def _played(
    *,
    program: int,
    midi_pitch: float,
    velocity: int,
    gate_s: float,
    duration_s: float,
    sample_rate_hz: int,
) -> FloatArray:
    """Play one note and fold it to mono, at the level the player gives it."""
    synth = _new_synth(sample_rate_hz)
    key = round(midi_pitch)
    synth.program_change(0, program)
    synth.set_tuning(0, midi_pitch - key)
    synth.noteon(0, key, velocity)
    gate_samples = round(gate_s * sample_rate_hz)
    held = np.frombuffer(synth.generate(gate_samples), dtype=np.float32)
    synth.noteoff(0, key)
    n_rest = round(duration_s * sample_rate_hz) - gate_samples
    released = np.frombuffer(synth.generate(n_rest), dtype=np.float32)
    stereo = np.concatenate([held, released]).reshape(-1, 2)
    mono: FloatArray = stereo.mean(axis=1, dtype=np.float64)
    return mono


@functools.lru_cache(maxsize=256)
def real_note(
    instrument: str,
    midi_pitch: float,
    *,
    velocity: int = REFERENCE_VELOCITY,
    gate_s: float = 1.0,
    duration_s: float = 2.0,
    sample_rate_hz: int = 44_100,
) -> RealNote:
    """Play one recorded note."""
    _check(instrument, midi_pitch, velocity, gate_s, duration_s)
    played = functools.partial(
        _played,
        program=PROGRAMS[instrument],
        midi_pitch=midi_pitch,
        gate_s=gate_s,
        duration_s=duration_s,
        sample_rate_hz=sample_rate_hz,
    )
    reference_peak = np.abs(played(velocity=REFERENCE_VELOCITY)).max()
    signal = played(velocity=velocity) * (10.0 ** (PEAK_DBFS / 20.0) / reference_peak)
    signal.setflags(write=False)
    return RealNote(signal, sample_rate_hz, instrument, midi_pitch, velocity, gate_s)
