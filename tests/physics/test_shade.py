"""The arithmetic of fixed shade: the sun's azimuth, overlaps, runs of days, levels, edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from qc.physics import shade, sun


@pytest.mark.parametrize(("latitude", "hour"), [(51.0, 9), (51.0, 12), (5.0, 8), (-33.0, 15), (68.0, 20)])
def test_azimuth_runs_as_the_sun_does(latitude: float, hour: int) -> None:
    """Against differences of the SPA (Reda and Andreas 2004) over ten minutes; the sun's own motion among the stars is
    0.04 degree an hour."""
    middle = np.datetime64("2025-06-10T00:00", "us") + np.timedelta64(hour, "h")
    time = middle + np.array([-5, 0, 5]) * np.timedelta64(60, "s")
    where = sun.position(time, latitude, 0.0, 0.0)
    expected = ((where.azimuth[2] - where.azimuth[0] + 180.0) % 360.0 - 180.0) * 6.0
    found = shade.azimuth_rate(latitude, 90.0 - where.zenith[1], where.azimuth[1])
    assert float(found) == pytest.approx(expected, abs=0.1 + 0.01 * abs(expected))


@pytest.mark.parametrize(
    ("first", "last", "share"), [(0, 10, 0.0), (98, 102, 1.0), (100, 110, 0.5), (99.5, 100.5, 0.5), (101, 109, 0.0)]
)
def test_overlap(first: float, last: float, share: float) -> None:
    assert float(shade.overlap(100.0, 2.0, first, last)) == pytest.approx(share)


@given(
    arrays(float, st.tuples(st.integers(1, 12), st.integers(1, 3)), elements=st.sampled_from([-2.0, -0.5, 0.0, 1.0]))
)
def test_the_best_run_is_the_best_of_all(gains: np.ndarray) -> None:
    best, first, last = shade.best_run(gains)
    for column in range(gains.shape[1]):
        x = gains[:, column]
        sums = [x[a : b + 1].sum() for a in range(len(x)) for b in range(a, len(x))]
        assert best[column] == pytest.approx(max(0.0, *sums) if len(sums) > 1 else max(0.0, sums[0]))
        if last[column] >= 0:
            assert x[first[column] : last[column] + 1].sum() == pytest.approx(best[column])


def _rows(days: int, step: float = 2.0) -> shade.Rows:
    """Invented days: the sun runs from 90 to 270 degrees in ten hours, 10 to 50 degrees high."""
    azimuth = np.tile(np.arange(90.0 + step / 2, 270.0, step), days)
    count = round(180.0 / step)
    hour = np.tile(7.0 + 10.0 * (np.arange(count) + 0.5) / count, days)
    elevation = 10.5 + 40.0 * np.sin(np.pi * (azimuth - 90.0) / 180.0)
    return shade.Rows(
        np.ones(len(hour)), azimuth, np.full(len(hour), step), elevation, np.arange(days).repeat(count), hour
    )


def test_levels_bridge_a_shadow_and_need_six_values() -> None:
    rows = _rows(3)
    dark = (rows.azimuth > 150.0) & (rows.azimuth < 170.0)
    found = shade.levels(rows._replace(clearness=np.where(dark, 0.2, 0.9)), 400.0)
    assert found == pytest.approx(np.full(len(dark), 0.9))
    few = shade.Rows(*(part[:5] for part in rows))
    assert np.isnan(shade.levels(few, 400.0)).all()


@given(st.floats(130.0, 200.0), st.floats(9.0, 25.0), st.floats(0.3, 0.95))  # an interval lies wholly in it
@example(178.75, 10.5, 0.5)  # three intervals, of which two lie in it for four fifths
def test_edges_come_out_finer_than_the_sun_moves(first: float, width: float, depth: float) -> None:
    rows = _rows(3, step=4.0)
    share = shade.overlap(rows.azimuth, rows.width, first, first + width)
    a, b, found = shade.edges(rows, 1.0 - depth * share, first - 1.5, first + width + 1.5)
    assert (a, b) == (pytest.approx(first, abs=0.6), pytest.approx(first + width, abs=0.6))
    assert found == pytest.approx(depth, abs=0.1)


def test_a_shadow_is_traced_and_clear_days_have_none() -> None:
    rows = _rows(12)
    assert shade.trace(rows, 400.0) == []
    share = shade.overlap(rows.azimuth, rows.width, 141.0, 153.0)
    (found,) = shade.trace(rows._replace(clearness=1.0 - 0.8 * share), 400.0)
    assert (found.azimuth_from, found.azimuth_to) == (pytest.approx(141.0, abs=0.5), pytest.approx(153.0, abs=0.5))
    assert found.depth == pytest.approx(0.8, abs=0.02)
    assert len(found.dark) == 12 and not len(found.clear) and found.two_sided and found.before is None
    assert found.wander < 0.2 and found.depth_spread < 0.05


def test_every_other_day_is_no_shadow() -> None:
    rows = _rows(20)
    share = shade.overlap(rows.azimuth, rows.width, 141.0, 153.0) * (rows.day % 2)
    assert not [s for s in shade.trace(rows._replace(clearness=1.0 - 0.8 * share), 400.0) if s.gain > 8.0]
