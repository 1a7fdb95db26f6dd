"""Target and match side by side, quantity by quantity, against just-noticeable differences.

What can't be measured in either sound is left out; what is found in one of them alone is missing
or added. Thresholds are those of careful comparison of single sounds. They say nothing
about differences in quantities that aren't listed, such as the colour of a noise.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.hearing.measure import (
    FRONT_S,
    SHORTEST_SPAN_S,
    analyse_match,
    find_sections,
    measure_attack_s,
    measure_sections,
)
from matcher.hearing.quantities import JUST_NOTICEABLE
from shared import ParameterError, midi_to_hz, ratio_to_cents, seconds_to_samples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matcher.result import MatchResult, NoteMatch
    from matcher.target import NoteAnalysis, TargetNote
    from shared import FloatArray

__all__ = ["AudibleDifference", "audible_differences", "compare_notes", "judge"]

# After a straight rise, so much longer is enough to see that it is over.
ATTACK_SPAN = 2.0
# A decay is compared where the level falls to less than this share of its peak, 3 dB, ...
LARGEST_SUSTAIN_RATIO = 0.7
# ... and where the fall is over well within the gate.
LARGEST_DECAY_RATIO = 0.5


@dataclass(frozen=True)
class AudibleDifference:
    """How one quantity of a match differs from the target.

    Parameters
    ----------
    quantity : str
        What was compared, for example ``"brightness in the first 100 ms"``.
    kind : str
        The key of `matcher.hearing.JUST_NOTICEABLE` it was judged by.
    target, match : float or None
        Both values in the unit of that record (a pitch in cents counts from the target's); None
        where nothing was found.
    difference : float
        Match over target in the same unit; what isn't there counts as 0.
    threshold : float > 0
        Smallest difference that is heard.
    description : str
        In words, without the verdict.
    summary : str
        The same in a few words.
    """

    quantity: str
    kind: str
    target: float | None
    match: float | None
    difference: float
    threshold: float
    description: str
    summary: str

    @property
    def steps(self) -> float:
        """Size of the difference in just-noticeable differences."""
        return abs(self.difference) / self.threshold

    @property
    def is_audible(self) -> bool:
        """Whether the difference reaches the threshold."""
        return self.steps >= 1.0

    @property
    def sentence(self) -> str:
        """The difference and the verdict."""
        return f"{self.description}: {'audible' if self.is_audible else 'not audible'}"

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "quantity": self.quantity,
            "kind": self.kind,
            "unit": JUST_NOTICEABLE[self.kind].unit,
            "target": self.target,
            "match": self.match,
            "difference": self.difference,
            "threshold": self.threshold,
            "steps": self.steps,
            "sentence": self.sentence,
        }


def audible_differences(result: MatchResult) -> tuple[tuple[AudibleDifference, ...], ...]:
    """Compare every note of a match with its target.

    Parameters
    ----------
    result : MatchResult
        What was found.

    Returns
    -------
    tuple of tuple of AudibleDifference
        As `compare_notes` gives them, note by note.
    """
    return tuple(_compare_match(match) for match in result.notes)


@functools.lru_cache(maxsize=8)
def _compare_match(match: NoteMatch) -> tuple[AudibleDifference, ...]:
    """Compare one note; the run folder and the printout both ask for it."""
    return compare_notes(match.note, match.sound)


def compare_notes(note: TargetNote, sound: FloatArray) -> tuple[AudibleDifference, ...]:
    """Say how a match differs from its target, against just-noticeable differences.

    Parameters
    ----------
    note : TargetNote
        The target.
    sound : np.ndarray, shape=(n_samples,), dtype=float64
        The match on the timeline, at the rate and at the level of ``note.signal``.

    Returns
    -------
    tuple of AudibleDifference
        The largest one first, in just-noticeable differences.

    Raises
    ------
    ParameterError
        If the match isn't as long as the target's signal.

    Examples
    --------
    >>> for difference in compare_notes(note, sound):  # doctest: +SKIP
    ...     print(difference.sentence)
    attack: 31 ms in the target, 24 ms here, 23 % shorter: audible
    pitch: 1.2 cents flat: not audible
    """
    if sound.shape != note.signal.shape:
        raise ParameterError(
            f"sound has shape {sound.shape}; it must be that of the target's signal, "
            f"{note.signal.shape}. Place the match on the target's timeline.",
            name="sound",
        )
    if not _has_front(note, sound):
        return _sorted(_compare_sections(note, sound, None))
    match = analyse_match(note, sound)
    return _sorted(
        [
            _compare_attacks(note, sound, match),
            *_compare_sections(note, sound, match.pitch_hz),
            *_compare_times(note, match),
            *_compare_pitch(note.analysis, match),
            *_compare_movement(note, match),
        ]
    )


def _sorted(differences: list[AudibleDifference]) -> tuple[AudibleDifference, ...]:
    """Put the largest difference first; equal ones keep their order."""
    return tuple(sorted(differences, key=lambda difference: -difference.steps))


def _has_front(note: TargetNote, sound: FloatArray) -> bool:
    """Whether something sounds where the note begins; else nothing can be measured from there."""
    front = find_sections(note)[0]
    first, last = (
        seconds_to_samples(time_s, note.sample_rate_hz) for time_s in (front.start_s, front.end_s)
    )
    return bool(np.any(sound[first:last]))


def _compare_attacks(
    note: TargetNote, sound: FloatArray, match: NoteAnalysis
) -> AudibleDifference:
    """Compare the attacks, both within the time that the longer one needs."""
    target = note.analysis
    longest_s = max(FRONT_S, ATTACK_SPAN * max(target.attack_s, match.attack_s))
    pairs = (note.signal, target.pitch_hz), (sound, match.pitch_hz)
    measured = [
        measure_attack_s(
            signal,
            onset_s=note.onset_s,
            end_s=note.onset_s + longest_s,
            pitch_hz=pitch_hz,
            sample_rate_hz=note.sample_rate_hz,
        )
        for signal, pitch_hz in pairs
    ]
    return judge("attack", *measured)


def _compare_times(note: TargetNote, match: NoteAnalysis) -> Iterator[AudibleDifference]:
    """Compare decay and release."""
    target = note.analysis
    # Beats rise and fall by themselves; what is fitted to them is no decay.
    if target.beating_hz is None and match.beating_hz is None:
        longest_s = LARGEST_DECAY_RATIO * note.note.gate_s
        if all(
            sound.sustain_ratio < LARGEST_SUSTAIN_RATIO and sound.decay_s < longest_s
            for sound in (target, match)
        ):
            yield judge("decay", target.decay_s, match.decay_s)
    if target.release_s is not None and match.release_s is not None:
        yield judge("release", target.release_s, match.release_s)


def _compare_sections(
    note: TargetNote, sound: FloatArray, match_hz: float | None
) -> list[AudibleDifference]:
    """Compare level and brightness, section by section."""
    found = []
    sections = find_sections(note)
    target_hz = note.analysis.pitch_hz or float(midi_to_hz(note.note.midi_pitch))
    target, match = (
        measure_sections(signal, sections, pitch_hz=hz, sample_rate_hz=note.sample_rate_hz)
        for signal, hz in ((note.signal, target_hz), (sound, match_hz or target_hz))
    )
    for i, section in enumerate(sections):
        levels = target.levels_db[i], match.levels_db[i]
        found.append(judge("level", *levels, where=section.name))
        before, after = target.centroids_hz[i], match.centroids_hz[i]
        if before and after:
            found.append(judge("brightness", before, after, where=section.name))
    return found


def _compare_pitch(target: NoteAnalysis, match: NoteAnalysis) -> Iterator[AudibleDifference]:
    """Compare the pitches, in cents."""
    if target.pitch_hz is None:
        return
    if match.pitch_hz is None:
        threshold = JUST_NOTICEABLE["pitch"].threshold(0.0)
        text = f"pitch: {target.pitch_hz:.1f} Hz in the target, none is heard here"
        # As far off as can be: an octave, after which pitches resemble each other again.
        yield AudibleDifference("pitch", "pitch", 0.0, None, 1200.0, threshold, text, "no pitch")
        return
    cents = float(ratio_to_cents(match.pitch_hz / target.pitch_hz))
    yield judge("pitch", 0.0, cents)


def _compare_movement(note: TargetNote, match: NoteAnalysis) -> Iterator[AudibleDifference]:
    """Compare vibrato and beating."""
    audible_cents = JUST_NOTICEABLE["vibrato"].threshold(0.0)
    target_vibrato, match_vibrato = _vibrato(note.analysis), _vibrato(match)
    if target_vibrato and match_vibrato:
        # Where both are too shallow to be heard, neither are their rates.
        if max(target_vibrato[1], match_vibrato[1]) >= audible_cents:
            yield judge("vibrato rate", target_vibrato[0], match_vibrato[0])
            yield judge("vibrato depth", target_vibrato[1], match_vibrato[1])
    elif target_vibrato or match_vibrato:
        rate_hz, depth_cents = target_vibrato or match_vibrato or (0.0, 0.0)
        size = f"{JUST_NOTICEABLE['vibrato rate'].wording.value(rate_hz)}, "
        yield _one_sided("vibrato", depth_cents, audible_cents, size, is_here=not target_vibrato)
    target_hz, match_hz = note.analysis.beating_hz, match.beating_hz
    if target_hz and match_hz:
        yield judge("beating", target_hz, match_hz)
    elif target_hz or match_hz:
        # One beat has to fit into the note to be heard as one.
        slowest_hz = 1.0 / max(note.note.gate_s, SHORTEST_SPAN_S)
        rate_hz = target_hz or match_hz or 0.0
        yield _one_sided("beating", rate_hz, slowest_hz, "", is_here=not target_hz)


def _vibrato(analysis: NoteAnalysis) -> tuple[float, float] | None:
    """Return rate in Hz and depth in cents, if a vibrato was found."""
    if analysis.vibrato_rate_hz is None or analysis.vibrato_depth_cents is None:
        return None
    return analysis.vibrato_rate_hz, analysis.vibrato_depth_cents


def _one_sided(
    kind: str, value: float, threshold: float, size: str, *, is_here: bool
) -> AudibleDifference:
    """Say what one of the sounds has alone."""
    state, where = ("added", "") if is_here else ("missing", " in the target")
    size = f"{size}{JUST_NOTICEABLE[kind].wording.value(value)}"
    return AudibleDifference(
        kind,
        kind,
        None if is_here else value,
        value if is_here else None,
        value if is_here else -value,
        threshold,
        f"{kind} is {state} here ({size}{where})",
        f"{kind} {state} ({size})",
    )


def judge(kind: str, target: float, match: float, *, where: str = "") -> AudibleDifference:
    """Judge two values of one quantity against its just-noticeable difference.

    Parameters
    ----------
    kind : str
        A key of `matcher.hearing.JUST_NOTICEABLE`.
    target, match : float
        Both values, in the unit of that record.
    where : str
        Goes on after the quantity: ``"in the first 100 ms"``.

    Returns
    -------
    AudibleDifference
        The difference in numbers and in words.
    """
    record = JUST_NOTICEABLE[kind]
    wording = record.wording
    quantity = f"{kind} {where}".rstrip()
    change = wording.difference(target, match)
    both = f"{wording.value(target)} in the target, {wording.value(match)} here, "
    return AudibleDifference(
        quantity,
        kind,
        target,
        match,
        match - target,
        record.threshold(target),
        f"{quantity}: {both if wording.is_relative else ''}{change}",
        f"{quantity} {change}",
    )
