"""Structures: shipped ones are sound, files of users are checked field by field."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import CATALOGUE, ParameterError, Patch, StructureError
from tests.strategies import units_for
from voice import Structure, list_structures, load_structure
from voice.structure import parse_structure

if TYPE_CHECKING:
    from pathlib import Path

HEAD = 'schema_version = 1\nname = "mine"\nmeaning = "A structure of a test."\n'
FREE = '[free]\n"filter.cutoff_hz" = { low = 100, high = 5000 }\n'
each_structure = pytest.mark.parametrize("name", list_structures())


def write(folder: Path, text: str) -> Path:
    """Write a structure file and return its path."""
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_plainest_structure_comes_first() -> None:
    """The list goes from few free parameters to many."""
    sizes = [len(load_structure(name).space) for name in list_structures()]
    assert sizes == sorted(sizes)
    assert list_structures()[:2] == ("prompt-box", "one-oscillator")
    assert list_structures()[-1] == "complete"


def test_complete_has_all_that_standard_has() -> None:
    """What is rare comes in addition, and `standard` names none of it."""
    standard, complete = load_structure("standard").space, load_structure("complete").space
    assert (*complete.names, *CATALOGUE.only("eq*").names) == CATALOGUE.names
    assert all(complete[parameter.name] == parameter for parameter in standard)
    rare = ("body", "bank", "noise.bypass", "noise.colour", "filter.drive")
    assert not any(name.startswith(rare) or "curve" in name for name in standard.names)


@each_structure
def test_a_structure_is_called_like_its_file(name: str) -> None:
    """What the list shows is what `load_structure` takes."""
    structure = load_structure(name)
    assert structure.name == name
    assert structure.meaning.endswith(".")


@each_structure
def test_ranges_lie_within_the_catalogue(name: str) -> None:
    """A structure narrows ranges, and never leaves what a patch can hold."""
    for parameter in load_structure(name).space:
        own = CATALOGUE[parameter.name]
        assert (own.unit, own.group) == (parameter.unit, parameter.group)
        assert own.low <= parameter.low < parameter.high <= own.high


@each_structure
def test_every_parameter_is_free_fixed_or_linked(name: str) -> None:
    """The three together are the catalogue; a linked one is fixed as long as nobody reads it."""
    structure = load_structure(name)
    free, fixed = set(structure.space.names), set(structure.fixed)
    assert not free & fixed
    assert free | fixed == set(CATALOGUE.names)
    assert set(structure.links) <= fixed
    assert set(structure.links.values()) <= free


@each_structure
def test_the_resting_structure_is_a_patch(name: str) -> None:
    """All free parameters at rest give values that a patch accepts, in the catalogue's order."""
    values = load_structure(name).complete({})
    assert tuple(values) == CATALOGUE.names
    assert Patch(name, values).values == values


@given(name=st.sampled_from(list_structures()), data=st.data())
def test_every_place_of_the_space_is_a_patch(name: str, data: st.DataObject) -> None:
    """Whatever a search draws can be saved, and the matrix says the same as the mapping."""
    structure = load_structure(name)
    row = structure.space.decode(data.draw(units_for(structure.space)))
    values = structure.complete(structure.space.to_dict(row))
    assert Patch(name, values).values == values
    np.testing.assert_array_equal(structure.matrix(row), [list(values.values())])


def test_a_matrix_takes_columns_of_a_smaller_space() -> None:
    """A search over a subset leaves the rest at rest."""
    structure = load_structure("two-oscillator")
    some = structure.space.only("filter.*")
    row = some.decode(np.full(len(some), 0.3))
    expected = structure.complete(some.to_dict(row))
    np.testing.assert_array_equal(structure.matrix(row, some), [list(expected.values())])


def test_links_follow_their_free_parameter() -> None:
    """With a single LFO, one rate is the rate of all four."""
    structure = load_structure("pulse-strings-one-lfo")
    values = structure.complete({"osc1.vibrato.rate_hz": 3.3, "osc1.vibrato.depth_cents": 20.0})
    ends = (".vibrato.rate_hz", ".pwm.rate_hz")
    rates = {name: value for name, value in values.items() if name.endswith(ends)}
    assert rates == dict.fromkeys(rates, 3.3)
    assert len(rates) == 4
    assert values["osc2.vibrato.depth_cents"] == 20.0


def test_a_value_outside_the_structure_is_refused() -> None:
    """A range that the structure has narrowed holds, and so does what it has fixed."""
    structure = load_structure("one-oscillator")
    with pytest.raises(
        ParameterError, match=r"filter.cutoff_hz is 20 Hz; it must be 40 to 20000 Hz"
    ):
        structure.complete({"filter.cutoff_hz": 20.0})
    with pytest.raises(ParameterError, match=r"osc2.saw_level is no parameter here"):
        structure.complete({"osc2.saw_level": 1.0})


def test_an_equaliser_follows_unless_the_file_says_no(tmp_path: Path) -> None:
    """It is in the mixer, whatever the instrument; what isn't true or false is refused."""
    bands = CATALOGUE.only("eq*")
    usual = load_structure(write(tmp_path, HEAD + FREE))
    assert usual.mixer == bands
    assert usual.settable.names == ("filter.cutoff_hz", *bands.names)
    own = load_structure(write(tmp_path, HEAD + FREE + '"eq1.gain_db" = {}\n'))
    assert own.settable.names == ("filter.cutoff_hz", "eq1.gain_db")
    without = load_structure(write(tmp_path, HEAD + "equaliser = false\n" + FREE))
    assert without.settable == without.space
    with pytest.raises(StructureError, match="equaliser is 'no'; it must be true or false"):
        load_structure(write(tmp_path, HEAD + 'equaliser = "no"\n' + FREE))


def test_a_file_of_the_user_is_loaded_by_its_path(tmp_path: Path) -> None:
    """Ranges, fixed values and links come from the file, the rest stands at neutral."""
    path = write(
        tmp_path,
        HEAD + '[fixed]\n"osc2.saw_level" = 1\n'
        '[free]\n"osc1.vibrato.rate_hz" = { low = 2, high = 8 }\n'
        '"osc1.octave" = { choices = [-1, 0] }\n"osc2.octave" = { low = 0 }\n'
        '"tune_cents" = { step = 5 }\n'
        '[links]\n"osc1.pwm.rate_hz" = "osc1.vibrato.rate_hz"\n',
    )
    for given_path in (path, str(path)):
        structure = load_structure(given_path)
        assert isinstance(structure, Structure)
        assert structure.name == "mine"
        assert structure.space.names == (
            "tune_cents", "osc1.octave", "osc1.vibrato.rate_hz", "osc2.octave",
        )  # fmt: skip
    assert (structure.space["osc1.vibrato.rate_hz"].low) == 2.0
    assert structure.space["osc1.octave"].choices == (-1.0, 0.0)
    assert structure.space["osc2.octave"].decode(1.0) == 2.0
    assert structure.space["tune_cents"].decode(0.513) == 5.0
    values = structure.complete({"osc1.vibrato.rate_hz": 7.0})
    assert (values["osc2.saw_level"], values["osc1.pwm.rate_hz"]) == (1.0, 7.0)
    assert values["filter.cutoff_hz"] == CATALOGUE["filter.cutoff_hz"].neutral


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("two-oscilator", "structure is 'two-oscilator'.*Did you mean two-oscillator"),
        ("zither", "structure is 'zither'.*one-oscillator.* come with earwright"),
        ("../secrets", "structure is '../secrets'"),
        ("", "structure is ''"),
        ("missing.toml", "missing.toml doesn't exist"),
    ],
)
def test_an_unknown_structure_is_refused(name: str, message: str) -> None:
    """Near names are listed, or all of them."""
    with pytest.raises(StructureError, match=message):
        load_structure(name)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    """Sound or other bytes under the name of a structure end in one line."""
    path = tmp_path / "sound.toml"
    path.write_bytes(b"RIFF\xff\xfe\x00")
    with pytest.raises(StructureError, match=r"sound.toml: .*it isn't text in UTF-8"):
        load_structure(path)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    """A folder with the right ending is no structure."""
    path = tmp_path / "folder.toml"
    path.mkdir()
    with pytest.raises(StructureError, match=r"folder.toml: the structure file can't be read"):
        load_structure(path)


WRONG = {
    "no TOML": ("free = {", "s.toml is no TOML: "),
    "unknown field": (HEAD + "freee = 1\n" + FREE, "s.toml, freee: no such field. Did you mean"),
    "far field": (
        HEAD + "zzz = 1\n" + FREE,
        "s.toml, zzz: no such field. It must be one of schema_version, name",
    ),
    "no version": (
        'name = "a"\nmeaning = "b"\n' + FREE,
        "schema_version: None is not known; it must be 1",
    ),
    "other version": (
        "schema_version = 2\n" + FREE,
        "schema_version: 2 is not known; it must be 1",
    ),
    "no name": ('schema_version = 1\nmeaning = "b"\n' + FREE, "s.toml, name: a text is needed"),
    "empty name": (HEAD.replace("mine", "") + FREE, "s.toml, name: a text is needed"),
    "no meaning": ('schema_version = 1\nname = "a"\n' + FREE, "meaning: a text is needed"),
    "nothing free": (HEAD, "s.toml, free: at least one parameter is needed"),
    "free is no table": (HEAD + "free = [1]\n", "s.toml, free: a table is needed"),
    "unknown parameter": (
        HEAD + '[free]\n"filter.cutof_hz" = {}\n',
        "free.filter.cutof_hz: no such parameter. Did you mean filter.cutoff_hz",
    ),
    "far parameter": (HEAD + "[free]\nzzz = {}\n", "free.zzz: no such parameter. See `earwright"),
    "no quotes": (HEAD + "[free]\nosc1.octave = {}\n", "free.osc1: .*Put dotted names in quotes"),
    "no range": (
        HEAD + "[free]\ntune_cents = 3\n",
        "free.tune_cents: 3 is not a range; it must be a table",
    ),
    "unknown range field": (
        HEAD + "[free]\ntune_cents = { hi = 3 }\n",
        "free.tune_cents: {'hi': 3} is not a range; it must be a table of low, high",
    ),
    "beyond the catalogue": (
        HEAD + "[free]\ntune_cents = { high = 300 }\n",
        r"free.tune_cents is \+?300 cents; it must be -100 to \+?100 cents",
    ),
    "low above high": (
        HEAD + "[free]\ntune_cents = { low = 5, high = 3 }\n",
        "free.tune_cents: the range is 5 to 3; low must be below high",
    ),
    "text as range": (
        HEAD + '[free]\ntune_cents = { low = "a" }\n',
        'free.tune_cents: "a" is not a number; it must be -100 to',
    ),
    "choices no list": (
        HEAD + "[free]\ntune_cents = { choices = 5 }\n",
        "free.tune_cents: choices are 5; they must be a list of numbers",
    ),
    "no choices": (HEAD + "[free]\ntune_cents = { choices = [] }\n", "choices are empty"),
    "text as choice": (
        HEAD + '[free]\ntune_cents = { choices = ["a"] }\n',
        'free.tune_cents: "a" is not a number',
    ),
    "text as step": (
        HEAD + '[free]\ntune_cents = { step = "a" }\n',
        "free.tune_cents: step is 'a'; it must be a number",
    ),
    "step beside the catalogue's": (
        HEAD + '[free]\n"osc1.octave" = { step = 0.5 }\n',
        "free.osc1.octave: step is 0.5, which leads to values beside those of the voice",
    ),
    "step for choices": (
        HEAD + '[free]\n"filter.slope_db_per_octave" = { step = 6 }\n',
        "slope_db_per_octave: step is 6, .* 12 or 24",
    ),
    "no step": (HEAD + "[free]\ntune_cents = { step = 0 }\n", "free.tune_cents: .*step"),
    "fixed beyond": (
        HEAD + '[fixed]\n"osc2.saw_level" = 3\n' + FREE,
        "s.toml, fixed.osc2.saw_level is 3; it must be 0 to 1",
    ),
    "fixed text": (
        HEAD + '[fixed]\n"osc2.saw_level" = "on"\n' + FREE,
        's.toml, fixed.osc2.saw_level: "on" is not a number',
    ),
    "fixed and free": (
        HEAD + '[fixed]\n"filter.cutoff_hz" = 300\n' + FREE,
        "s.toml, filter.cutoff_hz: stands under two of fixed, free and links",
    ),
    "link to nothing": (
        HEAD + FREE + '[links]\n"osc1.octave" = 3\n',
        "links.osc1.octave: 3 is not free; it must be a parameter under free",
    ),
    "link to a resting one": (
        HEAD + FREE + '[links]\n"osc1.octave" = "osc2.octave"\n',
        "links.osc1.octave: 'osc2.octave' is not free",
    ),
    "link to another unit": (
        HEAD + FREE + '[links]\n"osc1.octave" = "filter.cutoff_hz"\n',
        r"links.osc1.octave: filter.cutoff_hz runs from 100 to 5000 \(hz\); it must be -2 to 2",
    ),
    "link to a wider range": (
        HEAD + '[free]\n"osc1.vibrato.rate_hz" = {}\n'
        '[links]\n"osc1.pwm.rate_hz" = "osc1.vibrato.rate_hz"\n',
        "links.osc1.pwm.rate_hz: osc1.vibrato.rate_hz runs from 0.1 to 12 .*Narrow the range",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_file_is_refused_by_field(case: str) -> None:
    """The message names file and field, and says what is accepted."""
    text, message = WRONG[case]
    with pytest.raises(StructureError, match=message) as caught:
        parse_structure(text, source="s.toml")
    assert "\n" not in str(caught.value)
    assert caught.value.path == "s.toml"


def toml_of(value: object) -> str:
    """Write a value as TOML, which writes all but floats like JSON."""
    return repr(value) if isinstance(value, float) else json.dumps(value)


SCALARS = st.booleans() | st.integers() | st.floats() | st.text(max_size=5)


@given(
    name=st.sampled_from(CATALOGUE.names),
    field=st.sampled_from(["low", "high", "step", "choices"]),
    value=SCALARS | st.lists(st.integers(-3, 30), max_size=3),
)
def test_no_range_ends_in_an_error_of_python(name: str, field: str, value: object) -> None:
    """Whatever stands in a range, it is taken or refused with a sentence of ours."""
    text = HEAD + f'[free]\n"{name}" = {{ {field} = {toml_of(value)} }}\n'
    try:
        structure = parse_structure(text, source="s.toml")
    except StructureError:
        return
    for unit in (0.0, 0.37, 1.0):
        taken = structure.space[name].decode(unit)
        assert CATALOGUE[name].validate(taken) == taken


def test_a_structure_keeps_its_text() -> None:
    """The text that a structure was read from makes the same structure again."""
    structure = load_structure("pulse-strings")
    assert parse_structure(structure.toml, source="copy") == structure


@pytest.mark.parametrize("value", ["9" * 5000, "[" * 5000], ids=["digits", "brackets"])
def test_what_the_toml_reader_gives_up_on_is_refused(value: str) -> None:
    """More digits than Python reads, or lists without end, are no traceback."""
    with pytest.raises(StructureError, match=r"s\.toml is no TOML"):
        parse_structure(f"schema_version = {value}", source="s.toml")
