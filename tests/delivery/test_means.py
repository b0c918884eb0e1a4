"""Means, sums, extremes and their rules: hand-worked cases, and the same numbers by other ways."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.delivery import means
from qc.delivery.means import DAY_RULES, SAMPLE_RULES


@pytest.mark.parametrize(
    ("rule", "used", "expected", "holds"),
    [
        ("2/3", 4, 6, True),  # exactly two thirds
        ("2/3", 3, 6, False),
        ("2/3", 960, 1440, True),
        ("2/3", 959, 1440, False),
        ("2/3", 1, 1, True),
        ("2/3", 0, 1, False),
        ("75%", 4, 6, False),  # enough for two thirds, not for three quarters
        ("75%", 5, 6, True),
        ("75%", 108, 144, True),  # exactly 75 %
        ("75%", 107, 144, False),
        ("75%", 3, 4, True),
    ],
)
def test_share_of_samples(rule: str, used: int, expected: int, holds: bool) -> None:
    found = SAMPLE_RULES[rule].holds(np.array([used]), np.array([expected]))
    assert found.tolist() == [holds]


def month(lacking: list[int], days: int = 30) -> NDArray[np.bool_]:
    """Days of a month, true where one has a mean; `lacking` counts from 1."""
    has = np.ones(days, bool)
    has[[d - 1 for d in lacking]] = False
    return has


@pytest.mark.parametrize(
    ("rule", "lacking", "holds"),
    [
        ("3/5", [], True),
        ("3/5", [4, 5, 6], True),  # handbook 9: not computed with MORE than 3 in a row
        ("3/5", [4, 5, 6, 7], False),
        ("3/5", [1, 8, 15, 22, 29], True),  # nor with MORE than 5 in all
        ("3/5", [1, 8, 15, 22, 29, 30], False),
        ("3/5", [1, 2, 3, 29, 30], True),
        ("3/5", [1, 2, 3, 28, 29, 30], False),
        ("11/5", [10, 11, 12, 13], True),  # WMO-1203: not with 5 in a row
        ("11/5", [10, 11, 12, 13, 14], False),
        ("11/5", [1, 3, 5, 7, 9, 11, 13, 15, 17, 19], True),  # nor with 11 in all
        ("11/5", [1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21], False),
        ("3/5", list(range(1, 31)), False),
        ("11/5", list(range(1, 31)), False),
    ],
)
def test_days_of_a_month(rule: str, lacking: list[int], holds: bool) -> None:
    assert DAY_RULES[rule].holds(month(lacking)) is holds


@pytest.mark.parametrize(
    ("directions", "speeds", "mean", "length", "steadiness"),
    [
        ([350.0, 10.0], [5.0, 5.0], 0.0, 4.924039, 0.984808),  # across north: cos 10 deg = 0.984808
        ([0.0, 90.0], [3.0, 4.0], 53.130102, 2.5, 0.714286),  # the 3-4-5 triangle: 2.5 of 3.5 m/s
        ([270.0, 270.0], [2.0, 6.0], 270.0, 4.0, 1.0),
        ([0.0, 180.0], [3.0, 3.0], math.nan, 0.0, 0.0),  # they cancel out: from nowhere
        ([0.0, 180.0], [3.0, 1.0], 0.0, 1.0, 0.5),
        ([120.0, 240.0], [0.0, 0.0], math.nan, 0.0, math.nan),  # no wind
        ([360.0, 360.0], [1.0, 1.0], 0.0, 1.0, 1.0),
    ],
)
def test_vector_mean_by_hand(
    directions: list[float], speeds: list[float], mean: float, length: float, steadiness: float
) -> None:
    east, north = means.components(np.array(directions), np.array(speeds))
    found = means.resultant(*(np.array([x.mean()]) for x in (east, north, np.array(speeds))))
    assert [x[0] for x in found] == pytest.approx([mean, length, steadiness], abs=1e-6, nan_ok=True)


WINDS = st.lists(
    st.tuples(st.floats(0, 360), st.floats(0, 60), st.integers(0, 4), st.booleans()), min_size=1, max_size=60
)


@given(WINDS)
def test_vector_mean_in_complex_numbers(winds: list[tuple[float, float, int, bool]]) -> None:
    """The same by complex numbers, one group after the other."""
    winds = sorted(winds, key=lambda w: w[2])
    direction, speed, group, used = (np.array(x) for x in zip(*winds, strict=True))
    parts = [means.means(p, group, 5, used) for p in (*means.components(direction, speed), speed)]
    mean, length, steadiness = means.resultant(*parts)
    for g in range(5):
        mine = [(d, s) for d, s, n, u in winds if n == g and u]
        if not mine:
            assert np.isnan([mean[g], length[g], steadiness[g]]).all()
            continue
        total = sum(cmath.rect(s, math.radians(d)) for d, s in mine) / len(mine)
        scalar = math.fsum(s for _, s in mine) / len(mine)
        assert length[g] == pytest.approx(abs(total), abs=1e-5)
        if scalar > 1e-3:
            assert steadiness[g] == pytest.approx(abs(total) / scalar, abs=1e-5)
            assert 0.0 <= steadiness[g] <= 1.0
        if abs(total) > 1e-3:
            assert 0.0 <= mean[g] < 360.0
            turn = (mean[g] - math.degrees(cmath.phase(total)) + 180.0) % 360.0 - 180.0
            assert turn == pytest.approx(0.0, abs=1e-3)


VALUES = st.lists(st.tuples(st.floats(-1e4, 1e4), st.integers(0, 5), st.booleans()), min_size=1, max_size=80)


@given(VALUES)
def test_sums_means_and_extremes_by_pandas(values: list[tuple[float, int, bool]]) -> None:
    values = sorted(values, key=lambda v: v[1])
    numbers, group, used = (np.array(x) for x in zip(*values, strict=True))
    frame = pd.DataFrame({"x": numbers, "g": group})[used]
    by = frame.groupby("g")["x"].agg(["mean", "min", "max", "count"]).reindex(range(6))
    low, high = means.extremes(numbers, group, 6, used)
    np.testing.assert_array_equal(low, by["min"].to_numpy())
    np.testing.assert_array_equal(high, by["max"].to_numpy())
    np.testing.assert_allclose(means.means(numbers, group, 6, used), by["mean"].to_numpy(), atol=1e-7)
    np.testing.assert_array_equal(means.counted(group, 6, used), by["count"].fillna(0).to_numpy())
    exact = [math.fsum(frame.x[frame.g == g]) if (frame.g == g).any() else math.nan for g in range(6)]
    np.testing.assert_allclose(means.sums(numbers, group, 6, used), exact, atol=1e-7)


def test_the_verdict_comes_from_what_was_used() -> None:
    """Good; changed; estimated, which is the weaker word; a wrong value beside that was not used; nothing used."""
    codes = np.array([0, 0, 0, 5, 5, 6, 0, 3, 3], np.uint8)
    group = np.array([0, 0, 1, 1, 2, 2, 3, 3, 4])
    used = np.isin(codes, (0, 5, 6))
    there = np.array([True, True, True, True, False])
    assert means.aggregate_verdict(codes, group, 5, used, there).tolist() == [0, 5, 6, 0, 7]


def test_a_rounded_number_is_never_minus_nothing() -> None:
    assert str(means.rounded(np.array([-1e-9]))[0]) == "0.0"
