"""The narrowest arc that holds directions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.wind import circular_range
from qc.physics.windows import Blocks

HOUR = 3_600_000_000
T0 = np.datetime64("2026-03-29T00:00:00", "us")


def hourly(count: int) -> Blocks:
    return Blocks(T0 + np.arange(count) * np.timedelta64(HOUR, "us"), HOUR)


@pytest.mark.parametrize(
    ("directions", "width"),
    [
        ([10.0, 13.0], 3.0),
        ([358.5, 1.5], 3.0),
        ([360.0, 0.0], 0.0),
        ([179.0, 181.0], 2.0),
        ([90.0, float("nan"), 90.0], 0.0),
        ([350.0, 0.0, 169.9], 179.9),
        ([float("nan")], float("nan")),
    ],
)
def test_known_arcs(directions: list[float], width: float) -> None:
    found = circular_range(directions, hourly(len(directions)), len(directions) * HOUR)
    np.testing.assert_array_equal(found[-1], width)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.integers(0, 3600).map(lambda d: d / 10), min_size=2, max_size=12))
def test_equals_a_full_circle_less_the_widest_gap(directions: list[float]) -> None:
    found = circular_range(directions, hourly(len(directions)), len(directions) * HOUR)[-1]
    places = sorted({d % 360.0 for d in directions})
    gaps = [b - a for a, b in zip(places, [*places[1:], places[0] + 360.0], strict=True)]
    arc = 360.0 - max(gaps)
    if arc < 180.0:
        assert found == pytest.approx(arc, abs=1e-6)
    else:
        assert found >= 180.0 - 1e-6
