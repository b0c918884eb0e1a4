"""What the physics takes for granted of numpy: for contiguous arrays the bits depend on the element alone.

For strided arrays and Python numbers they may not (seen on x86-64 with AVX-512: arctan2, exp, log, power, tan).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from qc.physics.vectors import Floats, settle, vectors

RNG = np.random.default_rng(20260301)
UNIT = RNG.uniform(0.001, 1.0, 4003)
OTHER = RNG.uniform(0.001, 1.0, 4003)

FUNCTIONS: dict[str, Callable[[Floats, Floats], Floats]] = {
    "sin": lambda x, y: np.sin(100.0 * x),
    "cos": lambda x, y: np.cos(100.0 * x),
    "tan": lambda x, y: np.tan(x),
    "arctan2": lambda x, y: np.arctan2(x - 0.5, y - 0.5),
    "exp": lambda x, y: np.exp(10.0 * x),
    "log": lambda x, y: np.log(x),
    "power": lambda x, y: np.power(x, 1.2),
    "sqrt": lambda x, y: np.sqrt(x),
    "cubic": lambda x, y: x * y * x / 6.0 + y * x - x,
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_bits_do_not_depend_on_place_or_length(name: str) -> None:
    function = FUNCTIONS[name]
    whole = function(UNIT, OTHER)
    for first in range(0, 4003, 13):
        for length in (1, 2, 3, 5, 7, 8, 9, 15, 17, 31, 64, 1000):
            part = function(UNIT[first : first + length].copy(), OTHER[first : first + length].copy())
            assert part.tobytes() == whole[first : first + length].tobytes()
    pick = RNG.random(UNIT.size) < 0.3
    assert function(UNIT[pick], OTHER[pick]).tobytes() == whole[pick].tobytes()


def test_vectors_are_contiguous_whatever_came_in() -> None:
    table = np.arange(12.0).reshape(4, 3)
    shape, (a, b) = vectors(table[:, 1], 7)
    assert shape == (4,)
    assert a.flags.c_contiguous and b.flags.c_contiguous
    assert a.tolist() == [1.0, 4.0, 7.0, 10.0]
    assert b.tolist() == [7.0] * 4
    shape, (c,) = vectors(3.5)
    assert shape == ()
    assert c.tolist() == [3.5]


@pytest.mark.parametrize(
    ("value", "settled"),
    [(0.1 + 0.2, 0.3), (12.3 + 1e-13, 12.3), (-7.0000004, -7.0), (-7.0000006, -7.000001), (1e-7, 0.0)],
)
def test_settle_gives_the_nearest_number_to_the_decimal(value: float, settled: float) -> None:
    assert settle(np.array([value]))[0] == settled


def test_settle_keeps_missing() -> None:
    assert np.isnan(settle(np.array([np.nan]))[0])
