"""The graph that is timed is the voice whose cost it stands for."""

import tempfile
from pathlib import Path

import numpy as np
import pytest

from shared import CATALOGUE
from tests.benchmarks import csound
from tests.benchmarks.csound import NOTE, VALUES, csound_ns_per_sample, render_csound_voice
from tests.csound_graph import MISSING, csound_path, render_graph
from tests.judge import judge
from tests.known_answers.make_known_answers import KnownNote, graph_of

needs_csound = pytest.mark.skipif(csound_path() is None, reason=MISSING)


@needs_csound
def test_the_fast_graph_sounds_like_the_exact_one() -> None:
    """Controls every 16 samples and other envelope opcodes, but the same definitions."""
    values = {**VALUES, "noise.level": 0.0, "highpass.cutoff_hz": 20.0, "body.gain_db": 0.0}
    fast, sample_rate_hz = render_csound_voice(values)
    neutral = CATALOGUE.neutral()
    # The exact graph has no noise and no body; at 0 nothing else of them is heard.
    silent = ("noise.", "body.")
    played = {k: x for k, x in values.items() if x != neutral[k] and not k.startswith(silent)}
    known = KnownNote("", "", NOTE.midi_pitch, NOTE.gate_s, fast.size / sample_rate_hz, played)
    with tempfile.TemporaryDirectory() as folder:
        exact, _ = render_graph(graph_of(known), Path(folder))
    found = judge(exact, fast, sample_rate_hz)
    # 1 dB: measured 0.5 and 0.4 dB, where other phases alone make 2 to 3 dB.
    assert found.log_mel_db < 1.0
    assert found.onset_log_mel_db < 1.0
    assert found.pitch_cents == pytest.approx(0.0, abs=1.0)


# The parameters that a part needs, for every part that the cost is said to cover.
PARTS = [
    "osc1.saw_level",
    "osc1.pulse_level",
    "osc2.saw_level",
    "osc2.pulse_level",
    "osc1.pitch_env.depth_cents",
    "osc2.pitch_env.depth_cents",
    "osc1.vibrato.depth_cents",
    "osc2.vibrato.depth_cents",
    "osc1.pwm.depth_ratio",
    "osc2.pwm.depth_ratio",
    "noise.level",
    "noise.bypass_ratio",
    "highpass.cutoff_hz",
    "filter.cutoff_hz",
    "filter.resonance_ratio",
    "body.gain_db",
    "filter_env.depth_octaves",
    "amp_env.sustain_ratio",
]


@needs_csound
@pytest.mark.parametrize("name", PARTS)
def test_every_part_is_heard(name: str) -> None:
    """A part that made no sound would cost nothing, and the figure would flatter."""
    neutral = 0.0 if name.endswith("_level") else CATALOGUE.neutral()[name]
    full, _ = render_csound_voice()
    without, _ = render_csound_voice({**VALUES, name: neutral})
    residue = np.mean((full - without[: full.size]) ** 2) / np.mean(full**2)
    # -50 dB: a tenth of the softest part, the noise.
    assert residue > 1e-5


@needs_csound
def test_the_cost_is_measured() -> None:
    """A longer note takes longer."""
    cost_ns = csound_ns_per_sample(n_runs=1, short_s=0.5, long_s=20.0)
    assert cost_ns is not None
    assert cost_ns > 0.0


def test_without_the_program_there_is_a_message_and_no_figure(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A figure that can't be measured is not made up."""
    monkeypatch.setattr(csound, "csound_path", lambda: None)
    assert csound_ns_per_sample() is None
    assert "csound is not installed" in capsys.readouterr().out
