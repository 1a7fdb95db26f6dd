"""What code that is written as vectors of 16 numbers is made of: memory, loops, constants.

`shared.lanes` and `voice.lane_filters` make their steps of these. Offsets are counted in numbers
from the start of a flat float32 array; nothing is checked.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba.core import cgutils
from numba.extending import intrinsic

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "LANE",
    "LANES",
    "OFFSET",
    "VECTOR",
    "WORDS",
    "Cell",
    "Memory",
    "compiled_step",
    "each",
    "filled",
    "splat",
]

LANES = 16
FLOAT_BYTES = 4
LANE = ir.IntType(32)
VECTOR = ir.VectorType(ir.FloatType(), LANES)
WORDS = ir.VectorType(LANE, LANES)
OFFSET = ir.IntType(64)
# What numba says of its decorator doesn't fit functions that make code; its helpers are untyped.
compiled_step: Any = intrinsic
_loops: Any = cgutils


class Memory:
    """A flat array of numbers of 32 bits in compiled code, read and written as vectors.

    It is made of what numba hands to code that makes code.
    """

    def __init__(self, context: Any, builder: Any, kind: Any, array: Any) -> None:
        self._builder = builder
        self._data = context.make_array(kind)(context, builder, value=array).data

    def _at(self, offset: Any, kind: Any) -> Any:
        """Point at what starts at an offset."""
        return self._builder.bitcast(self._builder.gep(self._data, [offset]), kind.as_pointer())

    def load(self, offset: Any, kind: Any = VECTOR) -> Any:
        """Read a vector: of floats, or of what the array holds."""
        return self._builder.load(self._at(offset, kind), align=FLOAT_BYTES)

    def store(self, offset: Any, vector: Any) -> None:
        """Write a vector."""
        self._builder.store(vector, self._at(offset, vector.type), align=FLOAT_BYTES)

    def number(self, offset: Any) -> Any:
        """Read one number, as a vector that is filled with it."""
        place = self._builder.gep(self._data, [offset])
        return splat(self._builder, self._builder.load(place))

    def neighbours(self, offset: Any) -> Any:
        """Read two numbers as one of 64 bits."""
        return self._builder.load(self._at(offset, OFFSET), align=FLOAT_BYTES)

    def load_pair(self, offset: Any) -> tuple[Any, Any]:
        """Read a complex number of each lane: real parts, then imaginary parts."""
        return self.load(offset), self.load(self._builder.add(offset, OFFSET(LANES)))

    def store_pair(self, offset: Any, pair: tuple[Any, Any]) -> None:
        """Write a complex number of each lane."""
        self.store(offset, pair[0])
        self.store(self._builder.add(offset, OFFSET(LANES)), pair[1])


class Cell:
    """A vector that changes in a loop; the compiler keeps it in a register."""

    def __init__(self, builder: Any, vector: Any) -> None:
        self._builder = builder
        self._place = _loops.alloca_once(builder, vector.type)
        self.set(vector)

    def get(self) -> Any:
        """Read it."""
        return self._builder.load(self._place)

    def set(self, vector: Any) -> None:
        """Change it."""
        self._builder.store(vector, self._place)


@contextmanager
def each(builder: Any, n: Any, step: int = 1) -> Iterator[Any]:
    """Make a loop over 0, `step`, ... below `n`; gives its counter."""
    loop = OFFSET(0), n, OFFSET(step)
    with _loops.for_range_slice(builder, *loop, intp=OFFSET) as (i, _):
        yield i


def splat(builder: Any, number: Any) -> Any:
    """Fill a vector with one number."""
    blank = ir.Constant(VECTOR, ir.Undefined)
    single = builder.insert_element(blank, number, LANE(0))
    first = ir.Constant(ir.VectorType(LANE, LANES), [0] * LANES)
    return builder.shuffle_vector(single, blank, first)


def filled(number: float) -> Any:
    """Return a constant vector of one number."""
    return ir.Constant(VECTOR, [number] * LANES)
