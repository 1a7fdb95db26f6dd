"""Panels in structure files: read as written, searched on their steps, mistakes told at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import CATALOGUE, StructureError
from voice import Structure, check_structure
from voice.structure import parse_structure

if TYPE_CHECKING:
    from pathlib import Path

HEAD = """schema_version = 1
name = "mine"
meaning = "A panel of a test."
"""
FREE = """
[free]
"osc1.saw_level" = {}
"osc2.octave" = {}
"filter.cutoff_hz" = {}
"amp_env.release_s" = {}
"""
KNOB = """
[panel."filter.cutoff_hz"]
label = "CUTOFF"
knob = [0, 10]
values = [40, 10240]
scale = "log"
step = 1.25
midi = { cc = 74 }
"""
SWITCH = """
[panel."osc2.octave"]
switch = ["16'", "8'", "4'"]
values = [-1, 0, 1]
midi = { nrpn = 300, values = [0, 64, 127] }
"""
WAVE = """
[panel."osc1.saw_level"]
switch = ["pulse", "saw"]
values = [0, 1]
sets = { "osc1.pulse_level" = [1, 0] }
"""
TABLE = """
[panel."amp_env.release_s"]
table = [[0, 0.05], [5, 1], [10, 20]]
errors = [0.01, 0.1, 1]
times = "to-60-db"
"""


@pytest.fixture(scope="module")
def panel() -> Structure:
    """Read a panel with one control of each kind."""
    return parse_structure(HEAD + FREE + KNOB + SWITCH + WAVE + TABLE, source="s.toml")


def test_a_knob_takes_its_parameter_along(panel: Structure) -> None:
    """Only the steps of the panel are left to choose from: octaves from 40 Hz (arithmetic)."""
    expected = [40.0 * 2.0**i for i in range(9)]
    assert panel.space["filter.cutoff_hz"].choices == pytest.approx(expected)
    control = panel.controls["filter.cutoff_hz"]
    assert control.label == "CUTOFF"
    assert control.controller is not None
    assert control.controller.text == "CC 74"


@given(units=st.lists(st.floats(0.0, 1.0), min_size=4, max_size=4))
def test_a_search_never_leaves_the_steps(panel: Structure, units: list[float]) -> None:
    """Whatever is drawn, each stepped value is one that the panel has."""
    row = panel.space.decode(np.array(units))
    values = panel.complete(panel.space.to_dict(row))
    for name, control in panel.controls.items():
        if control.scale is not None and control.scale.is_stepped:
            assert values[name] in [value for _, value in control.scale.stops]


def test_a_switch_sets_what_belongs_to_it(panel: Structure) -> None:
    """Sawtooth or pulse, never both and never neither; mapping and matrix agree."""
    for saw in (0.0, 1.0):
        values = panel.complete({"osc1.saw_level": saw})
        assert values["osc1.pulse_level"] == 1.0 - saw
        row = panel.space.clip({**panel.space.neutral(), "osc1.saw_level": saw})
        column = CATALOGUE.index("osc1.pulse_level")
        assert panel.matrix(row)[0, column] == 1.0 - saw


def test_times_are_converted_as_they_are_read(panel: Structure) -> None:
    """20 s to -60 dB are a time constant of 20 / ln 1000 s, error bars included (arithmetic)."""
    scale = panel.controls["amp_env.release_s"].scale
    assert scale is not None
    assert scale.value(10.0) == pytest.approx(20.0 / np.log(1000.0))
    assert scale.errors[0] == pytest.approx(0.01 / np.log(1000.0))
    assert panel.space["amp_env.release_s"].high == pytest.approx(20.0 / np.log(1000.0))


def test_a_panel_may_go_beyond_the_voice() -> None:
    """The scale stays what it is; a search uses the part that the voice can play."""
    text = HEAD + FREE + KNOB.replace("10240", "40960").replace("1.25", "1")
    structure = parse_structure(text, source="s.toml")
    assert structure.space["filter.cutoff_hz"].choices[-1] <= 20_000.0
    scale = structure.controls["filter.cutoff_hz"].scale
    assert scale is not None
    assert scale.value(10.0) == 40_960.0


def test_a_range_under_free_keeps_part_of_the_panel() -> None:
    """Both are heeded: the steps of the panel that lie in the range."""
    text = HEAD + FREE.replace('hz" = {}', 'hz" = { low = 100, high = 700 }') + KNOB
    structure = parse_structure(text, source="s.toml")
    assert structure.space["filter.cutoff_hz"].choices == pytest.approx([160.0, 320.0, 640.0])


def test_a_lopsided_panel_of_a_swinging_parameter_is_taken() -> None:
    """A detune knob need not have its zero in the middle."""
    text = HEAD + '[free]\n"osc2.detune_cents" = {}\n[panel."osc2.detune_cents"]\n'
    structure = parse_structure(
        text + "knob = [0, 10]\nvalues = [-20, 50]\nstep = 1\n", source="s"
    )
    assert len(structure.space["osc2.detune_cents"].choices) == 11


WRONG = {
    "not free": ('[panel."noise.level"]\nknob = [0, 1]\n', "panel.noise.level: .* is not free"),
    "no table": ('[panel]\n"osc2.octave" = 3\n', "panel.osc2.octave: a table is needed"),
    "unknown": ('[panel."nois.level"]\n', "panel.nois.level: no such parameter. Did you mean"),
    "unknown field": (KNOB + "steps = 1\n", "steps: no such field. Did you mean step"),
    "two kinds": (KNOB + "switch = []\n", "knob and switch stand side by side"),
    "no kind": ('[panel."osc2.octave"]\nvalues = [1, 2]\n', "values needs a knob, a switch or a"),
    "one end": (KNOB.replace("[0, 10]", "[0]"), "knob is .0.; it must be a list of 2 numbers"),
    "no values": (
        KNOB.replace("values = [40, 10240]\n", ""),
        "values is None; it must be a list of 2 numbers",
    ),
    "scale": (KNOB.replace('"log"', '"audio"'), "scale is 'audio'; it must be linear or log"),
    "log of nothing": (KNOB.replace("[40,", "[0,"), "a log scale needs values above 0"),
    "step": (KNOB.replace("1.25", "11"), "step is 11; it must be above 0 and up to 10"),
    "step as text": (KNOB.replace("1.25", '"a"'), "step: 'a' is not a number"),
    "nothing in range": (KNOB.replace("[40, 10240]", "[1, 2]"), "fewer than two places"),
    "label": (KNOB.replace('"CUTOFF"', '"a\\nb"'), "label is 'a.nb'; it must be a line of text"),
    "positions": (SWITCH.replace('"8\'"', '"4\'"'), "a list of different names"),
    "switch values": (SWITCH.replace("[-1, 0, 1]", "[-1, 0, 0]"), "they must differ"),
    "beside the voice": (SWITCH.replace("[-1, 0, 1]", "[-1, 0, 0.5]"), "octave is 0.5 octaves"),
    "step of a switch": (SWITCH + "step = 1\n", "step has no meaning for a switch"),
    "rows": (TABLE.replace("[5, 1]", "[5]"), "table is no list of points"),
    "bent table": (TABLE.replace("[5, 1]", "[5, 30]"), "physical values must rise all the way"),
    "errors": (
        TABLE.replace("[0.01, 0.1, 1]", "[1]"),
        "errors is .1.; it must be a list of 3 numbers",
    ),
    "times": (
        TABLE.replace("to-60-db", "to-6-db"),
        "times is 'to-6-db'; it must be one of time-constant",
    ),
    "times of a knob": (KNOB + 'times = "to-60-db"\n', "cutoff_hz is no envelope time"),
    "midi": (KNOB.replace("{ cc = 74 }", "74"), "74 is no controller"),
    "no number": (KNOB.replace("{ cc = 74 }", "{ bits = 7 }"), "either cc or nrpn is needed"),
    "cc": (
        KNOB.replace("cc = 74", "cc = 300"),
        "cc is 300; it must be a whole number from 0 to 119",
    ),
    "reserved": (KNOB.replace("cc = 74", "cc = 98"), "cc is 98, which MIDI uses"),
    "14 bit": (KNOB.replace("cc = 74", "cc = 74, bits = 14"), "cc is 74; .* from 0 to 31"),
    "bits": (KNOB.replace("cc = 74", "cc = 7, bits = 8"), "bits is 8; it must be 7 or 14"),
    "data": (SWITCH.replace("[0, 64, 127]", "[0, 1]"), "they must be 3 whole numbers"),
    "sets": (
        WAVE.replace("[1, 0]", "[1]"),
        "osc1.pulse_level is .1.; it must be a list of 2 numbers",
    ),
    "sets elsewhere": (WAVE.replace("osc1.pulse_level", "osc2.octave"), "set elsewhere, too"),
    "sets of a knob": (KNOB + 'sets = { "noise.level" = [0, 1] }\n', "a switch may set other"),
    "channel": ("", "midi_channel is 17; it must be a whole number from 1 to 16"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_panel_is_refused_by_field(case: str) -> None:
    """The message names file, control and field, and says what is accepted."""
    text, message = WRONG[case]
    head = HEAD + "midi_channel = 17\n" if case == "channel" else HEAD
    with pytest.raises(StructureError, match=message) as caught:
        parse_structure(head + FREE + text, source="s.toml")
    assert "\n" not in str(caught.value)


def test_two_controls_on_one_controller_are_refused() -> None:
    """14 bits take a second number, 32 higher (MIDI 1.0, controllers 0 to 63)."""
    text = KNOB.replace("cc = 74", "cc = 20, bits = 14") + SWITCH.replace(
        "nrpn = 300, values = [0, 64, 127]", "cc = 52"
    )
    with pytest.raises(StructureError, match=r"panel.osc2.octave.midi: CC 52 already sets filter"):
        parse_structure(HEAD + FREE + text, source="s.toml")


def test_a_fixed_value_must_stand_on_a_step() -> None:
    """A switch that is fixed between two positions can't be set."""
    text = HEAD + FREE.replace('"filter.cutoff_hz" = {}\n', "")
    text += '[fixed]\n"filter.cutoff_hz" = 100\n' + KNOB
    with pytest.raises(StructureError, match=r"fixed.filter.cutoff_hz is 100, .* nearest is 80"):
        parse_structure(text, source="s.toml")


MANY = """schema_version = 2
name = ""
meaning = "Wrong in many places."

[fixed]
"osc2.saw_level" = 3

[free]
"filter.cutoff_hz" = { low = 100, hi = 2 }
"osc1.octave" = {}
# a comment with [brackets] and "quotes
[panel.'filter.cutoff_hz']
table = [
  [0, 1],
  [1, 0.5],
  [2, 7],
]

[panel."osc1.octave"]
switch = ["#", "]"]
values = [0, 1]
midi = { cc = 200 }

[links]
"osc2.octave" = "osc1.octav"
"""


def test_every_mistake_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    """Line, field and reason of each, in the order of the lines."""
    path = tmp_path / "many.toml"
    path.write_text(MANY, encoding="utf-8")
    found = check_structure(path)
    assert [(mistake.line, mistake.field) for mistake in found] == [
        (1, "schema_version"),
        (2, "name"),
        (6, "fixed.osc2.saw_level"),
        (9, "free.filter.cutoff_hz"),
        (13, "panel.filter.cutoff_hz.table"),
        (22, "panel.osc1.octave.midi"),
        (25, "links.osc2.octave"),
    ]
    with pytest.raises(StructureError, match=r"schema_version: 2 .*\(6 more: `earwright str"):
        parse_structure(MANY, source="many.toml")


SEVERAL = """schema_version = 1
name = "several"
meaning = "Several mistakes in one control."
[free]
"amp_env.attack_s" = {}
[panel."amp_env.attack_s"]
knob = [0, 10]
values = [0.001, 2]
scale = "exp"
step = -1
times = "to-70-db"
[panel."osc2.octave"]
switch = ["16'", "8'"]
values = [-1, 0, 1]
"""


def test_several_mistakes_of_one_control_are_told_at_once(tmp_path: Path) -> None:
    """What can be left out is no reason to stop, nor is a control that nothing asks for."""
    path = tmp_path / "several.toml"
    path.write_text(SEVERAL, encoding="utf-8")
    assert [(mistake.line, mistake.field) for mistake in check_structure(path)] == [
        (9, "panel.amp_env.attack_s.scale"),
        (10, "panel.amp_env.attack_s.step"),
        (11, "panel.amp_env.attack_s.times"),
        (12, "panel.osc2.octave"),
        (14, "panel.osc2.octave.values"),
    ]


def test_a_shared_envelope_with_sustain_is_a_warning() -> None:
    """The voice's pitch envelope has no sustain; the file can still be used."""
    text = (
        HEAD + '[free]\n"filter_env.attack_s" = { low = 0.001, high = 0.2 }\n'
        '"filter_env.decay_s" = { low = 0.005, high = 1 }\n"filter_env.sustain_ratio" = {}\n'
        '[links]\n"osc2.pitch_env.decay_s" = "filter_env.decay_s"\n'
    )
    structure = parse_structure(text, source="s.toml")
    assert structure.links == {"osc2.pitch_env.decay_s": "filter_env.decay_s"}


def test_values_set_by_hand_go_to_the_nearest_step(panel: Structure) -> None:
    """Nobody can type a step to the last digit; what is out of range is left to be refused."""
    given = {"filter.cutoff_hz": 330.0, "amp_env.release_s": 0.123, "osc2.octave": 5.0}
    moved = panel.nearest_steps(given)
    assert moved["filter.cutoff_hz"] == pytest.approx(320.0)
    assert moved["amp_env.release_s"] == 0.123
    assert moved["osc2.octave"] == 5.0
