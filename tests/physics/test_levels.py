"""Levels of days and lasting steps in them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from qc.physics import levels


@given(
    arrays(float, st.integers(1, 40), elements=st.floats(-2, 2)),
    st.integers(1, 12),
    st.sampled_from([0.0, 0.5, 0.8, 1.0]),
)
def test_envelopes_ahead_are_quantiles_of_numpy(x: np.ndarray, most: int, share: float) -> None:
    expected = [np.quantile(x[k : k + most], share) for k in range(len(x))]
    assert levels._ahead(x, most, share) == pytest.approx(expected, abs=1e-12)


def test_a_day_is_the_quantile_of_its_good_rows() -> None:
    day = np.repeat([5, 6, 7], 10)
    ratio = np.tile(np.linspace(0.1, 1.0, 10), 3)
    ratio[12] = np.nan
    good = np.ones(30, bool)
    good[20:22] = False
    found = levels.daily(ratio, day, good, share=1.0, least=9)
    assert found.day.tolist() == [5, 6]
    assert found.value == pytest.approx([0.0, 0.0])
    assert levels.daily(ratio, day, good, share=0.5, least=8).day.tolist() == [5, 6, 7]
    assert len(levels.daily(np.full(30, np.nan), day, good, share=0.5, least=1).day) == 0
    assert len(levels.daily(-ratio, day, good, share=0.5, least=1).day) == 0


@pytest.mark.parametrize("at", [8, 20, 31, 32])
def test_a_step_is_found_where_it_is(at: int) -> None:
    x = np.where(np.arange(40) < at, 0.0, 0.2) + 0.01 * np.sin(np.arange(40) * 2.1)
    found = levels.step(levels.Levels(np.arange(40) * 2, x), share=0.5, least=8, most=20, floor=0.01)
    assert found is not None
    assert abs(found.at - at) <= 8  # the exact day is for `onset.step`
    assert found.size == pytest.approx(0.2, abs=0.03)
    assert found.error >= 0.01
    assert found.number == (min(20, found.at), min(20, 40 - found.at))


def test_too_few_levels_have_no_step() -> None:
    few = levels.Levels(np.arange(15), np.zeros(15))
    assert levels.step(few, share=0.5, least=8, most=20, floor=0.01) is None
    enough = levels.Levels(np.arange(16), np.zeros(16))
    assert levels.step(enough, share=0.5, least=8, most=20, floor=0.01) is not None


def test_other_levels_are_compared_at_a_day() -> None:
    one = levels.Levels(np.arange(0, 20, 2), np.r_[np.zeros(5), np.ones(5)])
    assert levels.compared(one, 10, share=0.5, most=3) == (1.0, 3, 3)
    size, before, after = levels.compared(one, 0, share=0.5, most=3)
    assert np.isnan(size) and (before, after) == (0, 3)
