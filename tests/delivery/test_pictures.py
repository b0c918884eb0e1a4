"""Pictures of a delivery: what is drawn is what the verdicts and values say."""

from __future__ import annotations

from functools import cache
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from PIL import Image

from qc import run
from qc.delivery import completeness, pictures, site, weather
from qc.delivery.calendar import UTC, Calendar
from qc.delivery.pictures import Middles, Picture
from qc.logs import read as read_logs
from qc.run import Result
from qc.station import load, parse
from qc.verdicts import CHANGED, DOUBTFUL, GOOD, INCONSISTENT, MISSING, NOT_CHECKED, WRONG
from qc.write import picture as p
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES, result, station_text
from tests.small import STATION


@cache
def sample() -> Result:
    return run.check(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES)


@cache
def sample_pictures() -> tuple[Picture, ...]:
    return tuple(pictures.pictures(sample(), completeness.shares(sample())))


def _only(given: Result) -> Any:
    """The one table of a small result, with its channels."""
    table = given.checked.tables["ten"]
    return table, given.checked.record.station.channels_of("ten")


# ---- all together


def test_the_sample_has_every_picture_and_names_tells_of_each_before() -> None:
    made = [one.name for one in sample_pictures()]
    months = ["month_2026-03", "month_2026-04", "month_2026-05"]
    weather_ = ["wind_rose", "irradiation", "rain", "temperature"]
    assert made == ["site", "completeness", "calendar", *weather_, *months, "correction_002_ghi"]
    assert set(made) <= set(pictures.names(sample(), UTC))


@pytest.mark.parametrize("number", range(11))
def test_no_picture_is_blank(number: int) -> None:
    one = sample_pictures()[number]
    grey = np.asarray(Image.open(BytesIO(one.png)).convert("L"))
    assert grey.shape[1] >= 800
    assert (grey < 200).mean() > 0.004, "ink"
    assert (grey > 240).mean() > 0.05, "paper"
    assert one.alt and one.caption


def test_a_station_with_little_in_it_has_few_pictures() -> None:
    given = result({"word": np.arange(200.0)}, first="2026-03-05T00:10")
    made = pictures.pictures(given, completeness.shares(given))
    assert [one.name for one in made] == ["completeness", "calendar", "month_2026-03"]


def test_many_channels_are_spread_evenly() -> None:
    table: Any = None
    parts = pictures._parts([(table, n) for n in range(25)], pictures.LANES)  # type: ignore[misc]
    assert [len(part) for part in parts] == [8, 9, 8] or [len(part) for part in parts] == [8, 8, 9]
    assert len(pictures._parts([(table, n) for n in range(12)], pictures.LANES)) == 1  # type: ignore[misc]


# ---- site


def test_the_sketch_puts_each_sensor_where_it_hangs() -> None:
    station = load(SAMPLE / "otter-fell.station.toml")
    drawn = site.site(station)
    assert drawn is not None
    plan, key, horizon = drawn.axes
    places = {t.get_gid(): t.get_position() for t in plan.texts if str(t.get_gid()).startswith("place-")}
    known = list(site.places(station))
    assert len(places) == len(known) == 7
    for number, (bearing, distance) in enumerate(known, 1):
        x, y = places[f"place-{number}"]
        assert np.hypot(x, y) == pytest.approx(np.sqrt(distance))
        assert np.degrees(np.arctan2(x, y)) % 360 == pytest.approx(bearing, abs=1e-6)
    words = [t.get_text() for t in key.texts]
    assert "ws, gust, wd" in words and "0.9 m off at 90°, height 3 m" in words
    assert "3 m off at 160°, height −0.1 m" in words
    hidden = horizon.collections[0].get_paths()[0].vertices
    assert hidden[:, 1].max() == pytest.approx(2.5)
    june = next(line for line in horizon.lines if "June" in str(line.get_label()))
    highest = np.nanargmax(june.get_ydata())
    assert june.get_ydata()[highest] == pytest.approx(90 - 54.61 + 23.44, abs=0.1)  # declination of the solstice
    assert june.get_xdata()[highest] == pytest.approx(180, abs=2)


@pytest.mark.parametrize("lacking", ["both", "horizon", "at"])
def test_the_sketch_draws_what_is_told(lacking: str) -> None:
    text = STATION.split("[[horizon]]")[0].replace("at = { bearing = 90.0, distance = 0.9 }\n", "")
    text += "" if lacking in ("both", "horizon") else "\n[[horizon]]\nazimuth = 10.0\nelevation = 3.0\n"
    text = text.replace('device = "probe-1"\n', 'device = "probe-1"\nat = { bearing = 9.0, distance = 0.0 }\n') if (
        lacking == "horizon"
    ) else text  # fmt: skip
    drawn = site.site(parse(text.encode()))
    assert (drawn is None) == (lacking == "both")
    if drawn is not None:
        assert len(drawn.axes) == (2 if lacking == "horizon" else 1)
        assert p.png(drawn)


# ---- completeness


def test_bars_are_as_high_as_their_shares() -> None:
    rows = 6 * 24 * 30  # June
    values, codes = np.arange(float(rows)) % 7, np.zeros(rows, np.uint8)
    values[: rows // 4] = np.nan
    codes[rows // 4 : rows // 2] = DOUBTFUL
    given = result({"t": values}, {"t": codes}, first="2026-06-01T00:10")
    axes = pictures.completeness(completeness.shares(given)).axes[0]
    heights = {c.get_gid(): [np.ptp(path.vertices[:, 1]) for path in c.get_paths()] for c in axes.collections}
    assert heights["frame"] == pytest.approx([0.8])
    assert heights["usable"] == pytest.approx([0.4], abs=1e-3)
    assert heights["not usable"] == pytest.approx([0.2], abs=1e-3)
    assert [t.get_text() for t in axes.texts] == ["50"]
    assert [t.get_text() for t in axes.get_xticklabels()] == ["Jun\n2026"]


@pytest.mark.parametrize(
    ("share", "told"),
    [(1.0, "100"), (0.9999, "99.9"), (0.995, "99.5"), (0.994, "99"), (0.5, "50"), (0.004, "<1"), (0.0, "0")],
)
def test_a_hundred_percent_means_nothing_lacks(share: float, told: str) -> None:
    assert pictures.percent(share) == told


def test_of_many_months_those_without_a_row_are_left_out() -> None:
    given = result({"t": np.arange(72.0) % 5}, first="2026-03-05T00:10")
    one = completeness.shares(given)[0]
    from dataclasses import replace

    many = [replace(one, month=f"20{y}-{m:02d}", rows=int(y == 26)) for y in (25, 26) for m in range(1, 13)]
    assert pictures._shown_months(many) == [f"2026-{m:02d}" for m in range(1, 13)]
    assert len(pictures._shown_months(many[:18])) == 18


# ---- calendar


def test_a_cell_of_the_calendar_shows_the_worst_verdict_of_its_hour() -> None:
    rows = 6 * 24 * 2
    values, codes = np.sin(np.arange(rows) / 9.0), np.zeros(rows, np.uint8)
    hour = lambda day, h: slice((day * 24 + h) * 6, (day * 24 + h + 1) * 6)  # noqa: E731
    codes[hour(0, 1)] = [GOOD, INCONSISTENT, GOOD, GOOD, GOOD, GOOD]
    codes[hour(0, 2)] = [DOUBTFUL, INCONSISTENT, WRONG, GOOD, GOOD, GOOD]
    codes[hour(0, 3)] = [CHANGED, GOOD, GOOD, GOOD, GOOD, GOOD]
    codes[hour(0, 4)] = [NOT_CHECKED, CHANGED, GOOD, GOOD, GOOD, GOOD]
    values[hour(1, 5)] = [np.nan, np.nan, np.nan, 1.0, 2.0, 3.0]  # half of it lacks: on the bound
    values[hour(1, 6)] = [np.nan, np.nan, 1.0, 2.0, 3.0, 4.0]
    values[hour(1, 7)] = [np.nan] * 5 + [1.0]
    codes[hour(1, 7)] = DOUBTFUL
    keep = np.ones(rows, bool)
    keep[hour(1, 9)] = False
    given = result({"t": values}, {"t": codes}, first="2026-03-05T00:10", keep=keep)
    table, (channel,) = _only(given)
    day = int(UTC.number(np.array([np.datetime64("2026-03-05")]), "day")[0])
    found = pictures.cells(table, channel, pictures.grid(given.checked.record.station, table, UTC, day - 1, 4))
    assert found.shape == (4, 24)
    assert set(found[0]) == set(found[3]) == {255}
    assert found[1, :6].tolist() == [GOOD, INCONSISTENT, WRONG, CHANGED, NOT_CHECKED, GOOD]
    assert found[2, 4:11].tolist() == [GOOD, MISSING, GOOD, DOUBTFUL, GOOD, MISSING, GOOD]


def test_the_calendar_of_a_daily_table_has_one_part_a_day() -> None:
    given = result({"t": np.arange(5.0)}, first="2026-03-06T00:00", interval="1d")
    table, _ = _only(given)
    day = int(UTC.number(np.array([np.datetime64("2026-03-05")]), "day")[0])
    on = pictures.grid(given.checked.record.station, table, UTC, day, 5)
    assert (on.slots, on.cell.tolist()) == (1, [0, 1, 2, 3, 4])


def test_days_that_share_a_column_show_the_worst_of_both() -> None:
    found = np.array([[GOOD], [WRONG], [MISSING], [GOOD], [255]], np.uint8)
    assert pictures._together(found, 2).ravel().tolist() == [WRONG, MISSING, 255]


def test_strips_have_the_colours_of_the_verdicts() -> None:
    codes = np.zeros(144, np.uint8)
    codes[:6] = WRONG
    given = result({"t": np.sin(np.arange(144) / 9.0)}, {"t": codes}, first="2026-03-05T00:10")
    table, (channel,) = _only(given)
    axes = pictures.calendar_raster(given, [(table, channel)], UTC).axes[0]
    image = axes.images[0].get_array()
    told = [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in image[:, 0]]
    assert told[:2] == [p.COLOURS[WRONG], p.COLOURS[GOOD]]
    assert set(told[1:]) == {p.COLOURS[GOOD]}


# ---- months


def _month(given: Result) -> Any:
    table, channels = _only(given)
    start, end = np.datetime64("2026-03-01", "us"), np.datetime64("2026-04-01", "us")
    drawn, counts = pictures.month(given, [(table, c) for c in channels], start, end, Middles())
    axes = drawn.axes[0]
    return axes, counts, {line.get_gid(): line for line in axes.lines if line.get_gid()}


def test_a_month_draws_each_value_in_its_lane_and_signs_on_the_flagged() -> None:
    values = np.array([1.0, 2.0, 3.0, 2.0, 50.0, 1.0])
    codes = np.array([0, 1, 0, 2, 3, 0], np.uint8)
    given = result({"t": values, "word": values}, {"t": codes}, first="2026-03-05T00:10")
    axes, counts, lines = _month(given)
    assert counts == {INCONSISTENT: 1, DOUBTFUL: 1, WRONG: 1}
    y = lines["values"].get_ydata()
    beyond = np.nan  # the wrong 50 lies outside the lane, from 1 to 3, and is no part of the line
    assert y[:6] == pytest.approx([0.9, 0.5, 0.1, 0.5, beyond, 0.9], nan_ok=True)
    assert lines["verdict-1"].get_ydata() == pytest.approx([0.5])
    assert lines["verdict-3"].get_ydata() == pytest.approx([0.1]), "on the edge of the lane"
    assert lines["verdict-3"].get_color() == p.COLOURS[WRONG]
    middle = np.datetime64("2026-03-05T00:05", "us")
    assert lines["values"].get_xdata()[0] == pytest.approx(float(p.days(middle)))
    assert {"t\n°C", "word\n1", "3", "1"} <= {t.get_text() for t in axes.texts}


def test_a_month_says_where_a_channel_has_no_value() -> None:
    given = result({"t": np.full(6, np.nan), "word": np.arange(6.0)}, first="2026-03-05T00:10")
    axes, _, _ = _month(given)
    assert "no value in this month" in {t.get_text() for t in axes.texts}


def test_rain_stands_as_needles_and_direction_as_dots() -> None:
    given = result(
        {"rain": np.array([0, 0.2, 0, 1.0, 0]), "wd": np.array([0.0, 90, 180, 270, 359])}, first="2026-03-05T00:10"
    )
    _, _, lines = _month(given)
    y = lines["values"].get_ydata()
    assert np.nanmin(y) == pytest.approx(0.1)  # 1 mm is the top of its lane
    assert lines["dots"].get_ydata() == pytest.approx(1 + 0.9 - 0.8 * np.array([0, 90, 180, 270, 359]) / 360)


def test_corrected_values_are_drawn_in_their_colour() -> None:
    one = next(x for x in sample_pictures() if x.name == "month_2026-03")
    assert "Blue: corrected values" in one.caption and one.flagged > 1000
    assert "Blue" not in next(x for x in sample_pictures() if x.name == "month_2026-04").caption


@pytest.mark.parametrize(
    ("values", "codes", "found"),
    [
        ([1.0, 3.0], [0, 0], (1.0, 3.0)),
        ([-3.2, 694.4], [0, 0], (-10.0, 700.0)),
        ([1.0, 3.0, 999.0], [0, 0, 3], (1.0, 3.0)),
        ([999.0, 998.0], [3, 3], (998.0, 999.0)),
        ([5.0, 5.0], [0, 0], (4.9, 5.1)),
        ([np.nan], [7], (0.0, 1.0)),
        ([1.0] + [30.0, 40.0] * 3, [0] + [2] * 6, (1.0, 40.0)),  # a seventh is sound: too few
    ],
)
def test_a_lane_reaches_around_what_is_sound(values: list[float], codes: list[int], found: Any) -> None:
    channel = sample().checked.record.channel("t_soil")
    assert pictures.bounds(channel, np.array(values), np.array(codes, np.uint8), None) == pytest.approx(found)


# ---- weather


def test_a_wind_rose_counts_sectors_and_classes_on_their_edges() -> None:
    speed = np.array([0.49, 0.5, 2.0, 30.0, 5.0, np.nan, 5.0])
    direction = np.array([10.0, 0.0, 11.25, 348.75, 90.0, 90.0, np.nan])
    found = weather.rose(speed, direction)
    assert (found.pairs, found.calm) == (5, pytest.approx(0.2))
    assert found.shares[0, 0] == pytest.approx(0.2)  # 0.5 m/s from north
    assert found.shares[1, 1] == pytest.approx(0.2)  # 11.25 degrees is the edge: north-north-east; 2 m/s the next class
    assert found.shares[0, -1] == pytest.approx(0.2)  # 348.75 degrees is north again
    assert found.shares[4, 2] == pytest.approx(0.2)  # east, 4 to 6 m/s
    assert found.shares.sum() + found.calm == pytest.approx(1.0)


def test_wedges_point_to_where_the_wind_comes_from() -> None:
    given = result({"ws": np.full(30, 5.0) + 0.01 * np.arange(30), "wd": 85.0 + 0.3 * np.arange(30)},
                   first="2026-03-05T00:10")  # fmt: skip
    found = weather.wind_rose(given)
    assert found is not None
    drawn, told, speed, direction = found
    assert (speed.name, direction.name, told.shares[4].sum()) == ("ws", "wd", pytest.approx(1.0))
    (wedges,) = [c for c in drawn.axes[0].collections if str(c.get_gid()).startswith("class-")]
    points = np.concatenate([path.vertices for path in wedges.get_paths()])
    assert points[:, 0].max() > 1.0 and points[:, 0].min() > -1e-9, "to the right is east"


def test_irradiation_adds_up_full_days_and_stays_under_the_clear_sky() -> None:
    """A day of 200 W/m2 from midnight to midnight is 17.28 MJ/m2 [computed: 200 * 86400 s]."""
    text = station_text(("t",)).replace("air_temperature", "global_irradiance").replace('"degC"', '"W/m2"')
    import pandas as pd

    rows = 6 * 24 * 3
    index = pd.DatetimeIndex(
        np.datetime64("2026-06-01T00:10", "us") + np.arange(rows) * np.timedelta64(10, "m"), tz="UTC"
    )
    values = np.full(rows, 200.0)
    values[6 * 24 : 6 * 24 + 15] = np.nan  # more than a tenth of the second day
    given = run.check(parse(text.encode()), {"ten": pd.DataFrame({"t": values}, index=index)})
    from dataclasses import replace

    table = given.checked.tables["ten"]
    good = {"t": np.where(np.isnan(values), 7, 0).astype(np.uint8)}
    given = replace(given, checked=replace(given.checked, tables={"ten": replace(table, codes=good)}))
    found = weather.irradiation(given, UTC)
    assert found is not None
    drawn, light = found
    assert light.sums == pytest.approx([17.28, 17.28]) and light.left_out == 1
    clear, dots = drawn.axes[0].lines
    assert dots.get_ydata() == pytest.approx([17.28, 17.28])
    assert 28.0 < np.max(clear.get_ydata()) < 34.0  # 54.6 N in June: about 42 at the top of the air, 3/4 of it here
    told = weather.irradiation(sample(), UTC)
    assert told is not None
    line, days = told[0].axes[0].lines
    assert (days.get_ydata() <= np.interp(days.get_xdata(), line.get_xdata(), line.get_ydata())).all()


def test_nights_without_a_value_count_as_dark() -> None:
    given = result({"t": np.full(144, np.nan)}, first="2026-03-05T00:10")
    table, _ = _only(given)
    filled = weather.dark_filled(given.checked.record.station, table, np.full(144, np.nan))
    assert np.isnan(filled[72]) and filled[6] == 0.0  # 12 h and 1 h UTC at 3 degrees west


def test_rain_adds_up_usable_values_and_marks_days_that_are_not_full() -> None:
    rows = 6 * 24 * 4
    values, codes = np.full(rows, 0.2), np.zeros(rows, np.uint8)
    codes[6 * 24 * 2 : 6 * 24 * 2 + 30] = WRONG
    given = result({"rain": values}, {"rain": codes}, first="2026-03-05T00:10")
    found = weather.rain(given, UTC)
    assert found is not None
    drawn, (gauge,) = found
    assert gauge.total == pytest.approx(0.2 * (rows - 30))
    assert gauge.lacking == pytest.approx(30 / rows)
    line = drawn.axes[0].lines[0]
    assert line.get_ydata()[-1] == pytest.approx(gauge.total)
    bands = [patch.get_x() for patch in drawn.axes[0].patches if patch.get_gid() == "not-full"]
    assert bands == [float(p.days(np.datetime64("2026-03-07")))]


def test_days_of_another_calendar_begin_at_its_midnight() -> None:
    given = result({"t": np.arange(288.0)}, first="2026-03-05T00:10")
    table, (channel,) = _only(given)
    by_day = weather.daily(given.checked.record.station, table, weather.usable(table, channel), Calendar(9 * 3600.0))
    assert by_day.begin.astype(str).tolist() == [f"2026-03-0{day}T15:00:00.000000" for day in (4, 5, 6)]
    assert by_day.number.tolist() == [90, 144, 54]
    assert by_day.high.tolist() == [89.0, 233.0, 287.0]
    assert by_day.mean == pytest.approx([44.5, 161.5, 260.5])


def test_temperature_and_dew_point_stand_as_bands() -> None:
    found = weather.warmth(sample(), UTC)
    assert found is not None
    drawn, made = found
    assert (made.air.name, made.humid and made.humid.name, made.computed) == ("t_air", "rh", True)
    air, dew = (c.get_paths()[0].vertices[:, 1] for c in drawn.axes[0].collections)
    table = sample().checked.tables["ten"]
    t = weather.usable(table, made.air)
    assert (air.max(), air.min()) == pytest.approx((np.nanmax(t), np.nanmin(t)))
    assert dew.max() < air.max()


# ---- corrections


def test_a_correction_is_drawn_beside_what_was_read() -> None:
    logs = read_logs(sample().checked.record.station)
    assert logs.corrections
    (line,) = logs.corrections
    drawn = pictures.correction(sample().checked.tables["ten"], sample().checked.record.channel("ghi"), line)
    assert drawn is not None
    raw, again = drawn.axes[0].lines[:2]
    assert np.nanmax(again.get_ydata()) / np.nanmax(raw.get_ydata()) == pytest.approx(1 / 1.9, rel=1e-3)
    assert again.get_xdata().min() >= float(p.days(line.start)) - 0.01
    assert raw.get_xdata().min() < again.get_xdata().min()
