"""Arrays made fit for arithmetic whose last bit must not depend on where a record is cut, or on the machine.

numpy's transcendental functions (exp, log, power, arctan2 ...) give other last bits for strided arrays and for Python
numbers than for contiguous ones; for contiguous ones the bits do not depend on place or length (measured, numpy 2.4.6,
x86-64 with AVX-512; tests/physics/test_numpy_bits.py). So every function of this folder computes on contiguous arrays.
Machines with and without AVX-512 still differ in the last bit: results are settled to a fixed decimal, far below any
sensor's resolution. That also makes ties exact: at 100 % the dew point *is* the air temperature.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def vectors(*values: ArrayLike) -> tuple[tuple[int, ...], list[Floats]]:
    """The common shape of some values, and each as a contiguous 1-D float64 array of that many elements."""
    arrays = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in values))
    return arrays[0].shape, [np.ascontiguousarray(a).reshape(-1) for a in arrays]


def settle(values: Floats, decimals: int = 6) -> Floats:
    """Values rounded to a decimal, so that machines that differ in the last bit agree; the nearest float64 to it."""
    return np.round(values, decimals)
