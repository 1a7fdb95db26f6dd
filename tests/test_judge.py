"""The outside measures agree with closed forms, and ignore what a listener's volume knob sets."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import sawtooth

from shared.errors import ParameterError
from shared.types import FloatArray
from tests import judge
from tests.placing import onset_sample
from tests.recordings import real_note

SAMPLE_RATE_HZ = 44_100
MEASURES = [
    judge.log_mel_difference_db,
    judge.onset_log_mel_difference_db,
    judge.envelope_difference_db,
    judge.centroid_error_ratio,
    judge.pitch_difference_cents,
]
Measure = Callable[[FloatArray, FloatArray, int], float]
each_measure = pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.__name__)


def time_s(duration_s: float) -> FloatArray:
    """Return the time of each sample in seconds."""
    return np.arange(round(duration_s * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ


def tone(pitch_hz: float, duration_s: float = 1.0) -> FloatArray:
    """Return a sine tone."""
    return np.sin(2.0 * np.pi * pitch_hz * time_s(duration_s))


def trumpet() -> FloatArray:
    """Return a recorded trumpet on C4."""
    return real_note("trumpet", 60).signal


@each_measure
def test_a_signal_against_itself_is_zero(measure: Measure) -> None:
    """Nothing differs between a recording and itself."""
    assert measure(trumpet(), trumpet(), SAMPLE_RATE_HZ) == 0.0


@each_measure
@pytest.mark.parametrize("gain", [1e-3, 0.3, 50.0])
def test_a_gain_changes_nothing(measure: Measure, gain: float) -> None:
    """A match that is only louder or softer than its target is perfect."""
    # 1e-6: rounding of the scaling, raised by the logarithm.
    assert measure(trumpet(), gain * trumpet(), SAMPLE_RATE_HZ) == pytest.approx(0.0, abs=1e-6)


@each_measure
@pytest.mark.parametrize("is_target_late", [False, True], ids=["match late", "target late"])
def test_a_delay_changes_nothing(measure: Measure, *, is_target_late: bool) -> None:
    """Both signals are placed by their onsets, so silence before one of them does not count."""
    delayed = np.pad(trumpet(), (1_234, 0))
    signals = (delayed, trumpet()) if is_target_late else (trumpet(), delayed)
    assert measure(*signals, SAMPLE_RATE_HZ) == pytest.approx(0.0, abs=1e-6)


@each_measure
def test_silence_after_the_note_changes_nothing(measure: Measure) -> None:
    """Silence that both recordings share must not dilute a difference."""
    other = real_note("trombone", 60).signal
    plain = measure(trumpet(), other, SAMPLE_RATE_HZ)
    longer = (np.pad(trumpet(), (0, 30_000)), np.pad(other, (0, 30_000)))
    assert measure(*longer, SAMPLE_RATE_HZ) == pytest.approx(plain, abs=1e-9)


@pytest.mark.parametrize("instrument", ["trumpet", "string ensemble", "clarinet"])
def test_a_plain_sawtooth_is_far_from_a_recording(instrument: str) -> None:
    """Without filter and envelope no instrument is met; another instrument is nearer."""
    note = real_note(instrument, 60)
    plain = 0.5 * sawtooth(2.0 * np.pi * 261.626 * time_s(2.0))
    found = judge.judge(note.signal, plain, SAMPLE_RATE_HZ)
    # 10 dB: the sawtooth measures 12 to 18 dB, a related instrument 6 to 10 dB.
    assert found.log_mel_db > 10.0
    assert found.onset_log_mel_db > 10.0
    assert found.centroid_ratio > 1.0


def test_a_neighbouring_key_is_nearer_than_another_instrument() -> None:
    """A trumpet a semitone lower starts more like the trumpet than a trombone does."""
    lower, other = real_note("trumpet", 59).signal, real_note("trombone", 60).signal
    difference = judge.onset_log_mel_difference_db
    assert difference(trumpet(), lower, SAMPLE_RATE_HZ) < difference(
        trumpet(), other, SAMPLE_RATE_HZ
    )


def halved_noise() -> tuple[FloatArray, FloatArray]:
    """Return steady noise, and the same noise with its second half 12 dB down."""
    noise = np.random.default_rng(7).normal(size=2 * SAMPLE_RATE_HZ)
    gain = np.repeat([1.0, 10.0 ** (-12.0 / 20.0)], SAMPLE_RATE_HZ)
    return noise, noise * gain


def test_log_mel_difference_of_a_level_step_has_its_closed_form() -> None:
    """Half the frames d dB up and half (12 - d) dB down: the mean is 6 dB whatever d is."""
    # 0.05 dB: the few frames that hold both halves.
    assert judge.log_mel_difference_db(*halved_noise(), SAMPLE_RATE_HZ) == pytest.approx(
        6.0, abs=0.05
    )


def test_envelope_difference_of_a_level_step_has_its_closed_form() -> None:
    """The energy gain makes d = -10 lg((1 + 10^-1.2) / 2); the RMS of d and d - 12 follows."""
    d = -10.0 * np.log10((1.0 + 10.0**-1.2) / 2.0)
    expected = np.sqrt((d**2 + (12.0 - d) ** 2) / 2.0)
    # 0.05 dB: noise differs in energy between its halves, and some frames hold both.
    assert judge.envelope_difference_db(*halved_noise(), SAMPLE_RATE_HZ) == pytest.approx(
        expected, abs=0.05
    )


def test_centroid_error_of_two_tones_is_their_ratio() -> None:
    """The centroid of a steady tone is its frequency."""
    error = judge.centroid_error_ratio(tone(2_000.0), tone(2_200.0), SAMPLE_RATE_HZ)
    # 0.01: the tones start and end abruptly, which spreads their first and last frames.
    assert error == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize("cents", [-1200.0, -37.0, 12.0, 700.0])
def test_pitch_difference_of_two_notes_is_their_interval(cents: float) -> None:
    """1200 cents to the octave; positive when the match is sharp."""

    def note(pitch_hz: float) -> FloatArray:
        return np.sum([tone(k * pitch_hz) / k for k in range(1, 11)], axis=0)

    found = judge.pitch_difference_cents(
        note(220.0), note(220.0 * 2.0 ** (cents / 1200.0)), SAMPLE_RATE_HZ
    )
    # 1 cent: YIN's interpolation. A pure tone of 110 Hz would be 5 cents off: its dip is flat.
    assert found == pytest.approx(cents, abs=1.0)


def test_the_onset_of_a_straight_attack_is_at_its_hundredth() -> None:
    """An amplitude that rises in a straight line is 40 dB down at 1 % of the attack."""
    attack_s = 0.5
    rising = np.minimum(time_s(1.0) / attack_s, 1.0) * tone(5_000.0)
    late = np.pad(rising, (1_000, 0))
    expected = 1_000 + 0.01 * attack_s * SAMPLE_RATE_HZ
    # 1 ms: the window in which the level is taken.
    assert onset_sample(late, SAMPLE_RATE_HZ) == pytest.approx(
        expected, abs=0.001 * SAMPLE_RATE_HZ
    )


def test_a_softened_front_edge_counts_at_the_onset() -> None:
    """The onset measure hears 30 ms of attack better than the measure over the whole note."""
    softened = np.minimum(time_s(2.0) / 0.03, 1.0) * trumpet()
    onset = judge.onset_log_mel_difference_db(trumpet(), softened, SAMPLE_RATE_HZ)
    assert onset > 2.0 * judge.log_mel_difference_db(trumpet(), softened, SAMPLE_RATE_HZ) > 0.0


def test_a_match_that_ends_early_is_continued_with_silence() -> None:
    """Half a note is no match for the note, and gains nothing by being short."""
    short = trumpet()[: SAMPLE_RATE_HZ // 2]
    assert judge.log_mel_difference_db(trumpet(), short, SAMPLE_RATE_HZ) > 10.0


def test_a_match_that_rings_on_counts() -> None:
    """A target that stops at 0.5 s, in a recording of 1 s, is not met by a tone of 1 s."""
    stopped = np.where(time_s(1.0) < 0.5, tone(440.0), 0.0)
    assert judge.envelope_difference_db(stopped, tone(440.0), SAMPLE_RATE_HZ) > 20.0


def test_nothing_is_compared_beyond_the_end_of_the_recording() -> None:
    """How a note goes on after its recording was stopped isn't known, so it does not count."""
    found = judge.judge(tone(440.0, 0.5), tone(440.0, 1.0), SAMPLE_RATE_HZ)
    assert found == judge.Judgement(0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("target", "match", "sample_rate_hz", "message"),
    [
        (tone(440.0), tone(440.0), 96_000, "sample_rate_hz is 96000 Hz; it must be 8000 to 48000"),
        (np.ones((2, 99)), tone(440.0), 44_100, r"target has the shape \(2, 99\)"),
        (tone(440.0), np.full(99, np.nan), 44_100, "match holds NaN or infinity"),
        (tone(440.0), np.zeros(99), 44_100, "match is silent"),
        (np.zeros(0), tone(440.0), 44_100, r"target has the shape \(0,\)"),
    ],
    ids=["rate", "stereo", "nan", "silent", "empty"],
)
def test_what_cannot_be_judged_is_refused(
    target: FloatArray, match: FloatArray, sample_rate_hz: int, message: str
) -> None:
    """A measure never returns a number for something that is no sound."""
    with pytest.raises(ParameterError, match=message):
        judge.judge(target, match, sample_rate_hz)
