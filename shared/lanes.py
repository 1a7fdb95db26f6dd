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

import functools
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


def _unpacked(context: Any, builder: Any, kind: Any, argument: Any) -> Any:
    """Give an array as `Memory`, a tuple as a list, and a number as it is."""
    if isinstance(kind, types.Array):
        return Memory(context, builder, kind, argument)
    if isinstance(kind, types.BaseTuple):
        return [builder.extract_value(argument, k) for k in range(len(kind))]
    return argument


def _step(make: Callable[..., None]) -> Any:
    """Make a compiled step of what writes its code, a function of the builder and arguments."""

    # The names of its arguments are read from what is wrapped, after the first.
    @functools.wraps(make)
    def step(_typing: Any, *kinds: Any) -> tuple[Any, Callable[..., Any]]:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            pairs = zip(signature.args, arguments, strict=True)
            make(builder, *(_unpacked(context, builder, *pair) for pair in pairs))
            return context.get_dummy_value()

        return types.void(*kinds), generate

    return compiled_step(step)


@_step
def load_frames(
    builder: Any, signal: Memory, place: Any, window: Memory, i: Any, frames: Memory
) -> None:
    """Put 16 windowed samples of 16 frames into lanes.

    ``(signal, (start, hop, i_frame, last), window, i, frames)``: samples `i` to ``i + 15`` of the
    frames from `i_frame` on, frame n beginning at ``start + n * hop``, times the window there, go
    to ``frames[(i + j) * 16 + lane]``. Lanes behind the frame `last` repeat it.
    """
    start, hop, frame, last = place
    weights = window.load(i)
    rows = []
    for lane in range(LANES):
        wanted = builder.add(frame, OFFSET(lane))
        is_behind = builder.icmp_signed(">", wanted, last)
        held = builder.select(is_behind, last, wanted)
        begin = builder.add(start, builder.mul(held, hop))
        rows.append(builder.fmul(signal.load(builder.add(begin, i)), weights))
    base = builder.mul(i, OFFSET(LANES))
    for j, vector in enumerate(_transposed(builder, rows)):
        frames.store(builder.add(base, OFFSET(j * LANES)), vector)


@_step
def butterfly_4(
    builder: Any, source: Memory, where: Any, out: Memory, there: Any, factors: Any
) -> None:
    """Join four complex numbers of each lane: one butterfly of radix 4, decimated in frequency.

    ``(source, (offset, step), out, (offset, step), (cosine, sine) * 3 as six numbers)``: the
    results after the first are turned by the factors.
    """
    offsets, results_at = (
        [builder.add(offset, builder.mul(step, OFFSET(k))) for k in range(4)]
        for offset, step in (where, there)
    )
    turns = [(splat(builder, factors[k]), splat(builder, factors[k + 1])) for k in (0, 2, 4)]
    a, b, c, d = (source.load_pair(offset) for offset in offsets)
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
    for offset, result in zip(results_at, results, strict=True):
        out.store_pair(offset, result)


@_step
def store_powers(
    builder: Any, spectrum: Memory, where: Any, turn: Any, powers: Memory, there: Any
) -> None:
    """Separate two bins of a real transform that was computed at half its length.

    ``(spectrum, (offset, offset of the mirrored bin), (cosine, sine), powers, (offset, offset of
    the mirrored bin))``: with even and odd samples as real and imaginary parts, bin k is E + w O
    and bin n/2 - k the conjugate of E - w O. Numerical Recipes, section 12.3 (from memory).
    """
    half = splat(builder, ir.FloatType()(0.5))
    a, c = (spectrum.load_pair(offset) for offset in where)
    even = builder.fadd(a[0], c[0]), builder.fsub(a[1], c[1])
    odd = builder.fadd(a[1], c[1]), builder.fsub(c[0], a[0])
    even, odd = (tuple(builder.fmul(x, half) for x in pair) for pair in (even, odd))
    w = splat(builder, turn[0]), splat(builder, turn[1])
    turned = _multiply(builder, odd, w)
    powers.store(there[0], _power(builder, _add(builder, even, turned)))
    powers.store(there[1], _power(builder, _subtract(builder, even, turned)))


@_step
def add_weighted(
    builder: Any, powers: Memory, offset: Any, weights: Any, sums: Memory, there: Any
) -> None:
    """Add four neighbouring rows, each times its weight, to a row of sums.

    ``(powers, offset, four weights, sums, offset)``.
    """
    terms = []
    for k, weight in enumerate(weights):
        row = powers.load(builder.add(offset, OFFSET(k * LANES)))
        terms.append(builder.fmul(row, splat(builder, weight)))
    total = builder.fadd(builder.fadd(terms[0], terms[1]), builder.fadd(terms[2], terms[3]))
    sums.store(there, builder.fadd(sums.load(there), total))


@_step
def sum_products(
    builder: Any, rows: Memory, offset: Any, others: Any, n: Any, sums: Memory
) -> None:
    """Multiply a row by four others, and add up the products in each lane.

    ``(rows, offset, four offsets, n, sums)``: `n` numbers, a multiple of 16, of the row at the
    offset and of four more; the sums of the products go to four rows of lanes.
    """
    totals = [Cell(builder, filled(0.0)) for _ in others]
    with each(builder, n, LANES) as i:
        x = rows.load(builder.add(offset, i))
        for begin, total in zip(others, totals, strict=True):
            product = builder.fmul(x, rows.load(builder.add(begin, i)))
            total.set(builder.fadd(total.get(), product))
    for k, total in enumerate(totals):
        sums.store(OFFSET(k * LANES), total.get())
