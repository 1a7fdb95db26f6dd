"""The main job's promises: same seed, same patch; an exact budget; nothing found is lost."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import correlate

from matcher.evaluator import Evaluator
from matcher.losses import TERMS, NoteTarget
from matcher.matching import DEFAULT_STRUCTURE, make_problem, match
from shared import CATALOGUE, ParameterError, Patch, StructureError
from tests.own_notes import BRASS, GATE_S, RATE_HZ, own_target
from voice import DEFAULT_PHASES, load_structure, render

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher.result import MatchResult
    from matcher.target import Target

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def target() -> Target:
    """Return one note of our own voice."""
    return own_target()


@pytest.fixture(scope="module")
def result(target: Target) -> MatchResult:
    """Return a short match of it with the structure that comes by itself."""
    return match(target, evals=200, seed=4, n_threads=1, progress=False)


def assert_same(a: MatchResult, b: MatchResult) -> None:
    """Compare all that the search decides, to the bit."""
    np.testing.assert_array_equal(a.record.candidates, b.record.candidates)
    np.testing.assert_array_equal(a.record.losses, b.record.losses)
    np.testing.assert_array_equal(a.record.terms, b.record.terms)
    assert a.patch.values == b.patch.values
    assert a.patch.phases == b.patch.phases
    assert (a.start, a.end) == (b.start, b.end)
    for one, other in zip(a.notes, b.notes, strict=True):
        np.testing.assert_array_equal(one.sound, other.sound)


@pytest.mark.parametrize("n_threads", [1, 2, 3])
def test_the_same_seed_gives_the_same_result(
    target: Target, result: MatchResult, n_threads: int
) -> None:
    """To the bit, on any number of threads."""
    again = match(target, evals=200, seed=4, n_threads=n_threads, progress=False)
    assert_same(again, result)


@pytest.mark.parametrize("n_lanes", [1, 5, 11])
def test_the_result_does_not_depend_on_how_batches_are_split(
    target: Target, result: MatchResult, n_lanes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the bit, however many candidates are rendered side by side."""
    monkeypatch.setattr("matcher.evaluator.LANES", n_lanes)
    again = match(target, evals=200, seed=4, n_threads=2, progress=False)
    assert_same(again, result)


@pytest.mark.parametrize("evals", [1, 2, 33, 100])
@pytest.mark.parametrize("sampler", ["staged", "random"])
def test_the_budget_is_exact(target: Target, evals: int, sampler: str) -> None:
    """As many candidates as asked for, for any sampler."""
    found = match(target, evals=evals, sampler=sampler, progress=False)
    assert found.n_evaluations == len(found.record) == evals
    assert found.stop_reason == "evaluations"


def test_start_and_end_are_the_first_candidate_and_the_best_plain_one(
    result: MatchResult,
) -> None:
    """What the printout says was searched; a plainer patch may be a little worse."""
    losses = result.record.losses
    # 1e-12: the same sum over one candidate and over a batch.
    assert result.start.total == pytest.approx(losses[0], rel=1e-12)
    # A tenth: a plainer patch may be some per cent worse, and what does next to nothing goes to
    # neutral after that.
    assert result.end.total == pytest.approx(losses.min(), rel=0.1)
    assert set(result.end.terms) == set(TERMS)


def test_the_history_falls_to_the_end(result: MatchResult) -> None:
    """Each improvement, from the first candidate to the best."""
    counts, times_s, losses = zip(*result.history(), strict=True)
    assert counts[0] == 1
    assert list(counts) == sorted(counts)
    assert list(times_s) == sorted(times_s)
    assert np.all(np.diff(losses) < 0.0)
    assert losses[-1] == result.record.losses.min()


def test_a_budget_in_seconds_ends(target: Target) -> None:
    """The search stops at the clock, with what it has."""
    found = match(target, seconds=0.5, progress=False)
    assert found.stop_reason == "deadline"
    assert found.n_evaluations == len(found.record) >= 1
    assert found.settings["seconds"] == 0.5
    assert 0.0 < found.busy_s <= found.elapsed_s


def test_the_shortest_budget_still_finds_a_patch(target: Target) -> None:
    """However little time there is, at least one candidate is tried."""
    found = match(target, seconds=1e-9, progress=False)
    assert found.stop_reason == "deadline"
    assert found.n_evaluations >= 1


def test_stop_ends_the_search_after_a_batch(target: Target) -> None:
    """Asked after each batch; the best so far is the result."""
    answers = iter([False, False, True])
    found = match(target, evals=10_000, progress=False, stop=lambda: next(answers))
    assert found.stop_reason == "stopped"
    assert next(answers, None) is None
    assert found.n_evaluations < 1000
    assert found.end.total == pytest.approx(found.record.losses.min(), rel=1e-12)


def test_ctrl_c_returns_the_best_so_far(target: Target) -> None:
    """A real signal between two batches: nothing that was found is lost."""
    calls = []

    def press_ctrl_c() -> bool:
        calls.append(1)
        if len(calls) == 4:
            signal.raise_signal(signal.SIGINT)
        return False

    found = match(target, evals=10_000, progress=False, stop=press_ctrl_c)
    assert found.stop_reason == "interrupted"
    assert found.n_evaluations == len(found.record) > 0
    assert found.end.total == pytest.approx(found.record.losses.min(), rel=1e-12)
    assert len(found.notes) == 1


def _interrupted_at(n_call: int) -> Callable[..., object]:
    """Return `Evaluator.losses_and_scores` with a Ctrl-C in its n-th call."""
    calls: list[int] = []
    original = Evaluator.losses_and_scores

    def score(self: Evaluator, vectors: object) -> object:
        calls.append(1)
        if len(calls) == n_call:
            raise KeyboardInterrupt
        return original(self, vectors)  # type: ignore[arg-type]

    return score


def test_ctrl_c_amid_a_batch_loses_that_batch_only(
    target: Target, result: MatchResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was told before is the same as in an undisturbed search."""
    monkeypatch.setattr(Evaluator, "losses_and_scores", _interrupted_at(3))
    found = match(target, evals=200, seed=4, progress=False)
    assert found.stop_reason == "interrupted"
    assert 0 < len(found.record) < 200
    np.testing.assert_array_equal(
        found.record.candidates, result.record.candidates[: len(found.record)]
    )


def test_ctrl_c_before_anything_is_found_goes_through(
    target: Target, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is nothing to return, and the caller must know."""
    monkeypatch.setattr(Evaluator, "losses_and_scores", _interrupted_at(1))
    with pytest.raises(KeyboardInterrupt):
        match(target, evals=200, progress=False)


def test_the_patch_plays_what_was_scored(target: Target, result: MatchResult) -> None:
    """Rendered from the patch alone, it is the sound of the result."""
    note, found = target.notes[0], result.notes[0]
    sound = render(
        result.patch,
        midi_pitch=note.note.midi_pitch,
        gate_s=GATE_S,
        duration_s=0.6,
        sample_rate_hz=RATE_HZ,
        seed=4,
    )
    assert found.sound.shape == note.signal.shape
    products = correlate(sound, found.sound, method="fft")
    norms = np.sqrt(np.sum(sound**2) * np.sum(found.sound**2))
    # 0.999: the same waveform somewhere on the timeline, but for the fade at its very end.
    assert products.max() > 0.999 * norms


def test_the_sound_has_the_level_of_the_target(result: MatchResult) -> None:
    """Level-matched, so that the ear compares sounds, not loudness."""
    found = result.notes[0]
    ratio = np.sum(found.sound**2) / np.sum(found.note.signal**2)
    assert ratio == pytest.approx(1.0, rel=1e-5)


def test_the_patch_is_complete_and_says_where_it_comes_from(
    target: Target, result: MatchResult, tmp_path: Path
) -> None:
    """All parameters, one set of phases, the digest, the settings and the loss; it saves."""
    patch = result.patch
    assert patch.structure == result.structure.name == DEFAULT_STRUCTURE
    assert set(patch.values) == set(CATALOGUE.names)
    assert len(patch.phases) == 1
    assert patch.provenance["target_digest"] == target.digest
    assert patch.provenance["loss"]["total"] == result.end.total
    assert patch.provenance["settings"]["seed"] == 4
    assert patch.provenance["versions"]["python"]
    patch.save(tmp_path / "patch.json")
    assert Patch.load(tmp_path / "patch.json").values == patch.values


def test_a_single_note_says_nothing_about_keys_and_velocities() -> None:
    """Key tracking and velocity are held, not invented, when one note can't tell them."""
    structure = load_structure("complete")
    blind = {
        name
        for name in structure.space.names
        if name.endswith(("key_track_ratio", "velocity_octaves", "velocity_db"))
    }
    problem = make_problem(own_target(), structure)
    assert set(structure.space.names) - set(problem.space.names) == blind
    neutral = CATALOGUE.neutral()
    found = match(own_target(), structure="complete", evals=40, progress=False)
    assert {name: found.patch.values[name] for name in blind} == {
        name: neutral[name] for name in blind
    }


@pytest.mark.parametrize(
    ("pitches", "velocities", "held"),
    [
        ((55.0, 67.0), (100,), ("velocity_octaves", "velocity_db")),
        ((60.0, 60.0), (60, 120), ("key_track_ratio",)),
        ((55.0, 67.0), (60, 120), ()),
    ],
    ids=["two pitches", "two velocities", "both"],
)
def test_several_notes_free_what_they_can_tell(
    pitches: tuple[float, ...], velocities: tuple[int, ...], held: tuple[str, ...]
) -> None:
    """Pitches tell key tracking, velocities the response to them."""
    structure = load_structure("complete")
    problem = make_problem(own_target(*pitches, velocities=velocities), structure)
    missing = set(structure.space.names) - set(problem.space.names)
    assert missing == {name for name in structure.space.names if held and name.endswith(held)}


def test_several_notes_give_one_patch_with_phases_for_each() -> None:
    """One set of values, and sounds and phases note by note."""
    own = own_target(50.0, 62.0, 74.0)
    found = match(own, structure="two-oscillator", evals=64, seed=2, progress=False)
    assert len(found.notes) == len(found.patch.phases) == 3
    n_phases = found.record.candidates.shape[1] - len(found.space)
    # Both oscillators and the place of each note, and once which kind of pulse there is.
    assert n_phases == 3 * 3 + 2
    totals = [note.loss.total for note in found.notes]
    assert found.end.total == pytest.approx(np.mean(totals), rel=1e-9)
    assert [note.note.note.midi_pitch for note in found.notes] == [50.0, 62.0, 74.0]


def test_a_start_on_the_answer_is_not_left_for_something_worse() -> None:
    """A plain sawtooth, which the neutral voice is, stays one, in tune and with its envelope."""
    plain = {"osc1.saw_level": 1.0, "amp_env.attack_s": 0.02, "amp_env.release_s": 0.05}
    found = match(
        own_target(values=plain), structure="one-oscillator", evals=900, seed=1, progress=False
    )
    assert found.end.total <= found.start.total
    # 5 cents and a quarter of the time: about what is noticed (from memory).
    assert found.patch.values["tune_cents"] == pytest.approx(0.0, abs=5.0)
    assert found.patch.values["amp_env.attack_s"] == pytest.approx(0.02, rel=0.25)
    assert found.patch.values["osc1.pulse_level"] < 0.1 * found.patch.values["osc1.saw_level"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"seconds": 3.0, "evals": 10}, "seconds is 3 and evals is 10; it must be one of the two"),
        ({"seconds": 0.0}, "seconds is 0; it must be above 0 and up to 86400"),
        ({"seconds": -1.0}, "seconds is -1; it must be above 0"),
        ({"seconds": float("nan")}, "seconds is nan; it must be above 0"),
        ({"evals": 0}, "evals is 0; it must be 1 to 100000000"),
        ({"evals": 10, "seed": -1}, "seed is -1"),
        ({"evals": 10, "sampler": "staged-"}, r"sampler 'staged-' isn't known.*staged"),
        ({"evals": 10, "weights": {"onsett": 1.0}}, "weight onsett: no such term"),
        ({"evals": 10, "n_threads": 0}, "n_threads is 0; .*1"),
    ],
    ids=[
        "two budgets", "no time", "negative time", "nan", "no evals", "seed", "sampler",
        "weights", "threads",
    ],
)  # fmt: skip
def test_bad_settings_are_refused(
    target: Target, options: dict[str, object], message: str
) -> None:
    """Before anything is searched, with the setting and what is accepted."""
    with pytest.raises(ParameterError, match=message):
        match(target, progress=False, **options)  # type: ignore[arg-type]


def test_an_unknown_structure_is_refused(target: Target) -> None:
    """The message helps with the name."""
    with pytest.raises(StructureError, match="two-oscillator"):
        match(target, structure="two-oscilator", evals=10, progress=False)


def test_a_structure_may_be_given_loaded_or_as_a_file(target: Target, tmp_path: Path) -> None:
    """A user's own instrument is a file; a notebook may hand over the object."""
    path = tmp_path / "mine.toml"
    path.write_text(
        'schema_version = 1\nname = "mine"\nmeaning = "One knob."\n\n'
        '[free]\n"filter.cutoff_hz" = { low = 100, high = 8000 }\n',
        encoding="utf-8",
    )
    from_file = match(target, structure=path, evals=20, progress=False)
    loaded = match(target, structure=load_structure(path), evals=20, progress=False)
    assert from_file.structure.name == "mine"
    assert_same(from_file, loaded)
    changed = {n for n, x in from_file.patch.values.items() if x != CATALOGUE.neutral()[n]}
    assert changed <= {"filter.cutoff_hz"}


def test_the_answer_is_no_audible_step_away(target: Target) -> None:
    """The patch that played the target, with its phases, scores as good as zero."""
    problem = make_problem(target, load_structure("two-oscillator"))
    note = target.notes[0]
    scored = NoteTarget(note.signal, sample_rate_hz=RATE_HZ)
    with Evaluator(problem, [scored], [note.note]) as evaluator:
        loss = evaluator.losses(problem.vector(BRASS, [DEFAULT_PHASES])[None, :])[0]
    # A fifth of a just-noticeable difference: the recording starts up to a quarter of a
    # millisecond off the grid on which onsets are found, and is faded at its end.
    assert loss < 0.2
