"""The small tables of a delivery: completeness, gaps, episodes, logs, sensors and rules."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from qc.delivery.calendar import Calendar
from qc.delivery.codes import WMO, Scheme
from qc.delivery.completeness import Gap, Share
from qc.delivery.people import People
from qc.delivery.sheets import Field, Sheet
from qc.limits import Limits, sources
from qc.logs import VERDICTS, Entry, Logs
from qc.run import Result
from qc.station import Channel, Deployment, Station
from qc.verdicts import WORDS
from qc.write.text import number, stamp

_UTC = "ISO 8601, UTC"
_TABLE = Field("table", "string", "Table of the logger, as the station file calls it.")


def completeness_sheet(shares: Iterable[Share], calendar: Calendar) -> Sheet:
    """`completeness.csv`."""
    fields = (
        _TABLE,
        Field("channel", "string", "Channel, as the station file calls it."),
        Field("month", "string", f"Calendar month, from midnight to midnight {calendar.label}."),
        Field("expected", "integer", "Rows of the grid in that month, within the period of the delivery."),
        Field("rows", "integer", "Rows that were read."),
        Field("values", "integer", "Values that were read."),
        Field("completeness", "number", "Values over expected rows.", "1"),
        Field("usable", "integer", "Values that may be used: verdict good, changed or estimated."),
        Field("usable_share", "number", "Usable values over expected rows.", "1"),
        *(Field(word, "integer", f"Values with the verdict {word.replace('_', ' ')}.") for word in WORDS),
        Field("gaps", "integer", "Unbroken runs of expected rows without a value, as far as they lie in the month."),
        Field("longest_gap", "number", "Length of the longest of them.", "h"),
    )
    rows = [
        (
            s.table, s.channel, s.month, str(s.expected), str(s.rows), str(s.values), _share(s.completeness),
            str(s.usable), _share(s.usable_share), *(str(v) for v in s.verdicts), str(s.gaps),
            number(round(s.longest_gap_s / 3600, 4)),
        )
        for s in shares
    ]  # fmt: skip
    return Sheet("completeness.csv", "Is it complete? By channel and month", fields, rows)


def gaps_sheet(gaps: Iterable[Gap]) -> Sheet:
    """`gaps.csv`."""
    fields = (
        Field("from", "datetime", f"First stamp without a value. {_UTC}"),
        Field("to", "datetime", f"Last stamp without a value. {_UTC}"),
        _TABLE,
        Field("channel", "string", "Channel; `all` where whole rows are lacking."),
        Field("rows", "integer", "Rows lacking."),
        Field("values", "integer", "Values of the channel lacking."),
        Field("hours", "number", "How long it lasts.", "h"),
    )
    rows = [
        (
            stamp(g.start), stamp(g.end), g.table, g.channel, str(g.rows), str(g.values),
            number(round(g.lasts_s / 3600, 4)),
        )
        for g in gaps
    ]  # fmt: skip
    return Sheet("gaps.csv", "Gaps: rows lacking, and values lacking in rows that are there", fields, rows)


def episodes_sheet(result: Result, scheme: Scheme, persons: People) -> Sheet:
    """`episodes.csv`: those of all tables, by time."""
    second = () if scheme is WMO else (Field("verdict_wmo", "integer", WMO.told, allowed=WMO.allowed),)
    fields = (
        _TABLE,
        Field("from", "datetime", f"First stamp. {_UTC}"),
        Field("to", "datetime", f"Last stamp. {_UTC}"),
        Field("channel", "string", "Channel; `all` for rows that are missing."),
        Field("check", "string", "The check that the values fail; rules.csv has its limits."),
        Field("verdict", "integer", scheme.told, allowed=scheme.allowed),
        *second,
        Field("values", "integer", "Number of values."),
        Field("worst", "number", "The worst number that was tested."),
        Field("limit", "number", "The limit that it broke."),
        Field("message", "string", "What happened, in words."),
    )
    found = [(e, table) for table, of_table in result.episodes.items() for e in of_table]
    rows = []
    for e, table in sorted(found, key=lambda one: one[0].start):
        code = scheme.of_verdict[e.verdict]
        codes = [str(code)] if scheme is WMO else [str(code), str(e.verdict)]
        worst, limit = number(round(e.worst, 6)), number(round(e.limit, 6))
        message = persons.text(e.message)
        when = (stamp(e.start), stamp(e.end))
        rows.append([table, *when, e.channel, e.check, *codes, str(e.values), worst, limit, message])
    return Sheet("episodes.csv", "Episodes: unbroken runs of values that fail one check", fields, rows)


def log_sheets(station: Station, logs: Logs, persons: People) -> list[Sheet]:
    """`visits.csv`, `decisions.csv`, `corrections.csv`: the logs with their times in UTC; empty where there is none.

    A copy of the station file takes them as its logs.
    """
    when = (Field("from", "datetime", f"Begin. {_UTC}"), Field("to", "datetime", f"End, included. {_UTC}"))
    signed = (
        Field("reason", "string", "Why."),
        Field("by", "string", "By whom."),
        Field("decided", "datetime", f"When that was decided. {_UTC}"),
    )
    every = tuple(c.name for c in station.channel)

    def begun(entry: Entry) -> tuple[str, str, str]:
        joined = "all" if entry.channels == every and len(every) > 1 else ";".join(entry.channels)
        return stamp(entry.start), stamp(entry.end), joined

    visits = [(*begun(v), v.effect, persons.text(v.note)) for v in logs.visits or ()]
    decisions = [
        (*begun(d), VERDICTS[d.verdict], persons.text(d.reason), persons.name(d.by), stamp(d.decided))
        for d in logs.decisions or ()
    ]
    corrections = [
        (*begun(c), c.operation, number(c.parameter), persons.text(c.reason), persons.name(c.by), stamp(c.decided))
        for c in logs.corrections or ()
    ]
    channels = Field("channels", "string", "Channels, joined by `;`, or `all`.")
    channel = Field("channel", "string", "Channel, or several joined by `;`, or `all`.")
    effect = Field("effect", "string", "What was done: disturbed, replaced, cleaned, moved, clock or note.")
    operation = Field("operation", "string", "scale, offset, rotate, mirror, negate or estimate.")
    parameter = Field("parameter", "number", "In the unit of the channel's outputs; a factor for scale.")
    verdict = Field("verdict", "string", "What the reviewer decided: good, inconsistent, doubtful or wrong.")
    return [
        Sheet(
            "visits.csv",
            "What people did at the station",
            (*when, channels, effect, Field("note", "string", "In their words.")),
            visits,
        ),
        Sheet("decisions.csv", "What reviewers decided about values", (*when, channel, verdict, *signed), decisions),
        Sheet(
            "corrections.csv",
            "What was changed, and why",
            (*when, channel, operation, parameter, *signed),
            corrections,
        ),
    ]  # fmt: skip


def sensors_sheet(station: Station, last: np.datetime64) -> Sheet:
    """`sensors.csv`: a row for each period that a sensor hung there; `last` is the last stamp of the delivery."""
    fields = (
        Field("channel", "string", "Channel."),
        _TABLE,
        Field("quantity", "string", "What it measures."),
        Field("unit", "string", "Unit of the outputs."),
        Field("statistic", "string", "What a value is of its interval: mean, vector-mean, sample, total, counter, ..."),
        Field("sensor", "string", "Kind of sensor."),
        Field("device", "string", "Channels of one device fail together."),
        Field("rail", "string", "What feeds it."),
        Field("height", "number", "Above ground; negative below it.", "m"),
        Field("bearing", "number", "Where it hangs, seen from the mast, true.", "degree"),
        Field("distance", "number", "How far from the mast.", "m"),
        Field("north", "string", "To what a wind direction was set: true, or magnetic with a declination."),
        Field("declination", "number", "East positive.", "degree"),
        Field("column", "string", "Its columns in the logger's tables."),
        Field("column_unit", "string", "The unit there; range and resolution are in it."),
        Field("range_low", "number", "The sensor's own range: lowest."),
        Field("range_high", "number", "Highest."),
        Field("resolution", "string", "Smallest step; `up to value: step` where it depends on the value."),
        Field("from", "datetime", f"Begin of the period that it hung there. {_UTC}. Empty: since ever."),
        Field("to", "datetime", f"Its end, excluded. {_UTC}. Empty: still there."),
        Field("serial", "string", "Serial number."),
        Field("certificate", "string", "Calibration certificate."),
        Field("calibrated", "date", "Date of calibration."),
        Field("calibration_due", "date", "Date until which it holds."),
        Field("calibration_lapsed", "boolean", "Whether it ran out before the last value of that period."),
    )
    rows = [row for channel in station.channel for row in _sensor_rows(station, channel, last)]
    return Sheet("sensors.csv", "Sensors, where they hung, and their calibration", fields, rows)


def _sensor_rows(station: Station, channel: Channel, last: np.datetime64) -> Iterator[list[str]]:
    deployments: list[Deployment | None] = [*channel.deployment] or [None]
    for n, hung in enumerate(deployments):
        follower = deployments[n + 1] if n + 1 < len(deployments) else None
        begin, end = _utc(hung), _utc(follower)

        def told(key: str, hung: Deployment | None = hung) -> object:
            given = None if hung is None else getattr(hung, key)
            return getattr(channel, key) if given is None else given

        own: Any = told("range") or ("", "")
        lapsed = ""
        if hung is not None and hung.calibration_due is not None:
            until = last if end is None else min(last, end)
            lapsed = str(bool(until.astype("datetime64[D]") > np.datetime64(hung.calibration_due))).lower()
        place = channel.at
        yield [
            channel.name, station.table_of(channel).id, channel.quantity, channel.output_unit,
            channel.statistic or "", channel.sensor or "", _text(told("device")), channel.rail or "",
            _text(told("height")), _text(place and place.bearing), _text(place and place.distance),
            channel.north if channel.quantity == "wind_direction" else "", _text(channel.declination),
            "; ".join(str(c) for c in channel.columns), _text(told("unit")), _text(own[0]), _text(own[1]),
            _steps(told("resolution")), "" if begin is None else stamp(begin), "" if end is None else stamp(end),
            *(("", "", "", "") if hung is None
              else (hung.serial or "", hung.certificate or "", _text(hung.calibrated), _text(hung.calibration_due))),
            lapsed,
        ]  # fmt: skip


def _utc(hung: Deployment | None) -> np.datetime64 | None:
    from datetime import UTC

    return None if hung is None else np.datetime64(hung.from_.astimezone(UTC).replace(tzinfo=None), "us")


def _text(value: object) -> str:
    return "" if value is None else number(value) if isinstance(value, float) else str(value)


def _steps(resolution: object) -> str:
    if isinstance(resolution, list):
        return ", ".join(f"up to {number(float(b))}: {number(float(step))}" for b, step in resolution)
    return _text(resolution)


def rules_sheet(station: Station, limits: Limits) -> Sheet:
    """`rules.csv`: each limit in force with source and standing, for each table where it depends on the interval."""
    fields = (
        Field("limit", "string", "Name of the limit; its first part is the check."),
        Field("table", "string", "Table for which the value holds; `all` where it does not depend on the interval."),
        Field("value", "number", "The limit."),
        Field("unit", "string", "Its unit."),
        Field("verdict", "string", "What a value beyond it is called; empty where it only sets a condition."),
        Field("source", "string", "Where it is from, short."),
        Field("title", "string", "Where it is from, in full."),
        Field("standing", "string", "How far it can be trusted: published, from memory, computed, measured, ..."),
        Field("note", "string", "More about it."),
        Field("origin", "string", "The file that it stands in."),
        Field("reason", "string", "Why it was set for this site, where it was."),
    )
    rows = []
    for limit in limits.values():
        fixed = isinstance(limit.value, float)
        for table, interval in [("all", None)] if fixed else [(t.id, t.interval_s) for t in station.table]:
            rows.append(
                [
                    limit.name, table, number(limit.at(interval)), limit.unit,
                    "" if limit.verdict is None else WORDS[limit.verdict], limit.source, sources()[limit.source],
                    limit.standing, limit.note, limit.origin, limit.reason,
                ]
            )  # fmt: skip
    for channel in station.channel:
        for n, bound in enumerate(("low", "high")):
            if channel.range:
                rows.append(
                    [
                        f"range.{channel.name}.{bound}", station.table_of(channel).id, number(channel.range[n]),
                        channel.unit, "wrong", "station file", "the station file", "as stated there",
                        "the sensor's own range", "station file", "",
                    ]
                )  # fmt: skip
    return Sheet("rules.csv", "Limits in force, each with its source", fields, rows)


def _share(value: float | None) -> str:
    return "" if value is None else number(round(value, 6))
