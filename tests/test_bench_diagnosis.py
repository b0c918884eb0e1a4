"""The benchmark of diagnosis measures what it says; the invented stations are healthy and hang together."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.humidity import dew_point
from tests.bench import diagnosed, ground, invented
from tests.bench.diagnosis import PARTS, calibration, error_of, isotonic, pieces, poisson, summed, wilson
from tests.bench.invented import ODD, SITES, made

NAMES = sorted(SITES)


# Newcombe 1998, Statistics in Medicine 17, 857, method 3 (from memory)
@pytest.mark.parametrize(
    ("right", "of", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (29, 29, 0.8830, 1.0),
    ],
)
def test_interval_of_a_share(right: int, of: int, low: float, high: float) -> None:
    assert wilson(right, of) == pytest.approx((low, high), abs=6e-5)


# exact Poisson limits (Garwood 1936, from memory)
@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.390)])
def test_interval_of_a_count(count: int, low: float, high: float) -> None:
    assert poisson(count) == pytest.approx((low, high), abs=6e-4)


@given(st.lists(st.tuples(st.floats(-8, 8), st.booleans()), min_size=1, max_size=60))
def test_pools_rise_and_are_those_of_least_squares(pairs: list[tuple[float, bool]]) -> None:
    from scipy.optimize import isotonic_regression

    points = isotonic([a for a, _ in pairs], [b for _, b in pairs])
    assert all(a[0] <= b[0] and a[1] <= b[1] for a, b in pairwise(points))
    assert all(0.0 < share < 1.0 for _, share in points)
    order = np.argsort([a for a, _ in pairs], kind="stable")
    y = np.array([float(b) for _, b in pairs])[order]
    fitted = isotonic_regression(y).x
    values, counts = np.unique(np.round(fitted, 9), return_counts=True)
    assert len(points) == len(values)
    assert [s for _, s in points] == pytest.approx(
        np.maximum.accumulate((values * counts + 0.5) / (counts + 1)), abs=1e-4
    )


def test_error_of_confidence() -> None:
    listed = [{"confidence": 0.95, "right": k < 8} for k in range(10)] + [{"confidence": 0.55, "right": True}] * 10
    found = error_of(listed)
    assert found["findings"] == 20
    assert found["ece"] == pytest.approx(0.5 * 0.15 + 0.5 * 0.45)
    assert [b["right"] for b in found["bins"]] == [1.0, 0.8]


def row(**more: object) -> dict[str, object]:
    return {
        "kind": "planted", "part": "report", "piece": "x#1", "station": "x", "odd": "", "fault": "pyranometer-zero",
        "grade": "gross", "first": True, "found": True, "taken": "pyranometer-zero", "confidence": 0.9, "after_d": 9.0,
        "truth": {"offset_w_m2": 40.0}, "evidence": {"offset_w_m2": 41.0}, "onset": None, "delay_d": None,
        "not_tested": [], "beside": False, "listed": [{"fault": "pyranometer-zero", "confidence": 0.9, "right": True}],
        "groups": [[3.0, True]],
    } | more  # fmt: skip


def healthy(findings: int, days: float = 30.0) -> dict[str, object]:
    told = {"fault": "clock-offset", "channels": [], "confidence": 0.7, "log_odds": 1.0, "summary": "s"}
    return {
        "kind": "healthy", "part": "report", "piece": "x#1", "station": "x", "odd": "", "days": days,
        "findings": [told] * findings, "natural": [], "groups": [[-2.0, False]],
    }  # fmt: skip


def test_figures_of_a_part() -> None:
    other = [{"fault": "clock-offset", "confidence": 0.8, "right": False}]
    rows = [
        row(), row(first=False, found=False, taken="clock-offset", evidence=None, listed=other),
        row(grade="near", first=False, taken="nothing", listed=[]), row(odd="fog"), row(part="tune"), healthy(1),
        healthy(0),
    ]  # fmt: skip
    found = summed(rows, "report")
    assert found["plantings"] == 4
    assert found["faults"]["pyranometer-zero"]["grades"]["gross"]["first"] == 1
    assert found["faults"]["pyranometer-zero"]["grades"]["gross"]["planted"] == 2
    assert found["faults"]["pyranometer-zero"]["errors"]["offset_w_m2"]["middle"] == pytest.approx(1.0)
    assert found["confusion"] == {"pyranometer-zero": {"pyranometer-zero": 1, "clock-offset": 1}}
    assert found["healthy"]["months"] == pytest.approx(2.0)
    assert found["healthy"]["findings"] == 1
    assert found["reliability"]["findings"] == 4  # three of plantings, one of a healthy piece
    told = diagnosed.markdown({"report": found})
    assert "| `pyranometer-zero` | 0 (0-79) of 1 | - | 50 (9-91) of 2 |" in told
    assert "- `pyranometer-zero`, gross: 1 of 2, promised 97 %" in told
    assert "- 0.500 findings in a healthy station-month, promised at most 0.1" in told


def test_confidence_is_learnt_from_its_own_part_alone() -> None:
    found = calibration(
        [row(part="calibrate"), row(part="report", groups=[[9.0, False]]), healthy(0) | {"part": "calibrate"}]
    )
    assert found["cases"] == 2
    assert found["prior"].startswith("1 of 2 records")
    assert [x for x, _ in found["points"]] == [-2.0, 3.0]


def test_no_station_is_in_two_parts() -> None:
    parts = [{p.station for p in pieces(part, 2, odd=True)} for part in PARTS]
    assert not (parts[0] & parts[1] or parts[1] & parts[2] or parts[0] & parts[2])
    assert all(len(part) >= 7 for part in parts)


@pytest.mark.parametrize("name", NAMES)
def test_an_invented_month_is_healthy(name: str) -> None:
    table = ground.check(made(name, 30).record()).checked.tables["main"]
    codes = np.concatenate(list(table.codes.values()))
    assert (codes == 3).sum() == 0
    assert np.isin(codes, (1, 2)).sum() <= 0.001 * len(codes)


@pytest.mark.parametrize("odd", ODD)
def test_odd_weather_is_healthy_too(odd: str) -> None:
    table = ground.check(made("A-maritime", 8, odd).record()).checked.tables["main"]
    codes = np.concatenate(list(table.codes.values()))
    assert (codes == 3).sum() == 0
    assert np.isin(codes, (1, 2)).sum() <= 0.001 * len(codes)


@pytest.mark.parametrize("name", ["A-maritime", "B-continental", "C-desert"])
def test_invented_quantities_hang_together(name: str) -> None:
    record = made(name, 20).record()
    v = {c: x.values for c, x in record.tables["main"].channels.items()}
    assert (v["gust"] >= v["ws"] - 0.01)[np.isfinite(v["ws"])].all()
    assert np.nanmax(np.abs(dew_point(v["t"], v["rh"]) - v["td"])) < 1.0
    lit = v["ghi"] > 50
    assert np.nanmedian(np.abs(v["par"][lit] / v["ghi"][lit] - 2.03)) < 0.1
    assert np.nanquantile((v["ghi"] - v["dhi"])[v["ghi"] > 5], 0.01) > -15
    assert 0.02 < (v["rain"] > 0).mean() < 0.3 if name == "A-maritime" else (v["rain"] > 0).mean() < 0.3


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    invented.made.cache_clear()
    first = made("A-tropics", 3).raw
    invented.made.cache_clear()
    assert made("A-tropics", 3).raw == first
    assert made("A-tropics", 3, seed=1).raw != first


@pytest.mark.parametrize("minutes", [1, 5, 10, 15, 60])
def test_every_interval_is_written_and_read(minutes: int) -> None:
    table = made("A-arctic", 2, minutes=minutes).record().tables["main"]
    assert table.rows == 2 * 1440 // minutes
    assert np.isfinite(table.channels["t"].values).mean() > 0.99
