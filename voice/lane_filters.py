"""Noise, filters and amplifier as vectors of 16 candidates in compiled code.

The compiler would turn loops over lanes into vectors, too, but asks at every sample anew whether
sound and settings overlap, and gives up on more than two filters in a row. Said outright, twelve
bells of 1.5 s take 0.12 instead of 0.29 ms. Every lane does the same sums in the same order as
plain code would, so a sound stays the same to the bit.

Each step goes through the samples of a block, in place: ``(sound, work, places)``, flat float32
arrays and ``(start of the block, number of samples, offset ...)``. The offsets, which the makers
below list, lead to rows of lanes in `work`: what the step is set by and what it keeps. Nothing is
checked. After a change here, touch `voice.filter_kernels`: numba's cache looks at that file alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from numba import types

from shared.vectors import LANES, OFFSET, Cell, Memory, compiled_step, each, filled, splat

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = [
    "add_noise",
    "amplify",
    "drive",
    "highpass",
    "ring_1",
    "ring_2",
    "ring_4",
    "section_1",
    "section_2",
]

_Code = tuple[Any, "Callable[..., Any]"]


def _code(make: Any, signature: Any) -> _Code:
    """Make the code of a step.

    `make` gets a builder, the memories of all arrays but the sound, and the offsets. It returns
    what turns a sample (its number and its vector) into another, and the states with the offsets
    at which they are kept from block to block.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        *arrays, places = arguments
        samples, *memories = (
            Memory(context, builder, kind, array)
            for kind, array in zip(signature.args[:-1], arrays, strict=True)
        )
        start, n, *offsets = (
            builder.extract_value(places, k) for k in range(len(signature.args[-1]))
        )
        turned, states = make(builder, memories, offsets)
        with each(builder, n) as i:
            place = builder.add(start, builder.mul(i, OFFSET(LANES)))
            samples.store(place, turned(i, samples.load(place)))
        for offset, state in states:
            memories[0].store(offset, state.get())
        return context.get_dummy_value()

    return signature, generate


def _step(make: Any) -> Any:
    """Make a step of the sound and the work array."""

    def step(_typing: Any, sound: Any, work: Any, places: Any) -> _Code:
        return _code(make, types.void(sound, work, places))

    return compiled_step(step)


def _row(builder: Any, offset: Any, k: int) -> Any:
    """Offset of the k-th row behind an offset."""
    return builder.add(offset, OFFSET(k * LANES))


def _state(builder: Any, memory: Memory, offset: Any, n_rows: int) -> Any:
    """Load rows that change, with their offsets."""
    rows = [_row(builder, offset, k) for k in range(n_rows)]
    return [(row, Cell(builder, memory.load(row))) for row in rows]


class _Ramp:
    """A straight line over a block: two rows, its start and its slope."""

    def __init__(self, builder: Any, memory: Memory, offset: Any) -> None:
        self._builder = builder
        self._start, self._slope = (memory.load(_row(builder, offset, k)) for k in range(2))

    def at(self, i: Any) -> Any:
        """Its value at a sample."""
        b = self._builder
        number = splat(b, b.sitofp(i, self._start.type.element))
        return b.fadd(self._start, b.fmul(number, self._slope))


def _amplify(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
    """Multiply by a ramp."""
    ramp = _Ramp(b, memories[0], offsets[0])
    return lambda i, x: b.fmul(x, ramp.at(i)), []


def _highpass(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
    """One-pole high-pass (zero-delay feedback), 6 dB/octave: ``(tan, state)``.

    A tan of 0 passes a lane unchanged.
    """
    g, states = memories[0].load(offsets[0]), _state(b, memories[0], offsets[1], 1)
    state = states[0][1]
    loop, twice = b.fadd(filled(1.0), g), b.fmul(filled(2.0), g)
    is_on = b.fcmp_ordered(">", g, filled(0.0))

    def turned(_: Any, x: Any) -> Any:
        y = b.fdiv(b.fsub(x, state.get()), loop)
        state.set(b.fadd(state.get(), b.fmul(twice, y)))
        return b.select(is_on, y, x)

    return turned, states


def _drive(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
    """Amplify and saturate by x (27 + x**2) / (27 + 9 x**2): ``(gain - 1)``, 0 for no drive.

    The curve is within 0.024 of tanh, and flat where it ends at 3.
    """
    k = memories[0].load(offsets[0])
    gain = b.fadd(filled(1.0), k)
    is_on = b.fcmp_ordered(">", k, filled(0.0))
    end, least = filled(3.0), filled(-3.0)

    def turned(_: Any, x: Any) -> Any:
        loud = b.fmul(k, x)
        loud = b.select(b.fcmp_ordered("<", loud, least), least, loud)
        loud = b.select(b.fcmp_ordered(">", loud, end), end, loud)
        s = b.fmul(loud, loud)
        above = b.fmul(loud, b.fadd(filled(27.0), s))
        clipped = b.fdiv(above, b.fadd(filled(27.0), b.fmul(filled(9.0), s)))
        return b.select(is_on, b.fdiv(b.fmul(clipped, gain), k), x)

    return turned, []


def _sections(n: int) -> Any:
    """Make second-order low-pass sections (zero-delay feedback, trapezoidal) in a row.

    ``(ramp of the cutoff's tan, ramp of the dry share, settings, states)``: three rows of settings
    for each section (tuning, damping, on or off), two of states.
    """

    def make(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
        memory = memories[0]
        cutoff, dry = (_Ramp(b, memory, offset) for offset in offsets[:2])
        rows = [memory.load(_row(b, offsets[2], k)) for k in range(3 * n)]
        states = _state(b, memory, offsets[3], 2 * n)
        one, two, zero = filled(1.0), filled(2.0), filled(0.0)
        is_on = [b.fcmp_ordered(">", rows[3 * k + 2], zero) for k in range(n)]

        def turned(i: Any, x: Any) -> Any:
            g, past = cutoff.at(i), dry.at(i)
            for k in range(n):
                s1, s2 = (state for _, state in states[2 * k : 2 * k + 2])
                w = b.fmul(g, rows[3 * k])
                v1 = b.fdiv(
                    b.fadd(s1.get(), b.fmul(w, b.fsub(x, s2.get()))),
                    b.fadd(one, b.fmul(w, b.fadd(w, rows[3 * k + 1]))),
                )
                v2 = b.fadd(s2.get(), b.fmul(w, v1))
                s1.set(b.fsub(b.fmul(two, v1), s1.get()))
                s2.set(b.fsub(b.fmul(two, v2), s2.get()))
                y = b.fadd(b.fmul(v2, b.fsub(one, past)), b.fmul(x, past))
                x = b.select(is_on[k], y, x)
            return x

        return turned, states

    return make


def _bells(n: int) -> Any:
    """Make bells in a row: ``(settings, states)``.

    Each adds the band-pass of a second-order section (zero-delay feedback). Three rows of settings
    for each (tan, loop factor, what is added; nothing leaves a lane as it is), two of states.
    """

    def make(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
        rows = [memories[0].load(_row(b, offsets[0], k)) for k in range(3 * n)]
        states = _state(b, memories[0], offsets[1], 2 * n)
        two = filled(2.0)
        is_off = [b.fcmp_ordered("==", rows[3 * k + 2], filled(0.0)) for k in range(n)]

        def turned(_: Any, x: Any) -> Any:
            for k in range(n):
                g, loop, added = rows[3 * k : 3 * k + 3]
                s1, s2 = (state for _, state in states[2 * k : 2 * k + 2])
                v1 = b.fmul(b.fadd(s1.get(), b.fmul(g, b.fsub(x, s2.get()))), loop)
                v2 = b.fadd(s2.get(), b.fmul(g, v1))
                s1.set(b.fsub(b.fmul(two, v1), s1.get()))
                s2.set(b.fsub(b.fmul(two, v2), s2.get()))
                x = b.select(is_off[k], x, b.fadd(x, b.fmul(added, v1)))
            return x

        return turned, states

    return make


def _noise(b: Any, memories: Sequence[Memory], offsets: Any) -> Any:
    """Add each lane's share of the common noise in its colour, at its ramped level.

    ``(ramp of the level, shares, shares of the three colours, white, dark, bright)``: the last
    three are those of the first sample of the block, in the array of the noise.
    """
    memory, source = memories
    level, share = _Ramp(b, memory, offsets[0]), memory.load(offsets[1])
    colours = [memory.load(_row(b, offsets[2], k)) for k in range(3)]

    def turned(i: Any, x: Any) -> Any:
        parts = [
            b.fmul(source.number(b.add(first, i)), colour)
            for first, colour in zip(offsets[3:], colours, strict=True)
        ]
        noise = b.fadd(b.fadd(parts[0], parts[1]), parts[2])
        return b.fadd(x, b.fmul(b.fmul(noise, level.at(i)), share))

    return turned, []


amplify = _step(_amplify)
highpass = _step(_highpass)
drive = _step(_drive)
section_1, section_2 = _step(_sections(1)), _step(_sections(2))
ring_1, ring_2, ring_4 = (_step(_bells(n)) for n in (1, 2, 4))


@compiled_step
def add_noise(_typing: Any, sound: Any, work: Any, noise: Any, places: Any) -> _Code:
    """Add noise: ``(sound, work, noise, places)``; see `_noise`."""
    return _code(_noise, types.void(sound, work, noise, places))
