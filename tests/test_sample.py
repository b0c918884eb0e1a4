"""The sample station: made again byte for byte, plausible where it is healthy, wrong where the truth says so.

All but the first and the last test read the committed files by simple parsing, without the package or the script.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.places import folder
from tests import make_sample

SAMPLE = folder("sample_data")
STEP = timedelta(minutes=10)
STATION: dict[str, Any] = tomllib.loads((SAMPLE / "otter-fell.station.toml").read_text("utf-8"))
TRUTH: dict[str, Any] = tomllib.loads((SAMPLE / "truth.toml").read_text("utf-8"))
PLANTED: list[dict[str, Any]] = TRUTH["planted"]
# contract, section 5: those that act on a channel of this station
CHECKS = {"timing", "gap", "marker", "unreadable", "range", "step", "spike", "persistence", "frozen", "dropout"}
CHECKS |= {"clear-sky", "sea-level", "vane", "dry-rain", "drip", "supply", "visit"}


@dataclass
class Raw:
    """A file as text: its names row and, in order, each row's stamp and cells by channel name."""

    names: list[str]
    rows: list[tuple[datetime, dict[str, str]]]


def columns_of(channel: dict[str, Any]) -> list[str]:
    """The names a channel's column has had."""
    column = channel["column"]
    return [column] if isinstance(column, str) else column


def parse(name: str, encoding: str, delimiter: str, decimal: str, names_line: int, first: int) -> Raw:
    """Split a file by hand; the layout is known here, so that nothing of the package is trusted."""
    lines = (SAMPLE / name).read_bytes().decode(encoding).split("\n")[:-1]
    lines = [line.removesuffix("\r") for line in lines]
    names = lines[names_line].split(delimiter)
    place = {c["name"]: names.index(column) for c in STATION["channel"] for column in columns_of(c) if column in names}
    rows = []
    for line in lines[first:]:
        cells = line.split(delimiter)
        assert len(cells) == len(names), line
        if delimiter == ";":
            stamp = datetime.strptime(f"{cells[0]} {cells[1]}", "%d.%m.%Y %H:%M:%S")
        else:
            stamp = datetime.strptime(cells[0], "%Y-%m-%dT%H:%M:%S")
        rows.append((stamp.replace(tzinfo=UTC), {n: cells[i].replace(decimal, ".") for n, i in place.items()}))
    return Raw(names, rows)


A = parse("otter-fell_a.csv", "latin-1", ";", ",", names_line=2, first=3)
B = parse("otter-fell_b.csv", "utf-8", ",", ".", names_line=1, first=4)
ROWS = A.rows + B.rows
FIRST_OF = dict(reversed(ROWS))  # the first row of each stamp


def number(cell: str) -> float:
    """A cell as a number; markers and what cannot be read are NaN."""
    try:
        value = float(cell)
    except ValueError:
        return np.nan
    return np.nan if value == -9999 else value


def series(name: str, first: datetime, last: datetime) -> np.ndarray:
    """Values of a channel at each stamp from `first` to `last`, both included; a missing row is NaN."""
    count = int((last - first) / STEP) + 1
    return np.array([number(FIRST_OF.get(first + i * STEP, {}).get(name, "")) for i in range(count)])


def clear_sky(first: datetime, last: datetime) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Clear-sky irradiance (W/m2, NaN below 2 degrees), azimuth and elevation (degrees) amid each interval."""
    import pandas as pd
    import pvlib as library

    pvlib: Any = library  # it has no types
    place = STATION["station"]
    middle = pd.date_range(first - STEP / 2, last - STEP / 2, freq="10min")
    position = pvlib.solarposition.get_solarposition(
        middle, place["latitude"], place["longitude"], altitude=place["elevation"]
    )
    zenith = position["apparent_zenith"].to_numpy()
    up = zenith < 88.0
    airmass = pvlib.atmosphere.get_absolute_airmass(pvlib.atmosphere.get_relative_airmass(zenith[up]), 97600.0)
    extra = pvlib.irradiance.get_extra_radiation(middle.day_of_year.to_numpy()[up])
    out = np.full(len(middle), np.nan)
    out[up] = pvlib.clearsky.ineichen(zenith[up], airmass, 3.5, place["elevation"], extra)["ghi"]
    return out, position["azimuth"].to_numpy(), 90.0 - zenith


# --- the script ---------------------------------------------------------------------------------------------------


def test_the_script_makes_the_committed_bytes(tmp_path: Path) -> None:
    make_sample.make(tmp_path / "new")
    made = sorted(p.name for p in (tmp_path / "new").iterdir())
    assert made == ["otter-fell_a.csv", "otter-fell_b.csv", "sallow-bridge.csv", "truth.toml"]
    for name in made:
        assert (tmp_path / "new" / name).read_bytes() == (SAMPLE / name).read_bytes(), name


def test_the_folder_stays_small() -> None:
    assert sum(p.stat().st_size for p in SAMPLE.rglob("*") if p.is_file()) < 2_500_000


# --- the files and the station file -------------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [A, B], ids=["a", "b"])
def test_each_layout_is_known_and_each_channel_has_one_column(raw: Raw) -> None:
    known = [layout for layout in STATION["table"][0]["layout"] if set(layout["names"]) <= set(raw.names)]
    assert len(known) == 1
    used = [[c for c in columns_of(channel) if c in raw.names] for channel in STATION["channel"]]
    assert [len(columns) for columns in used] == [1] * len(STATION["channel"])
    left = set(raw.names) - {c for columns in used for c in columns}
    assert left == {"Date", "Time"} or left == {"Stamp", STATION["table"][0]["line_counter"]}


def test_stamps_lie_on_the_grid_and_only_the_planted_rows_are_missing() -> None:
    first, last = TRUTH["period"]["from"], TRUTH["period"]["to"]
    assert (ROWS[0][0], ROWS[-1][0]) == (first, last)
    grid = {first + i * STEP for i in range(int((last - first) / STEP) + 1)}
    (gap,) = [p for p in PLANTED if p["checks"] == ["gap"]]
    assert grid - set(FIRST_OF) == {t for t in grid if gap["from"] <= t <= gap["to"]}
    assert set(FIRST_OF) <= grid
    assert [t for t, _ in ROWS] == sorted(t for t, _ in ROWS)


def test_the_counter_of_the_second_layout_counts() -> None:
    lines = (SAMPLE / "otter-fell_b.csv").read_text("utf-8").splitlines()[4:]
    assert [int(line.split(",")[1]) for line in lines] == list(range(1, len(lines) + 1))


# --- the healthy stretch ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound() -> dict[str, np.ndarray]:
    first, last = TRUTH["healthy"]["from"], TRUTH["healthy"]["to"]
    return {c["name"]: series(c["name"], first, last) for c in STATION["channel"]}


def test_healthy_nothing_is_missing(sound: dict[str, np.ndarray]) -> None:
    assert {name: int(np.isnan(x).sum()) for name, x in sound.items()} == dict.fromkeys(sound, 0)
    assert len(sound["t_air"]) == 20 * 144


def test_healthy_values_lie_in_the_range_of_each_sensor(sound: dict[str, np.ndarray]) -> None:
    outside = [
        c["name"]
        for c in STATION["channel"]
        if (sound[c["name"]] < c["range"][0]).any() or (sound[c["name"]] > c["range"][1]).any()
    ]
    assert outside == []


def test_healthy_humidity_and_dew_point(sound: dict[str, np.ndarray]) -> None:
    t, rh = sound["t_air"], sound["rh"]
    assert rh.max() <= 100.0
    assert rh.max() >= 99.0  # dewy nights and rain reach 97 % and more (handbook, 5)
    gamma = np.log(rh / 100.0) + 17.62 * t / (243.12 + t)  # WMO-No. 8, from memory
    dew_point = 243.12 * gamma / (17.62 - gamma)
    assert (dew_point <= t + 1e-9).all()
    assert np.abs(np.diff(dew_point)).max() < 2.0  # K in 10 min; 1 min limit 2 to 3 K (AWS-QC, from memory)


def test_healthy_wind(sound: dict[str, np.ndarray]) -> None:
    ws, gust, wd = sound["ws"], sound["gust"], sound["wd"]
    assert (gust >= ws).all()
    factor = gust[ws > 3.0] / ws[ws > 3.0]
    assert 1.5 < np.median(factor) < 1.75  # inland 3 s in 10 min: 1.66 (WMO/TD-No. 1555)
    assert factor.max() < 2.4
    assert wd.min() >= 0.0
    assert wd.max() < 360.0


def test_healthy_rain_comes_in_whole_tips_and_in_moist_air(sound: dict[str, np.ndarray]) -> None:
    rain = sound["rain"]
    np.testing.assert_allclose(rain / 0.2, np.round(rain / 0.2), atol=1e-9)
    assert 20.0 < rain.sum() < 150.0  # mm in 20 days
    assert sound["rh"][rain > 0].min() > 60.0
    assert sound["t_air"][rain > 0].min() > 1.0  # no snow in an unheated gauge


def test_healthy_irradiance_fits_the_sun(sound: dict[str, np.ndarray]) -> None:
    ghi = sound["ghi"]
    clear, _, elevation = clear_sky(TRUTH["healthy"]["from"], TRUTH["healthy"]["to"])
    day = elevation > 2.0
    assert (ghi[day] < 1.25 * clear[day] + 10.0).all()  # 10 min enhancement 1.25 (handbook, 4, judgement)
    assert np.quantile(ghi[day] / clear[day], 0.9) > 0.9  # and the sun does shine
    night = ghi[elevation < -7.0]
    assert -4.0 < night.min() < -2.0  # a thermopile in clear nights
    assert night.max() <= 0.5


def test_healthy_pressure_belongs_to_the_height(sound: dict[str, np.ndarray]) -> None:
    z, kelvin = STATION["station"]["elevation"], sound["t_air"] + 273.15
    sea_level = sound["p"] * np.exp(9.80665 * z / (287.05 * (kelvin + 0.0065 * z / 2)))
    assert sea_level.min() > 960.0
    assert sea_level.max() < 1050.0
    assert np.abs(np.diff(sound["p"])).max() < 0.5  # hPa in 10 min; the limit for 1 min (AWS-QC, from memory)


@pytest.mark.parametrize(
    ("name", "share", "longest"),
    # measured on these data: t_air 3 %, rh 5 %, ws 1 %, gust 1 %, wd 1 %; runs of at most 5 rows
    [("t_air", 0.06, 6), ("rh", 0.09, 6), ("ws", 0.04, 5), ("gust", 0.04, 5), ("wd", 0.04, 5)],
)
def test_healthy_values_seldom_repeat(sound: dict[str, np.ndarray], name: str, share: float, longest: int) -> None:
    x = sound[name]
    assert (np.diff(x) == 0.0).mean() < share
    assert max(len(list(run)) for _, run in itertools.groupby(x)) <= longest


# --- the truth ----------------------------------------------------------------------------------------------------


def label(entry: dict[str, Any]) -> str:
    return f"{entry['fault']}-{entry['from']:%m%dT%H%M}-{entry['channels'][0]}"


@pytest.mark.parametrize("entry", PLANTED, ids=label)
def test_truth_lies_in_the_period_and_outside_the_healthy_stretch(entry: dict[str, Any]) -> None:
    assert TRUTH["period"]["from"] <= entry["from"] <= entry["to"] <= TRUTH["period"]["to"]
    assert entry["to"] < TRUTH["healthy"]["from"] or entry["from"] > TRUTH["healthy"]["to"]
    assert set(entry["checks"]) <= CHECKS
    assert bool(entry["checks"]) == (0.0 < entry["min_share"] <= 1.0)
    assert set(entry["channels"]) <= {c["name"] for c in STATION["channel"]} | {"all"}
    assert entry["count"]
    for first, last in entry["count"]:
        assert entry["from"] <= first <= last <= entry["to"]


def in_count(entry: dict[str, Any], name: str) -> np.ndarray:
    return np.concatenate([series(name, first, last) for first, last in entry["count"]])


def single_values(e: dict[str, Any]) -> None:
    planted, (name, *_), stamp = e["planted"], e["channels"], e["from"]
    if "marker" in planted:
        cells = [FIRST_OF[e["from"] + i * STEP][name] for i in range(planted["values"])]
        assert cells == [planted["marker"]] * planted["values"]
        assert e["from"] + (planted["values"] - 1) * STEP == e["to"]
    elif "cell" in planted:
        assert FIRST_OF[stamp][name] == planted["cell"].replace(",", ".")
        assert np.isnan(number(FIRST_OF[stamp][name]))
    elif "rows" in planted:
        assert int((e["to"] - e["from"]) / STEP) + 1 == planted["rows"]
        assert not any(e["from"] <= t <= e["to"] for t in FIRST_OF)
    elif "other_t_air" in planted:
        one, other = (cells for t, cells in ROWS if t == stamp)
        assert number(other["t_air"]) == planted["other_t_air"] != number(one["t_air"])
        assert number(other["ws"]) == planted["other_ws"] != number(one["ws"])
        assert one | {"t_air": other["t_air"], "ws": other["ws"]} == other
        first, again = (cells for t, cells in ROWS if t == planted["repeated_stamp"])
        assert first == again
        assert len(ROWS) == len(FIRST_OF) + 2
    elif "value" in planted:
        before, value, after = series(name, stamp - STEP, stamp + STEP)
        assert value == planted["value"]
        low, high = next(c["range"] for c in STATION["channel"] if c["name"] == name)
        assert (low <= value <= high) == ("jump_k" in planted)
        assert value - (before + after) / 2 == pytest.approx(planted.get("jump_k", value - before), abs=1.0)
    else:  # the visit: light under the technician's hands
        clear, _, _ = clear_sky(e["from"], e["to"])
        shares = np.array(planted["share_of_light"])
        assert (series(name, e["from"], e["to"]) <= 1.25 * shares * clear).all()
        assert len(shares) == len(clear)


def bus_dropout(e: dict[str, Any]) -> None:
    assert len(e["count"]) == e["planted"]["bursts"]
    one, other = (np.isnan(series(name, e["from"], e["to"])) for name in e["channels"])
    assert (one & other).sum() / (one | other).sum() == e["planted"]["share_together"]
    assert one.sum() == len(in_count(e, e["channels"][0]))
    assert np.isnan(in_count(e, e["channels"][0])).all()
    assert not np.isnan(series("p", e["from"], e["to"])).any()


def barometer_offset(e: dict[str, Any]) -> None:
    if "jump_hpa" in e["planted"]:
        before, after = series("p", e["from"] - STEP, e["from"])
        assert after - before == pytest.approx(e["planted"]["jump_hpa"], abs=0.5)
        return
    day = timedelta(days=1)
    around = np.concatenate(
        [series("p", e["from"] - day, e["from"] - STEP), series("p", e["to"] + STEP, e["to"] + day)]
    )
    inside = series("p", e["from"], e["to"])
    assert np.median(inside) - np.median(around) == pytest.approx(e["planted"]["offset_hpa"], abs=12.0)
    assert (inside * np.exp(310.0 / 8300.0) < 870.0).all()  # lowest ever at sea level; scale height 8.3 km, rough


def sensor_frozen(e: dict[str, Any]) -> None:
    ws, gust, wd = (series(name, e["from"], e["to"]) for name in ("ws", "gust", "wd"))
    assert len(ws) == e["planted"]["hours"] * 6
    for values, held, quantum in ((ws, "speed_m_s", 0.01), (wd, "direction_deg", 0.1)):
        assert values.min() == pytest.approx(e["planted"][held], abs=1e-9)
        assert values.max() - values.min() <= quantum + 1e-9
    assert (gust == ws).all()
    assert np.ptp(series("t_air", e["from"], e["to"])) > 3.0  # the rest lives


def pyranometer_scale(e: dict[str, Any]) -> None:
    ratio = in_count(e, "ghi") / np.concatenate([clear_sky(*span)[0] for span in e["count"]])
    assert np.median(ratio) == pytest.approx(e["planted"]["factor"], rel=0.05)  # the air's own clearness
    assert ratio.min() > 1.6


def gauge_clogged(e: dict[str, Any]) -> None:
    rain = series("rain", e["from"], e["to"])
    assert len(rain) == e["planted"]["tips"] == e["planted"]["hours"] * 6
    assert (rain == 0.2).all()
    assert series("rain", e["from"] - STEP, e["from"] - STEP).sum() == 0.0
    assert series("rain", e["to"] + STEP, e["to"] + timedelta(hours=12)).sum() == 0.0
    assert series("rh", e["to"], e["to"])[0] < 50.0  # dry, under a clear sky
    clear, _, _ = clear_sky(e["to"] - timedelta(hours=3), e["to"])
    assert (series("ghi", e["to"] - timedelta(hours=3), e["to"]) > 0.9 * clear).all()
    assert e["planted"]["tips"] * 0.2 == pytest.approx(e["planted"]["shower_mm"])


def vane_stuck(e: dict[str, Any]) -> None:
    wd, ws = series("wd", e["from"], e["to"]), series("ws", e["from"], e["to"])
    assert len(wd) == e["planted"]["hours"] * 6
    assert wd.min() == pytest.approx(e["planted"]["direction_deg"])
    assert np.ptp(wd) <= 0.1 + 1e-9
    assert ws.min() > 2.0
    assert np.ptp(ws) > 2.0


def shadow_depths(first: datetime, days: int, sector: tuple[float, float]) -> list[float]:
    """Loss of light in the middle of the sector on each morning that is clear on both sides of it."""
    out = []
    for day in range(days):
        begin = first + timedelta(days=day)
        end = begin + timedelta(hours=12)
        clear, azimuth, _ = clear_sky(begin, end)
        k = series("ghi", begin, end) / clear
        beside = k[
            ((azimuth > sector[0] - 8) & (azimuth < sector[0] - 2))
            | ((azimuth > sector[1] + 2) & (azimuth < sector[1] + 8))
        ]
        if np.ptp(beside) < 0.08 and beside.min() > 0.85:
            middle = (azimuth > sector[0] + 1) & (azimuth < sector[1] - 1)
            out.append(float(1.0 - k[middle].min() / np.median(beside)))
    return out


def pyranometer_shaded(e: dict[str, Any]) -> None:
    planted = e["planted"]
    sector = (planted["azimuth_from"], planted["azimuth_to"])
    depths = shadow_depths(e["from"], planted["days"], sector)
    assert len(depths) >= 6
    assert 0.25 < min(depths) <= max(depths) < planted["beam_cut"]  # some of the light is not beam
    before = shadow_depths(e["from"] - timedelta(days=45), 45, sector)
    assert len(before) >= 3
    assert max(np.abs(before)) < 0.08


def battery_failing(e: dict[str, Any]) -> None:
    planted, noon = e["planted"], e["from"].replace(hour=12, minute=0)
    lows = [series("batt", noon + timedelta(days=n), noon + timedelta(days=n + 1)).min() for n in range(7)]
    sag = planted["healthy_lowest_v"] - np.array(lows)
    np.testing.assert_allclose(sag, planted["night_sag_v"][:7], atol=0.1)  # V: nights differ a little
    assert min(lows) == planted["lowest_v"] == np.nanmin(series("batt", TRUTH["period"]["from"], e["to"]))
    assert (in_count(e, "batt") < 11.4).all()


FINDERS: dict[str, Callable[[dict[str, Any]], None]] = {
    "single-values": single_values,
    "bus-dropout": bus_dropout,
    "barometer-offset": barometer_offset,
    "sensor-frozen": sensor_frozen,
    "pyranometer-scale": pyranometer_scale,
    "gauge-clogged": gauge_clogged,
    "vane-stuck": vane_stuck,
    "pyranometer-shaded": pyranometer_shaded,
    "battery-failing": battery_failing,
}


@pytest.mark.parametrize("entry", PLANTED, ids=label)
def test_planted_numbers_are_in_the_files(entry: dict[str, Any]) -> None:
    FINDERS[entry["fault"]](entry)


def test_every_kind_of_fault_is_planted() -> None:
    assert {p["fault"] for p in PLANTED} == set(FINDERS)


def test_the_file_differs_from_sound_values_only_where_the_truth_says() -> None:
    table, _, _ = make_sample.healthy(STATION)
    stamps = [t.replace(tzinfo=UTC) for t in table.stamps.tolist()]
    covered = {
        n: [(p["from"], p["to"]) for p in PLANTED if n in p["channels"] or "all" in p["channels"]] for n in table.values
    }
    stray = []
    for name, values in table.values.items():
        for stamp, value in zip(stamps, values, strict=True):
            read = number(FIRST_OF.get(stamp, {}).get(name, ""))
            if not abs(read - value) < 1e-6 and not any(a <= stamp <= b for a, b in covered[name]):
                stray.append((name, stamp))
    assert stray == []
