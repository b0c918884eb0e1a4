"""Runs, blocks and fingerprints against slow and plain reckoning."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics import blocks, fingerprints
from qc.physics.runs import Runs, joined, repeats, rows_of, runs, spread, usual_longest

FLAGS = st.lists(st.booleans(), max_size=40)


@given(FLAGS)
def test_runs_are_all_rows_that_hold_and_no_others(flags: list[bool]) -> None:
    found = runs(flags)
    assert rows_of(found).tolist() == [i for i, f in enumerate(flags) if f]
    assert all(b > a for a, b in zip(found.start, found.stop, strict=True))
    assert all(b < c for b, c in zip(found.stop[:-1], found.start[1:], strict=True))


@given(FLAGS, st.integers(0, 5))
def test_joined_runs_are_apart_by_more_than_the_gap(flags: list[bool], gap: int) -> None:
    found = joined(runs(flags), gap)
    assert set(rows_of(runs(flags)).tolist()) <= set(rows_of(found).tolist())
    assert all(b - a > gap for a, b in zip(found.stop[:-1], found.start[1:], strict=True))


def test_repeats_hold_the_row_that_is_repeated() -> None:
    found = repeats([False, False, True, True, False, True])
    assert list(zip(found.start.tolist(), found.stop.tolist(), strict=True)) == [(1, 4), (4, 6)]
    assert found.length.tolist() == [3, 2]


@pytest.mark.parametrize(
    ("values", "circular", "expected"),
    [([1.0, 3.0, 2.0], False, 2.0), ([359.0, 1.0, 0.5], True, 2.0), ([10.0, 20.0, 15.0], True, 10.0)],
)
def test_spread_within_a_run(values: list[float], circular: bool, expected: float) -> None:
    found = Runs(np.array([0]), np.array([3]))
    assert spread(values, found, circular=circular) == pytest.approx([expected])


def test_the_usual_longest_run_counts_days_without_one() -> None:
    assert usual_longest([3, 2, 5], [0, 0, 1], 2, 0.0) == pytest.approx(np.sqrt(15.0))
    assert usual_longest([5], [0], 9, 4.0) == 1.0
    assert np.isnan(usual_longest([5], [0], 1, 4.0))
    assert usual_longest([4, 16], [0, 1], 2, 1.0) == pytest.approx(8.0 * 2.0**1.4826)


@given(st.lists(st.tuples(st.integers(0, 5), st.one_of(st.floats(-50, 50), st.just(float("nan")))), max_size=40))
def test_medians_of_blocks(pairs: list[tuple[int, float]]) -> None:
    pairs.sort(key=lambda p: p[0])
    block = np.array([p[0] for p in pairs], np.int64)
    x = np.array([p[1] for p in pairs], float)
    numbers, middle, count = blocks.medians(x, block)
    for n, m, c in zip(numbers, middle, count, strict=True):
        part = x[(block == n) & np.isfinite(x)]
        assert m == pytest.approx(np.median(part)) and c == len(part)
    assert set(numbers.tolist()) == set(block[np.isfinite(x)].tolist())


def test_a_figure_of_blocks_back_on_the_rows() -> None:
    rows = np.array([0, 0, 1, 2, 5])
    assert blocks.spread_out([7.0, 9.0], np.array([0, 2]), rows, -1.0).tolist() == [7.0, 7.0, -1.0, 9.0, -1.0]
    assert blocks.spread_out([], np.zeros(0, np.int64), rows, 3.0).tolist() == [3.0] * 5


def test_a_fingerprint_against_plain_reckoning() -> None:
    rng = np.random.default_rng(3)
    day = np.repeat([0, 1], 100)
    x = rng.normal(10.0, 3.0, 200)
    x[150:160] = np.nan
    x[0:5] = 0.0
    sine = np.tile(np.sin(np.linspace(-np.pi, np.pi, 100)), 2)
    found = fingerprints.fingerprint(x, day, sine, least=50)
    for d in (0, 1):
        part, s = x[day == d], sine[day == d]
        keep = np.isfinite(part)
        part, s = part[keep], np.maximum(s[keep], 0.0)
        ranked = np.sort(part)
        assert found.least[d] in ranked[:3] and found.most[d] in ranked[-3:]
        assert found.middle[d] == pytest.approx(np.median(part), abs=0.5)
        assert found.sun[d] == pytest.approx(np.corrcoef(part, s)[0, 1])
        assert found.zeros[d] == pytest.approx((part == 0).mean())
        steps = np.abs(np.diff(part)).sum() / len(part)
        assert found.rough[d] == pytest.approx(steps / (found.high[d] - found.low[d]))
    assert np.isnan(fingerprints.fingerprint(x, day, sine, least=95).middle[1])


@pytest.mark.parametrize(
    ("middle", "cost"), [(5.0, 0.0), (10.0, 0.0), (12.0, -0.5), (14.0, -2.0), (99.0, -6.0), (-2.0, -0.5)]
)
def test_what_lies_outside_costs_up_to_a_bound(middle: float, cost: float) -> None:
    one = np.array([middle])
    figures = fingerprints.Print(*([one] * 9))
    assert fingerprints.suits(figures, {"middle": (0.0, 10.0, 2.0)}) == pytest.approx([cost])


def test_correlation_within_days() -> None:
    rng = np.random.default_rng(3)
    a, day = rng.normal(0, 1, 120), np.repeat([0, 1, 2], 40)
    b = a + rng.normal(0, 1, 120)
    b[80:] = 4.0
    found = fingerprints.day_correlation(a, b, day, 3)
    for d in (0, 1):
        assert found[d] == pytest.approx(np.corrcoef(a[day == d], b[day == d])[0, 1])
    assert np.isnan(found[2])


@pytest.mark.parametrize(("gap", "left"), [(0, 3), (1, 2), (2, 1)])
def test_a_gap_that_equals_the_bound_is_closed(gap: int, left: int) -> None:
    assert len(joined(runs([True, False, True, False, False, True]), gap).start) == left
