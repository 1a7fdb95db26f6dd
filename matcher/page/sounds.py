"""Sound for the page, always limited in level: keys of a patch, a patch beside its target.

What a sound looks like is sent as numbers; the browser paints what moves with them: a player's
strip, marks that are dragged, a search.
"""

from __future__ import annotations

import base64
import io
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import NoteScorer, breakdown
from matcher.page.workspace import Kept
from matcher.playing import noise_seed, prepare_note
from matcher.plots import measure_spectrogram
from shared import CATALOGUE, PHASE_NAMES, limit_level
from voice import DEFAULT_PHASES, NoteRenderer, render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses import NoteTarget
    from matcher.target import TargetNote
    from shared import FloatArray, Note, Patch
    from voice import Structure

# A key that is held longer ends here; one sound is then 0.9 MB.
LONGEST_GATE_S = 8.0
SAMPLE_RATE_HZ = 44_100
MAX_CACHED_BYTES = 64_000_000
N_LEVELS = 480
# What is softer than this under the loudest moment is dark: the range that one ear has within a
# sound; common practice, no source.
RANGE_DB = 70.0
# Longer than the period of C2 (15 ms), so that no waveform is drawn, and shorter than an attack
# that an ear calls slow.
_LEVEL_WINDOW_S = 0.016
# Notes whose analysis is kept.
_KEPT_NOTES = 12


@dataclass(frozen=True)
class Sound:
    """A WAV file of 16 bit and one channel, and the gain (at most 1) that its limits took."""

    wav: bytes
    gain: float


@dataclass(frozen=True, eq=False)
class Played:
    """A patch on the timeline and at the level of its target, and what lies between the two."""

    sound: FloatArray
    sample_rate_hz: int
    loss: Mapping[str, object]


class SoundCache:
    """Plays notes of patches, and keeps the last ones, up to a size in bytes."""

    def __init__(self, *, max_bytes: int = MAX_CACHED_BYTES) -> None:
        self._max_bytes = max_bytes
        self._sounds: OrderedDict[object, Sound] = OrderedDict()
        self._n_bytes = 0
        self._lock = threading.Lock()

    def play(self, patch: Patch, note: Note) -> Sound:
        """Play a note with its release, held at most `LONGEST_GATE_S`."""
        gate_s = min(note.gate_s, LONGEST_GATE_S)
        phases = patch.phases[0] if patch.phases else DEFAULT_PHASES
        seed = noise_seed(patch.provenance.get("settings"))
        key = (
            tuple(patch.values.values()),
            tuple(phases.values()),
            (note.midi_pitch, note.velocity, gate_s, seed),
        )
        with self._lock:
            known = self._sounds.get(key)
            if known is not None:
                self._sounds.move_to_end(key)
                return known
        signal = render(
            patch,
            midi_pitch=note.midi_pitch,
            velocity=note.velocity,
            gate_s=gate_s,
            sample_rate_hz=SAMPLE_RATE_HZ,
            phases=phases,
            seed=seed,
        )
        sound = Sound(*wav_bytes(signal, SAMPLE_RATE_HZ))
        self._keep(key, sound)
        return sound

    def _keep(self, key: object, sound: Sound) -> None:
        """Keep a sound; the ones that weren't wanted for longest make room."""
        with self._lock:
            if key not in self._sounds:
                self._n_bytes += len(sound.wav)
            self._sounds[key] = sound
            while self._n_bytes > self._max_bytes and len(self._sounds) > 1:
                self._n_bytes -= len(self._sounds.popitem(last=False)[1].wav)


class TargetPlayer:
    """Plays patches on notes of targets, which it analyses once."""

    def __init__(self) -> None:
        self._prepared: Kept[tuple[TargetNote, NoteTarget]] = Kept(_KEPT_NOTES)

    def play(
        self,
        note: TargetNote,
        number: int,
        patch: Patch,
        *,
        gate_s: float | None = None,
        weights: Mapping[str, float] | None = None,
    ) -> Played:
        """Play a patch in the place of a note, whose number chooses the phases.

        A search may have corrected how long the key is held, and have its own weights.
        """
        # The note is kept as well, so its place in memory is its own.
        _, target = self._prepared.get(id(note), lambda: (note, prepare_note(note)))
        phases = patch.phases[number] if number < len(patch.phases) else DEFAULT_PHASES
        renderer = NoteRenderer(
            note.note if gate_s is None else replace(note.note, gate_s=gate_s),
            n_samples=target.n_render,
            sample_rate_hz=target.sample_rate_hz,
            seed=noise_seed(patch.provenance.get("settings")),
        )
        values = np.array([[patch.values[name] for name in CATALOGUE.names]])
        starts = np.array([[phases[name] for name in PHASE_NAMES]])
        group = renderer.render(values, starts)
        place = phases["note.place"]
        score = NoteScorer(target).score(group, 1, places=np.array([place]))
        sound = target.place(np.ascontiguousarray(group[:, 0]), place)
        return Played(sound, target.sample_rate_hz, breakdown(score[0], weights).to_dict())


def changed_patch(patch: Patch, structure: Structure, values: Mapping[str, float]) -> Patch:
    """Change values by hand; linked controls follow, phases stay, so only the change is heard."""
    changed = patch.replace(values=values)
    row = np.array([[changed.values[name] for name in CATALOGUE.names]])
    structure.follow_links(row)
    return changed.replace(values=dict(zip(CATALOGUE.names, row[0].tolist(), strict=True)))


def wav_bytes(signal: FloatArray, sample_rate_hz: int) -> tuple[bytes, float]:
    """Write a sound as a WAV file in memory, limited in peak and loudness, and its gain."""
    import soundfile  # noqa: PLC0415  loads a library

    limited, gain = limit_level(np.asarray(signal, dtype=np.float64), sample_rate_hz)
    buffer = io.BytesIO()
    soundfile.write(buffer, limited, sample_rate_hz, format="WAV", subtype="PCM_16")
    return buffer.getvalue(), gain


def picture(signal: FloatArray, sample_rate_hz: int) -> dict[str, object]:
    """Make the picture of a sound.

    ``spectrogram`` is base64 of ``n_bands * n_columns`` bytes, lowest band first, 255 for the
    loudest and 0 for `RANGE_DB` under it; ``level_db`` is RMS under the loudest moment.
    """
    sound = np.asarray(signal, dtype=np.float64)
    (measured,) = measure_spectrogram(sound, sample_rate_hz=sample_rate_hz)
    grey = np.clip(255.0 * (1.0 + measured.level_db / RANGE_DB), 0.0, 255.0).astype(np.uint8)
    return {
        "duration_s": sound.size / sample_rate_hz,
        "n_bands": grey.shape[0],
        "n_columns": grey.shape[1],
        "band_hz": [round(float(hz), 1) for hz in measured.bands_hz],
        "spectrogram": base64.b64encode(grey.tobytes()).decode("ascii"),
        "level_db": [round(float(x), 2) for x in _levels(sound, sample_rate_hz)],
        "range_db": RANGE_DB,
    }


def _levels(sound: FloatArray, rate: int) -> FloatArray:
    """Measure the level around equally spaced moments, in dB under the loudest one."""
    n_moments = min(N_LEVELS, max(1, sound.size // 16))
    middles = np.linspace(0, sound.size, n_moments).astype(int)
    half = max(1, int(_LEVEL_WINDOW_S * rate / 2))
    first, last = np.maximum(middles - half, 0), np.minimum(middles + half, sound.size)
    total = np.concatenate([[0.0], np.cumsum(sound**2)])
    power = (total[last] - total[first]) / (2 * half)
    peak = max(float(power.max(initial=0.0)), 1e-18)
    levels: FloatArray = 10.0 * np.log10(np.maximum(power / peak, 10.0 ** (-RANGE_DB / 10.0)))
    return levels
