"""Clear half-days are found, cloudy ones are not; quantiles of groups are those of numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from qc.physics.half_days import NOISE, SLOPE, HalfDays, grouped_quantile, half_days, noise

N = 144  # rows of a day of 10 min


def _found(measured: np.ndarray, clear: np.ndarray, elevation: np.ndarray, **given_: float) -> HalfDays:
    n = len(measured)
    day = np.arange(n) // N
    follows = np.arange(n) > 0
    return half_days(measured, clear, elevation, day, np.arange(n) % N >= N // 2, follows, 600.0, **given_)


def _sun(days: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Elevation and clear-sky irradiance of invented days: a sine with 60 degrees at noon."""
    hour = (np.arange(days * N) % N + 0.5) / 6.0
    elevation = 60.0 * np.sin(np.pi * (hour - 6.0) / 12.0)
    return elevation, np.maximum(1000.0 * np.sin(np.radians(elevation)), 0.0)


def test_a_clear_day_is_two_clear_half_days_with_its_factor() -> None:
    elevation, clear = _sun()
    found = _found(0.9 * clear, clear, elevation)
    assert found.afternoon.tolist() == [False, True]
    assert found.ratio == pytest.approx([0.9, 0.9])
    assert found.clear().all()
    assert found.worst.max() < 1e-9
    assert elevation[found.first[0]] > 8.0 >= elevation[found.first[0] - 1]
    assert elevation[found.last[1]] > 8.0 >= elevation[found.last[1] + 1]


@pytest.mark.parametrize(("share", "clear_"), [(0.999, True), (1.001, False)])
def test_a_change_on_either_side_of_the_bound(share: float, clear_: bool) -> None:
    elevation, clear = _sun()
    bound = SLOPE * clear[: N // 2].max() + noise(600.0)
    step, at = bound, 54
    for _ in range(20):  # the median of the half-day moves a little with the step
        measured = clear.copy()
        measured[:at] -= step / 2
        measured[at : N // 2] += step / 2
        found = _found(measured, clear, elevation)
        ratio = found.ratio[0]
        bound = SLOPE * clear[: N // 2].max() * ratio + noise(600.0)
        change = abs(measured[at] - measured[at - 1] - ratio * (clear[at] - clear[at - 1]))
        step *= share * bound / change
    assert found.worst[0] == pytest.approx(share, rel=1e-6)
    assert bool(found.clear()[0]) is clear_


def test_clouds_make_no_clear_half_day_and_a_shadow_a_nearly_clear_one() -> None:
    elevation, clear = _sun(20)
    rng = np.random.default_rng(1)
    clouds = _found(clear * rng.uniform(0.3, 1.0, len(clear)), clear, elevation)
    assert not clouds.clear(rough=0.2).any()
    shaded = clear.copy()
    shaded[(np.arange(len(clear)) % N >= 50) & (np.arange(len(clear)) % N < 54)] *= 0.2
    found = _found(shaded, clear, elevation)
    assert not found.clear()[~found.afternoon].any()
    assert found.clear(rough=0.15).all()
    assert found.ratio == pytest.approx(1.0)


def test_what_is_too_short_too_low_or_missing_counts_not() -> None:
    elevation, clear = _sun()
    assert not len(_found(np.full(N, np.nan), clear, elevation).day)
    assert not len(_found(clear, clear, elevation - 60.0).day)
    few = np.where(np.arange(N) % N < 50, clear, np.nan)
    high = elevation[:50] > 8.0
    assert len(_found(few, clear, elevation, least_s=600.0 * high.sum()).day) == 1
    assert not len(_found(few, clear, elevation, least_s=600.0 * high.sum() + 1.0).day)


def test_rows_apart_are_no_pair() -> None:
    elevation, clear = _sun()
    sparse = np.where(np.arange(N) % 2 == 0, clear, np.nan)
    assert _found(sparse, clear, elevation).rough.tolist() == [1.0, 1.0]


@pytest.mark.parametrize(("interval", "expected"), [(60.0, NOISE[0]), (600.0, NOISE[1]), (1.0, 3.0), (3600.0, 6.0)])
def test_noise_by_interval(interval: float, expected: float) -> None:
    assert noise(interval) == expected


@given(
    arrays(float, st.integers(1, 60), elements=st.floats(-1e6, 1e6)),
    st.integers(1, 7),
    st.sampled_from([0.0, 0.1, 0.25, 0.5, 0.9, 1.0]),
)
def test_quantiles_of_groups_are_those_of_numpy(values: np.ndarray, groups: int, share: float) -> None:
    group = np.arange(len(values)) * min(groups, len(values)) // len(values)
    _, group = np.unique(group, return_inverse=True)
    expected = [np.quantile(values[group == g], share) for g in range(group.max() + 1)]
    assert grouped_quantile(values, group, share) == pytest.approx(expected, rel=1e-9, abs=1e-6)
