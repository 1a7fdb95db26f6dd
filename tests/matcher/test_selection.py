"""What a refinement may move: patterns, groups, ranges, and what is set."""

from __future__ import annotations

from fnmatch import fnmatchcase

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.selection import Selection, choose_space, read_value, with_values
from shared import CATALOGUE, ParameterError, Patch
from voice import load_structure

COMPLETE = load_structure("complete")
NAMES = COMPLETE.space.names
GROUPS = sorted({parameter.group for parameter in COMPLETE.space})
PATCH = Patch("complete", COMPLETE.complete({}))

patterns = st.one_of(
    st.sampled_from(NAMES),
    st.sampled_from(GROUPS),
    # A part of a name with stars around it always names something.
    st.sampled_from(NAMES).flatmap(
        lambda name: st.tuples(st.integers(0, len(name) - 1), st.integers(1, len(name))).map(
            lambda cut: f"*{name[min(cut) : max(cut)]}*"
        )
    ),
)


def _named(globs: list[str]) -> set[str]:
    """Collect what patterns and groups name, by the words of the manual."""
    return {
        p.name
        for p in COMPLETE.space
        for glob in globs
        if p.group == glob or fnmatchcase(p.name, glob)
    }


def _choose(selection: Selection, patch: Patch = PATCH) -> list[str]:
    """Choose from the complete voice, all of which is told."""
    return list(choose_space(patch, COMPLETE, NAMES, selection).names)


@settings(max_examples=40)
@given(only=st.lists(patterns, max_size=3), hold=st.lists(patterns, max_size=3))
def test_what_moves_is_what_is_named_and_not_held(only: list[str], hold: list[str]) -> None:
    """Chosen are the names of `only` without those of `hold`, in order; if there are any."""
    wanted = (_named(only) if only else set(NAMES)) - _named(hold)
    selection = Selection(tuple(only), tuple(hold))
    if not wanted:
        with pytest.raises(ParameterError, match="there is nothing to search"):
            _choose(selection)
        return
    assert _choose(selection) == [name for name in NAMES if name in wanted]


@settings(max_examples=40)
@given(glob=st.text(min_size=1, max_size=12), is_held=st.booleans())
def test_a_pattern_that_names_nothing_is_refused(glob: str, is_held: bool) -> None:  # noqa: FBT001
    """Any text either names something, or is refused with the text in the message."""
    selection = Selection(hold=(glob,)) if is_held else Selection(only=(glob,))
    if _named([glob]):
        return
    with pytest.raises(ParameterError) as caught:
        _choose(selection)
    assert f'"{glob}" names no parameter' in str(caught.value)


@pytest.mark.parametrize(
    ("glob", "near"),
    [
        ("filtr*", "filter*"),
        ("filter.cutof_hz", "filter.cutoff_hz"),
        ("atack", "attack"),
        ("*.atack_s", "*attack_s"),
    ],
)
def test_near_names_are_listed(glob: str, near: str) -> None:
    """A slip leads to what was probably meant, for patterns, names and groups."""
    with pytest.raises(ParameterError) as caught:
        _choose(Selection(only=(glob,)))
    assert near in str(caught.value).partition("Did you mean")[2]


@settings(max_examples=40)
@given(
    name=st.sampled_from([p.name for p in COMPLETE.space if not p.choices and p.step is None]),
    place=st.floats(0.0, 1.0),
    share=st.floats(0.01, 1.0),
)
def test_a_share_reaches_so_far_on_the_knob(name: str, place: float, share: float) -> None:
    """Within 20 % means a fifth of the way of the knob to either side, cut off at its ends."""
    parameter = COMPLETE.space[name]
    patch = PATCH.replace(values={name: parameter.decode(place)})
    centre = parameter.encode(patch.values[name])
    for within in (share, f"{100.0 * share!r}%", {name: f"{100.0 * share!r} %"}):
        space = choose_space(patch, COMPLETE, NAMES, Selection((name,), (), within))
        low, high = parameter.encode(space[name].low), parameter.encode(space[name].high)
        # 1e-9: encoding and decoding a scale of 1000 to 1 rounds that much at most.
        assert low == pytest.approx(max(0.0, centre - share), abs=1e-9)
        assert high == pytest.approx(min(1.0, centre + share), abs=1e-9)


@settings(max_examples=40)
@given(cutoff_hz=st.floats(20.0, 20_000.0), amount_hz=st.floats(1.0, 5000.0))
def test_an_amount_in_its_own_unit_reaches_so_far(cutoff_hz: float, amount_hz: float) -> None:
    """Within 200 Hz means from 200 Hz below to 200 Hz above, cut off at the ends of the range."""
    name = "filter.cutoff_hz"
    parameter = COMPLETE.space[name]
    patch = PATCH.replace(values={name: cutoff_hz})
    centre = min(max(cutoff_hz, parameter.low), parameter.high)
    for within in (f"{amount_hz!r} Hz", {"filter.cut*": amount_hz}, {name: f"{amount_hz!r}hz"}):
        space = choose_space(patch, COMPLETE, NAMES, Selection((name,), (), within))
        assert space[name].low == pytest.approx(max(parameter.low, centre - amount_hz))
        assert space[name].high == pytest.approx(min(parameter.high, centre + amount_hz))


def test_an_amount_in_a_unit_counts_for_that_unit_alone() -> None:
    """200 Hz narrows cutoffs and rates, and leaves times and levels their whole range."""
    space = choose_space(PATCH, COMPLETE, NAMES, Selection(within="200 Hz"))
    assert space["highpass.cutoff_hz"].high == pytest.approx(220.0)
    assert space["amp_env.attack_s"] == COMPLETE.space["amp_env.attack_s"]


def test_units_may_be_those_that_are_printed() -> None:
    """5 ms is 0.005 s, and 0.2 kHz is 200 Hz."""
    name = "amp_env.attack_s"
    ms, s = (
        choose_space(PATCH, COMPLETE, NAMES, Selection((name,), (), w))
        for w in ("5ms", {name: 0.005})
    )
    assert ms[name] == s[name]
    khz, hz = (
        choose_space(PATCH, COMPLETE, NAMES, Selection(within=w)) for w in ("0.2 kHz", "200 Hz")
    )
    assert khz == hz


def test_what_is_said_of_some_counts_more_than_what_is_said_of_all() -> None:
    """In whatever order both are given."""
    name = "amp_env.attack_s"
    rules = {name: "0.002", "*": "10%"}
    spaces = [
        choose_space(PATCH, COMPLETE, NAMES, Selection(within=within))
        for within in (rules, dict(reversed(rules.items())))
    ]
    assert spaces[0] == spaces[1]
    width = spaces[0][name].high - spaces[0][name].low
    assert width <= 0.004 + 1e-12


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("filter.cutoff_hz", "900", 900.0),
        ("filter.cutoff_hz", " 1.2 kHz ", 1200.0),
        ("amp_env.attack_s", "30ms", 0.03),
        ("osc2.detune_cents", "-7.5 cents", -7.5),
        ("filter_env.depth_octaves", "+2 octaves", 2.0),
        ("osc1.saw_level", "1e-1", 0.1),
        ("no.such_name", "3 ms", 0.003),
    ],
)
def test_values_are_read_as_they_are_printed(name: str, text: str, value: float) -> None:
    """A sheet's own figures can be typed in."""
    assert read_value(name, text) == pytest.approx(value)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("filter.cutoff_hz", "30 ms", "counted in Hz"),
        ("osc1.saw_level", "1 dB", "counted in no unit"),
        ("filter.cutoff_hz", "high", "is no value of"),
        ("filter.cutoff_hz", "nan", "is no value of"),
        ("filter.cutoff_hz", "", "is no value of"),
    ],
)
def test_values_of_something_else_are_refused(name: str, text: str, said: str) -> None:
    """The message says what it is counted in."""
    with pytest.raises(ParameterError, match=said):
        read_value(name, text)


def test_switches_keep_the_choices_within_reach() -> None:
    """A slope of 24 dB within 5 dB stays; within 12 dB it may be 12."""
    name = "filter.slope_db_per_octave"
    for amount, choices in ((5.0, (24.0,)), (12.0, (12.0, 24.0))):
        space = choose_space(PATCH, COMPLETE, NAMES, Selection((name,), (), {name: amount}))
        assert space[name].choices == choices


@pytest.mark.parametrize(
    ("within", "said"),
    [
        ("20", 'within is "20"'),
        ("0%", 'within is "0%"'),
        ("120%", 'within is "120%"'),
        ("wide", 'within is "wide"'),
        ("-5 Hz", 'within is "-5 Hz"'),
        (0.0, 'within is "0.0"'),
        ("nan%", 'within is "nan%"'),
        ("20 apples", "counted in apples"),
        ({"amp_env.attack_s": "5 Hz"}, "counted in hz"),
        ({"filtr*": 5.0}, '"filtr.*" names no parameter'),
    ],
    ids=str,
)
def test_what_is_no_amount_is_refused(within: object, said: str) -> None:
    """What was typed is told, with the forms that are accepted."""
    with pytest.raises(ParameterError, match=said):
        _choose(Selection(within=within))  # type: ignore[arg-type]


def test_parameters_that_the_notes_cannot_tell_do_not_move() -> None:
    """Key tracking isn't searched on one pitch, and asking for it alone says so."""
    told = [name for name in NAMES if not name.endswith("key_track_ratio")]
    chosen = choose_space(PATCH, COMPLETE, told, Selection(("filter*",)))
    assert "filter.key_track_ratio" not in chosen
    with pytest.raises(ParameterError, match="these notes tell nothing about what is left"):
        choose_space(PATCH, COMPLETE, told, Selection(("filter.key_track_ratio",)))


def test_what_is_set_stays_set() -> None:
    """A value that is set is not searched, and is there to the bit."""
    selection = Selection(("filter*",), set_values={"filter.cutoff_hz": 900.0})
    assert "filter.cutoff_hz" not in _choose(selection)
    assert with_values(PATCH, COMPLETE, selection.set_values).values["filter.cutoff_hz"] == 900.0


@pytest.mark.parametrize(
    ("structure", "name", "value", "said"),
    [
        ("complete", "filter.cutof_hz", 900.0, "Did you mean filter.cutoff_hz"),
        ("complete", "filter.cutoff_hz", 90_000.0, "filter.cutoff_hz"),
        ("one-oscillator", "osc2.saw_level", 0.5, "fixed in one-oscillator"),
    ],
)
def test_values_that_cannot_be_set_are_refused(
    structure: str, name: str, value: float, said: str
) -> None:
    """Unknown names, values out of range, and what this voice doesn't have."""
    voice = load_structure(structure)
    with pytest.raises(ParameterError, match=said):
        with_values(Patch(structure, voice.complete({})), voice, {name: value})


def test_links_follow_and_are_not_set_themselves() -> None:
    """Setting the one LFO sets both; a patch in which they differ isn't refined in silence."""
    from voice.structure import parse_structure  # noqa: PLC0415

    voice = parse_structure(
        'schema_version = 1\nname = "one LFO"\nmeaning = "One LFO."\n[free]\n'
        '"osc1.vibrato.rate_hz" = {}\n[links]\n"osc2.vibrato.rate_hz" = "osc1.vibrato.rate_hz"\n',
        source="test",
    )
    patch = with_values(
        Patch(voice.name, voice.complete({})), voice, {"osc1.vibrato.rate_hz": 6.25}
    )
    assert patch.values["osc2.vibrato.rate_hz"] == 6.25
    with pytest.raises(ParameterError, match=r"is linked to osc1\.vibrato\.rate_hz"):
        with_values(patch, voice, {"osc2.vibrato.rate_hz": 5.0})
    apart = patch.replace(values={"osc2.vibrato.rate_hz": 4.0})
    with pytest.raises(ParameterError, match=r"osc2\.vibrato\.rate_hz is 4\.00 Hz in the patch"):
        choose_space(apart, voice, CATALOGUE.names, Selection())
