"""A graph plays exactly the settings that it is given, or it is refused."""

from pathlib import Path

import numpy as np
import pytest

from shared.errors import ParameterError
from tests import csound_graph
from tests.csound_graph import MISSING, csound_path, fill_template, render_graph

needs_csound = pytest.mark.skipif(csound_path() is None, reason=MISSING)
TONE = """
<CsoundSynthesizer>
<CsInstruments>
sr = 8000
ksmps = 1
nchnls = 1
0dbfs = 1
instr 1
  out poscil(${level}, ${pitch_hz})
endin
</CsInstruments>
<CsScore>
i 1 0 0.5
</CsScore>
</CsoundSynthesizer>
"""


def test_fields_are_filled_with_numbers_that_read_back_exactly() -> None:
    """No digit of a setting is lost on its way into the graph."""
    text = fill_template(
        "a = ${a} b = ${b.c_hz}", {"a": 0.1 + 0.2, "b.c_hz": 3}, unused=frozenset()
    )
    assert text == "a = 0.30000000000000004 b = 3.0"


def test_a_field_without_a_value_is_refused() -> None:
    """A graph is never performed with a hole in it."""
    with pytest.raises(ParameterError, match="the template needs b"):
        fill_template("${a} ${b}", {"a": 1.0}, unused=frozenset())


def test_a_setting_that_the_graph_would_ignore_is_refused() -> None:
    """The sound would not be what its settings say."""
    with pytest.raises(ParameterError, match=r"no part for noise\.level"):
        fill_template("${a}", {"a": 1.0, "noise.level": 0.5}, unused=frozenset())


def test_a_setting_declared_as_unused_may_be_left_out() -> None:
    """Neutral parts need no place in a graph."""
    assert fill_template("${a}", {"a": 1.0, "b": 0.0}, unused=frozenset({"b"})) == "1.0"


@needs_csound
def test_a_tone_is_rendered_as_asked_for(tmp_path: Path) -> None:
    """Level, frequency, rate and length arrive unchanged."""
    graph = fill_template(TONE, {"level": 0.25, "pitch_hz": 440.0}, unused=frozenset())
    signal, sample_rate_hz = render_graph(graph, tmp_path)
    expected = 0.25 * np.sin(2.0 * np.pi * 440.0 * np.arange(4_000) / 8_000.0)
    assert sample_rate_hz == 8_000
    # 1e-5: the tone is read from an interpolated table and written as 32-bit float.
    np.testing.assert_allclose(signal, expected, atol=1e-5)


@needs_csound
@pytest.mark.parametrize(
    ("mistake", "reason"),
    [
        ("poscill(0.1, 440)", "line 9"),
        ("poscil(0.1, 440, 99)", "table not found"),
    ],
    ids=["unknown opcode", "note that fails at its start"],
)
def test_a_graph_with_a_mistake_is_reported_with_its_reason(
    mistake: str, reason: str, tmp_path: Path
) -> None:
    """What the other program said is in the message, also when it only drops the note."""
    with pytest.raises(RuntimeError, match=rf"failed: [\s\S]*{reason}"):
        render_graph(TONE.replace("poscil(${level}, ${pitch_hz})", mistake), tmp_path)


def test_a_missing_program_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whoever lacks the program reads how to get it."""
    monkeypatch.setattr(csound_graph, "csound_path", lambda: None)
    with pytest.raises(FileNotFoundError, match=r"csound is not installed\. Install it"):
        render_graph(TONE, tmp_path)
