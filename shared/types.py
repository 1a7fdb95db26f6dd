"""Array types that every package of the project shares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Float32Array", "FloatArray", "Int32Array", "IntArray"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
Int32Array = npt.NDArray[np.int32]
