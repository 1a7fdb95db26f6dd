"""Patches over the keyboard: what breaks is told, and what holds isn't."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher import Keyboard, keyboard
from matcher.explaining.key_checks import KeyRow, aliasing_db, judge_keys, lfos
from matcher.texts.explanation import format_keyboard
from shared import CATALOGUE, Note, ParameterError, RunFolderError, pitch_name, read_recording
from tests.matcher.explaining.explained_run import set_patch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher import RunFolder

pytestmark = pytest.mark.slow

NEUTRAL = CATALOGUE.neutral()


@pytest.fixture(scope="module")
def run(copy_of_run: Callable[[], RunFolder]) -> RunFolder:
    """Make a run of the brass-like patch."""
    return copy_of_run()


def _row(midi_pitch: float, **changes: object) -> KeyRow:
    """Make a key at which nothing is wrong, with some figures changed."""
    figures = {
        "loudness_lufs": -20.0,
        "true_peak_dbtp": -12.0,
        "brightness_hz": 1500.0,
        "brightness_ratio": 4.0,
        "lfo_rates_hz": {},
        "lfo_depths": {},
        "aliasing_db": -120.0,
        **changes,
    }
    return KeyRow(midi_pitch, pitch_name(midi_pitch), 100, **figures)  # type: ignore[arg-type]


@pytest.mark.parametrize("drive_db", [0.0, 36.0])
def test_aliasing_is_told_where_it_is(drive_db: float) -> None:
    """A band-limited sawtooth has none; driven into saturation at C7, partials fold back.

    A harmonic above half the sampling rate turns up at a frequency that is no harmonic (C. E.
    Shannon, Communication in the Presence of Noise, 1949).
    """
    values = {**NEUTRAL, "filter.drive_db": drive_db}
    found = aliasing_db(values, Note(96.0, gate_s=0.5), sample_rate_hz=44_100)
    assert (found > -50.0) == (drive_db > 0.0)


def test_lfo_rates_follow_the_key() -> None:
    """Half an octave of rate for each octave of key: 5 Hz at C4 is 10 Hz at C6."""
    values = {
        **NEUTRAL,
        "osc1.vibrato.depth_cents": 20.0,
        "osc1.vibrato.rate_key_track_ratio": 0.5,
        "osc1.vibrato.depth_key_track_ratio": -1.0,
    }
    rates, depths = lfos(values, 84.0)
    assert rates == {"vibrato, oscillator 1": pytest.approx(10.0)}
    assert depths == {"vibrato, oscillator 1": pytest.approx(5.0)}


def test_lfos_that_nobody_hears_are_left_out() -> None:
    """Neither an LFO without depth nor one of a silent oscillator counts."""
    assert lfos({**NEUTRAL, "osc2.vibrato.depth_cents": 20.0}, 60.0) == ({}, {})


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"loudness_lufs": -14.0}, "level jumps"),
        ({"brightness_hz": 3000.0, "brightness_ratio": 8.0}, "brightness jumps"),
        ({"brightness_hz": 9000.0, "brightness_ratio": 24.0}, "shrill"),
        ({"brightness_hz": 500.0, "brightness_ratio": 1.1}, "dull"),
        ({"lfo_rates_hz": {"vibrato, oscillator 1": 14.0}}, "LFO too fast"),
        ({"lfo_depths": {"vibrato, oscillator 1": 150.0}}, "LFO too deep"),
        ({"aliasing_db": -30.0}, "aliasing"),
        ({"true_peak_dbtp": 2.0}, "clipping"),
        ({"loudness_lufs": None, "true_peak_dbtp": None}, "silent"),
    ],
)
def test_each_problem_is_told_with_its_keys(changes: dict[str, object], problem: str) -> None:
    """Three keys are fine and one isn't: it is marked, and named in a sentence."""
    keys = [_row(60.0), _row(61.0), _row(62.0, **changes), _row(63.0)]
    rows, findings = judge_keys(keys, _row(60.0))
    assert problem in rows[2].problems
    assert rows[0].problems == rows[1].problems == ()
    assert any(pitch_name(62.0) in sentence for sentence in findings)


def test_a_keyboard_that_holds_has_nothing_told() -> None:
    """Levels within a dB, brightness that follows the key: no problem, no sentence."""
    keys = [
        _row(60.0 + k, loudness_lufs=-20.0 + 0.3 * (-1) ** k, brightness_hz=1500.0 * 2 ** (k / 24))
        for k in range(13)
    ]
    rows, findings = judge_keys(keys, _row(60.0))
    assert findings == ()
    assert all(row.problems == () for row in rows)


def test_a_level_that_drifts_is_told() -> None:
    """No jump between neighbours, but 18 LU from end to end."""
    keys = [_row(36.0 + k, loudness_lufs=-30.0 + 0.5 * k) for k in range(37)]
    _, findings = judge_keys(keys, _row(60.0))
    assert findings == ("Velocity 100: C2 is 18 LU softer than C5.",)


def test_keys_and_velocities_are_played_and_kept(run: RunFolder) -> None:
    """Every key at every velocity is in the file, and the scale is a sound within the run."""
    set_patch(run)
    found = keyboard(
        run.path, low="C3", high="C5", step=12, velocities=(100, 40), gate_s=0.4, progress=False
    )
    assert Keyboard.load(run.path) == found
    assert [(row.pitch_name, row.velocity) for row in found.keys] == [
        (name, velocity) for velocity in (40, 100) for name in ("C3", "C4", "C5")
    ]
    assert found.reference == "C4"
    assert found.is_complete
    sound = read_recording(run.path / found.file)
    # Three keys of 0.4 s and a tail of 0.25 s, two gaps of 0.05 s.
    assert len(sound.signal) == pytest.approx(2.05 * sound.sample_rate_hz, abs=2)
    assert np.any(sound.signal)
    printed = format_keyboard(found)
    assert "monitor level down" in printed
    # A patch has no level of its own: the loudest key is 0, and no other is above it.
    levels = [float(each) for each in re.findall(r"(\S+) LU ", printed)]
    assert len(levels) == 6
    assert max(levels) == 0.0


def test_a_vibrato_that_runs_away_is_found(run: RunFolder) -> None:
    """With full key tracking, 6 Hz at C4 are 24 Hz at C6, and that is told."""
    set_patch(
        run,
        osc1__vibrato__depth_cents=15.0,
        osc1__vibrato__rate_hz=6.0,
        osc1__vibrato__rate_key_track_ratio=1.0,
    )
    found = keyboard(
        run.path, low=60.0, high=84.0, step=12, velocities=[100], gate_s=0.3, progress=False
    )
    assert [("LFO too fast" in row.problems) for row in found.keys] == [False, True, True]
    assert any("24.0 Hz" in sentence for sentence in found.findings)


def test_a_stop_keeps_the_keys_that_were_played(run: RunFolder) -> None:
    """Stopped after one key, that key is judged and kept."""
    set_patch(run)
    asked = iter([False, True])
    found = keyboard(run.path, velocities=[100], progress=False, stop=lambda: next(asked))
    assert len(found.keys) == 1
    assert not found.is_complete
    assert Keyboard.load(run.path) == found


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"low": "C5", "high": "C4"}, "from C5 to C4 .* the lower one first"),
        ({"low": 72.0, "high": 60.0}, "from C5 to C4 .* the lower one first"),
        ({"low": -3.0}, "0 to 127"),
        ({"step": 0}, "1 to 24 semitones"),
        ({"velocities": ()}, "one or more from 1 to 127"),
        ({"velocities": (0,)}, "one or more from 1 to 127"),
        ({"gate_s": 0.0}, "above 0 and up to 10 s"),
    ],
)
def test_arguments_out_of_range_are_refused(
    run: RunFolder, options: dict[str, object], message: str
) -> None:
    """The message says what is accepted."""
    with pytest.raises(ParameterError, match=message):
        keyboard(run.path, progress=False, **options)  # type: ignore[arg-type]


def test_a_file_that_is_none_is_refused(tmp_path: Path) -> None:
    """A missing or foreign file names the command that makes one."""
    with pytest.raises(RunFolderError, match="earwright keyboard"):
        Keyboard.load(tmp_path)
    (tmp_path / "keyboard.json").write_text("{}")
    with pytest.raises(RunFolderError, match="earwright keyboard"):
        Keyboard.load(tmp_path)
