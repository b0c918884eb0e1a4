"""The hours, days and months of one table, from the values that may be used; `qc.delivery.means` has the arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.delivery import means
from qc.delivery.calendar import Calendar, placed
from qc.delivery.completeness import expected_stamps
from qc.delivery.means import Bools, DayRule, Floats, Ints, SampleRule
from qc.delivery.sheets import Field
from qc.quantities import quantities
from qc.record import SECOND, Times
from qc.run import Result
from qc.station import Channel, Station, Table
from qc.verdicts import is_usable
from qc.write.text import stamps

if TYPE_CHECKING:
    import pyarrow as pa

_SPAN_US = {"hour": 3600 * SECOND, "day": 86400 * SECOND}


@dataclass(frozen=True)
class Rules:
    """How means are made: the calendar, and when enough is there."""

    calendar: Calendar
    samples: SampleRule
    days: DayRule


@dataclass(frozen=True)
class _Groups:
    """The rows of a table in their hours, days or months: `begin` has one moment more than there are groups."""

    span: str
    group: Ints
    begin: Times
    expected: Ints

    @property
    def many(self) -> int:
        return len(self.expected)


def why_not(table: Table, span: str) -> str | None:
    """Why a table has no aggregates of a span, None where it has."""
    if not table.interval_s:
        return "a table of events has no grid, so nobody can say how complete an hour of it is"
    longest = _SPAN_US["hour" if span == "hour" else "day"]
    if longest % round(table.interval_s * SECOND):
        return f"its interval of {table.interval} does not divide {'an hour' if span == 'hour' else 'a day'}"
    return None


def aggregates(result: Result, table: CheckedTable, span: str, rules: Rules) -> pa.Table:
    """One row for each hour, day or month that the period touches, with the columns of `fields`."""
    import pyarrow as pa

    station = result.checked.record.station
    groups = _groups(result, table, span, rules.calendar)
    days = _groups(result, table, "day", rules.calendar) if span == "month" else groups
    names = [rules.calendar.name(int(n), span) for n in rules.calendar.number(groups.begin[:-1], span)]
    columns: dict[str, pa.Array] = {
        "from": stamps(groups.begin[:-1]),
        "to": stamps(groups.begin[1:]),
        "label": pa.array(names, pa.string()),
        "expected": pa.array(groups.expected),
    }
    for channel in station.channels_of(table.record.table):
        for name, values in _channel(station, table, channel, groups, days, rules).items():
            mask = np.isnan(values) if values.dtype.kind == "f" else None
            columns[f"{channel.name}_{name}"] = pa.array(values, mask=mask)
    return pa.table(columns)


def fields(station: Station, table: Table, span: str, rules: Rules, codes: str) -> list[Field]:
    """What the columns of `aggregates` mean; `codes` tells the verdicts."""
    when = f"{span}, which begins at midnight {rules.calendar.label}" if span != "hour" else "hour"
    found = [
        Field("from", "datetime", f"First moment of the {when}; in UTC. Included."),
        Field("to", "datetime", "Its end, in UTC; the first moment of the next one."),
        Field("label", "string", f"Its name on the clock of {rules.calendar.label}: the moment at which it begins."),
        Field("expected", "integer", "Values that there are where none is missing."),
    ]
    for channel in station.channels_of(table):
        found += [
            Field(f"{channel.name}_{name}", kind, told, unit)
            for name, kind, told, unit in _told(station, table, channel, span, codes)
        ]
    return found


def kind_of(channel: Channel) -> str:
    """What is made of a channel: `vector`, `sum`, `mean`, `max`, `min`, or `none`."""
    quantity, statistic = quantities()[channel.quantity], channel.statistic
    if channel.quantity == "other" or statistic == "sd":
        return "none"
    if statistic in ("max", "min"):
        return "none" if quantity.circular else statistic
    return "vector" if quantity.circular else "sum" if quantity.kind == "amount" else "mean"


def speed_of(station: Station, direction: Channel) -> Channel | None:
    """The wind speed that weighs a direction: of the same table, best of the same device, else of the same height."""
    table = station.table_of(direction)
    speeds = [
        c
        for c in station.channels_of(table)
        if c.quantity == "wind_speed" and c.statistic in (None, "mean", "sample", "vector-mean")
    ]
    rank = {c.name: (c.on_device != direction.on_device, c.height != direction.height) for c in speeds}
    return min(speeds, key=lambda c: rank[c.name], default=None)


def _groups(result: Result, table: CheckedTable, span: str, calendar: Calendar) -> _Groups:
    record, station = table.record, result.checked.record.station
    number = calendar.number(placed(station, record), span)
    grid = calendar.number(placed(station, record, expected_stamps(result, table)), span)
    edges = [part[[0, -1]] for part in (number, grid) if len(part)]
    first, last = int(np.min(edges)), int(np.max(edges))
    begin = calendar.begin(np.arange(first, last + 2), span)
    assert record.interval_us
    expected = (np.diff(begin).astype(np.int64)) // record.interval_us
    return _Groups(span, number - first, begin, expected)


def _channel(
    station: Station, table: CheckedTable, channel: Channel, groups: _Groups, days: _Groups, rules: Rules
) -> dict[str, NDArray[Any]]:
    """The columns of one channel, without its name."""
    kind = kind_of(channel)
    if kind == "none":
        return {}
    values, codes = table.best(channel.name)
    used = is_usable(codes)
    partner = speed_of(station, channel) if kind == "vector" else None
    speed = np.ones(len(values))
    if partner is not None:
        speed, speed_codes = table.best(partner.name)
        used = used & is_usable(speed_codes)
        codes = np.maximum(codes, np.where(used, speed_codes, codes))
    group, many = groups.group, groups.many
    number = means.counted(group, many, used)
    whole = number >= groups.expected
    out: dict[str, NDArray[Any]] = {}
    if kind == "sum":
        total = means.rounded(means.sums(values, group, many, used))
        there = whole
        out |= {"sum": np.where(there, total, np.nan), "sum_at_least": total}
    else:
        there = _enough(groups, days, number, used, rules)
    if kind == "vector":
        east, north = means.components(values, speed)
        parts = [_mean(part, groups, days, used, rules) for part in (east, north, speed)]
        direction, length, steadiness = (np.where(there, x, np.nan) for x in means.resultant(*parts))
        out |= {"mean": direction, "steadiness": steadiness}
        if partner is not None:
            out["vector_speed"] = length
    if kind == "mean":
        out["mean"] = np.where(there, means.rounded(_mean(values, groups, days, used, rules)), np.nan)
    low, high = means.extremes(values, group, many, used)
    if kind in ("mean", "min"):
        out["min"] = low
    if kind in ("mean", "max", "sum"):
        out["max"] = high
    has_value = np.isfinite(table.record.channels[channel.name].values)
    excluded = means.counted(group, many, has_value & ~used)
    return out | {
        "used": number,
        "excluded": np.round(np.minimum(excluded / groups.expected, 1.0), 4),
        "bound": ~whole,
        "verdict": means.aggregate_verdict(codes, group, many, used, there),
    }


def _enough(groups: _Groups, days: _Groups, number: Ints, used: Bools, rules: Rules) -> Bools:
    """Which groups have enough for a mean: hours and days of their samples, months of their days."""
    if groups.span != "month":
        return rules.samples.holds(number, groups.expected)
    has_mean = _day_holds(days, used, rules)
    found = np.zeros(groups.many, bool)
    for n, (begin, end) in enumerate(zip(groups.begin[:-1], groups.begin[1:], strict=True)):
        of_month = np.zeros(round((end - begin) / np.timedelta64(1, "D")), bool)
        inside = np.flatnonzero((days.begin[:-1] >= begin) & (days.begin[:-1] < end))
        at = ((days.begin[:-1][inside] - begin) // np.timedelta64(1, "D")).astype(np.int64)
        of_month[at] = has_mean[inside]  # days outside the period have no mean
        found[n] = rules.days.holds(of_month)
    return found


def _day_holds(days: _Groups, used: Bools, rules: Rules) -> Bools:
    return rules.samples.holds(means.counted(days.group, days.many, used), days.expected)


def _mean(values: Floats, groups: _Groups, days: _Groups, used: Bools, rules: Rules) -> Floats:
    """Mean of the samples of hours and days; of a month the mean of the means of its days that have one."""
    if groups.span != "month":
        return means.means(values, groups.group, groups.many, used)
    by_day = means.means(values, days.group, days.many, used)
    of_month = np.searchsorted(groups.begin, days.begin[:-1], side="right") - 1
    return means.means(by_day, of_month, groups.many, _day_holds(days, used, rules))


_Told = tuple[str, str, str, str]
_MAY_BE = {
    "mean": ": the highest may have been higher, the lowest lower.",
    "sum": ": the sum and the highest may have been higher.",
    "max": ": the highest may have been higher.",
    "min": ": the lowest may have been lower.",
    "vector": ".",
}


def _told(station: Station, table: Table, channel: Channel, span: str, codes: str) -> Sequence[_Told]:
    kind = kind_of(channel)
    if kind == "none":
        return []
    quantity = quantities()[channel.quantity]
    unit, title = quantity.unit, quantity.title
    of = "of its days' means" if span == "month" else "of its values"
    highest = "largest value of one interval" if kind == "sum" else "highest value"
    bound = "True where not all expected values were used" + _MAY_BE[kind]
    partner = speed_of(station, channel) if kind == "vector" else None
    weight = f"weighed by {partner.name}" if partner else "unit vectors: no wind speed in the table"
    found: list[_Told] = []
    if kind == "sum":
        found += [
            ("sum", "number", f"Sum of {title} in the {span}; empty unless every expected value was used.", unit),
            ("sum_at_least", "number", f"Sum of the used values of {title}: no more is known.", unit),
        ]
    if kind == "mean":
        found.append(("mean", "number", f"Mean of {title}, {of}; empty where the rule finds too few.", unit))
    if kind == "vector":
        found += [
            ("mean", "number", f"Vector mean of {title} (from, {weight}), {of}; empty where too few, or none.", unit),
            (
                "steadiness",
                "number",
                "Length of the vector mean over the scalar mean: 1 steady, 0 all round.",
                "1",
            ),
        ]
        if partner:
            found.append(("vector_speed", "number", f"Length of the vector mean of wind, with {partner.name}.", "m/s"))
    if kind in ("mean", "min"):
        found.append(("min", "number", f"Lowest value of {title} that was used.", unit))
    if kind in ("mean", "max", "sum"):
        found.append(("max", "number", f"The {highest} of {title} that was used.", unit))
    return [
        *found,
        ("used", "integer", "Number of values used: those with verdict good, changed or estimated.", ""),
        ("excluded", "number", "Share of the expected values that were there, but not used.", "1"),
        ("bound", "boolean", bound, ""),
        ("verdict", "integer", f"Of the {'sum' if kind == 'sum' else 'mean'}, from what was used. {codes}", ""),
    ]
