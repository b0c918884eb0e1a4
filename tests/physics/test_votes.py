"""Votes: who is outvoted, and who never is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.votes import differences, mostly, outvoted

APART = np.eye(3, dtype=bool)
TIME = np.datetime64("2026-01-01", "us") + np.arange(10) * np.timedelta64(60_000_000, "us")


def lost(
    values: list[float], *, credit: str = "yyy", alike: np.ndarray = APART, agree: float = 3.0, differ: float = 8.0
) -> list[bool]:
    """Who of three is outvoted; `credit` says y or n for each."""
    apart = differences([np.array([v]) for v in values])
    found = outvoted(apart, [np.array([c == "y"]) for c in credit], alike, agree, differ)
    return [bool(f[0]) for f in found]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([20.0, 20.0, 28.1], [False, False, True]),
        ([20.0, 20.0, 28.0], [False, False, False]),  # on the limit
        ([20.0, 23.0, 31.1], [False, False, True]),  # the two agree, on the limit
        ([20.0, 23.1, 31.2], [False, False, False]),  # they do not
        ([20.0, 30.0, 40.0], [False, False, False]),  # no two agree
        ([20.0, 22.0, np.nan], [False, False, False]),
        ([8.1, 8.1, 16.1], [False, False, False]),  # 16.1 - 8.1 is more than 8 in doubles
    ],
)
def test_two_against_one(values: list[float], expected: list[bool]) -> None:
    assert lost(values) == expected


def test_without_credit_there_is_no_vote() -> None:
    assert lost([20.0, 20.0, 40.0], credit="yny") == [False, False, False]
    assert lost([20.0, 20.0, 40.0], credit="yyn") == [False, False, True]


def test_two_that_fail_alike_are_one_vote() -> None:
    alike = APART.copy()
    alike[0, 1] = alike[1, 0] = True
    assert lost([20.0, 20.0, 40.0], alike=alike) == [False, False, False]


def test_whoever_has_a_supporter_is_not_outvoted() -> None:
    values = [np.array([v]) for v in (20.0, 20.0, 40.0, 43.0)]  # the last two agree, on the limit
    found = outvoted(differences(values), [np.array([True])] * 4, np.eye(4, dtype=bool), 3.0, 8.0)
    assert not np.any(found)


@given(values=st.lists(st.floats(-50, 50), min_size=3, max_size=5), order=st.randoms(use_true_random=False))
def test_the_order_of_sensors_does_not_matter(values: list[float], order: object) -> None:
    series = [np.array([v]) for v in values]
    places = list(range(len(values)))
    order.shuffle(places)  # type: ignore[attr-defined]
    credit, alike = [np.array([True])] * len(values), np.eye(len(values), dtype=bool)
    found = outvoted(differences(series), credit, alike, 3.0, 8.0)
    shuffled = outvoted(differences([series[p] for p in places]), credit, alike, 3.0, 8.0)
    assert [bool(f[0]) for f in shuffled] == [bool(found[p][0]) for p in places]


@pytest.mark.parametrize(("bad", "expected"), [(2, False), (3, True)])
def test_mostly_is_more_than_half(bad: int, expected: bool) -> None:
    rows, asked = np.zeros(10, bool), np.zeros(10, bool)
    rows[:bad] = True
    asked[:4] = True
    assert mostly(rows, asked, TIME, 9 * 60_000_000)[0] == expected
