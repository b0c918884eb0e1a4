"""Pictures of a delivery: what is there, what may be used of it, each channel's month, what was corrected.

Records are reduced before anything is drawn (`qc.write.picture`), all channels of a month stand in one axes: a year of
minutes is drawn in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.delivery import weather
from qc.delivery.calendar import UTC, Calendar, placed
from qc.delivery.completeness import Share
from qc.delivery.site import places, site
from qc.logs import Correction
from qc.quantities import quantities
from qc.record import Times
from qc.run import Result
from qc.station import Channel, Station
from qc.verdicts import (
    CHANGED,
    DOUBTFUL,
    ESTIMATED,
    GOOD,
    INCONSISTENT,
    MISSING,
    NOT_CHECKED,
    WORDS,
    WRONG,
)
from qc.write import picture as p

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Pairs = Sequence[tuple[CheckedTable, Channel]]

LANES = 12
"""Channels in one picture of a month: more would not fit a page of A4."""
_STRIPS = 40  # channels in one calendar
_MOST_DAYS = 800  # columns of a calendar; of a longer record some days share one
_MOST_MONTHS = 18  # months that have room for a number in the picture of completeness
_MOST_CORRECTIONS = 12  # lines of the correction log that get a picture (judgement)
_OUTSIDE = "#efeee8"  # no table reaches there
_LACKING = "#ffffff"
_WORST = (GOOD, CHANGED, ESTIMATED, NOT_CHECKED, INCONSISTENT, DOUBTFUL, WRONG)  # what a cell shows of many, last first
_RANK = np.array([_WORST.index(code) if code in _WORST else 0 for code in range(8)], np.uint8)
_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Picture:
    """One picture: its file's name without ending, PNG bytes, what it shows to those who do not see it, its caption.

    `flagged` is how many values in it are called inconsistent, doubtful or wrong.
    """

    name: str
    png: bytes
    alt: str
    caption: str
    flagged: int = 0


def pictures(result: Result, shares: Sequence[Share], calendar: Calendar = UTC) -> list[Picture]:
    """All pictures that this station has data for, in the order of the report."""
    with p.house():
        return _all(result, shares, calendar)


def _all(result: Result, shares: Sequence[Share], calendar: Calendar) -> list[Picture]:
    station = result.checked.record.station
    found: list[Picture] = []
    sketch = site(station)
    if sketch is not None:
        told = (
            ["where the sensors hang, seen from the mast (distances by their square root)"] if places(station) else []
        )
        told += ["what hides the sun, and the sun's way on three days"] if station.horizon else []
        alt = f"Sketch of the site: {len(places(station))} places of sensors, {len(station.horizon)} points of horizon."
        found.append(Picture("site", p.png(sketch), alt, _sentence(" and ".join(told) + ", from the station file")))
    found += _complete(shares)
    found += _calendars(result, calendar)
    found += _weather(result, calendar)
    found += _months(result, calendar)
    found += _corrections(result)
    return found


def names(result: Result, calendar: Calendar = UTC) -> list[str]:
    """Names of all pictures that could be made, without making them: every picture has one of them."""
    found = ["site", "completeness", "wind_rose", "irradiation", "rain", "temperature"]
    channels = _all_channels(result)
    strips, lanes = len(_parts(channels, _STRIPS)), len(_parts(channels, LANES))
    found += ["calendar"] if strips == 1 else [f"calendar_{n}" for n in range(1, strips + 1)]
    for number in _month_numbers(result, calendar):
        name = f"month_{calendar.name(number, 'month')}"
        found += [name] if lanes == 1 else [f"{name}_{n}" for n in range(1, lanes + 1)]
    return found + [_correction_name(line) for line in result.checked.record.logs.corrections or ()]


def _month_numbers(result: Result, calendar: Calendar) -> list[int]:
    first, last = (int(calendar.number(np.array([t]), "month")[0]) for t in weather.span(result))
    return list(range(first, last + 1))


def _correction_name(line: Correction) -> str:
    return f"correction_{line.line:03d}_{line.channel}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def unit_shown(channel: Channel) -> str:
    """The unit of a channel in the outputs."""
    return {"degC": "°C", "degree": "°", "W/m2": "W/m²", "umol/m2/s": "µmol/m²/s", "m3/m3": "m³/m³"}.get(
        channel.output_unit, channel.output_unit
    )


# ---- completeness


def completeness(shares: Sequence[Share]) -> Figure:
    """A bar for each channel and month: what may be used, what is there besides, what is lacking."""
    channels = list(dict.fromkeys((s.table, s.channel) for s in shares))
    months = _shown_months(shares)
    by_place = {(s.table, s.channel, s.month): s for s in shares}
    with p.house():
        from matplotlib.collections import PatchCollection
        from matplotlib.patches import Rectangle

        lane = min(0.36, 7.2 / len(channels))
        drawn, axes = p.framed(0.85 + lane * len(channels), left=1.3, top=0.1, bottom=0.7)
        bars: dict[str, list[Rectangle]] = {"frame": [], "usable": [], "not usable": []}
        size = min(7.0, lane * 72 * 0.5)
        for row, (table, channel) in enumerate(channels):
            for column, month in enumerate(months):
                share = by_place.get((table, channel, month))
                if share is None or not share.expected:
                    continue
                x, base, high = column + 0.06, row + 0.9, 0.8
                used = min(share.usable / share.expected, 1.0)
                there = min(max(share.values, share.usable) / share.expected, 1.0)
                bars["frame"].append(Rectangle((x, base - high), 0.88, high))
                bars["usable"].append(Rectangle((x, base - high * used), 0.88, high * used))
                bars["not usable"].append(Rectangle((x, base - high * there), 0.88, high * (there - used)))
                if len(months) <= _MOST_MONTHS and lane > 0.15:
                    axes.text(column + 0.5, row + 0.5, percent(used), ha="center", va="center", fontsize=size)
        for name, colour in (("usable", p.COLOURS[GOOD]), ("not usable", p.COLOURS[DOUBTFUL]), ("frame", "none")):
            edge = p.SOFT if name == "frame" else "none"
            axes.add_collection(PatchCollection(bars[name], facecolor=colour, edgecolor=edge, linewidth=0.4, gid=name))
        axes.set_xlim(0, len(months))
        axes.set_ylim(len(channels), 0)
        _month_ticks(axes, months)
        axes.set_yticks(np.arange(len(channels)) + 0.5, [p.label(c, 20) for _, c in channels])
        axes.tick_params(length=0, labelsize=min(8.0, lane * 72 * 0.75))
        axes.grid(False)
        for side in axes.spines.values():
            side.set_visible(False)
        handles = [
            Rectangle((0, 0), 1, 1, facecolor=colour, edgecolor=p.SOFT, linewidth=0.5, label=label)
            for label, colour in (
                ("may be used, %", p.COLOURS[GOOD]),
                ("there, not to be used", p.COLOURS[DOUBTFUL]), ("lacking", _LACKING),
            )
        ]  # fmt: skip
        drawn.legend(handles=handles, loc="lower left", ncols=3, borderaxespad=0.3, handlelength=1.2)
    return drawn


def _shown_months(shares: Sequence[Share]) -> list[str]:
    """The months of the picture; of many, only those with a row."""
    months = sorted({s.month for s in shares})
    there = {s.month for s in shares if s.rows}
    return months if len(months) <= _MOST_MONTHS else [m for m in months if m in there]


def _month_ticks(axes: Axes, months: Sequence[str]) -> None:
    every = 1 + (len(months) - 1) // 14
    at = np.arange(0, len(months), every)
    told: list[str] = []
    before = ""
    for n in at.tolist():
        year, number = months[n].split("-")
        word = p.MONTHS[int(number) - 1]
        told.append(word if year == before else f"{word}\n{year}")
        before = year
    axes.set_xticks(at + 0.5, told)


def percent(share: float) -> str:
    """A share in percent for a small place: 100 only where nothing is lacking, 0 only where nothing is there."""
    if round(100 * share) == 100 and share < 1.0:
        return f"{int(1000 * share) / 10:.1f}" if share < 0.999 else "99.9"
    return "<1" if round(100 * share) == 0 and share > 0.0 else str(round(100 * share))


def _complete(shares: Sequence[Share]) -> list[Picture]:
    if not shares:
        return []
    caption = (
        "How much of what was expected may be used, by channel and month, in percent of the expected rows. "
        "The pale part of a bar may be used, the dark part is there but has a verdict that speaks against it, "
        "the empty part is lacking."
    )
    left_out = len({s.month for s in shares}) - len(_shown_months(shares))
    if left_out:
        caption += f" {left_out} months without any row are left out."
    channels = len({(s.table, s.channel) for s in shares})
    alt = f"Bars of completeness for {channels} channels; the numbers stand in the table beside it."
    return [Picture("completeness", p.png(completeness(shares)), alt, caption)]


# ---- calendar of verdicts


@dataclass(frozen=True)
class Grid:
    """In which cell (day x part of the day, running) each row of a table lies; `starts`: where another cell begins."""

    cell: NDArray[np.int64]
    starts: NDArray[np.int64]
    slots: int
    number: int
    expected: int


def grid(station: Station, table: CheckedTable, calendar: Calendar, first_day: int, days: int) -> Grid:
    """The grid of a calendar that begins with a running number of day; a table's longer interval makes longer parts."""
    interval = table.record.interval_us
    slots = max(1, min(24, _DAY_US // interval)) if interval else 24
    at = placed(station, table.record)
    local = (at - calendar.begin(np.array([first_day]), "day")[0]).astype("timedelta64[us]").astype(np.int64)
    cell = local * slots // _DAY_US if slots == 1 else local // (_DAY_US // slots)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(cell)) + 1))
    return Grid(cell, starts, slots, days * slots, round(_DAY_US / slots / interval) if interval else 0)


def cells(table: CheckedTable, channel: Channel, on: Grid) -> NDArray[np.uint8]:
    """The verdicts of one channel by day and part of the day: days x slots.

    A cell shows the worst verdict of its values; 7 where half of its rows or more lack a value, unless a value was
    called inconsistent, doubtful or wrong; 255 where no row was expected.
    """
    codes = table.best(channel.name)[1]
    where = on.cell[on.starts]
    keep = (where >= 0) & (where < on.number)
    worst = np.array(_WORST, np.uint8)[np.maximum.reduceat(_RANK[codes], on.starts)]
    there = np.add.reduceat(codes != MISSING, on.starts, dtype=np.int64)
    rows = np.maximum(np.diff(np.append(on.starts, len(codes))), on.expected)
    bad = np.isin(worst, (INCONSISTENT, DOUBTFUL, WRONG))
    told = np.where(((2 * there <= rows) & ~bad) | (there == 0), MISSING, worst)
    flat = np.full(on.number, 255, np.uint8)
    if on.expected:  # between the first and the last row every cell was expected
        flat[max(int(where[0]), 0) : int(where[-1]) + 1] = MISSING
    flat[where[keep]] = told[keep]
    return flat.reshape(-1, on.slots)


def calendar_raster(result: Result, channels: Pairs, calendar: Calendar) -> Figure:
    """A strip for each channel, a column for each day, hours downwards, the colour of the worst verdict."""
    station = result.checked.record.station
    first, last = weather.span(result)
    days = np.arange(*(calendar.number(np.array([t]), "day")[0] + n for n, t in enumerate((first, last))))
    begin = calendar.begin(days[:1], "day")[0]
    shared = 1 + (len(days) - 1) // _MOST_DAYS
    colours = np.full((256, 3), 0xEF, np.uint8)
    for code, colour in enumerate((*p.COLOURS[:MISSING], _LACKING)):
        colours[code] = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    colours[255] = [int(_OUTSIDE[i : i + 2], 16) for i in (1, 3, 5)]
    with p.house():
        from matplotlib.patches import Rectangle

        lane = min(0.4, 7.4 / len(channels))
        drawn, axes = p.framed(1.05 + lane * len(channels), left=1.3, top=0.1, bottom=0.95)
        left, right = float(p.days(begin)), float(p.days(begin)) + len(days)
        seen: set[int] = set()
        grids = {t.record.table.id: grid(station, t, calendar, int(days[0]), len(days)) for t, _ in channels}
        for row, (table, channel) in enumerate(channels):
            found = cells(table, channel, grids[table.record.table.id])
            if shared > 1:
                found = _together(found, shared)
            seen |= set(np.unique(found).tolist())
            axes.imshow(
                colours[found.T], extent=(left, left + shared * len(found), row + 0.95, row + 0.05), aspect="auto",
                interpolation="nearest", gid=f"strip-{channel.name}",
            )  # fmt: skip
        axes.set_ylim(len(channels), 0)
        axes.set_yticks(np.arange(len(channels)) + 0.5, [p.label(c.name, 20) for _, c in channels])
        axes.tick_params(axis="y", length=0, labelsize=min(8.0, lane * 72 * 0.75))
        axes.grid(False)
        p.time_axis(axes, begin, begin + len(days) * np.timedelta64(1, "D"), named=False)
        axes.set_xlim(left, right)
        handles = [
            Rectangle((0, 0), 1, 1, facecolor=colour, edgecolor=p.SOFT, linewidth=0.5, label=told)
            for code, told, colour in (
                *((c, p.word(c), p.COLOURS[c]) for c in range(8)), (255, "no row expected", _OUTSIDE)
            ) if code in seen
        ]  # fmt: skip
        drawn.legend(handles=handles, loc="lower left", ncols=5, borderaxespad=0.3, handlelength=1.2)
    return drawn


def _together(found: NDArray[np.uint8], number: int) -> NDArray[np.uint8]:
    """Some days in one column: the worst of each part of the day."""
    order = np.full(256, 0, np.uint8)
    ranked = (255, *_WORST[:4], MISSING, *_WORST[4:])
    order[list(ranked)] = np.arange(len(ranked))
    lacking = -len(found) % number
    whole = np.concatenate((found, np.full((lacking, found.shape[1]), 255, np.uint8)))
    ranks = order[whole].reshape(-1, number, found.shape[1]).max(axis=1)
    merged: NDArray[np.uint8] = np.array(ranked, np.uint8)[ranks]
    return merged


def _all_channels(result: Result) -> Pairs:
    station = result.checked.record.station
    tables = [t for t in result.checked.tables.values() if t.record.rows]
    return [(t, c) for t in tables for c in station.channels_of(t.record.table)]


def _parts(given: Pairs, most: int) -> list[Pairs]:
    """Even parts of at most `most`."""
    number = -(-len(given) // most)
    bounds = [round(n * len(given) / number) for n in range(number + 1)]
    return [given[a:b] for a, b in pairwise(bounds)]


def _calendars(result: Result, calendar: Calendar) -> list[Picture]:
    parts = _parts(_all_channels(result), _STRIPS)
    caption = (
        f"Each strip is a channel, each column a day ({calendar.label}), with the hours of the day downwards. The "
        "colour is that of the worst verdict in that hour. White: half of the values or more are lacking."
    )
    found = []
    for number, part in enumerate(parts, 1):
        alt = f"Calendar of verdicts of {', '.join(c.name for _, c in part[:12])}; their counts stand in a table."
        name = "calendar" if len(parts) == 1 else f"calendar_{number}"
        found.append(Picture(name, p.png(calendar_raster(result, part, calendar)), alt, caption))
    return found


# ---- weather


def _weather(result: Result, calendar: Calendar) -> list[Picture]:
    found = []
    if (wind := weather.wind_rose(result)) is not None:
        drawn, rose, speed, direction = wind
        caption = (
            f"Where the wind came from, and how strong: {rose.pairs} pairs of usable values of {direction.name} and "
            f"{speed.name}; rings in percent of all pairs. Below {weather.CALM:g} m/s it is called calm."
        )
        sector = int(rose.shares.sum(axis=1).argmax())
        alt = (
            f"Wind rose; most wind came from {sector * 360 / weather.SECTORS:g} degrees, {100 * rose.calm:.1f} % calm."
        )
        found.append(Picture("wind_rose", p.png(drawn), alt, caption))
    if (light := weather.irradiation(result, calendar)) is not None:
        drawn, told = light
        caption = (
            f"Irradiation by day ({calendar.label}) from usable values of {told.channel.name}, under what the cleanest "
            f"clear sky would give by a model. Left out: {_days(told.left_out)} with less than "
            f"{100 * weather.FULL_DAY:.0f} % of usable values."
        )
        alt = f"Daily irradiation of {len(told.sums)} days, highest {told.sums.max():.1f} MJ/m2, with a clear-sky line."
        found.append(Picture("irradiation", p.png(drawn), alt, caption))
    if (wet := weather.rain(result, calendar)) is not None:
        drawn, gauges = wet
        sums = "; ".join(f"{g.channel.name} {g.total:.1f} mm" for g in gauges)
        caption = (
            f"Rain added up over usable values: {sums}. Pale bands are days with less than "
            f"{100 * weather.FULL_DAY:.0f} % of them: where a value is lacking the sum is a lower bound."
        )
        found.append(Picture("rain", p.png(drawn), f"Cumulative rain: {sums}.", caption))
    if (warm := weather.warmth(result, calendar)) is not None:
        drawn, made = warm
        caption = f"Air temperature ({made.air.name})"
        if made.humid is not None:
            how = f"computed from {made.humid.name}" if made.computed else made.humid.name
            caption += f" and dew point ({how})"
        caption += ": bands from the lowest to the highest value of a day, lines through the means; usable values only."
        found.append(Picture("temperature", p.png(drawn), "Band of temperature and dew point by day.", caption))
    return found


def _days(number: int) -> str:
    return f"{number} day" if number == 1 else f"{number} days"


# ---- a month of each channel


class Middles:
    """The middles of the intervals of tables, made once for all months."""

    def __init__(self) -> None:
        self._known: dict[str, Times] = {}

    def between(self, table: CheckedTable, first: np.datetime64, last: np.datetime64) -> tuple[Times, slice]:
        """Those from `first` to before `last`, and the rows where they are."""
        name = table.record.table.id
        if name not in self._known:
            self._known[name] = table.record.middle
        rows = slice(*(int(n) for n in np.searchsorted(self._known[name], [first, last])))
        return self._known[name][rows], rows


def month(
    result: Result,
    channels: Pairs,
    first: np.datetime64,
    last: np.datetime64,
    middles: Middles | None = None,
) -> tuple[Figure, dict[int, int]]:
    """The values from `first` to before `last` (UTC), a lane for each channel, with signs on those that are not good.

    Gives how many values have each verdict from 1 on. Each lane reaches from the lowest to the highest value that is
    not doubtful or wrong; signs of what lies outside stand on its edge.
    """
    record, middles = result.checked.record, middles or Middles()
    xs: list[Floats] = []
    ys: list[Floats] = []
    dots: list[tuple[Floats, Floats]] = []
    changed: list[tuple[Floats, Floats]] = []
    signs: dict[int, list[tuple[Floats, Floats]]] = {}
    counts: dict[int, int] = {}
    with p.house():
        drawn, axes = p.framed(0.95 + 0.58 * len(channels), left=1.5, top=0.15, bottom=0.8)
        for lane, (table, channel) in enumerate(channels):
            time, rows = middles.between(table, first, last)
            values = table.record.channels[channel.name].values[rows]
            codes = table.codes[channel.name][rows]
            corrected = table.corrected.get(channel.name)
            again = None if corrected is None else corrected.values[rows]
            low, high = bounds(channel, values, codes, again)
            _lane_text(axes, lane, len(channels), channel, low, high, bool(np.isfinite(values).any()))

            def height(v: Floats, lane: int = lane, low: float = low, high: float = high) -> Floats:
                return lane + 0.9 - 0.8 * np.clip((v - low) / (high - low), 0.0, 1.0)

            gap = np.timedelta64(int((table.record.interval_us or 0) * 1.5), "us")
            inside = np.where((values >= low) & (values <= high), values, np.nan)
            if quantities()[channel.quantity].circular:
                dots.append(_thinned(time, height(inside)))
            elif channel.quantity == "precipitation":
                for line in _needles(time, height(inside), lane + 0.9, first, last):
                    xs.append(line[0])
                    ys.append(line[1])
            else:
                x, y = p.stroke(time, height(inside), gap=gap, columns=p.COLUMNS)
                xs += [x, np.array([np.nan])]
                ys += [y, np.array([np.nan])]
            if corrected is not None and again is not None and np.isfinite(again).any():
                x, y = p.stroke(time, height(again), gap=gap)
                changed += [(x, y), (np.array([np.nan]), np.array([np.nan]))]
            for code in (INCONSISTENT, DOUBTFUL, WRONG):
                here = (codes == code) & np.isfinite(values)
                if here.any():
                    counts[code] = counts.get(code, 0) + int(here.sum())
                    few = p.envelope(time[here], height(values[here]), first, last, p.COLUMNS // 3)
                    apart = few.high - few.low > 0.08
                    signs.setdefault(code, []).append((p.days(few.time), few.low))
                    signs[code].append((p.days(few.time[apart]), few.high[apart]))
        axes.set_ylim(len(channels), 0)
        axes.hlines(
            np.arange(len(channels) + 1), 0, 1, transform=axes.get_yaxis_transform(), color=p.LINE, linewidth=0.8
        )
        if xs:
            axes.plot(np.concatenate(xs), np.concatenate(ys), color=p.SERIES[0], linewidth=0.7, gid="values")
        for x, y in dots:
            axes.plot(
                x, y, linestyle="none", marker=".", markersize=1.6, markeredgewidth=0, color=p.SERIES[0], gid="dots"
            )
        if changed:
            x, y = (np.concatenate([part[n] for part in changed]) for n in (0, 1))
            axes.plot(x, y, color=p.COLOURS[CHANGED], linewidth=1.1, label="corrected values", gid="changed")
        for code, parts in sorted(signs.items()):
            x, y = (np.concatenate([part[n] for part in parts]) for n in (0, 1))
            axes.plot(
                x, y, linestyle="none", marker=p.MARKS[code], markersize=3.6, color=p.COLOURS[code],
                markeredgecolor=p.INK, markeredgewidth=0.3, label=p.word(code), zorder=3, gid=f"verdict-{code}",
            )  # fmt: skip
        axes.set_yticks([])
        axes.grid(True, axis="x")
        for side in axes.spines.values():
            side.set_visible(False)
        p.time_axis(axes, first, last, named=False)
        visits = [(v.start, v.end, v.effect) for v in record.logs.visits or ()]
        if p.visits(axes, [(a, b, e) for a, b, e in visits], whole=True):
            axes.plot([], [], color=p.SERIES[4], linewidth=3, alpha=0.35, label="visit")
        p.legend(drawn)
    return drawn, counts


def bounds(channel: Channel, values: Floats, codes: NDArray[np.uint8], again: Floats | None) -> tuple[float, float]:
    """From where to where a lane reaches: round numbers around all values that are not doubtful or wrong (around all
    that are not wrong where those are less than a fifth)."""
    if quantities()[channel.quantity].circular:
        return 0.0, 360.0
    there = np.isfinite(values)
    sound = values[there & ~np.isin(codes, (DOUBTFUL, WRONG))]
    if 5 * len(sound) < int(there.sum()):  # too few to tell what the channel does
        sound = values[there & (codes != WRONG)]
    if again is not None:
        sound = np.concatenate((sound, again[np.isfinite(again)]))
    if not len(sound):
        sound = values[np.isfinite(values)]
    if not len(sound):
        return 0.0, 1.0
    low, high = float(sound.min()), float(sound.max())
    if channel.quantity == "precipitation":
        low, high = min(low, 0.0), high if high > 0.0 else 1.0
    step = 10.0 ** (np.floor(np.log10(high - low if low < high else max(abs(high), 1.0))) - 1.0)
    low, high = float(np.floor(low / step) * step), float(np.ceil(high / step) * step)
    return (low, high) if low < high else (low - step, high + step)


def _lane_text(axes: Axes, lane: int, lanes: int, channel: Channel, low: float, high: float, known: bool) -> None:
    left = axes.get_yaxis_transform()
    told = f"{p.label(channel.name, 17)}\n{p.label(unit_shown(channel), 17)}"
    axes.text(-0.245, lane + 0.52, told, transform=left, fontsize=8, va="center")
    if not known:
        axes.text(0.5, lane + 0.5, "no value in this month", transform=left, fontsize=7, color=p.SOFT, ha="center",
                  va="center")  # fmt: skip
        return
    for value, y in ((high, lane + 0.14), (low, lane + 0.87)):
        axes.text(-0.01, y, f"{value:.6g}".replace("-", "−"), transform=left, fontsize=6.5, color=p.SOFT, ha="right",
                  va="center")  # fmt: skip


def _thinned(time: Times, heights: Floats, most: int = 3 * p.COLUMNS) -> tuple[Floats, Floats]:
    """Every so many of the values, for what has no order from low to high."""
    good = np.flatnonzero(np.isfinite(heights))
    good = good[:: 1 + len(good) // most]
    return p.days(time[good]), heights[good]


def _needles(
    time: Times, heights: Floats, base: float, first: np.datetime64, last: np.datetime64
) -> list[tuple[Floats, Floats]]:
    """Amounts as needles from the bottom of a lane: the highest in each column (heights run downwards)."""
    most = p.envelope(time, heights, first, last)
    keep = most.low < base
    x = np.repeat(p.days(most.time[keep]), 3)
    y = np.column_stack((np.full(keep.sum(), base), most.low[keep], np.full(keep.sum(), np.nan))).ravel()
    ground = p.days(most.time[[0, -1]]) if len(most.time) else np.zeros(0)
    return [(x, y), (np.append(ground, np.nan), np.append(np.full(len(ground), base), np.nan))]


def _months(result: Result, calendar: Calendar) -> list[Picture]:
    parts, middles = _parts(_all_channels(result), LANES), Middles()
    found = []
    for number in _month_numbers(result, calendar):
        start, end = calendar.begin(np.array([number, number + 1]), "month")
        for place, part in enumerate(parts, 1):
            there = [(t, c) for t, c in part if len(middles.between(t, start, end)[0])]
            if not any(_any_value(t, c, middles.between(t, start, end)[1]) for t, c in there):
                continue
            drawn, counts = month(result, there, start, end, middles)
            name = calendar.name(number, "month")
            told = ", ".join(f"{n} {WORDS[code]}" for code, n in sorted(counts.items())) or "none flagged"
            caption = (
                f"{_month_name(name)} ({calendar.label}): raw values with signs on those that are not good: {told}."
            )
            if any(line.get_gid() == "changed" for line in drawn.axes[0].lines):
                caption += " Blue: corrected values."
            alt = f"Values of {', '.join(c.name for _, c in there)} in {_month_name(name)}; {told}."
            ending = "" if len(parts) == 1 else f"_{place}"
            found.append(Picture(f"month_{name}{ending}", p.png(drawn), alt, caption, sum(counts.values())))
    return found


def _month_name(month: str) -> str:
    year, number = month.split("-")
    return f"{p.MONTHS[int(number) - 1]} {year}"


def _any_value(table: CheckedTable, channel: Channel, rows: slice) -> bool:
    return bool(np.isfinite(table.record.channels[channel.name].values[rows]).any())


# ---- corrections


def correction(table: CheckedTable, channel: Channel, line: Correction) -> Figure | None:
    """The values of one line of the correction log, raw and corrected, with what lies around it; None without any."""
    time = table.record.time
    here = line.covers(time)
    corrected = table.corrected.get(channel.name)
    if corrected is None or not np.isfinite(corrected.values[here]).any():
        return None
    start, end = time[here][[0, -1]]
    around = max((end - start) // 4, np.timedelta64(6, "h"), np.timedelta64(4 * (table.record.interval_us or 0), "us"))
    rows = slice(*np.searchsorted(time, [start - around, end + around]))
    time, raw = table.record.middle[rows], table.record.channels[channel.name].values[rows]
    gap = np.timedelta64(int((table.record.interval_us or 0) * 1.5), "us")
    again = np.where(line.covers(table.record.time[rows]), corrected.values[rows], np.nan)
    with p.house():
        drawn, axes = p.framed(2.3, bottom=0.75)
        axes.axvspan(float(p.days(start)), float(p.days(end)), color="#eef1f6", linewidth=0, zorder=0)
        p.line(axes, time, raw, gap=gap, color=p.SERIES[5], label=f"{channel.name} as read")
        p.line(axes, time, again, gap=gap, color=p.COLOURS[CHANGED], label="corrected")
        axes.set_ylabel(p.label(f"{channel.name}, {unit_shown(channel)}", 30))
        p.time_axis(axes, time[0], time[-1], named=False)
        p.legend(drawn)
    return drawn


def _corrections(result: Result) -> list[Picture]:
    record = result.checked.record
    found: list[Picture] = []
    for line in record.logs.corrections or ():
        if len(found) == _MOST_CORRECTIONS:
            break
        channel = record.channel(line.channel)
        table = result.checked.tables.get(record.station.table_of(channel).id)
        drawn = None if table is None else correction(table, channel, line)
        if drawn is None:
            continue
        caption = f"Line {line.line} of the correction log: {channel.name}, {operation(line, channel)}."
        alt = f"{channel.name} as read and corrected around line {line.line} of the correction log."
        found.append(Picture(_correction_name(line), p.png(drawn), alt, caption))
    return found


def operation(line: Correction, channel: Channel) -> str:
    """What a line of the correction log does, in words."""
    unit = unit_shown(channel)
    match line.operation:
        case "scale":
            return f"multiplied by {line.parameter:g}"
        case "offset":
            return f"{line.parameter:+g} {unit}"
        case "rotate":
            return f"turned by {line.parameter:+g}°"
        case "mirror":
            return "mirrored about north"
        case "negate":
            return "sign exchanged"
        case _:
            return f"estimated as {line.parameter:g} {unit}"
