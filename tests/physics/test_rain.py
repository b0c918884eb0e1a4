"""Whole amounts, printed digits and even tips."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics.rain import bridged, even_tips, last_digit, whole
from qc.physics.windows import Blocks

QUARTER = 900_000_000
T0 = np.datetime64("2026-04-25T06:00:00", "us")


def blocks(count: int) -> Blocks:
    return Blocks(T0 + np.arange(count) * np.timedelta64(QUARTER, "us"), QUARTER)


def test_whole_amounts_add_up_exactly() -> None:
    assert whole([0.1, 0.2, np.nan, 0.254]).tolist() == [100_000, 200_000, 0, 254_000]
    assert whole([0.1] * 3).sum() == whole([0.3]).sum()


@pytest.mark.parametrize(
    ("value", "step"),
    [(0.25, 0.01), (0.3, 0.1), (3.0, 1.0), (30.0, 1.0), (11.94, 0.01), (0.1 + 0.2, 0.1), (0.0, 1.0), (1 / 3, 0.0)],
)
def test_last_digit(value: float, step: float) -> None:
    assert last_digit([value]).tolist() == [step]


def test_an_even_run_is_followed_to_both_ends_and_cut_to_the_reach() -> None:
    rain = [0.0, *[0.2] * 6, 0.0, 0.2]
    found = even_tips(rain, blocks(9), 1, 1.5, 1.0, 4 * QUARTER, 3 * QUARTER)
    assert (found.back_us // QUARTER).tolist() == [-1, 0, 1, 2, 3, 3, 3, -1, -1]
    assert (found.ahead_us // QUARTER).tolist() == [-1, 4, 4, 4, 3, 2, 1, -1, -1]
    assert (found.lasting_us // QUARTER).tolist() == [0, 4, 5, 6, 6, 5, 4, 0, 0]


def test_a_jump_and_a_lone_tip_are_in_no_run() -> None:
    found = even_tips([0.2, 0.6, 0.0, 0.2], blocks(4), 1, 1.5, 1.0, 4 * QUARTER, 9 * QUARTER)
    assert found.lasting_us.tolist() == [0, 0, 0, 0]


def test_bridges_span_what_lies_no_further_apart() -> None:
    time = blocks(7).time
    from_ = np.array([True, False, False, False, True, False, False])
    to = np.array([False, False, True, False, False, False, True])
    assert bridged(time, from_, to, 2 * QUARTER).tolist() == [True, True, True, False, True, True, True]
    assert bridged(time, from_, to, 2 * QUARTER - 1).tolist() == [False] * 7
    assert bridged(time[:0], from_[:0], to[:0], QUARTER).tolist() == []
