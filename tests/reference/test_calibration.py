"""Calibration against another audio language: positions with values that it was told.

The recordings are made by ``tests.known_answers.make_calibration_notes`` with Csound, whose
oscillators, filter (its `zdf_ladder`) and arithmetic share nothing with ours.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from matcher.calibrating import calibrate
from shared import resample
from tests.calibration_notes import known_places
from tests.csound_graph import MISSING, csound_path, render_graph
from tests.known_answers.make_calibration_notes import CONTROLS, FOLDER, RATE_HZ, notes_of
from tests.known_answers.make_known_answers import at_safe_level, graph_of
from voice import load_structure

# A cutoff that is 5 % off is heard as 3 % of brightness, and times that are 20 % off are heard at
# all (`matcher.hearing`): half of that at most.
TOLERANCES = {
    "filter.cutoff_hz": 0.025,
    "amp_env.attack_s": 0.02,
    "amp_env.release_s": 0.02,
    "filter_env.decay_s": 0.1,
}


@pytest.mark.parametrize("parameter", CONTROLS)
def test_the_values_of_another_instrument_come_back(parameter: str) -> None:
    """Each within the tolerance, and within three standard errors and 1 %."""
    places = known_places(parameter)
    calibration = calibrate(
        load_structure("complete"),
        parameter,
        [(place.panel, place.path) for place in places],
        midi_pitch=places[0].midi_pitch,
    )
    assert [point.panel for point in calibration.table] == [place.panel for place in places]
    for place, point in zip(places, calibration.table, strict=True):
        assert point.value == pytest.approx(place.value, rel=TOLERANCES[parameter])
        assert abs(point.value - place.value) <= 3.0 * point.error + 0.01 * place.value


def test_the_recordings_are_what_the_language_makes() -> None:
    """Rendered anew, a note is the committed file."""
    if csound_path() is None:
        pytest.skip(MISSING)
    _, _, note = notes_of("filter.cutoff_hz")[2]
    with tempfile.TemporaryDirectory() as folder:
        graph = graph_of(note).replace("sr = 44100", f"sr = {4 * RATE_HZ}")
        signal, fast_hz = render_graph(graph, Path(folder))
    sound = at_safe_level(resample(signal, fast_hz, RATE_HZ), RATE_HZ)
    kept, _ = soundfile.read(FOLDER / f"{note.name}.flac")
    # One step of 16 bits, and as much for another version's wavetables.
    np.testing.assert_allclose(kept[RATE_HZ // 20 :], sound, atol=2.0 / 32768.0)
