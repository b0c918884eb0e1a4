"""Change-points: the quick way against the plain one, and cases on the bound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.physics.onset import first_true, step

NUMBERS = st.lists(
    st.one_of(st.just(float("nan")), st.integers(-3, 3).map(float), st.floats(-1100, 1100, width=32)), max_size=24
)


def plainly(y: NDArray[np.float64], least: int) -> NDArray[np.float64]:
    """Absolute deviations from the medians of both sides, for every place of the step."""
    cost = np.full(len(y), np.inf)
    for k in range(least, len(y) - least + 1):
        cost[k] = np.abs(y[:k] - np.median(y[:k])).sum() + np.abs(y[k:] - np.median(y[k:])).sum()
    return cost


@given(NUMBERS, st.integers(1, 4))
@settings(max_examples=300)
def test_a_step_stands_where_deviations_are_least(series: list[float], least: int) -> None:
    found = step(series, least=least)
    x = np.array(series)
    rows = np.flatnonzero(np.isfinite(x))
    y = x[rows]
    if len(y) < 2 * least:
        assert found is None
        return
    assert found is not None
    cost = plainly(y, least)
    at = int(np.searchsorted(rows, found.at))
    assert cost[at] == pytest.approx(cost.min(), rel=1e-6, abs=1e-6)
    assert (found.before, found.after) == (np.median(y[:at]), np.median(y[at:]))
    assert found.earliest <= found.at <= found.latest
    assert found.gain >= -1e-6


@given(st.lists(st.floats(-1e6, 1e6, allow_subnormal=False), min_size=4, max_size=12))
def test_of_equal_places_the_first(values: list[float]) -> None:
    cost = plainly(np.array(values), 2)
    found = step(values)
    assert found is not None
    assert found.at == int(np.argmin(cost))


@pytest.mark.parametrize(
    ("series", "least", "expected"),
    [
        ([1.0, 1.0, 1.0, 5.0, 5.0, 5.0], 2, (3, 1.0, 5.0)),
        ([1.0, 1.0, float("nan"), 5.0, 5.0], 2, (3, 1.0, 5.0)),
        ([1.0, 9.0, 1.0, 5.0, 5.0, 5.0], 3, (3, 1.0, 5.0)),  # one odd day does not move the median
        ([1.0, 5.0, 5.0, 5.0], 2, (2, 3.0, 5.0)),  # the step itself lies nearer the edge than two values
        ([1.0, 5.0, 5.0, 5.0], 1, (1, 1.0, 5.0)),
    ],
)
def test_steps(series: list[float], least: int, expected: tuple[int, float, float]) -> None:
    found = step(series, least=least)
    assert found is not None
    assert (found.at, found.before, found.after) == expected


@pytest.mark.parametrize("values", [3, 4])
def test_a_step_needs_values_on_both_sides(values: int) -> None:
    assert (step(np.arange(values), least=2) is None) == (values < 4)


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        ([0, 0, 1, 1], (1, 2)),
        ([1, 1], (-1, 0)),
        ([0, 1], None),
        ([0, 1, 0, 1, 1], (0, 1)),  # one day of doubt in between
        ([0, 1, 0, 0, 1, 1], (3, 4)),
        ([0, float("nan"), 1, 1], (0, 2)),
        ([0, 0], None),
    ],
)
def test_where_a_fault_begins(flags: list[float], expected: tuple[int, int] | None) -> None:
    assert first_true(flags) == expected
