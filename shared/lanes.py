"""Vectors of 16 numbers in compiled code, for the loops in which all time goes.

The compiler turns a loop into vector instructions only if it can prove that what is written is
not read again, which it can't for the eight rows of a butterfly, and adds floats one by one. So
these few steps say outright which vectors are loaded, joined and stored. Every lane does the same
in the same order: it gives the same to the bit, whatever stands in the other lanes. Where a
processor has shorter vectors, LLVM splits them.

Offsets are counted in numbers from the start of a flat float32 array; nothing is checked. After
a change here, touch `matcher.losses.spectra` and `matcher.optimise._normal`: numba's cache looks
at those files alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba import types

from shared.vectors import (
    LANE,
    LANES,
    OFFSET,
    Cell,
    Memory,
    compiled_step,
    each,
    filled,
    splat,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = [
    "LANES",
    "add_weighted",
    "butterfly_4",
    "load_frames",
    "store_powers",
    "sum_products",
]

# Real and imaginary part, a vector each.
_Pair = tuple[Any, Any]


def _choose(builder: Any, a: Any, b: Any, lanes: Sequence[int]) -> Any:
    """Pick a vector's entries from `a` (0 to 15) and `b` (16 to 31)."""
    return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(LANE, LANES), list(lanes)))


def _add(builder: Any, a: _Pair, b: _Pair) -> _Pair:
    """Add complex numbers."""
    return builder.fadd(a[0], b[0]), builder.fadd(a[1], b[1])


def _subtract(builder: Any, a: _Pair, b: _Pair) -> _Pair:
    """Subtract complex numbers."""
    return builder.fsub(a[0], b[0]), builder.fsub(a[1], b[1])


def _multiply(builder: Any, a: _Pair, b: _Pair) -> _Pair:
    """Multiply complex numbers."""
    return (
        builder.fsub(builder.fmul(a[0], b[0]), builder.fmul(a[1], b[1])),
        builder.fadd(builder.fmul(a[0], b[1]), builder.fmul(a[1], b[0])),
    )


def _power(builder: Any, a: _Pair) -> Any:
    """Squared magnitude."""
    return builder.fadd(builder.fmul(a[0], a[0]), builder.fmul(a[1], a[1]))


def _transposed(builder: Any, rows: Sequence[Any]) -> list[Any]:
    """Transpose 16 vectors of 16: quarters, eighths ... change places.

    J. O. Eklundh, "A Fast Computer Method for Matrix Transposing", IEEE Trans. Computers C-21,
    1972 (from memory).
    """
    vectors = list(rows)
    for k in (8, 4, 2, 1):
        upper = [lane if not lane & k else LANES + (lane ^ k) for lane in range(LANES)]
        lower = [lane ^ k if not lane & k else LANES + lane for lane in range(LANES)]
        for i in (i for i in range(LANES) if not i & k):
            a, b = vectors[i], vectors[i + k]
            vectors[i] = _choose(builder, a, b, upper)
            vectors[i + k] = _choose(builder, a, b, lower)
    return vectors


_Code = tuple[Any, "Callable[..., Any]"]


@compiled_step
def load_frames(
    _typing: Any, signal: Any, place: Any, shape: Any, first: Any, frames: Any
) -> _Code:
    """Put 16 windowed samples of 16 frames into lanes.

    ``(signal, (start, hop, i_frame, last), window, i, frames)``: samples `i` to ``i + 15`` of the
    frames from `i_frame` on, frame n beginning at ``start + n * hop``, times the window there, go
    to ``frames[(i + j) * 16 + lane]``. Lanes behind the frame `last` repeat it.
    """
    signature = types.void(signal, place, shape, first, frames)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        sound, numbers, window, i, out = arguments
        source = Memory(context, builder, signature.args[0], sound)
        weights = Memory(context, builder, signature.args[2], window).load(i)
        start, hop, frame, last = (builder.extract_value(numbers, k) for k in range(4))
        rows = []
        for lane in range(LANES):
            wanted = builder.add(frame, OFFSET(lane))
            is_behind = builder.icmp_signed(">", wanted, last)
            held = builder.select(is_behind, last, wanted)
            begin = builder.add(start, builder.mul(held, hop))
            rows.append(builder.fmul(source.load(builder.add(begin, i)), weights))
        target = Memory(context, builder, signature.args[4], out)
        base = builder.mul(i, OFFSET(LANES))
        for j, vector in enumerate(_transposed(builder, rows)):
            target.store(builder.add(base, OFFSET(j * LANES)), vector)
        return context.get_dummy_value()

    return signature, generate


@compiled_step
def butterfly_4(
    _typing: Any, source: Any, where: Any, out: Any, there: Any, factors: Any
) -> _Code:
    """Join four complex numbers of each lane: one butterfly of radix 4, decimated in frequency.

    ``(source, (offset, step), out, (offset, step), (cosine, sine) * 3 as six numbers)``: the
    results after the first are turned by the factors.
    """
    signature = types.void(source, where, out, there, factors)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        memory = Memory(context, builder, signature.args[0], arguments[0])
        target = Memory(context, builder, signature.args[2], arguments[2])
        offsets = [
            [
                builder.add(
                    builder.extract_value(pair, 0),
                    builder.mul(builder.extract_value(pair, 1), OFFSET(k)),
                )
                for k in range(4)
            ]
            for pair in (arguments[1], arguments[3])
        ]
        turns = [
            tuple(
                splat(builder, builder.extract_value(arguments[4], 2 * k + part))
                for part in range(2)
            )
            for k in range(3)
        ]
        a, b, c, d = (memory.load_pair(offset) for offset in offsets[0])
        even, odd = _add(builder, a, c), _subtract(builder, a, c)
        other, x = _add(builder, b, d), _subtract(builder, b, d)
        # Minus j times b - d; the sign of both parts is in what is added below.
        turned = x[1], x[0]
        down = builder.fadd(odd[0], turned[0]), builder.fsub(odd[1], turned[1])
        up = builder.fsub(odd[0], turned[0]), builder.fadd(odd[1], turned[1])
        results = (
            _add(builder, even, other),
            _multiply(builder, down, turns[0]),
            _multiply(builder, _subtract(builder, even, other), turns[1]),
            _multiply(builder, up, turns[2]),
        )
        for offset, result in zip(offsets[1], results, strict=True):
            target.store_pair(offset, result)
        return context.get_dummy_value()

    return signature, generate


@compiled_step
def store_powers(
    _typing: Any, spectrum: Any, where: Any, turn: Any, powers: Any, there: Any
) -> _Code:
    """Separate two bins of a real transform that was computed at half its length.

    ``(spectrum, (offset, offset of the mirrored bin), (cosine, sine), powers, (offset, offset of
    the mirrored bin))``: with even and odd samples as real and imaginary parts, bin k is E + w O
    and bin n/2 - k the conjugate of E - w O. Numerical Recipes, section 12.3 (from memory).
    """
    signature = types.void(spectrum, where, turn, powers, there)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        source = Memory(context, builder, signature.args[0], arguments[0])
        target = Memory(context, builder, signature.args[3], arguments[3])
        half = splat(builder, ir.FloatType()(0.5))
        a, c = (source.load_pair(builder.extract_value(arguments[1], k)) for k in range(2))
        even = builder.fadd(a[0], c[0]), builder.fsub(a[1], c[1])
        odd = builder.fadd(a[1], c[1]), builder.fsub(c[0], a[0])
        even, odd = (tuple(builder.fmul(x, half) for x in pair) for pair in (even, odd))
        w = tuple(splat(builder, builder.extract_value(arguments[2], k)) for k in range(2))
        turned = _multiply(builder, odd, w)
        target.store(
            builder.extract_value(arguments[4], 0), _power(builder, _add(builder, even, turned))
        )
        target.store(
            builder.extract_value(arguments[4], 1),
            _power(builder, _subtract(builder, even, turned)),
        )
        return context.get_dummy_value()

    return signature, generate


@compiled_step
def add_weighted(
    _typing: Any, powers: Any, offset: Any, weights: Any, sums: Any, there: Any
) -> _Code:
    """Add four neighbouring rows, each times its weight, to a row of sums.

    ``(powers, offset, four weights, sums, offset)``.
    """
    signature = types.void(powers, offset, weights, sums, there)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        source = Memory(context, builder, signature.args[0], arguments[0])
        target = Memory(context, builder, signature.args[3], arguments[3])
        terms = []
        for k in range(4):
            row = source.load(builder.add(arguments[1], OFFSET(k * LANES)))
            weight = splat(builder, builder.extract_value(arguments[2], k))
            terms.append(builder.fmul(row, weight))
        total = builder.fadd(builder.fadd(terms[0], terms[1]), builder.fadd(terms[2], terms[3]))
        there = arguments[4]
        target.store(there, builder.fadd(target.load(there), total))
        return context.get_dummy_value()

    return signature, generate


@compiled_step
def sum_products(_typing: Any, rows: Any, offset: Any, others: Any, n: Any, sums: Any) -> _Code:
    """Multiply a row by four others, and add up the products in each lane.

    ``(rows, offset, four offsets, n, sums)``: `n` numbers, a multiple of 16, of the row at the
    offset and of four more; the sums of the products go to four rows of lanes.
    """
    signature = types.void(rows, offset, others, n, sums)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        source = Memory(context, builder, signature.args[0], arguments[0])
        target = Memory(context, builder, signature.args[4], arguments[4])
        begins = [builder.extract_value(arguments[2], k) for k in range(4)]
        totals = [Cell(builder, filled(0.0)) for _ in begins]
        with each(builder, arguments[3], LANES) as i:
            x = source.load(builder.add(arguments[1], i))
            for begin, total in zip(begins, totals, strict=True):
                product = builder.fmul(x, source.load(builder.add(begin, i)))
                total.set(builder.fadd(total.get(), product))
        for k, total in enumerate(totals):
            target.store(OFFSET(k * LANES), total.get())
        return context.get_dummy_value()

    return signature, generate
