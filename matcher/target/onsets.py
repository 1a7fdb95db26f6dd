"""Where the notes begin in a recording of several.

A candidate is a peak of the spectral flux (of librosa, with vibrato suppressed) or a rise of the
level. It is a note if there is evidence enough that a key was struck, in one of four ways: a
strong flux; a fair flux and a rise of the level; any flux and another pitch after it than before;
a level that has been far down and comes back. So a vibrato, the beating of two oscillators, an
attack in two waves and a swell aren't notes, and a slow string that sets in after another has
died is one.

What then is too short or too quiet for a note, or a quieter copy of the sound just before it (an
echo), is dropped, and named in what is returned.

The thresholds were set on sequences made of the demo targets and of recorded notes; no source.
Of 163 notes there all are found with 0.5 s from one key's release to the next key, 161 with
0.25 s, 141 with 0.1 s, 105 with none. Missing are repetitions of one key without a gap, and notes
under the long release of the one before them: nothing tells them from beating. Of 144 single
notes, three that beat strongly (C5 of strings, horn and brass section, held for 2 s) are cut into
two or three, and one muted stab loses its end.

References
----------
.. [1] S. Böck and G. Widmer, "Maximum Filter Vibrato Suppression for Onset Detection", DAFx
   2013 (the flux).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.level import moving_energy
from shared.audio import resample
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    from shared.types import FloatArray

__all__ = ["FoundNotes", "find_notes"]

# One rate for all, so that the thresholds mean the same.
RATE_HZ = 22_050
HOP_S = 0.005
N_FFT = 1024
N_MELS = 96
LOWEST_HZ, HIGHEST_HZ = 50.0, 10_000.0
TOP_DB = 60.0
FLUX_LAG = 4  # frames
PITCH_N_FFT = 2048
N_SEMITONES = 72
LOWEST_KEY_HZ = 55.0
LEVEL_WINDOW_S = 0.02
LEVEL_FLOOR_DB = -80.0
# Evidence: flux as a mean rise over the bands in dB, rise of the level in dB, and how far the
# spectra in semitones before and after turn from each other (1 - cosine).
STRONG_FLUX_DB = 3.0
FAIR_FLUX_DB = 0.9
FAIR_RISE_DB = 9.0
WEAK_FLUX_DB = 0.35
CLEAR_FLUX_DB = 1.8
PITCH_CHANGE = 0.25
SLIGHT_PITCH_CHANGE = 0.12
LARGEST_FALL_DB = 10.0
AROUND = 20  # frames
RETURN_DB = 18.0
RISEN_DB = 3.0
DEEP_DB = 12.0
BEFORE_RISE = 10  # frames
LEAST_APART_S = 0.08
LONGEST_ATTACK_S = 0.3
LEAST_DIP_DB = 3.0
# An attack may come in two waves: so soon after the first, with so small a dip between them.
SECOND_WAVE_S = 0.2
SECOND_WAVE_DB = 6.0
# What counts as a note at all.
UNDER_LOUDEST_DB = 30.0
FALLEN_DB = 20.0
SHORTEST_NOTE_S = 0.06
ECHO_WITHIN_S = 1.0
ECHO_UNDER_DB = 6.0
ECHO_LIKENESS = 0.9
ECHO_PIECE_S = 0.25
ECHO_SHIFT_S = 0.02


@dataclass(frozen=True)
class FoundNotes:
    """Where a recording is cut for its notes, at the quietest place before each, in s, rising.

    `dropped_s` are sounds that aren't taken for notes, `echoes_s` those taken for echoes.
    """

    cuts_s: tuple[float, ...]
    dropped_s: tuple[float, ...] = ()
    echoes_s: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class _Tracks:
    """What changes over time, frame by frame, in steps of `HOP_S`."""

    signal: FloatArray
    flux_db: FloatArray
    level_db: FloatArray
    keys: FloatArray


def find_notes(signal: FloatArray, *, sample_rate_hz: int) -> FoundNotes:
    """Find where the notes of a recording begin; none where nothing stands out."""
    tracks = _measure(signal, sample_rate_hz)
    struck = _struck(tracks)
    cuts = [_cut(tracks.level_db, *pair) for pair in zip([0, *struck], struck, strict=False)]
    sounds = dict(
        zip(struck, zip(cuts, [*cuts[1:], tracks.level_db.size], strict=True), strict=True)
    )
    lasting = [at for at, (first, last) in sounds.items() if _is_note(tracks.level_db[first:last])]
    echoes = _echoes(tracks, lasting)
    notes = [at for at in lasting if at not in echoes]
    dropped = [at for at in struck if at not in notes]
    cuts_s, dropped_s, echoes_s = (
        tuple(HOP_S * sounds[at][0] for at in part) for part in (notes, dropped, echoes)
    )
    return FoundNotes(cuts_s, dropped_s, echoes_s)


def _cut(level_db: FloatArray, before: int, at: int) -> int:
    """Return the frame at which a sound that begins about `at` is cut from the one before it."""
    level = level_db[before : at + 1]
    risen = float(level_db[at : at + round(LONGEST_ATTACK_S / HOP_S)].max())
    fallen = np.maximum.accumulate(level) - level if before else -level
    is_deep = (fallen >= DEEP_DB) & (risen - level >= DEEP_DB)
    if is_deep.any():
        # The sound may rise slowly, and then has begun long before it was noticed.
        last = int(np.flatnonzero(is_deep)[-1])
        first = max([-1, *np.flatnonzero(~is_deep[:last]).tolist()]) + 1
        valley = level[first : last + 1]
        cut = first + int(np.flatnonzero(valley <= float(valley.min()) + RISEN_DB)[-1])
        if _deepest_dip_db(level[cut:]) < LEAST_DIP_DB:
            return before + cut
    nearest = max(before, at - BEFORE_RISE)
    return nearest + int(np.argmin(level_db[nearest : at + 1]))


def _measure(signal: FloatArray, sample_rate_hz: int) -> _Tracks:
    """Measure flux, level and the spectrum in semitones."""
    import librosa  # noqa: PLC0415  takes seconds to load

    sound = resample(signal, sample_rate_hz, RATE_HZ)
    hop = seconds_to_samples(HOP_S, RATE_HZ)
    power = librosa.feature.melspectrogram(
        y=sound, sr=RATE_HZ, n_fft=N_FFT, hop_length=hop, n_mels=N_MELS, fmin=LOWEST_HZ,
        fmax=HIGHEST_HZ,
    )  # fmt: skip
    bands_db = librosa.power_to_db(power, ref=np.max, top_db=TOP_DB)
    flux = librosa.onset.onset_strength(
        S=bands_db, sr=RATE_HZ, lag=FLUX_LAG, max_size=3, center=False
    )
    return _Tracks(
        sound, np.asarray(flux, np.float64), _level_db(sound, hop, flux.size), _keys(sound, hop)
    )


def _level_db(sound: FloatArray, hop: int, n_frames: int) -> FloatArray:
    """Return the level around each frame, against the highest."""
    n_window = seconds_to_samples(LEVEL_WINDOW_S, RATE_HZ)
    total = np.cumsum(np.pad(sound**2, (n_window // 2 + 1, 2 * n_window)))
    at = np.arange(n_frames) * hop
    power = np.maximum(total[at + n_window] - total[at], 1e-30)
    return np.asarray(np.maximum(10.0 * np.log10(power / power.max()), LEVEL_FLOOR_DB))


def _keys(sound: FloatArray, hop: int) -> FloatArray:
    """Return square roots of magnitudes in semitones, shape (n_frames, N_SEMITONES)."""
    import librosa  # noqa: PLC0415  takes seconds to load

    magnitude = np.abs(librosa.stft(sound, n_fft=PITCH_N_FFT, hop_length=hop))
    bins_hz = np.fft.rfftfreq(PITCH_N_FFT, 1.0 / RATE_HZ)
    rows = []
    for key in range(N_SEMITONES):
        middle_hz = LOWEST_KEY_HZ * 2.0 ** (key / 12.0)
        inside = np.abs(np.log2(np.maximum(bins_hz, 1.0) / middle_hz)) <= 1.0 / 24.0
        # The lowest semitones are narrower than a bin: the nearest two stand for them.
        inside[np.argsort(np.abs(bins_hz - middle_hz))[:2]] = True
        rows.append(magnitude[inside].max(axis=0))
    return np.asarray(np.sqrt(np.array(rows).T), np.float64)


def _struck(tracks: _Tracks) -> list[int]:
    """Return the frames at which a sound begins, the first one included."""
    import librosa  # noqa: PLC0415  takes seconds to load

    peaks = librosa.util.peak_pick(
        tracks.flux_db, pre_max=6, post_max=6, pre_avg=1, post_avg=1, delta=0.0, wait=0
    )
    found = [int(peak) for peak in peaks if _is_attack(tracks, int(peak))]
    found = sorted({*found, *_returns(tracks.level_db, found)})
    struck: list[int] = []
    for at in found:
        if not struck or not _is_same_attack(tracks, struck[-1], at):
            struck.append(at)
    return struck


def _is_attack(tracks: _Tracks, at: int) -> bool:
    """Weigh the evidence at a peak of the flux."""
    flux, level = tracks.flux_db[at], tracks.level_db
    if at > level.size - round(SHORTEST_NOTE_S / HOP_S):
        return False  # the end of a file that is cut off looks like an onset
    if flux < WEAK_FLUX_DB or level[at : at + 20].max() < -UNDER_LOUDEST_DB:
        return False
    if flux >= STRONG_FLUX_DB:
        return True
    rise = level[at : at + 30].max() - level[max(0, at - 12) : at + 6].min()
    if flux >= FAIR_FLUX_DB and rise >= FAIR_RISE_DB:
        return True
    # Another pitch shows some frames early, so only the strongest flux around counts for it.
    is_highest = flux >= tracks.flux_db[max(0, at - AROUND) : at + AROUND + 1].max()
    least = SLIGHT_PITCH_CHANGE if flux >= CLEAR_FLUX_DB else PITCH_CHANGE
    return bool(is_highest) and _pitch_change(tracks, at) >= least


def _pitch_change(tracks: _Tracks, at: int, since: int = 0) -> float:
    """Compare the spectra in semitones of 120 ms before and after; 0 is the same.

    Nothing before the frame `since` is looked at.
    """
    before, after = slice(max(since, at - 30), max(0, at - 6)), slice(at + 8, at + 32)
    level = tracks.level_db
    if not level[before].size or not level[after].size:
        return 0.0
    if level[after].max() < max(level[before].max() - LARGEST_FALL_DB, -UNDER_LOUDEST_DB):
        return 0.0  # it only dies away
    one, other = tracks.keys[before].mean(axis=0), tracks.keys[after].mean(axis=0)
    length = float(np.linalg.norm(one) * np.linalg.norm(other))
    return 1.0 - float(one @ other) / max(length, 1e-12)


def _is_same_attack(tracks: _Tracks, before: int, at: int) -> bool:
    """Say whether two places belong to one attack that comes in two waves."""
    if at - before < round(LEAST_APART_S / HOP_S):
        return True
    if at - before > round(SECOND_WAVE_S / HOP_S):
        return False
    dip_db = _deepest_dip_db(tracks.level_db[before : at + 1])
    return dip_db < SECOND_WAVE_DB and _pitch_change(tracks, at, before) < PITCH_CHANGE


def _deepest_dip_db(level_db: FloatArray) -> float:
    """Return how far the level falls at most on its way."""
    return float((np.maximum.accumulate(level_db) - level_db).max())


def _returns(level_db: FloatArray, found: list[int]) -> list[int]:
    """Return where the level comes back from far down without an attack that is known."""
    from scipy.signal import find_peaks  # noqa: PLC0415  takes half a second to load

    # Silence before the recording, and an edge before that, make a valley of the beginning.
    padded = np.concatenate([[0.0, LEVEL_FLOOR_DB - 1.0], level_db])
    valleys = np.maximum(find_peaks(-padded, prominence=RETURN_DB)[0] - 2, 0).tolist()
    places = []
    for first, last in zip(valleys, [*valleys[1:], level_db.size], strict=True):
        top = first + int(np.argmax(level_db[first:last]))
        if not any(first - BEFORE_RISE <= at <= top for at in found):
            low = np.flatnonzero(level_db[first : top + 1] <= level_db[first] + RISEN_DB)
            places.append(first + (int(low[-1]) if low.size else 0))
    return places


def _is_note(level_db: FloatArray) -> bool:
    """Say whether a sound is loud and long enough."""
    if not level_db.size or level_db.max() < -UNDER_LOUDEST_DB:
        return False
    top = int(np.argmax(level_db))
    quiet = np.flatnonzero(level_db < level_db[top] - FALLEN_DB)
    first = max([-1, *quiet[quiet < top].tolist()])
    last = min([level_db.size, *quiet[quiet > top].tolist()])
    return bool((last - first - 1) * HOP_S >= SHORTEST_NOTE_S)


def _echoes(tracks: _Tracks, sounds: list[int]) -> list[int]:
    """Return the sounds that are quieter copies of a sound before them."""
    echoes: list[int] = []
    for i, at in enumerate(sounds):
        for before in sounds[:i]:
            if (at - before) * HOP_S <= ECHO_WITHIN_S and _is_copy(tracks, before, at):
                echoes.append(at)
                break
    return echoes


def _is_copy(tracks: _Tracks, before: int, at: int) -> bool:
    """Say whether the sound at `at` has the waveform of the earlier one, at a lower level."""
    from scipy.signal import correlate  # noqa: PLC0415  takes half a second to load

    hop, shift = (seconds_to_samples(time_s, RATE_HZ) for time_s in (HOP_S, ECHO_SHIFT_S))
    n = min(seconds_to_samples(ECHO_PIECE_S, RATE_HZ), (at - before) * hop - shift)
    copy = tracks.signal[at * hop : at * hop + n]
    first = max(0, before * hop - shift)
    original = tracks.signal[first : before * hop + n + shift]
    if min(n, copy.size) < seconds_to_samples(SHORTEST_NOTE_S, RATE_HZ):
        return False
    products = correlate(original, copy, mode="valid", method="fft")
    energies = moving_energy(original, copy.size)
    own = float(np.sum(copy**2))
    likeness = products / np.sqrt(np.maximum(energies * own, 1e-30))
    best = int(np.argmax(likeness))
    under_db = 10.0 * np.log10(max(float(energies[best]), 1e-30) / max(own, 1e-30))
    return bool(likeness[best] >= ECHO_LIKENESS and under_db >= ECHO_UNDER_DB)
