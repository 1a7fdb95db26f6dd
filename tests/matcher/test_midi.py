"""A patch as MIDI: the file says to an instrument what the sheet says to its owner.

Message formats are those of the MIDI 1.0 Detailed Specification, sound controllers those of its
table of controller numbers (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import mido
import pretty_midi
import pytest

from matcher.midi import SPACING_S, controller_settings, write_midi_file
from shared import CATALOGUE, FileError, ParameterError, Patch
from voice import Structure, load_structure
from voice.structure import parse_structure

if TYPE_CHECKING:
    from pathlib import Path

MINE = """schema_version = 1
name = "mine"
meaning = "Every kind of controller."
midi_channel = 5
[free]
"osc2.octave" = {}
"filter.cutoff_hz" = {}
"filter.resonance_ratio" = {}
"filter.drive_db" = {}
"amp_env.attack_s" = {}
"amp_env.sustain_ratio" = {}
[panel."osc2.octave"]
switch = ["low", "middle", "high"]
values = [-1, 0, 1]
midi = { cc = 80, values = [0, 64, 127] }
[panel."filter.cutoff_hz"]
knob = [0, 127]
values = [20, 20000]
scale = "log"
step = 1
midi = { cc = 74 }
[panel."filter.resonance_ratio"]
knob = [0, 10]
values = [0, 1]
midi = { cc = 20, bits = 14 }
[panel."filter.drive_db"]
knob = [0, 10]
values = [0, 20]
midi = { nrpn = 300, bits = 14 }
[panel."amp_env.sustain_ratio"]
knob = [10, 0]
values = [0, 1]
midi = { nrpn = 5, values = [100, 0] }
"""
MINE = MINE.replace("knob = [10, 0]\nvalues = [0, 1]", "knob = [0, 10]\nvalues = [1, 0]")


@pytest.fixture(scope="module")
def mine() -> Structure:
    """Read an instrument with every kind of controller."""
    return parse_structure(MINE, source="mine.toml")


def patch_of(structure: Structure, **values: float) -> Patch:
    """Make a patch of a structure; double underlines stand for dots."""
    named = {name.replace("__", "."): value for name, value in values.items()}
    return Patch(structure.name, structure.complete(named))


def read_back(path: Path) -> list[tuple[int, int, int]]:
    """Read channel (1 to 16), controller and value of all messages of a file."""
    return [
        (message.channel + 1, message.control, message.value)
        for message in mido.MidiFile(path)
        if message.type == "control_change"
    ]


def sent(
    patch: Patch, structure: Structure, path: Path, midi_map: str | None = None
) -> list[tuple[int, int, int]]:
    """Write a file and read it back."""
    settings = controller_settings(patch, structure, midi_map=midi_map)
    write_midi_file(path, settings, channel=structure.midi_channel, overwrite=True)
    return read_back(path)


def test_a_control_from_0_to_127_is_sent_as_it_stands(mine: Structure, tmp_path: Path) -> None:
    """The panel says 74, and so does the message."""
    scale = mine.controls["filter.cutoff_hz"].scale
    assert scale is not None
    patch = patch_of(mine, filter__cutoff_hz=scale.value(74))
    assert (5, 74, 74) in sent(patch, mine, tmp_path / "a.mid")


def test_a_message_has_the_bytes_of_the_specification(mine: Structure, tmp_path: Path) -> None:
    """B4 50 40 sets controller 80 of channel 5 to 64; after 19 ticks, 4A 7F, running status.

    The header says type 0, one track, 480 ticks to the beat.
    """
    path = tmp_path / "a.mid"
    sent(patch_of(mine, filter__cutoff_hz=20_000.0), mine, path)
    data = path.read_bytes()
    assert data[:14] == bytes.fromhex("4d546864 00000006 0000 0001 01e0")
    assert bytes.fromhex("13 b45040 13 4a7f") in data
    assert data.endswith(bytes.fromhex("ff2f00"))


def test_fourteen_bits_go_coarse_first(mine: Structure, tmp_path: Path) -> None:
    """Half of 16383 is 8192: 64 on controller 20, then 0 on 52."""
    messages = sent(patch_of(mine, filter__resonance_ratio=0.5), mine, tmp_path / "a.mid")
    place = messages.index((5, 20, 64))
    assert messages[place + 1] == (5, 52, 0)


def test_a_non_registered_parameter_is_chosen_set_and_let_go(
    mine: Structure, tmp_path: Path
) -> None:
    """NRPN 300 is 2 * 128 + 44: 99, 98, data entry 6 and 38, then the null parameter."""
    messages = sent(patch_of(mine, filter__drive_db=20.0), mine, tmp_path / "a.mid")
    place = messages.index((5, 98, 44)) - 1
    assert messages[place : place + 6] == [
        (5, 99, 2), (5, 98, 44), (5, 6, 127), (5, 38, 127), (5, 101, 127), (5, 100, 127),
    ]  # fmt: skip


def test_data_may_run_over_a_part_of_the_range(mine: Structure, tmp_path: Path) -> None:
    """The file says that the knob's ends are 100 and 0."""
    for sustain, data in ((1.0, 100), (0.0, 0), (0.5, 50)):
        messages = sent(patch_of(mine, amp_env__sustain_ratio=sustain), mine, tmp_path / "a.mid")
        assert (5, 6, data) in messages


@pytest.mark.parametrize(("octave", "data"), [(-1.0, 0), (0.0, 64), (1.0, 127)])
def test_a_switch_sends_the_data_of_its_position(
    octave: float, data: int, mine: Structure, tmp_path: Path
) -> None:
    """As given position by position in the file."""
    assert (5, 80, data) in sent(patch_of(mine, osc2__octave=octave), mine, tmp_path / "a.mid")


def test_positions_without_data_share_the_range(tmp_path: Path) -> None:
    """Two of three equal parts of 0 to 127 end at 42 and 85; their middles are sent."""
    box = load_structure("prompt-box")
    for octave, low, high in ((-1.0, 0, 42), (0.0, 43, 85), (1.0, 86, 127)):
        messages = sent(patch_of(box, osc1__octave=octave), box, tmp_path / "a.mid")
        changes = [(number, value) for _, number, value in messages]
        # NRPN 102, data entry coarse.
        assert low <= changes[changes.index((98, 102)) + 1][1] <= high


def test_the_sound_controllers_of_midi_are_a_ready_map(tmp_path: Path) -> None:
    """71 resonance, 72 release, 73 attack, 74 brightness, 75 decay, 76 to 78 vibrato."""
    complete = load_structure("complete")
    numbers = {
        "filter.resonance_ratio": 71,
        "amp_env.release_s": 72,
        "amp_env.attack_s": 73,
        "filter.cutoff_hz": 74,
        "amp_env.decay_s": 75,
        "osc1.vibrato.rate_hz": 76,
        "osc1.vibrato.depth_cents": 77,
        "osc1.vibrato.delay_s": 78,
    }
    for name, number in numbers.items():
        for end, data in ((complete.space[name].low, 0), (complete.space[name].high, 127)):
            patch = Patch("complete", complete.complete({name: end}))
            found = sent(patch, complete, tmp_path / "a.mid", midi_map="sound-controllers")
            assert (1, number, data) in found
            assert sorted(other for _, other, _ in found) == sorted(numbers.values())


def test_controllers_of_the_file_come_before_the_map(mine: Structure) -> None:
    """Only what has none gets one of the map, and none is used twice."""
    settings = controller_settings(
        Patch("mine", mine.complete({})), mine, midi_map="sound-controllers"
    )
    texts = {setting.name: setting.controller.text for setting in settings}
    assert texts["filter.resonance_ratio"] == "CC 20, 14 bit"
    assert texts["amp_env.attack_s"] == "CC 73"
    assert len(set(texts.values())) == len(texts)


@pytest.mark.parametrize("name", ["prompt-box", "wagon-desk", "pit-console"])
def test_shipped_panels_come_back_within_one_step_of_the_data(name: str, tmp_path: Path) -> None:
    """From the messages alone the panel values can be told again."""
    structure = load_structure(name)
    values = structure.space.to_dict(structure.space.decode([0.7] * len(structure.space)))
    patch = Patch(name, structure.complete(values))
    messages = sent(patch, structure, tmp_path / "a.mid")
    assert {channel for channel, _, _ in messages} == {structure.midi_channel}
    heard = {number: value for _, number, value in messages}
    for parameter, control in structure.controls.items():
        controller, scale = control.controller, control.scale
        if controller is None or controller.is_nrpn or scale is None or scale.is_switch:
            continue
        share = heard[controller.number] / 127.0
        place = scale.low + share * (scale.high - scale.low)
        # Half a data step, rounded.
        assert abs(place - scale.panel(patch.values[parameter])) <= (scale.high - scale.low) / 254


def test_another_reader_finds_the_same_messages(mine: Structure, tmp_path: Path) -> None:
    """pretty_midi reads them at their times, spaced so that slow instruments keep up."""
    path = tmp_path / "a.mid"
    written = sent(patch_of(mine), mine, path)
    file = mido.MidiFile(path)
    # It drops instruments that play nothing.
    file.tracks[0][-1:-1] = [
        mido.Message("note_on", channel=4, note=60, velocity=64, time=0),
        mido.Message("note_off", channel=4, note=60, time=480),
    ]
    file.save(path)
    (instrument,) = pretty_midi.PrettyMIDI(str(path)).instruments
    changes = instrument.control_changes
    assert [(c.number, c.value) for c in changes] == [message[1:] for message in written]
    # Half a tick of 1/960 s.
    assert changes[0].time == pytest.approx(SPACING_S, abs=1 / 960)


def test_what_can_not_be_sent_is_refused(mine: Structure, tmp_path: Path) -> None:
    """No controller, an unknown map, a channel that MIDI has not, a file that is there."""
    patch = Patch("x", dict.fromkeys(["tune_cents"], 0.0) | CATALOGUE.neutral())
    with pytest.raises(ParameterError, match=r"complete gives no control a MIDI controller"):
        controller_settings(patch, load_structure("complete"))
    with pytest.raises(ParameterError, match=r"map is 'other'; it must be sound-controllers"):
        controller_settings(patch, mine, midi_map="other")
    settings = controller_settings(patch, mine)
    with pytest.raises(ParameterError, match=r"channel is 0; it must be 1 to 16"):
        write_midi_file(tmp_path / "a.mid", settings, channel=0)
    (tmp_path / "a.mid").write_bytes(b"mine")
    with pytest.raises(FileError, match="exists already"):
        write_midi_file(tmp_path / "a.mid", settings)
