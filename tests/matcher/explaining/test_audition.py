"""Auditions: exaggerated, as it is, left out; within ranges and limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher import audition, load_run
from matcher.explaining.patch_parts import exaggerated, find_parts
from matcher.texts.explanation import format_audition
from shared import (
    CATALOGUE,
    MAX_LOUDNESS_LUFS,
    MAX_TRUE_PEAK_DBTP,
    Note,
    ParameterError,
    loudness_lufs,
    read_recording,
    true_peak_db,
)
from tests.explained_notes import BRASS
from tests.matcher.explaining.explained_run import set_patch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher import Audition, RunFolder

pytestmark = pytest.mark.slow

VALUES = {
    **CATALOGUE.neutral(),
    **BRASS,
    "osc1.vibrato.depth_cents": 8.0,
    "osc2.vibrato.depth_cents": 30.0,
    "noise.level": 0.1,
    "highpass.cutoff_hz": 80.0,
}
C4 = Note(60.0)


@pytest.fixture(scope="module")
def folder(copy_of_run: Callable[[], RunFolder]) -> Path:
    """Make a run with a vibrato that no search has found."""
    run = copy_of_run()
    set_patch(run, osc1__vibrato__depth_cents=8.0)
    return run.path


@pytest.fixture(scope="module")
def heard(folder: Path) -> Audition:
    """Listen to two parts, one after the other."""
    return audition(folder, "vibrato", "filter envelope", note=Note(60.0, gate_s=0.2))


def _further(title: str, factor: float) -> dict[str, float]:
    """Take a part of the patch further; only what has changed."""
    switch = find_parts([title], VALUES)[0]
    changed = exaggerated(VALUES, switch, factor, C4)
    return {name: value for name, value in changed.items() if value != VALUES[name]}


def test_a_depth_is_multiplied() -> None:
    """Four times as deep, and nothing else is touched."""
    assert _further("vibrato, oscillator 1", 4.0) == {"osc1.vibrato.depth_cents": 32.0}
    assert _further("detune", 4.0) == {"osc2.detune_cents": 32.0}


def test_a_depth_stops_at_the_end_of_its_range() -> None:
    """100 cents is the deepest vibrato there is."""
    assert _further("vibrato, oscillator 2", 4.0) == {"osc2.vibrato.depth_cents": 100.0}


def test_cutoffs_move_in_octaves_and_leave_the_key() -> None:
    """The high-pass goes four times as many octaves up, the low-pass not below the key."""
    # 80 Hz is two octaves over the 20 Hz at rest, so eight octaves are 5120 Hz; it stops two
    # octaves above C4.
    assert _further("high-pass filter", 2.0)["highpass.cutoff_hz"] == pytest.approx(320.0)
    changed = _further("low-pass filter", 4.0)
    assert changed["filter.cutoff_hz"] == pytest.approx(261.63, abs=0.01)
    assert "filter_env.depth_octaves" not in changed


def test_an_oscillator_is_exaggerated_by_the_ratio_of_levels() -> None:
    """Its own level has its end at 1, so the others give way."""
    changed = _further("oscillator 2", 4.0)
    assert changed["osc1.saw_level"] == 0.25
    assert "osc2.saw_level" not in changed


@pytest.mark.parametrize("title", [s.title for s in find_parts(["*"], VALUES)])
def test_every_exaggeration_stays_in_range(title: str) -> None:
    """Whatever the factor, the voice accepts the values."""
    for factor in (1.5, 4.0, 100.0):
        CATALOGUE.validate(exaggerated(VALUES, find_parts([title], VALUES)[0], factor, C4))


@pytest.mark.parametrize(
    ("text", "titles"),
    [
        ("vibrato", ["vibrato, oscillator 1", "vibrato, oscillator 2"]),
        ("Vibrato, Oscillator 2", ["vibrato, oscillator 2"]),
        ("osc2.vibrato", ["vibrato, oscillator 2"]),
        ("filter_env", ["low-pass filter", "filter envelope"]),
        ("*.detune_cents", ["detune, oscillator 2"]),
        ("noise", ["noise"]),
    ],
)
def test_parts_are_found_by_title_words_and_names(text: str, titles: list[str]) -> None:
    """A title, words of one, or a pattern of parameter names."""
    assert [switch.title for switch in find_parts([text], VALUES)] == titles


@pytest.mark.parametrize(
    ("texts", "message"),
    [
        (["pitch envelope"], "is not in this patch"),
        (["filtre"], '"filtre" is no part'),
        ([""], "is no part"),
        ([], "no part is named"),
    ],
)
def test_parts_that_cannot_be_played_are_refused(texts: list[str], message: str) -> None:
    """The message lists the parts of the patch."""
    with pytest.raises(ParameterError, match=message) as caught:
        find_parts(texts, VALUES)
    assert '"filter envelope"' in str(caught.value)


def test_all_that_sounds_cannot_be_left_out() -> None:
    """Silence tells nothing about a part."""
    values = {**CATALOGUE.neutral()}
    with pytest.raises(ParameterError, match="all that sounds"):
        find_parts(["oscillator 1"], values)


def test_each_part_plays_in_three_versions(heard: Audition, folder: Path) -> None:
    """Exaggerated, as it is, left out; each in a file of its own, all in one with gaps."""
    versions = ["exaggerated", "as it is", "left out"]
    assert [cue.version for cue in heard.cues] == versions * 2
    assert heard.cues[0].text == "depth 32.0 cents"
    assert heard.cues[1].text == "depth 8.0 cents"
    whole = read_recording(folder / heard.file)
    for cue in heard.cues:
        alone = read_recording(folder / cue.file)
        first = round(cue.start_s * whole.sample_rate_hz)
        piece = whole.signal[first : first + alone.signal.size]
        # One bit of 24.
        np.testing.assert_allclose(piece, alone.signal, atol=2.0**-22)
    for before, after in zip(heard.cues[:-1], heard.cues[1:], strict=True):
        assert after.start_s - before.end_s == pytest.approx(0.25)


def test_levels_are_limited_by_one_gain(heard: Audition, folder: Path) -> None:
    """Every file is within the limits, and they can be compared."""
    for file in (heard.file, *(cue.file for cue in heard.cues)):
        sound = read_recording(folder / file)
        # 0.1 dB: rounding to 24 bits, and the settling of the meters' filters.
        assert true_peak_db(sound.signal, sound.sample_rate_hz) <= MAX_TRUE_PEAK_DBTP + 0.1
        assert loudness_lufs(sound.signal, sound.sample_rate_hz) <= MAX_LOUDNESS_LUFS + 0.1


def test_the_cue_list_tells_times_and_versions(heard: Audition, folder: Path) -> None:
    """Start, end and label with tabs between, a line for each sound."""
    lines = (folder / heard.cue_file).read_text().splitlines()
    assert len(lines) == len(heard.cues)
    start, end, label = lines[1].split("\t")
    assert float(start) == pytest.approx(heard.cues[1].start_s, abs=1e-3)
    assert float(end) == pytest.approx(heard.cues[1].end_s, abs=1e-3)
    assert label == "vibrato, oscillator 1, as it is: depth 8.0 cents"
    assert lines[2].endswith("\tvibrato, oscillator 1, left out")
    printed = format_audition(heard, str(folder))
    assert printed.startswith(str(folder / heard.file))
    assert "monitor level down" in printed


def test_a_filter_is_told_without_its_envelope(folder: Path) -> None:
    """The depth belongs to the envelope, which is a part of its own."""
    found = audition(folder, "low-pass filter", note=Note(48.0, gate_s=0.2))
    assert found.cues[1].text.startswith("cutoff ")
    assert "depth" not in found.cues[1].text


def test_sounds_of_an_earlier_audition_go(folder: Path) -> None:
    """What is there belongs to the last cue list; other files stay."""
    (folder / "audition").mkdir(exist_ok=True)
    (folder / "audition" / "99-old_left_out.wav").write_bytes(b"")
    (folder / "audition" / "notes.txt").write_text("mine")
    found = audition(folder, "detune", note=Note(48.0, velocity=50, gate_s=0.2))
    present = {path.name for path in (folder / "audition").iterdir()}
    files = {cue.file.removeprefix("audition/") for cue in found.cues}
    assert present == {*files, "audition.wav", "audition.txt", "notes.txt"}
    assert load_run(folder).path == folder


@pytest.mark.parametrize("factor", [1.0, 0.0, -4.0, 1000.0, float("nan")])
def test_a_factor_out_of_range_is_refused(folder: Path, factor: float) -> None:
    """Above 1 and up to 100 is accepted."""
    with pytest.raises(ParameterError, match="above 1 and up to 100"):
        audition(folder, "vibrato", factor=factor)
