"""Sound for the page: any key of any patch, limited in level, and kept for the next time."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared import Note, Patch, limit_level
from voice import DEFAULT_PHASES, render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

__all__ = ["LONGEST_GATE_S", "Sound", "SoundCache", "noise_seed", "wav_bytes"]

# A key that is held longer ends here; one sound is then 0.9 MB.
LONGEST_GATE_S = 8.0
SAMPLE_RATE_HZ = 44_100
MAX_CACHED_BYTES = 64_000_000


@dataclass(frozen=True)
class Sound:
    """A sound as the browser gets it.

    Parameters
    ----------
    wav : bytes
        WAV file, 16 bit, one channel, limited in peak and loudness.
    gain : float, 0 < gain <= 1
        By how much it was turned down.
    """

    wav: bytes
    gain: float


class SoundCache:
    """Plays notes of patches, and keeps the last ones.

    Parameters
    ----------
    max_bytes : int
        How much is kept.
    """

    def __init__(self, *, max_bytes: int = MAX_CACHED_BYTES) -> None:
        self._max_bytes = max_bytes
        self._sounds: OrderedDict[object, Sound] = OrderedDict()
        self._n_bytes = 0
        self._lock = threading.Lock()

    def play(
        self, patch: Patch, note: Note, *, phases: Mapping[str, float] | None = None
    ) -> Sound:
        """Play a note of a patch.

        Parameters
        ----------
        patch : Patch
            The patch.
        note : Note
            The key, how hard it is struck, and for how long it is held.
        phases : mapping of str to float, optional
            Where free-running parts stand; those of the patch's first note if left out.

        Returns
        -------
        Sound
            With its release; held at most `LONGEST_GATE_S`.
        """
        gate_s = min(note.gate_s, LONGEST_GATE_S)
        starts = phases or (patch.phases[0] if patch.phases else DEFAULT_PHASES)
        key = (
            tuple(patch.values.values()),
            tuple(starts.values()),
            (note.midi_pitch, note.velocity, gate_s),
            noise_seed(patch),
        )
        known = self._known(key)
        if known is not None:
            return known
        signal = render(
            patch,
            midi_pitch=note.midi_pitch,
            velocity=note.velocity,
            gate_s=gate_s,
            sample_rate_hz=SAMPLE_RATE_HZ,
            phases=starts,
            seed=noise_seed(patch),
        )
        sound = Sound(*wav_bytes(signal, SAMPLE_RATE_HZ))
        self._keep(key, sound)
        return sound

    def _known(self, key: object) -> Sound | None:
        """Return a sound that is kept, and keep it longer."""
        with self._lock:
            sound = self._sounds.get(key)
            if sound is not None:
                self._sounds.move_to_end(key)
            return sound

    def _keep(self, key: object, sound: Sound) -> None:
        """Keep a sound; the ones that weren't wanted for longest make room."""
        with self._lock:
            if key not in self._sounds:
                self._n_bytes += len(sound.wav)
            self._sounds[key] = sound
            while self._n_bytes > self._max_bytes and len(self._sounds) > 1:
                self._n_bytes -= len(self._sounds.popitem(last=False)[1].wav)


def wav_bytes(signal: FloatArray, sample_rate_hz: int) -> tuple[bytes, float]:
    """Write a sound as a WAV file in memory, limited in peak and loudness.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        The sound.
    sample_rate_hz : int
        Its rate in Hz.

    Returns
    -------
    wav : bytes
        The file.
    gain : float
        By how much it was turned down.
    """
    import soundfile  # noqa: PLC0415  loads a library

    limited, gain = limit_level(np.asarray(signal, dtype=np.float64), sample_rate_hz)
    buffer = io.BytesIO()
    soundfile.write(buffer, limited, sample_rate_hz, format="WAV", subtype="PCM_16")
    return buffer.getvalue(), gain


def noise_seed(patch: Patch) -> int:
    """Return the seed that a patch was matched with, so that its noise is the same.

    Parameters
    ----------
    patch : Patch
        The patch.

    Returns
    -------
    int
        0 if it doesn't say.
    """
    settings = patch.provenance.get("settings")
    value = settings.get("seed") if isinstance(settings, dict) else None
    return value if isinstance(value, int) and value >= 0 else 0
