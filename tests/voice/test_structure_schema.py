"""The JSON Schema of structure files: editors are told what our reader does."""

from __future__ import annotations

import tomllib
from importlib import resources

import jsonschema
import pytest

from tests.voice.test_structure_panel import FREE, HEAD, KNOB, SWITCH, TABLE, WAVE
from voice import list_structures
from voice.structure_schema import (
    build_structure_schema,
)

VALIDATOR = jsonschema.Draft202012Validator(build_structure_schema())
REFUSED = {
    "no name": "schema_version = 1\nmeaning = 'a'\n" + FREE,
    "nothing free": HEAD,
    "version": HEAD.replace("1", "2") + FREE,
    "unknown field": HEAD + "midi = 1\n" + FREE,
    "unknown parameter": HEAD + '[free]\n"osc3.octave" = {}\n',
    "range": HEAD + '[free]\n"filter.cutoff_hz" = { low = 5 }\n',
    "fixed": HEAD + FREE + '[fixed]\n"filter.slope_db_per_octave" = 18\n',
    "link": HEAD + FREE + '[links]\n"osc1.octave" = "filter.cutoff_hz"\n',
    "knob": HEAD + FREE + KNOB.replace("[0, 10]", "[0, 5, 10]"),
    "scale": HEAD + FREE + KNOB.replace('"log"', '"audio"'),
    "controller": HEAD + FREE + KNOB.replace("cc = 74", "cc = 74, nrpn = 3"),
    "positions": HEAD + FREE + SWITCH.replace('"8\'"', '"4\'"'),
    "times": HEAD + FREE + TABLE.replace("to-60-db", "to-6-db"),
    "times of a cutoff": HEAD + FREE + KNOB + 'times = "to-60-db"\n',
    "sets": HEAD + FREE + WAVE.replace("osc1.pulse_level", "osc3.pulse_level"),
    "channel": HEAD + "midi_channel = 17\n" + FREE,
}


def test_the_schema_is_a_schema() -> None:
    """JSON Schema, draft 2020-12, as its own meta-schema checks it."""
    jsonschema.Draft202012Validator.check_schema(build_structure_schema())


@pytest.mark.parametrize("name", list_structures())
def test_shipped_structures_are_accepted(name: str) -> None:
    """An editor marks nothing in the files that come along."""
    path = resources.files("voice") / "structures" / f"{name}.toml"
    VALIDATOR.validate(tomllib.loads(path.read_text(encoding="utf-8")))


def test_every_kind_of_control_is_accepted() -> None:
    """Knob, switch, table and switch that sets others."""
    VALIDATOR.validate(tomllib.loads(HEAD + FREE + KNOB + SWITCH + WAVE + TABLE))


@pytest.mark.parametrize("case", REFUSED)
def test_mistakes_are_marked(case: str) -> None:
    """What our reader refuses and a schema can see, an editor shows while it is typed."""
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate(tomllib.loads(REFUSED[case]))
