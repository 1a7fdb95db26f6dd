"""All measurements on one note, in the order in which they need each other.

A vibrato is a sine in the pitch that fades in. Two detuned oscillators make the h-th harmonic
beat at h times the difference of their fundamentals, so one beat rate has to explain several
harmonics at once; neither vibrato nor pulse-width modulation does that, as both move all
harmonics at one rate.

The thresholds are common practice, no source; the tests hold them to known sounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from matcher.target.band_limit import band_limit_hz
from matcher.target.envelope import (
    Attack,
    find_decay,
    find_gate,
    find_release,
    level_track,
    level_window_s,
    measure_attack,
)
from matcher.target.harmonics import (
    follow_pitch,
    harmonic_tracks,
    steady_track,
    window_length_s,
)
from matcher.target.model import NoteAnalysis, PitchTrack
from matcher.target.pitch import find_pitch
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.target.harmonics import HarmonicTracks
    from shared.types import FloatArray

__all__ = [
    "MeasuredNote",
    "centroid_track",
    "harmonic_to_noise_db",
    "measure_note",
    "power_frames",
]

HOP_S = 0.005
LOUD_DB = -20.0
VOICED_RATIO = 0.5
ATTACK_S = 0.06
N_BEATING_HARMONICS = 8
# Periods change here while the note begins and dies; nothing steady is measured there.
SETTLE_S = 0.08
# The shortest release of the catalogue, for a sound that just stops.
SHORTEST_RELEASE_S = 0.005
# Fields of `NoteAnalysis` that are None without a pitch.
PITCHED_FIELDS = (
    "vibrato_rate_hz",
    "vibrato_depth_cents",
    "vibrato_delay_s",
    "beating_hz",
    "harmonic_to_noise_db",
    "attack_harmonic_to_noise_db",
)
SPECTRUM_HOP_S = 0.01
SHORTEST_WINDOW_S = 0.02
CENTROID_N_FFT = 2048
HNR_LIMIT_DB = 60.0
SLOWEST_VIBRATO_HZ = 2.0
FASTEST_VIBRATO_HZ = 12.0
LEAST_DEPTH_CENTS = 3.0
# Share of the pitch's movement that the sine has to explain.
LEAST_SHARE = 0.5
LEAST_CYCLES = 2.0
LONGEST_DELAY_S = 2.0
SLOWEST_BEAT_HZ = 0.2
FASTEST_BEAT_HZ = 15.0
LEAST_HARMONIC_POWER = 1e-5
LEAST_HARMONICS = 3


@dataclass(frozen=True, eq=False)
class MeasuredNote:
    """The analysis, and the gate that was estimated or given."""

    analysis: NoteAnalysis
    gate_end_s: float


@dataclass(frozen=True, eq=False)
class _Pitch:
    """Pitch, how clear it is, its track and the frames of it that count."""

    hz: float
    strength_ratio: float
    track: PitchTrack
    is_steady: npt.NDArray[np.bool_]


def measure_note(
    signal: FloatArray,
    *,
    sample_rate_hz: int,
    onset_s: float,
    noise_floor_db: float,
    hint_midi_pitch: float | None = None,
    gate_s: float | None = None,
    is_whole: bool = True,
) -> MeasuredNote:
    """Measure one note; its pitch is None if there is none.

    `noise_floor_db` lies under the highest level; `is_whole` means that the recording continues
    after `signal`, so that a sound that is loud at its end has stopped there by itself.
    """
    pitch = _measure_pitch(signal, sample_rate_hz, onset_s, hint_midi_pitch)
    hz = None if pitch is None else pitch.hz
    level = level_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=hz)
    attack = measure_attack(
        signal, level, sample_rate_hz=sample_rate_hz, onset_s=onset_s, pitch_hz=hz
    )
    settle_s = max(2.0 * level_window_s(hz), 0.3 * attack.rise_s)
    gate = find_gate(level, peak_s=attack.peak_s, settle_s=settle_s, noise_floor_db=noise_floor_db)
    gate_end_s = (
        gate.end_s if gate_s is None else min(onset_s + gate_s, signal.size / sample_rate_hz)
    )
    decay = find_decay(level, peak_s=attack.peak_s, gate_end_s=gate_end_s - level_window_s(hz))
    release_s = find_release(level, gate_end_s=gate_end_s, noise_floor_db=noise_floor_db)
    if gate.is_open and is_whole:
        release_s = SHORTEST_RELEASE_S
    centroid_times_s, centroid_hz = centroid_track(signal, sample_rate_hz=sample_rate_hz)
    bright = _brightness(centroid_times_s, centroid_hz, onset_s, attack, gate_end_s)
    pitched = dict.fromkeys(PITCHED_FIELDS)
    if pitch is not None:
        span_s = onset_s, attack.peak_s, gate_end_s
        pitched = _measure_pitched(signal, pitch, sample_rate_hz, span_s)
    analysis = NoteAnalysis(
        pitch_hz=hz,
        pitch_strength_ratio=0.0 if pitch is None else pitch.strength_ratio,
        pitch_track=None if pitch is None else pitch.track,
        level_track=level,
        attack_start_s=attack.start_s,
        attack_s=attack.rise_s,
        log_attack_time=attack.log_attack_time,
        decay_s=decay.time_s,
        sustain_ratio=decay.sustain_ratio,
        release_s=release_s,
        is_cut=gate.is_open and not is_whole,
        centroid_times_s=centroid_times_s,
        centroid_hz=centroid_hz,
        brightness_peak_hz=bright[0],
        brightness_sustain_hz=bright[1],
        top_hz=band_limit_hz(signal, sample_rate_hz=sample_rate_hz, pitch_hz=hz),
        **pitched,
    )
    return MeasuredNote(analysis, gate_end_s)


def _measure_pitch(
    signal: FloatArray, sample_rate_hz: int, onset_s: float, hint_midi_pitch: float | None
) -> _Pitch | None:
    """Find the octave, follow the pitch, and take the median over the steady part."""
    level = level_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=None)
    loud = np.flatnonzero(level.level_db >= LOUD_DB)
    first, last = (
        seconds_to_samples(float(level.times_s[index]), sample_rate_hz) for index in loud[[0, -1]]
    )
    coarse = find_pitch(
        signal[first : last + 1], sample_rate_hz=sample_rate_hz, hint_midi_pitch=hint_midi_pitch
    )
    if coarse is None:
        return None
    track = follow_pitch(signal, sample_rate_hz=sample_rate_hz, pitch_hz=coarse.hz, hop_s=HOP_S)
    is_steady = np.interp(track.times_s, level.times_s, level.level_db) >= LOUD_DB
    is_steady &= track.voiced_ratio >= VOICED_RATIO
    is_later = is_steady & (track.times_s >= onset_s + SETTLE_S)
    is_steady = is_later if is_later.sum() >= 10 else is_steady
    hz = float(np.median(track.hz[is_steady])) if is_steady.sum() >= 3 else coarse.hz
    return _Pitch(hz, coarse.strength_ratio, track, is_steady)


def _brightness(
    times_s: FloatArray, centroid_hz: FloatArray, onset_s: float, attack: Attack, gate_end_s: float
) -> tuple[float, float]:
    """Return the highest centroid near the attack, and the median over the gate's second half."""
    early_s = max(attack.peak_s + 0.1, 0.5 * (onset_s + gate_end_s))
    early = centroid_hz[(times_s >= onset_s) & (times_s <= early_s)]
    late = centroid_hz[(times_s >= 0.5 * (onset_s + gate_end_s)) & (times_s <= gate_end_s)]
    peak = float(early.max()) if early.size else float(centroid_hz.max())
    return peak, float(np.median(late)) if late.size else peak


def _measure_pitched(
    signal: FloatArray,
    pitch: _Pitch,
    sample_rate_hz: int,
    span_s: tuple[float, float, float],
) -> dict[str, float | None]:
    """Measure vibrato, beating and noise, the `PITCHED_FIELDS` of an analysis."""
    onset_s, peak_s, gate_end_s = span_s
    track = pitch.track
    is_used = pitch.is_steady & (track.times_s <= gate_end_s)
    vibrato = find_vibrato(
        track.times_s[is_used] - onset_s,
        1200.0 * np.log2(track.hz[is_used] / pitch.hz),
        window_s=window_length_s(pitch.hz),
    )
    # Beats move the measured pitch, too, so the harmonics are taken at a steady one.
    tracks = harmonic_tracks(
        signal,
        steady_track(track.times_s, pitch.hz),
        sample_rate_hz=sample_rate_hz,
        n_harmonics=N_BEATING_HARMONICS,
    )
    half_s = 0.5 * tracks.window_s
    beating_hz = find_beating(tracks, start_s=peak_s + half_s, end_s=gate_end_s - half_s)
    late_s = min(peak_s + SETTLE_S, 0.5 * (peak_s + gate_end_s))
    noise_db = (
        harmonic_to_noise_db(
            signal, track, sample_rate_hz=sample_rate_hz, start_s=start_s, end_s=end_s
        )
        for start_s, end_s in ((late_s, gate_end_s), (onset_s, onset_s + ATTACK_S))
    )
    values = (*(vibrato or (None, None, None)), beating_hz, *noise_db)
    return dict(zip(PITCHED_FIELDS, values, strict=True))


def power_frames(
    signal: FloatArray, n_fft: int, *, sample_rate_hz: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times (n_frames,), frequencies (n_bins,) and power (n_frames, n_bins) under Hann."""
    hop = seconds_to_samples(SPECTRUM_HOP_S, sample_rate_hz)
    padded = np.pad(signal, n_fft // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, n_fft)[::hop]
    power = np.abs(np.fft.rfft(frames * np.hanning(n_fft + 1)[:-1])) ** 2
    times_s = np.arange(frames.shape[0]) * hop / sample_rate_hz
    bins_hz = np.asarray(np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz), dtype=np.float64)
    return times_s, bins_hz, np.asarray(power, dtype=np.float64)


def centroid_track(signal: FloatArray, *, sample_rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Measure times in s and the spectral centroid in Hz, by magnitude; 0 for silence."""
    times_s, bins_hz, power = power_frames(signal, CENTROID_N_FFT, sample_rate_hz=sample_rate_hz)
    magnitude = np.sqrt(power)
    total = magnitude.sum(axis=1)
    is_sounding = total > 1e-6 * total.max()
    return times_s, np.divide(
        magnitude @ bins_hz, total, out=np.zeros_like(total), where=is_sounding
    )


def harmonic_to_noise_db(
    signal: FloatArray, track: PitchTrack, *, sample_rate_hz: int, start_s: float, end_s: float
) -> float | None:
    """Measure how much louder the periodic part is than the rest.

    Notes
    -----
    10 log10(r / (1 - r)) with the autocorrelation r of a Hann-windowed frame at one period,
    divided by the window's own [1]_. It is read off the power spectrum at the exact period, so
    that high pitches don't suffer from whole samples.

    References
    ----------
    .. [1] P. Boersma, "Accurate short-term analysis of the fundamental frequency and the
       harmonics-to-noise ratio of a sampled sound", Proc. Institute of Phonetic Sciences 17,
       University of Amsterdam, 1993, equations 4 and 9.
    """
    chosen = np.flatnonzero((track.times_s >= start_s) & (track.times_s <= end_s))
    if chosen.size == 0:
        return None
    chosen = chosen[:: max(1, chosen.size // 40)]
    hz = track.hz[chosen]
    longest_s = 6.0 / float(np.median(hz))
    n_frame = seconds_to_samples(max(SHORTEST_WINDOW_S, longest_s), sample_rate_hz)
    centres = np.rint(track.times_s[chosen] * sample_rate_hz).astype(np.int64)
    padded = np.pad(signal, n_frame)
    frames = padded[centres[:, None] + n_frame - n_frame // 2 + np.arange(n_frame)]
    window = np.hanning(n_frame + 2)[1:-1]
    frames = (frames - frames.mean(axis=1, keepdims=True)) * window
    n_fft = 1 << (2 * n_frame - 1).bit_length()
    bins_hz = np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz)
    turns = np.cos(2.0 * np.pi * bins_hz / hz[:, None])
    # Each bin stands for itself and for its negative frequency, except 0 Hz.
    twice = np.where(bins_hz > 0.0, 2.0, 1.0)
    power = twice * np.abs(np.fft.rfft(frames, n_fft)) ** 2
    window_power = twice * np.abs(np.fft.rfft(window, n_fft)) ** 2
    own = turns @ window_power / window_power.sum()
    total = power.sum(axis=1)
    ratio = np.divide(
        (power * turns).sum(axis=1), total, out=np.zeros_like(total), where=total > 0
    )
    limit = 1.0 / (1.0 + 10.0 ** (HNR_LIMIT_DB / 10.0))
    ratio = np.clip(ratio / own, limit, 1.0 - limit)
    return float(np.median(10.0 * np.log10(ratio / (1.0 - ratio))))


class Vibrato(NamedTuple):
    """A sine in the pitch: amplitude to one side; the delay is when its full depth is reached."""

    rate_hz: float
    depth_cents: float
    delay_s: float


def find_vibrato(times: FloatArray, cents: FloatArray, *, window_s: float) -> Vibrato | None:
    """Fit a sine that fades in to the pitch, at times from the onset in s.

    `window_s` is that of the pitch track; what it took off the depth is put back. None if no rate
    from 2 to 12 Hz explains half of the movement, over two cycles at least.
    """
    if times.size < 20:
        return None
    values = np.clip(cents - np.median(cents), -300.0, 300.0)
    slowest = max(SLOWEST_VIBRATO_HZ, LEAST_CYCLES / (times[-1] - times[0]))
    if slowest >= FASTEST_VIBRATO_HZ:
        return None
    rates = np.arange(slowest, FASTEST_VIBRATO_HZ, 0.1)
    delays = np.linspace(0.0, min(LONGEST_DELAY_S, 0.8 * float(times[-1])), 9)
    rate_hz, delay_s, _, _ = _best_sine(times, values, rates, delays)
    rates = np.linspace(rate_hz - 0.1, rate_hz + 0.1, 21)
    step = float(delays[1] - delays[0])
    delays = np.unique(np.maximum(np.linspace(delay_s - step, delay_s + step, 13), 0.0))
    rate_hz, delay_s, depth, share = _best_sine(times, values, rates, delays)
    # The coarse track and its refinement lose one share each, and the second corrects the first.
    depth /= 1.0 - (1.0 - _window_gain(rate_hz, window_s)) ** 2
    has_cycles = (times[-1] - 0.75 * delay_s) * rate_hz >= LEAST_CYCLES
    if depth < LEAST_DEPTH_CENTS or share < LEAST_SHARE or not has_cycles:
        return None
    return Vibrato(rate_hz, depth, delay_s)


def _fade(times: FloatArray, delay_s: float) -> FloatArray:
    """Return the depth over time: silent for half of the delay, then straight up to 1."""
    if delay_s <= 0.0:
        return np.ones_like(times)
    return np.clip(2.0 * times / delay_s - 1.0, 0.0, 1.0)


def _best_sine(
    times: FloatArray, values: FloatArray, rates: FloatArray, delays: FloatArray
) -> tuple[float, float, float, float]:
    """Return rate, delay, amplitude and explained share of the best faded sine on a slope."""
    middle = times - times.mean()
    trend = np.stack([np.ones_like(times), middle, middle**2], axis=1)
    trend, _ = np.linalg.qr(trend)
    rest = values - trend @ (trend.T @ values)
    total = max(float(rest @ rest), 1e-12)
    best = (float(rates[0]), 0.0, 0.0, 0.0)
    for delay_s in delays:
        fade = _fade(times, float(delay_s))
        for rate_hz in rates:
            angle = 2.0 * np.pi * rate_hz * times
            pair = np.stack([fade * np.cos(angle), fade * np.sin(angle)], axis=1)
            pair = pair - trend @ (trend.T @ pair)
            normal = pair.T @ pair + 1e-9 * np.eye(2)
            solution = np.linalg.solve(normal, pair.T @ rest)
            share = float(solution @ (pair.T @ rest)) / total
            if share > best[3]:
                best = (float(rate_hz), float(delay_s), float(np.hypot(*solution)), share)
    return best


def _window_gain(rate_hz: float, window_s: float) -> float:
    """Return how much of a movement at this rate is left under a Hann window."""
    x = rate_hz * window_s
    if abs(x - 1.0) < 1e-3:
        return 0.5
    return float(max(np.sinc(x) / (1.0 - x * x), 0.3))


def find_beating(tracks: HarmonicTracks, *, start_s: float, end_s: float) -> float | None:
    """Find the beat rate of the fundamental, if the harmonics beat at its multiples.

    None if no rate from 0.2 to 15 Hz explains half of the movement of three harmonics at least.
    """
    is_used = (tracks.times_s >= start_s) & (tracks.times_s <= end_s)
    times = tracks.times_s[is_used]
    if times.size < 30:
        return None
    powers = np.abs(tracks.amplitudes[:, is_used]) ** 2
    strongest = float(powers.mean(axis=1).max())
    length_s = float(times[-1] - times[0])
    rates = np.arange(SLOWEST_BEAT_HZ, FASTEST_BEAT_HZ, 0.02 / length_s)
    total, count = np.zeros_like(rates), np.zeros_like(rates)
    for number, power in enumerate(powers, start=1):
        if power.mean() <= LEAST_HARMONIC_POWER * strongest:
            continue
        beats = number * rates
        is_seen = (beats * length_s >= LEAST_CYCLES) & (beats <= 0.5 / tracks.window_s)
        total += np.where(is_seen, _explained(times, _flatten(times, power), beats), 0.0)
        count += is_seen
    share = np.where(count >= LEAST_HARMONICS, total / np.maximum(count, 1.0), 0.0)
    best = int(np.argmax(share))
    return float(rates[best]) if share[best] >= LEAST_SHARE else None


def _flatten(times: FloatArray, power: FloatArray) -> FloatArray:
    """Divide a power by its slow exponential course, and take the mean off."""
    log_power = np.log(np.maximum(power, 1e-6 * power.max()))
    middle = times - times.mean()
    course = np.exp(np.polyval(np.polyfit(middle, log_power, 2), middle))
    flat = power / course
    return np.asarray(flat - flat.mean())


def _explained(times: FloatArray, values: FloatArray, rates_hz: FloatArray) -> FloatArray:
    """Return which share of the values' energy a sine of each rate explains."""
    n_fft = 64 << int(values.size).bit_length()
    spectrum = np.abs(np.fft.rfft(values, n_fft)) ** 2
    step_hz = 1.0 / (n_fft * float(times[1] - times[0]))
    power = np.interp(rates_hz, step_hz * np.arange(spectrum.size), spectrum, right=0.0)
    energy = max(float(values @ values), 1e-12)
    return np.asarray(np.minimum(2.0 * power / (values.size * energy), 1.0))
