"""The hour at which a day's wave peaks, and when days agree on none."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics import daily_course


def days(n: int, peak: float, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    hour = np.tile(np.arange(144) / 6.0, n)
    day = np.repeat(np.arange(n), 144)
    scatter = np.random.default_rng(1).normal(size=len(day)) * noise
    return day, hour, 10.0 + 5.0 * np.cos((hour - peak) * np.pi / 12.0) + scatter


@pytest.mark.parametrize("peak", [0.0, 2.5, 12.0, 14.5, 23.0])
def test_the_hour_of_a_known_peak(peak: float) -> None:
    known, wave = daily_course.waves(*days(6, peak, 1.0))
    got = daily_course.course(wave)
    assert got is not None
    assert list(known) == list(range(6)) and got.days == 6
    assert abs(daily_course.apart(got.hour - peak)) < 0.15
    assert 0.0 < got.error < 0.15


def test_days_that_agree_on_nothing_have_no_hour() -> None:
    rng = np.random.default_rng(2)
    _, wave = daily_course.waves(*days(8, 12.0)[:2], rng.normal(size=8 * 144))
    assert daily_course.course(wave) is None
    assert daily_course.course(wave[:1]) is None


@pytest.mark.parametrize(("lost", "kept"), [(28, 4), (29, 3)])
def test_a_day_needs_four_fifths_of_its_rows(lost: int, kept: int) -> None:
    day, hour, values = days(4, 12.0)
    values[:lost] = np.nan  # 115.2 of 144 rows are four fifths
    assert len(daily_course.waves(day, hour, values)[0]) == kept


@pytest.mark.parametrize(("hours", "within"), [(13.0, -11.0), (-13.0, 11.0), (0.5, 0.5), (12.0, -12.0)])
def test_a_difference_of_hours(hours: float, within: float) -> None:
    assert daily_course.apart(hours) == within
