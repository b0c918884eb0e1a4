"""Medians taken together give the bits of `np.median`, one stretch at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics import blocks

FLOATS = st.floats(-1e6, 1e6, allow_subnormal=False)


@given(st.lists(st.lists(FLOATS | st.just(float("nan")), min_size=1, max_size=7), min_size=1, max_size=9))
def test_medians_of_stretches(parts: list[list[float]]) -> None:
    first = np.cumsum([0, *(len(p) for p in parts[:-1])])
    found = blocks.medians_of(np.concatenate([np.array(p) for p in parts]), first)
    assert found.tobytes() == np.array([np.median(p) for p in parts]).tobytes()


@pytest.mark.parametrize(("values", "first", "expected"), [([], [], []), ([4.0, 1.0, 2.0, 9.0], [0, 3], [2.0, 9.0])])
def test_stretches_of_unlike_length(values: list[float], first: list[int], expected: list[float]) -> None:
    assert blocks.medians_of(np.array(values), np.array(first, int)).tolist() == expected
