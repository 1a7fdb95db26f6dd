"""What breaks over the keyboard, in words."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

from shared import pitch_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.explaining.key_rows import KeyRow

__all__: list[str] = []

# Neighbouring keys that differ by this stick out of a scale; single differences of 1 dB are heard.
_JUMP_LU = 3.0
# Over the whole keyboard.
_RUN_LU = 15.0
# What one more semitone between two keys may bring.
_LU_PER_SEMITONE = 0.25
# Brightness jumps by this between neighbours, or ...
_BRIGHT_JUMP_OCTAVES = 0.4
# ... leaves the band in which tones sound bright without being shrill, far from the matched note.
_SHRILL_HZ = 6000.0
_SHRILL_RATIO = 2.0
# With hardly anything but the fundamental left, a tone has gone dull.
_DULL_RATIO = 1.3
_FULL_RATIO = 2.0
# Players' vibrato is 4 to 8 Hz (C. E. Seashore, Psychology of Music, 1938; from memory); from some
# 15 Hz on it is roughness (H. Fastl and E. Zwicker, Psychoacoustics, chapter 11; from memory).
_FAST_HZ = 10.0
_WIDE_CENTS = 100.0
_WIDE_RATIO = 0.45
# Distortion this far down is masked by most tones.
_ALIASING_DB = -50.0
_MOST_SPANS = 4

SILENT = "silent"
LEVEL = "level jumps"
BRIGHTNESS = "brightness jumps"
SHRILL = "shrill"
DULL = "dull"
FAST = "LFO too fast"
WIDE = "LFO too deep"
ALIASING = "aliasing"
CLIPPING = "clipping"
_MEANINGS = {
    SILENT: "Nothing is heard",
    LEVEL: "The level jumps against the key below",
    BRIGHTNESS: "The brightness jumps against the key below",
    SHRILL: "The sound gets shrill",
    DULL: "Little but the fundamental is left",
    FAST: "An LFO runs faster than any vibrato",
    WIDE: "An LFO goes too deep",
    ALIASING: "Aliasing is heard",
    CLIPPING: "It clips, with 12 dB of headroom over the matched note,",
}


def judge_keys(
    rows: Sequence[KeyRow], reference: KeyRow
) -> tuple[tuple[KeyRow, ...], tuple[str, ...]]:
    """Mark the keys at which something breaks, and say so in sentences."""
    judged: list[KeyRow] = []
    for velocity in sorted({row.velocity for row in rows}):
        line = sorted((r for r in rows if r.velocity == velocity), key=lambda r: r.midi_pitch)
        before: KeyRow | None = None
        for row in line:
            problems = (*_jumps(before, row), *_single(row, reference))
            judged.append(replace(row, problems=tuple(problems)))
            before = row
    return tuple(judged), (*_spans(judged), *_runs(judged))


def _jumps(before: KeyRow | None, row: KeyRow) -> list[str]:
    """Say what changes suddenly from one key to the next."""
    found: list[str] = []
    if before is None:
        return found
    semitones = row.midi_pitch - before.midi_pitch
    if before.loudness_lufs is not None and row.loudness_lufs is not None:
        limit = _JUMP_LU + _LU_PER_SEMITONE * (semitones - 1.0)
        if abs(row.loudness_lufs - before.loudness_lufs) >= limit:
            found.append(LEVEL)
    if before.brightness_hz and row.brightness_hz:
        octaves = abs(math.log2(row.brightness_hz / before.brightness_hz))
        if octaves >= _BRIGHT_JUMP_OCTAVES + semitones / 12.0:
            found.append(BRIGHTNESS)
    return found


def _single(row: KeyRow, reference: KeyRow) -> list[str]:
    """Say what is wrong with a key by itself."""
    found = []
    if row.loudness_lufs is None:
        found.append(SILENT)
    if row.brightness_hz and reference.brightness_hz:
        is_far = row.brightness_hz >= _SHRILL_RATIO * reference.brightness_hz
        if row.brightness_hz >= _SHRILL_HZ and is_far:
            found.append(SHRILL)
        ratios = row.brightness_ratio or 0.0, reference.brightness_ratio or 0.0
        if ratios[0] < _DULL_RATIO and ratios[1] >= _FULL_RATIO:
            found.append(DULL)
    if any(hz > _FAST_HZ for hz in row.lfo_rates_hz.values()):
        found.append(FAST)
    for name, depth in row.lfo_depths.items():
        if depth > (_WIDE_CENTS if name.startswith("vibrato") else _WIDE_RATIO):
            found.append(WIDE)
            break
    if row.aliasing_db is not None and row.aliasing_db > _ALIASING_DB:
        found.append(ALIASING)
    if row.true_peak_dbtp is not None and row.true_peak_dbtp > 0.0:
        found.append(CLIPPING)
    return found


def _spans(rows: Sequence[KeyRow]) -> list[str]:
    """Say over which keys each problem lasts, and how bad it gets."""
    sentences = []
    for problem, meaning in _MEANINGS.items():
        keys = sorted({row.midi_pitch for row in rows})
        broken = {row.midi_pitch for row in rows if problem in row.problems}
        spans = [
            [key for key, _ in group]
            for is_broken, group in groupby(
                ((key, key in broken) for key in keys), key=lambda entry: entry[1]
            )
            if is_broken
        ]
        if not spans:
            continue
        listed = ", ".join(
            pitch_name(span[0])
            if len(span) == 1
            else f"{pitch_name(span[0])} to {pitch_name(span[-1])}"
            for span in spans[:_MOST_SPANS]
        )
        more = " and elsewhere" if len(spans) > _MOST_SPANS else ""
        bad = [row for row in rows if problem in row.problems]
        sentences.append(f"{meaning} at {listed}{more}{_worst(problem, bad)}.")
    return sentences


def _worst(problem: str, rows: Sequence[KeyRow]) -> str:
    """Name the worst figure of a problem."""
    if problem == ALIASING:
        return f" (up to {max(row.aliasing_db or -150.0 for row in rows):.0f} dB)"
    if problem == FAST:
        return f" (up to {max(max(row.lfo_rates_hz.values()) for row in rows):.1f} Hz)"
    if problem == CLIPPING:
        return f" (up to {max(row.true_peak_dbtp or 0.0 for row in rows):.1f} dB too high)"
    if problem == SHRILL:
        return f" (up to {max(row.brightness_hz or 0.0 for row in rows) / 1000.0:.1f} kHz)"
    return ""


def _runs(rows: Sequence[KeyRow]) -> list[str]:
    """Say if the level drifts over the whole keyboard."""
    sentences = []
    for velocity in sorted({row.velocity for row in rows}):
        line = [r for r in rows if r.velocity == velocity and r.loudness_lufs is not None]
        if len(line) < 2:
            continue
        loudest = max(line, key=lambda row: row.loudness_lufs or 0.0)
        softest = min(line, key=lambda row: row.loudness_lufs or 0.0)
        span = (loudest.loudness_lufs or 0.0) - (softest.loudness_lufs or 0.0)
        if span >= _RUN_LU:
            sentences.append(
                f"Velocity {velocity}: {softest.pitch_name} is {span:.0f} LU softer than "
                f"{loudest.pitch_name}."
            )
    return sentences
