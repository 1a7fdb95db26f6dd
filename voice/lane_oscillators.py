"""Wavetables read by vectors of 16 candidates in compiled code.

Two neighbours of a table come with one load of 64 bits, and nothing is asked twice; see
`voice.lane_filters` for the rest. A sound stays the same to the bit as from plain code.

Each step goes through the samples of a block: ``(sound, table, ints, floats, gains, places)``. The
places are the start of the block in the sound, the number of samples, and the offsets of an
oscillator's rows in ints, floats and gains. After a change here, touch `voice.oscillator_kernels`:
numba's cache looks at that file alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba import types

from shared.vectors import LANES, OFFSET, VECTOR, WORDS, Cell, Memory, compiled_step, each, filled

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["wave", "wave_fading", "wave_pair", "wave_pair_fading"]

# Rows of the integers (in 2**-32 of a cycle, but for the first), floats and gains.
TABLE, PHASE, STEP, BEND, TURN, TURN_BEND = 0, 1, 2, 3, 4, 5
FADE, FADE_SLOPE = 0, 1
GAIN, TURNED_GAIN = 0, 1
INDEX_SHIFT, FRACTION_MASK, FRACTION_SCALE = 20, 0xFFFFF, 2.0**-20
NEXT_TABLE = 4097
_Code = tuple[Any, "Callable[..., Any]"]
_HALF = LANES // 2
_PAIRS = ir.VectorType(ir.IntType(64), _HALF)
_INDEX = ir.IntType(32)


def _words(number: int) -> Any:
    """Return a constant vector of one integer."""
    return ir.Constant(WORDS, [number] * LANES)


class _Table:
    """A wavetable, or one and the next one, between which a moving pitch fades."""

    def __init__(self, builder: Any, memory: Memory, starts: Any) -> None:
        self._builder, self._memory, self._starts = builder, memory, starts

    def _neighbours(self, index: Any) -> tuple[Any, Any]:
        """Load the numbers at an index and behind it, for each lane."""
        b = self._builder
        halves = [ir.Constant(_PAIRS, ir.Undefined) for _ in range(2)]
        for lane in range(LANES):
            place = b.zext(b.extract_element(index, _INDEX(lane)), ir.IntType(64))
            pair = self._memory.neighbours(place)
            half, where = divmod(lane, _HALF)
            halves[half] = b.insert_element(halves[half], pair, _INDEX(where))
        low, high = (b.bitcast(half, VECTOR) for half in halves)
        picks = [ir.Constant(WORDS, [2 * lane + k for lane in range(LANES)]) for k in range(2)]
        return b.shuffle_vector(low, high, picks[0]), b.shuffle_vector(low, high, picks[1])

    def _read(self, index: Any, fraction: Any) -> Any:
        """Go in a straight line between neighbours."""
        b = self._builder
        first, second = self._neighbours(index)
        return b.fadd(first, b.fmul(b.fsub(second, first), fraction))

    def at(self, phase: Any, fade: Any | None) -> Any:
        """Wave at a phase, faded to the next table if there is a fade."""
        b = self._builder
        index = b.add(self._starts, b.lshr(phase, _words(INDEX_SHIFT)))
        fraction = b.sitofp(b.and_(phase, _words(FRACTION_MASK)), VECTOR)
        fraction = b.fmul(fraction, filled(FRACTION_SCALE))
        here = self._read(index, fraction)
        if fade is None:
            return here
        there = self._read(b.add(index, _words(NEXT_TABLE)), fraction)
        return b.fadd(here, b.fmul(b.fsub(there, here), fade))


def _step(*, has_pair: bool, is_fading: bool) -> Any:
    """Make a step that adds a wave, or one and the same at a turned phase.

    Phases move on by the step, the step by its bend; so do fade and turn.
    """

    def step(
        _typing: Any, sound: Any, table: Any, ints: Any, floats: Any, gains: Any, places: Any
    ) -> _Code:
        def generate(context: Any, b: Any, signature: Any, arguments: Any) -> Any:
            samples, waves, whole, real, levels = (
                Memory(context, b, kind, array)
                for kind, array in zip(signature.args[:-1], arguments[:-1], strict=True)
            )
            start, n, *offsets = (b.extract_value(arguments[-1], k) for k in range(5))

            def row(k: int, number: int) -> Any:
                return b.add(offsets[k], OFFSET(number * LANES))

            def moving(number: int) -> Cell:
                return Cell(b, whole.load(row(0, number), WORDS))

            source = _Table(b, waves, whole.load(row(0, TABLE), WORDS))
            phase, pace, turn = moving(PHASE), moving(STEP), moving(TURN)
            bend, turn_bend = (whole.load(row(0, k), WORDS) for k in (BEND, TURN_BEND))
            fade = Cell(b, real.load(row(1, FADE)))
            fade_slope = real.load(row(1, FADE_SLOPE))
            gain, turned_gain = (levels.load(row(2, k)) for k in (GAIN, TURNED_GAIN))
            with each(b, n) as i:
                place = b.add(start, b.mul(i, OFFSET(LANES)))
                p, f = phase.get(), fade.get() if is_fading else None
                phase.set(b.add(p, pace.get()))
                pace.set(b.add(pace.get(), bend))
                if is_fading:
                    fade.set(b.fadd(fade.get(), fade_slope))
                x = b.fmul(gain, source.at(p, f))
                if has_pair:
                    turned = b.fmul(turned_gain, source.at(b.add(p, turn.get()), f))
                    turn.set(b.add(turn.get(), turn_bend))
                    x = b.fadd(x, turned)
                samples.store(place, b.fadd(samples.load(place), x))
            for number, cell in ((PHASE, phase), (STEP, pace), (TURN, turn)):
                whole.store(row(0, number), cell.get())
            real.store(row(1, FADE), fade.get())
            return context.get_dummy_value()

        return types.void(sound, table, ints, floats, gains, places), generate

    return compiled_step(step)


wave = _step(has_pair=False, is_fading=False)
wave_fading = _step(has_pair=False, is_fading=True)
wave_pair = _step(has_pair=True, is_fading=False)
wave_pair_fading = _step(has_pair=True, is_fading=True)
