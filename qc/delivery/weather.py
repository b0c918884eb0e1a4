"""Pictures of the weather that was measured: usable values only, corrected ones where there are any."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.delivery.calendar import Calendar, placed
from qc.physics import humidity
from qc.run import Result
from qc.sky import CLEANEST_AIR, Sky
from qc.station import Channel, Station
from qc.verdicts import USABLE
from qc.write import picture as p

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]

CALM = 0.5
"""Wind speed, m/s, below which a direction means nothing (judgement: about where cups and vanes begin to turn)."""
SPEEDS = (CALM, 2.0, 4.0, 6.0, 8.0, 11.0, 14.0, 17.0, 21.0)
"""Lower bounds of the classes of a wind rose, m/s (judgement)."""
SECTORS = 16
FULL_DAY = 0.9
"""Share of a day's values that must be usable for its sum to stand in a picture (judgement; `means/` has its own)."""
_MJ = 86_400 / 1e6  # MJ/m2 in a day of 1 W/m2
_EVERY_S = 900  # the clear sky is added up in quarters of an hour
_SEQUENCE = ("#cfe0ea", "#9cc3d6", "#6aa0be", "#43799f", "#2c5580", "#1c3560", "#101c3f", "#080d22", "#000000")


class Daily(NamedTuple):
    """The days that have a row: their first moments (UTC), and of each day's finite values the number, lowest, highest
    and mean; `share` is their number over the rows that a day should have (1 for events)."""

    begin: Times
    number: NDArray[np.int64]
    share: Floats
    low: Floats
    high: Floats
    mean: Floats


def usable(table: CheckedTable, channel: Channel) -> Floats:
    """The values of a channel that may be used, NaN elsewhere."""
    values, codes = table.best(channel.name)
    return np.where(np.isin(codes, USABLE), values, np.nan)


def daily(station: Station, table: CheckedTable, values: Floats, calendar: Calendar) -> Daily:
    """Values by day of the calendar."""
    numbers = calendar.number(placed(station, table.record), "day")
    if not len(numbers):
        none = np.zeros(0)
        return Daily(calendar.begin(numbers, "day"), numbers, none, none, none, none)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(numbers)) + 1))
    good = np.isfinite(values)
    count = np.add.reduceat(good.astype(np.int64), starts)
    total = np.add.reduceat(np.where(good, values, 0.0), starts)
    expected = 86_400e6 / table.record.interval_us if table.record.interval_us else np.nan
    share = count / expected if table.record.interval_us else np.ones(len(count))
    mean = np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)
    low, high = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
    return Daily(calendar.begin(numbers[starts], "day"), count, share, low, high, mean)


def first_of(result: Result, *quantities: str) -> tuple[CheckedTable, Channel] | None:
    """The first channel of some quantities, in this order, that has a usable value (no extreme and no spread)."""
    station = result.checked.record.station
    tables = result.checked.tables.values()
    known = [(t, c) for t in tables for c in station.channels_of(t.record.table)]
    fit = (
        (t, c)
        for quantity in quantities
        for t, c in known
        if c.quantity == quantity and c.statistic not in ("max", "min", "sd") and np.isfinite(usable(t, c)).any()
    )
    return next(fit, None)


def partner(station: Station, table: CheckedTable, channel: Channel, quantity: str) -> Channel | None:
    """The channel of another quantity in the same table that goes with one: of its device, at its height, or first."""
    others = [
        c
        for c in station.channels_of(table.record.table)
        if c.quantity == quantity and c.statistic not in ("max", "min", "sd")
    ]
    return min(others, key=lambda c: (c.on_device != channel.on_device, c.height != channel.height), default=None)


def span(result: Result) -> tuple[np.datetime64, np.datetime64]:
    """From the first row to the last, over all tables."""
    times = [t.record.time for t in result.checked.tables.values() if t.record.rows]
    return min(t[0] for t in times), max(t[-1] for t in times)


# ---- wind


class Rose(NamedTuple):
    """Shares of all usable pairs of speed and direction: `calm`, and by sector (from north, clockwise) and class."""

    calm: float
    shares: Floats
    pairs: int


def rose(speed: Floats, direction: Floats) -> Rose:
    """How often the wind came from where, and how strong; pairs with a NaN do not count.

    A direction on the edge of two sectors belongs to the one clockwise; a speed on a bound to the upper class.
    """
    both = np.isfinite(speed) & np.isfinite(direction)
    speed, direction = speed[both], direction[both]
    shares = np.zeros((SECTORS, len(SPEEDS)))
    if not len(speed):
        return Rose(0.0, shares, 0)
    calm = speed < CALM
    sector = np.floor(direction[~calm] / (360.0 / SECTORS) + 0.5).astype(np.int64) % SECTORS
    kind = np.searchsorted(SPEEDS, speed[~calm], side="right") - 1
    np.add.at(shares, (sector, kind), 1.0 / len(speed))
    return Rose(float(calm.mean()), shares, len(speed))


def wind_rose(result: Result) -> tuple[Figure, Rose, Channel, Channel] | None:
    """A wind rose of the first direction that has a speed beside it; with its numbers and the two channels."""
    found = first_of(result, "wind_direction")
    if found is None:
        return None
    table, direction = found
    speed = partner(result.checked.record.station, table, direction, "wind_speed")
    if speed is None:
        return None
    told = rose(usable(table, speed), usable(table, direction))
    if not told.pairs:
        return None
    with p.house():
        from matplotlib.collections import PatchCollection
        from matplotlib.figure import Figure
        from matplotlib.patches import Circle, Wedge

        drawn = Figure(figsize=(5.6, 3.9))
        axes = drawn.add_axes((0.02, 0.03, 3.7 / 5.6, 0.94))
        most = max(float(told.shares.sum(axis=1).max()), 0.01)
        hub = 0.18 * most  # the calm stands in the middle
        step = next(s for s in (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5) if most / s <= 4.5)
        rings = np.arange(1, np.ceil(most / step - 1e-9) + 1) * step
        axes.set_axis_off()
        axes.set_aspect("equal")
        edge = hub + float(rings[-1])
        reach = 1.16 * edge
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-reach, reach)
        by_sector = told.shares.sum(axis=1)
        quiet = int((by_sector + np.roll(by_sector, -1)).argmin())  # the gap beside which least was drawn
        angle = np.radians((quiet + 0.5) * 360.0 / SECTORS)
        for ring in rings:
            axes.add_patch(Circle((0, 0), hub + ring, fill=False, edgecolor=p.LINE, linewidth=0.7))
            axes.text(
                (hub + ring) * np.sin(angle), (hub + ring) * np.cos(angle), f"{100 * ring:g} %", fontsize=6.5,
                color=p.SOFT, ha="center", va="center", zorder=5,
            )  # fmt: skip
        used = [kind for kind in range(len(SPEEDS)) if told.shares[:, kind].any()]
        inner = np.full(SECTORS, hub)
        for kind in used:
            wedges = []
            for sector in range(SECTORS):
                middle, half, grow = 90.0 - sector * 360.0 / SECTORS, 0.42 * 360.0 / SECTORS, told.shares[sector, kind]
                if grow > 0:
                    wedges.append(Wedge((0, 0), inner[sector] + grow, middle - half, middle + half, width=grow))
            inner += told.shares[:, kind]
            look: dict[str, Any] = {"facecolor": _SEQUENCE[kind], "edgecolor": p.INK, "linewidth": 0.3}
            axes.add_collection(PatchCollection(wedges, gid=f"class-{kind}", **look))
        for number, word in enumerate(("N", "E", "S", "W")):
            angle = np.radians(90.0 * number)
            axes.text(
                1.09 * edge * np.sin(angle), 1.09 * edge * np.cos(angle), word, ha="center", va="center",
                fontweight="bold" if word == "N" else "normal",
            )  # fmt: skip
        axes.text(0, 0, f"calm\n{100 * told.calm:.1f} %", ha="center", va="center", fontsize=7)
        for row, kind in enumerate(used):
            last = kind == len(SPEEDS) - 1
            words = f"{SPEEDS[kind]:g} and more" if last else f"{SPEEDS[kind]:g} to {SPEEDS[kind + 1]:g}"
            y = 0.80 - 0.07 * row
            drawn.text(0.74, y, words, fontsize=8, va="center")
            swatch = drawn.add_axes((0.69, y - 0.02, 0.04, 0.04), xticks=[], yticks=[], facecolor=_SEQUENCE[kind])
            swatch.grid(False)
            for side in swatch.spines.values():
                side.set_visible(True)
        drawn.text(0.69, 0.88, "wind speed, m/s", fontsize=8, color=p.SOFT)
    return drawn, told, speed, direction


# ---- sun


def clear_days(station: Station, begins: Times) -> Floats:
    """What the cleanest clear sky gives in each day that begins at `begins` (UTC), MJ/m2."""
    steps = np.arange(_EVERY_S // 2, 86_400, _EVERY_S) * np.timedelta64(1, "s")
    time = (begins[:, None] + steps[None, :]).ravel().astype("datetime64[us]")
    where = station.station
    sky = Sky(time, where.latitude, where.longitude, where.elevation)
    return np.asarray(sky.clear.ghi.reshape(len(begins), -1).mean(axis=1) * _MJ)


class Light(NamedTuple):
    """Daily irradiation, MJ/m2, of the days that are full enough, and how many have a row but are not."""

    channel: Channel
    begin: Times
    sums: Floats
    left_out: int


def dark_filled(station: Station, table: CheckedTable, values: Floats) -> Floats:
    """Irradiance with 0 where no value is known and the sun is down."""
    where = station.station
    position = Sky(table.record.middle, where.latitude, where.longitude, where.elevation).position
    return np.where(np.isnan(values) & (position.apparent_zenith >= 90.0), 0.0, values)


def irradiation(result: Result, calendar: Calendar) -> tuple[Figure, Light] | None:
    """Daily irradiation of the first global irradiance under that of the cleanest clear sky."""
    found = first_of(result, "global_irradiance")
    if found is None:
        return None
    station = result.checked.record.station
    table, channel = found
    values = usable(table, channel)
    by_day = daily(station, table, values, calendar)
    if 2 * int((by_day.share >= FULL_DAY).sum()) < len(by_day.share):  # some loggers write nothing at night
        by_day = daily(station, table, dark_filled(station, table, values), calendar)
    full = by_day.share >= FULL_DAY
    light = Light(channel, by_day.begin[full], by_day.mean[full] * _MJ, int((~full).sum()))
    if not full.any():
        return None
    number = int((by_day.begin[-1] - by_day.begin[0]) / np.timedelta64(1, "D")) + 1
    every = 1 + number // 400
    days = by_day.begin[0] + np.arange(0, number, every) * np.timedelta64(1, "D")
    clear = clear_days(station, days)
    noon = np.timedelta64(12, "h")
    with p.house():
        drawn, axes = p.framed(2.7, bottom=0.75)
        axes.fill_between(p.days(days + noon), 0.0, clear, color="#f1ead2", linewidth=0)
        axes.plot(p.days(days + noon), clear, color=p.SERIES[3], linewidth=1.1,
                  label=f"cleanest clear sky (model, turbidity {CLEANEST_AIR:g})")  # fmt: skip
        many = full.sum() > 500
        axes.plot(p.days(light.begin + noon), light.sums, linestyle="none", marker="o", markersize=1.8 if many else 3.2,
                  color=p.SERIES[1], markeredgewidth=0, label=f"{channel.name}, day")  # fmt: skip
        axes.set_ylabel("irradiation, MJ/m² in a day")
        axes.set_ylim(0.0, 1.08 * max(float(clear.max()), float(light.sums.max()), 1.0))
        p.time_axis(axes, by_day.begin[0], by_day.begin[-1] + np.timedelta64(1, "D"), named=False)
        p.legend(drawn)
    return drawn, light


# ---- rain


class Rain(NamedTuple):
    """One gauge: its total of usable values, mm, and the share of rows whose value may not be used or is lacking."""

    channel: Channel
    total: float
    lacking: float


def rain(result: Result, calendar: Calendar) -> tuple[Figure, list[Rain]] | None:
    """Rain added up from the first row on, for each gauge; days that are not full have a pale band."""
    station = result.checked.record.station
    told: list[Rain] = []
    lines: list[tuple[Channel, Times, Floats]] = []
    bands: list[np.datetime64] = []
    for table in result.checked.tables.values():
        for channel in station.channels_of(table.record.table):
            if channel.quantity != "precipitation" or channel.statistic in ("max", "min", "sd"):
                continue
            values = usable(table, channel)
            if not np.isfinite(values).any():
                continue
            rows = table.record.rows + len(table.missing)
            told.append(Rain(channel, float(np.nansum(values)), 1.0 - float(np.isfinite(values).sum()) / rows))
            lines.append((channel, table.record.time, np.cumsum(np.nan_to_num(values))))
            by_day = daily(station, table, values, calendar)
            bands += _not_full(by_day, table)
    if not told:
        return None
    first, last = span(result)
    with p.house():
        drawn, axes = p.framed(2.6, bottom=0.75)
        for day in sorted(set(bands)):
            begin = float(p.days(day))
            axes.axvspan(begin, begin + 1.0, color="#e6e3f0", linewidth=0, zorder=0, gid="not-full")
        for number, (channel, time, total) in enumerate(lines):
            x, y = p.stroke(time, total, gap=np.timedelta64(36_500, "D"))
            axes.plot(x, y, color=p.SERIES[(2, 1, 0)[number % 3]], linewidth=1.2, label=channel.name)
        axes.set_ylabel("rain since the begin, mm")
        axes.set_ylim(bottom=0.0)
        p.time_axis(axes, first, last, named=False)
        p.legend(drawn)
    return drawn, told


def _not_full(by_day: Daily, table: CheckedTable) -> list[np.datetime64]:
    """Days with less than `FULL_DAY` of their values, or without a row. The first and the last are never whole."""
    if not table.record.interval_us or len(by_day.begin) < 3:
        return []
    between = np.arange(by_day.begin[0], by_day.begin[-1], np.timedelta64(1, "D"))[1:]
    return list(between[~np.isin(between, by_day.begin[by_day.share >= FULL_DAY])])


# ---- temperature


class Warmth(NamedTuple):
    """What the band of temperature and dew point is made of; `humid` is None where there is no dew point."""

    air: Channel
    humid: Channel | None
    computed: bool


def warmth(result: Result, calendar: Calendar) -> tuple[Figure, Warmth] | None:
    """Daily band from the lowest to the highest air temperature and dew point, with the means of the days."""
    found = first_of(result, "air_temperature")
    if found is None:
        return None
    station = result.checked.record.station
    table, air = found
    t = usable(table, air)
    humid = partner(station, table, air, "dew_point")
    computed = False
    td = None if humid is None else usable(table, humid)
    if td is None or not np.isfinite(td).any():
        humid = partner(station, table, air, "relative_humidity")
        if humid is not None:
            rh = usable(table, humid)
            td, computed = humidity.dew_point(t, np.where(rh > 0.0, np.minimum(rh, 100.0), np.nan)), True
    if td is None or not np.isfinite(td).any():
        td, humid, computed = None, None, False
    first, last = span(result)
    short = last - first <= np.timedelta64(14, "D")
    series = [(t, f"{air.name}, air", p.SERIES[1])]
    if td is not None and humid is not None:
        series.append((td, "dew point" + (f" from {air.name} and {humid.name}" if computed else f", {humid.name}"),
                       p.SERIES[2]))  # fmt: skip
    with p.house():
        drawn, axes = p.framed(2.8, bottom=0.75)
        gap = np.timedelta64(max(2 * (table.record.interval_us or 0), 3_600_000_000), "us")
        for values, name, colour in series:
            if short:
                p.line(axes, table.record.middle, values, gap=gap, color=colour, label=name)
                continue
            by_day = daily(station, table, values, calendar)
            x = p.days(by_day.begin) + 0.5
            breaks = np.flatnonzero(np.diff(x) > 1.5) + 1
            x, low, high, mean = (
                np.insert(a, breaks, b) for a, b in
                ((x, x[breaks] - 1.0), (by_day.low, np.nan), (by_day.high, np.nan), (by_day.mean, np.nan))
            )  # fmt: skip
            axes.fill_between(x, low, high, color=colour, alpha=0.28, linewidth=0)
            axes.plot(x, mean, color=colour, linewidth=1.2, label=name)
        axes.set_ylabel("temperature, °C")
        p.time_axis(axes, first, last, named=False)
        p.legend(drawn)
    return drawn, Warmth(air, humid, computed)
