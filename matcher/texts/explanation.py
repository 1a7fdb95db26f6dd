"""What is printed of explanations, auditions and keyboards: plain text for 80 columns."""

from __future__ import annotations

import textwrap
from pathlib import PurePath
from typing import TYPE_CHECKING

from matcher.explaining.patch_parts import part_title
from matcher.parts import parameter_label
from matcher.texts.words import WIDTH, shorten
from shared import CATALOGUE, HEARING_CAUTION

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matcher.explaining.audition import Audition
    from matcher.explaining.keyboard import Keyboard
    from matcher.explaining.model import (
        BuildOrder,
        Explanation,
        Importance,
        PartsInPatch,
        SearchImportance,
        Slack,
        SlackOfPatch,
    )

__all__ = ["format_audition", "format_explanation", "format_keyboard", "loudest_lufs"]

_MOST_SHARES = 6
_MOST_PAIRS = 8
_MOST_MISSING = 8
_TITLE_SIGNS = 31
_KEY_FIGURES = (
    "  Loudness is against the loudest key, peak against clipping, alias (what folds back) "
    "against the whole sound; bright is the centre of the spectrum."
)
_CAUTION = f"{HEARING_CAUTION.partition(':')[0]}."


def format_explanation(explanation: Explanation, run: str = "") -> str:
    """Say what mattered in a run."""
    sections = (explanation.build, explanation.parts, explanation.slack, explanation.search)
    rest = "is missing" if None in sections else "is from before"
    blocks = [
        f"Distance {explanation.loss:.2f}; explained in {explanation.elapsed_s:.0f} s"
        + ("" if explanation.stop_reason == "complete" else f" (stopped; the rest {rest})")
    ]
    if explanation.build is not None:
        blocks.append("\n".join(_build_lines(explanation.build, run)))
    if explanation.parts is not None:
        blocks.append("\n".join(_parts_lines(explanation.parts)))
    if explanation.slack is not None:
        blocks.append("\n".join(_slack_lines(explanation.slack)))
    if explanation.search is not None:
        blocks.append("\n".join(_search_lines(explanation.search)))
    return "\n\n".join(blocks)


def format_audition(audition: Audition, run: str = "") -> str:
    """Say what an audition plays, and when."""
    rows = [f"  {cue.start_s:6.2f} s  {cue.part}, {cue.label}" for cue in audition.cues]
    files = f"{_within(run, audition.file)}, cues in {_within(run, audition.cue_file)}"
    return "\n".join([files, *_folded(rows, 12), _CAUTION])


def format_keyboard(keyboard: Keyboard, run: str = "") -> str:
    """Say what breaks over the keyboard, with a table of keys."""
    lines = [f"Over the keyboard, against {keyboard.reference}"]
    found = keyboard.findings or ("Nothing breaks.",)
    lines += _folded([f"  {sentence}" for sentence in found], 4)
    lines.append(f"  {'key':6}{'vel':>4}{'loudness':>12}{'peak':>10}{'bright':>10}{'alias':>9}")
    loudest = loudest_lufs(keyboard)
    first = keyboard.keys[0].midi_pitch if keyboard.keys else 0.0
    for row in keyboard.keys:
        if row.problems or (row.midi_pitch - first) % 12 == 0:
            texts = (
                _number(
                    None if row.loudness_lufs is None else row.loudness_lufs - loudest, "LU", 1
                ),
                _number(row.true_peak_dbtp, "dB", 1),
                _number(row.brightness_hz, "Hz", 0),
                _number(row.aliasing_db, "dB", 0),
            )
            figures = "".join(f"{t:>{w}}" for t, w in zip(texts, (12, 10, 10, 9), strict=True))
            lines.append(
                f"  {row.pitch_name:6}{row.velocity:4}{figures}  {', '.join(row.problems)}"
            )
    lines += _folded([_KEY_FIGURES], 2)
    lines.append(f"{_within(run, keyboard.file)} plays the scale.")
    lines.append(_CAUTION)
    return "\n".join(line.rstrip() for line in lines)


def loudest_lufs(keyboard: Keyboard) -> float:
    """Find the loudness of the loudest key, against which the others are told.

    A patch has no level of its own, so only differences between keys say something.
    """
    heard = [row.loudness_lufs for row in keyboard.keys if row.loudness_lufs is not None]
    return max(heard, default=0.0)


def _within(run: str, file: str) -> str:
    """Name a file in a run folder."""
    return str(PurePath(run) / file)


def _number(value: float | None, unit: str, decimals: int) -> str:
    """Print a figure, or that there is none."""
    return "-" if value is None else f"{value:.{decimals}f} {unit}"


def _folded(lines: list[str], indent: int) -> list[str]:
    """Fold long lines, and indent what goes on."""
    return [
        piece
        for line in lines
        for piece in textwrap.wrap(
            line, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False
        )
    ]


def _build_lines(build: BuildOrder, run: str) -> Iterator[str]:
    """Lay out the order in which to build the patch."""
    yield "Build it in this order (distance after each step)"
    rows = [(0, build.start_text, build.start_loss)]
    rows += [(step.number, step.text, step.loss) for step in build.steps]
    for number, text, loss in rows:
        pieces = textwrap.wrap(text, WIDTH - 14, break_on_hyphens=False)
        yield f"  {number:2}  {pieces[0]:{WIDTH - 14}}{loss:>7.2f}"
        yield from (f"      {piece}" for piece in pieces[1:])
    for text in build.left_out:
        yield from _folded([f"  not heard: {text}"], 6)
    last = build.steps[-1].file if build.steps else build.start_file
    yield f"  sounds: {_within(run, build.start_file)} to {PurePath(last).name}"


def _parts_lines(parts: PartsInPatch) -> Iterator[str]:
    """Lay out what each part brings."""
    yield "What each part brings (how much further off without it)"
    heads = f"{'untouched':>10}{'readjusted':>11}{'attack':>7}{'held':>5}{'release':>8}"
    yield f"  {'the rest of the patch':23}{heads}"
    for effect in parts.parts:
        if effect.verdict == "absent":
            continue
        figures = [effect.largest, effect.refit_largest]
        figures += [effect.by_time.get(name) for name in ("attack", "body", "release")]
        texts = ["-" if figure is None else _steps(figure) for figure in figures]
        row = "".join(f"{t:>{w}}" for t, w in zip(texts, (10, 11, 7, 5, 8), strict=True))
        if effect.largest is None:
            row = f"  {'without it nothing sounds':39}"
        yield f"  {_shortened(effect.part, 23):23}{row}  {_VERDICTS[effect.verdict]}".rstrip()
    if any(e.largest is not None and e.refit_largest is None for e in parts.parts):
        yield "  Time was too short to fit the rest again everywhere (-); give more --seconds."
    yield from _folded(
        [f"  {effect.sentence}" for effect in parts.parts if effect.verdict == "replaceable"], 4
    )
    absent = [effect.part for effect in parts.parts if effect.verdict == "absent"]
    if absent:
        yield from _folded([f"  Not in this patch: {'; '.join(absent)}."], 4)
    if parts.interactions is not None:
        yield from _folded([f"  {sentence}" for sentence in parts.interactions.sentences], 4)


def _steps(figure: float) -> str:
    """Print audible steps; zero has no sign."""
    # Adding 0.0 turns the -0.0 that rounding may leave into 0.0.
    return f"{round(figure, 1) + 0.0:.1f}"


_VERDICTS = {"needed": "", "replaceable": "replaceable", "inaudible": "not heard"}


def _slack_lines(slack: SlackOfPatch) -> Iterator[str]:
    """Lay out how exactly each control has to stand."""
    yield "How exactly (as close to the target as now)"
    if slack.slacks:
        yield f"  {'':31}{'stands at':>13}  {'if others follow':17}turned alone"
    for each in slack.slacks:
        title = _short_title(each)
        value = CATALOGUE[each.name].format(each.value)
        yield f"  {title:31}{value:>13}  {_together(each):17}{_alone(each)}"
    if slack.missing:
        titles = [f"{part_title(n)} {parameter_label(n)}" for n in slack.missing]
        titles[_MOST_MISSING:] = [f"{len(titles) - _MOST_MISSING} more"] * (
            len(titles) > _MOST_MISSING
        )
        yield from _folded(
            [f"  Time was too short for: {'; '.join(titles)}. Give more --seconds."], 4
        )
    if slack.trade_offs:
        yield "Controls that can stand in for each other"
        told = slack.trade_offs[:_MOST_PAIRS]
        yield from _folded([f"  {trade_off.sentence}" for trade_off in told], 4)


def _short_title(slack: Slack) -> str:
    """Name a control on 31 signs; of a long title the words in its middle become short."""
    return _shortened(f"{slack.part} {slack.label}", _TITLE_SIGNS)


def _shortened(title: str, n_signs: int) -> str:
    """Shorten the words in the middle of a long title."""
    if len(title) > n_signs:
        title = title.replace("oscillator ", "osc ").replace("modulation", "LFO")
    return shorten(title, n_signs)


def _together(slack: Slack) -> str:
    """Print the tolerance."""
    if slack.is_low_open and slack.is_high_open:
        return "anywhere"
    low = None if slack.is_low_open else slack.low
    return _interval(slack, low, None if slack.is_high_open else slack.high)


def _alone(slack: Slack) -> str:
    """Print the interval of the control alone."""
    return _interval(slack, slack.alone_low, slack.alone_high)


def _interval(slack: Slack, low: float | None, high: float | None) -> str:
    """Print an interval shortly: a unit stands only where it isn't that of the value."""
    parameter = CATALOGUE[slack.name]
    own = parameter.format(slack.value).partition(" ")[2]
    ends = []
    for end in (low, high):
        number, _, unit = ("" if end is None else parameter.format(end)).partition(" ")
        ends.append(number if unit == own else f"{number} {unit}".strip())
    if low is None or high is None:
        return f"up to {ends[1]}" if low is None else f"from {ends[0]}"
    return f"only {ends[0]}" if ends[0] == ends[1] else "..".join(ends)


def _search_lines(search: SearchImportance) -> Iterator[str]:
    """Lay out what the search tells."""
    yield f"Over the search ({search.n_evaluations} tries; not the patch)"
    if not search.measures:
        yield "  too few tries to tell"
    for measure in search.measures:
        title = f"  {measure.method}, {measure.scope} ({measure.n_evaluations}): "
        yield from _folded([f"{title}{measure.meaning}"], 4)
        yield from _folded([f"    {_shares(measure)}"], 4)


def _shares(measure: Importance) -> str:
    """List the largest shares."""
    ranked = sorted(measure.importances.items(), key=lambda item: -item[1])[:_MOST_SHARES]
    return ", ".join(
        f"{part_title(name)} {parameter_label(name)} {100.0 * share:.0f} %"
        for name, share in ranked
    )
