"""The parts of `draft` by themselves: resolution, markers, spacing, the sun's shift, civil time, TOML text; and hostile
tables.
"""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc.draft import clock, draft, stamps, sun, values, words, write
from qc.errors import FairvaneError
from qc.read.tables import read_tables
from tests.draft.weather import Place, weather

RNG = np.random.default_rng(11)
SPREAD = RNG.uniform(-20, 35, 4000)


# ---- resolution


@pytest.mark.parametrize("step", [0.001, 0.01, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0])
def test_resolution_of_an_even_grid(step: float) -> None:
    assert values.resolution(np.round(SPREAD * 10 / step) * step)[0] == step


def test_resolution_by_range_of_four_digits() -> None:
    p = RNG.uniform(960, 1040, 4000)
    digits = np.where(p < 1000, np.round(p, 1), np.round(p))
    assert values.resolution(digits)[0] == [[1000.0, 0.1], [2000.0, 1.0]]


def test_resolution_by_range_of_thirteen_bits() -> None:
    rh = RNG.uniform(20, 100, 4000)
    assert values.resolution(np.where(rh < 80, np.round(rh, 2), np.round(rh, 1)))[0] == [[80.0, 0.01], [200.0, 0.1]]


def test_resolution_withstands_one_odd_cell_in_a_hundred_and_not_more() -> None:
    grid = np.round(RNG.uniform(10, 20, 5000), 1)
    few, many = grid.copy(), grid.copy()
    few[::200] += 0.03
    many[::20] += 0.03
    assert values.resolution(few)[0] == 0.1
    assert values.resolution(many)[0] == 0.01


@pytest.mark.parametrize("tip", [0.1, 0.2, 0.254, 0.5, 0.01])
def test_tip_of_a_gauge(tip: float) -> None:
    rain = np.where(RNG.random(4000) < 0.9, 0, RNG.integers(1, 9, 4000) * tip)
    assert values.resolution(np.round(rain, 3), sums=True)[0] == tip


def test_no_resolution_where_values_are_computed() -> None:
    found, why = values.resolution(SPREAD)
    assert found is None and "digits of a computation" in why
    assert values.resolution(np.full(100, 3.0))[0] is None


# ---- markers


@pytest.mark.parametrize(
    "code", [-9999.0, -999.9, -999.0, -99.9, 9999.0, 7999.0, 6999.0, 32767.0, 1e20, -6999.0, 99999.0]
)
def test_codes(code: float) -> None:
    column = np.concatenate((SPREAD, [code]))
    assert [(s.value, s.count) for s in values.suspects(column)] == [(code, 1)]


@pytest.mark.parametrize("honest", [99.0, 99.9, 999.0, 999.9, 9.0, -9.9])
def test_nines_among_like_values_are_no_codes(honest: float) -> None:
    around = np.round(honest + RNG.normal(0, 3, 2000), 1)
    assert values.suspects(np.concatenate((around, [honest] * 30))) == []


def test_two_codes_and_a_spike_beside_them() -> None:
    column = np.concatenate((SPREAD, [-9999.0] * 3, [-99999.0] * 2, [80.0]))
    assert [(s.value, s.count) for s in values.suspects(column)] == [(-99999.0, 2), (-9999.0, 3)]


# ---- spacing


def _times(*minutes: float) -> np.ndarray:
    return np.datetime64("2024-01-01", "us") + (np.array(minutes) * 60e6).astype("timedelta64[us]")


def test_spacing_with_gaps_repeats_and_any_order() -> None:
    t = _times(*range(0, 600, 10), *range(900, 1500, 10), *range(0, 100, 10))
    found = stamps.spacing(RNG.permutation(t))
    assert (found.interval_s, found.stray_s, found.rows) == (600.0, 0.0, 120)


@pytest.mark.parametrize(("late_s", "stray"), [(0.0, 0.0), (3.0, 3.0), (9.5, 10.0)])
def test_spacing_of_a_clock_that_strays(late_s: float, stray: float) -> None:
    found = stamps.spacing(_times(*(10 * k + late_s / 60 for k in range(300))))
    assert (found.interval_s, found.stray_s) == (600.0, stray)


def test_spacing_of_events() -> None:
    assert stamps.spacing(_times(*np.cumsum(RNG.exponential(70, 300)))).interval_s is None
    assert stamps.spacing(_times(5)).interval_s is None


@pytest.mark.parametrize(
    ("seconds", "text"), [(1, "1s"), (60, "1min"), (90, "90s"), (3600, "1h"), (86400, "1d"), (5400, "90min")]
)
def test_durations(seconds: float, text: str) -> None:
    assert stamps.duration(seconds) == text


# ---- the sun


@pytest.mark.parametrize("interval_s", [60, 600, 1800, 3600])
@pytest.mark.parametrize("longitude", [-150.0, 0.0, 100.0])
@pytest.mark.parametrize("latitude", [-35.0, 5.0, 52.0])
def test_the_sun_finds_a_shift_of_the_clock(latitude: float, longitude: float, interval_s: int) -> None:
    place = Place(latitude, longitude, 100.0)
    w = weather(place, "2023-03-01", 21, interval_s)
    for ahead in (0, 47):
        local = (w.end + np.timedelta64(ahead, "m")).astype("datetime64[us]")
        found = sun.shift(local, w.ghi, interval_s, longitude)
        assert found is not None
        off = found.minutes - ahead - interval_s / 120
        # the edge of the day is known to a part of an interval
        assert abs(off) < 3 + interval_s / 900, (off, found.error)


def test_the_sun_needs_days_with_an_edge() -> None:
    place = Place(52.0, 0.0, 100.0)
    w = weather(place, "2023-03-01", 2, 600)
    assert sun.shift(w.end.astype("datetime64[us]"), w.ghi, 600, 0.0) is None
    w = weather(place, "2023-03-01", 20, 600)
    assert sun.shift(w.end.astype("datetime64[us]"), w.ghi * np.nan, 600, 0.0) is None
    assert sun.shift(w.end.astype("datetime64[us]"), w.ghi, 10800, 0.0) is None


def test_cells_left_empty_by_night_are_dark() -> None:
    place = Place(-8.0, -35.0, 10.0)
    w = weather(place, "2023-03-01", 20, 3600)
    found = sun.shift(w.end.astype("datetime64[us]"), np.where(w.ghi > 0, w.ghi, np.nan), 3600, -35.0)
    assert found is not None and found.minutes == pytest.approx(30, abs=5)


def test_solar_noon() -> None:
    """Equation of time: -14.2 min on 11 February, +16.4 min on 3 November (almanac values, from memory; to half a
    minute).
    """
    days = np.array(["2023-02-11", "2023-11-03"], "datetime64[D]").astype(np.int64)
    assert sun.noon_utc(days, 0.0) / 60 == pytest.approx([734.2, 703.6], abs=0.5)
    assert sun.noon_utc(days, 15.0) / 60 == pytest.approx([674.2, 643.6], abs=0.5)


# ---- civil time


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (52.5, 13.4, "Europe/Berlin"),
        (-33.9, 151.2, "Australia/Sydney"),
        (35.7, 139.7, "Asia/Tokyo"),
        (40.7, -74.0, "America/New_York"),
    ],
)
def test_nearest_zone(latitude: float, longitude: float, zone: str) -> None:
    assert clock.nearest_zones(latitude, longitude)[0][1] == zone


def test_standard_and_summer_time() -> None:
    assert clock.standard_summer("Europe/Berlin", 2023) == (60, 120)
    assert clock.standard_summer("Australia/Sydney", 2023) == (600, 660)
    assert clock.standard_summer("Asia/Tokyo", 2023) == (540, 540)


@pytest.mark.parametrize(("minutes", "text"), [(0, "+00:00"), (-210, "-03:30"), (345, "+05:45"), (840, "+14:00")])
def test_offsets(minutes: int, text: str) -> None:
    assert clock.offset(minutes) == text


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("Time(utc)", 0), ("Hora UTC", 0), ("UTC+8", 480), ("Tid (UTC+1)", 60), ("GMT-05:30", -330), ("time_utc", 0),
        ("Zeit (MEZ)", 60),
        ("MST", -420), ("Hour (PST)", -480), ("Time", None), ("outcome", None), ("UTC+99", None), ("LST", None),
    ],
)  # fmt: skip
def test_zones_in_names(text: str, minutes: int | None) -> None:
    assert words.zone_in(text) == minutes


# ---- units in names


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("T (degC)", "degC"), ("Rain [mm]", "mm"), ("Wind, m/s", "m/s"), ("Temp °C", "°C"), ("WS_ms_Avg", "m/s"),
        ("BP_mbar_Avg", "mbar"),
        ("AirTemp_C", "degC"), ("VENTO, DIREÇÃO HORARIA (gr) (° (gr))", "° (gr)"), ("H2O (g/kg)", "g/kg"),
        ("TEMP (AUT) (°C)", "°C"),
        ("Solar Rad", ""), ("sw_in", ""), ("Temp in", ""), ("GHI_c", ""), ("Wind 10 min", ""), ("Temp (AUT)", ""),
        ("RH", ""), ("", ""),
    ],
)  # fmt: skip
def test_units_in_names(name: str, unit: str) -> None:
    assert words.unit_in(name)[0] == unit


# ---- TOML


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
def test_any_text_comes_back(text: str) -> None:
    line = "x = " + write.text(text)
    assert "\n" not in line
    assert tomllib.loads(line)["x"] == text


@given(st.text(max_size=500))
def test_any_comment_is_one_line_of_toml(text: str) -> None:
    assert tomllib.loads(write.comment(text)) == {}
    assert tomllib.loads(write.doubt(text) + "\nx = 1") == {"x": 1}


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_number_comes_back(value: float) -> None:
    assert tomllib.loads("x = " + write.number(value))["x"] == value


# ---- hostile tables


_CELL = st.one_of(
    st.sampled_from(["", "NAN", "-9999", "1.5", "0", "-0.0", "1e20", "2,5", '"', '"a,b"', "=1+1", "01.02.2023", "12:00",
    "2023-01-01 00:00"]),
    st.floats(-50, 1100).map(lambda x: f"{x:.2f}"),
    st.text(alphabet="abTRHPé°%/()[]\"'#;,\t \\\u202e\x07", max_size=8),
)  # fmt: skip


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    rows=st.lists(st.lists(_CELL, min_size=1, max_size=5), min_size=1, max_size=12),
    header=st.lists(_CELL, min_size=1, max_size=6),
    delimiter=st.sampled_from([",", ";", "\t", "  "]),
    stamped=st.booleans(),
)
def test_any_table_is_drafted_or_refused_in_one_line(
    rows: list[list[str]], header: list[str], delimiter: str, stamped: bool
) -> None:
    lines = [delimiter.join(header)]
    for k, row in enumerate(rows):
        lines.append(delimiter.join([f"2023-01-01 {k:02d}:00", *row] if stamped else row))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        path.write_bytes("\n".join(lines).encode("utf-8", "replace"))
        try:
            found = draft([path], 47.0, 15.0, 400.0)
        except FairvaneError as error:
            assert error.exit_code == 2 and "\n" not in error.line()
            return
        assert tomllib.loads(found.text)["station"]["latitude"] == 47.0
        try:
            record, refused = read_tables(found.station, [path])
        except FairvaneError:
            assert any("does not read with this station file" in q for q in found.questions)
            return
        assert refused == [] and all(
            f.lines == f.header + f.blank + f.kept + f.repeated + f.rejected for f in record.files
        )
