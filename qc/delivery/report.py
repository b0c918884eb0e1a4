"""`report.html`: one page that answers a client's questions in their order, and that prints well."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from qc.chain import not_applied
from qc.checks import doc, registry
from qc.delivery.calendar import UTC, Calendar
from qc.delivery.codes import WMO, Scheme
from qc.delivery.completeness import WHOLE, Gap, Share
from qc.delivery.people import People, people
from qc.delivery.pictures import Picture, operation
from qc.delivery.readme import LIMITS_OF_USE
from qc.delivery.small import sensors_sheet
from qc.delivery.weather import span
from qc.durations import seconds
from qc.episodes import Episode
from qc.limits import sources
from qc.quantities import quantities
from qc.run import Result
from qc.station import Channel, Station
from qc.verdicts import CHANGED, ESTIMATED, MISSING, USABLE, WORDS
from qc.version import __version__
from qc.write import page as h
from qc.write.page import Html

_MOST = 60
"""Rows of a table on the page; the files beside it have them all (judgement)."""
_MOST_MONTHS = 40  # pictures of months that one page carries (judgement: about 4 MB)
_MOST_GAPS = 12

MEANINGS = (
    "No check found a fault. It may be used.",
    "At odds with other values: one of them is off. Not to be used without a look.",
    "Hardly ever seen: one witness doubts it. Not to be used without a look.",
    "It cannot be, or two different witnesses doubt it. Not to be used.",
    "No check could be applied beyond the record's own. Judge it yourself.",
    "A corrected value, by a line of the correction log. It may be used.",
    "An estimate, by a line of the correction log. It may be used.",
    "There is no value.",
)
"""What each verdict means to who uses the data, by its code."""

LIFE = "The flags are no basis for warnings that protect life. Fairvane aids a trained person; it is no safety system."


@dataclass(frozen=True)
class _Section:
    id: str
    title: str
    body: Html


def report(
    result: Result,
    pictures: Sequence[Picture],
    *,
    shares: Sequence[Share],
    gaps: Sequence[Gap],
    calendar: Calendar = UTC,
    scheme: Scheme = WMO,
    only_initials: bool = False,
    licence: str = "",
    contact: str = "",
    owner: str = "",
) -> str:
    """The whole page.

    Parameters
    ----------
    result : what `check` found.
    pictures : those of `qc.delivery.pictures.pictures`; they are carried within the page.
    shares, gaps : of the whole period, from `qc.delivery.completeness` (`whole`, `gaps`).
    calendar : where days and months begin.
    scheme : of the flags in the files beside the page; the page itself speaks of verdicts.
    only_initials : whether people in the logs are told by their initials.
    licence, contact, owner : what is stated of the data; empty where nothing is.
    """
    station = result.checked.record.station
    persons = people(result.checked.record.logs, only_initials=only_initials)
    sections = [
        _Section("where", "What and where", _where(result, pictures, calendar, licence, contact, owner)),
        _Section("complete", "Is it complete?", _complete(result, pictures, shares, gaps)),
        _Section("usable", "Which values may be used?", _usable(pictures, shares, station)),
        _Section("flags", "What do the flags mean?", _flags(result, scheme)),
        _Section("episodes", "What was found", _episodes(result, persons)),
        _Section("months", "The values, month by month", _months(result, pictures)),
        _Section("weather", "The weather in short", _weather(pictures)),
        _Section("changed", "What was changed, by whom and why", _changed(result, pictures, persons)),
        _Section("method", "How it was done, and how sure it is", _method(result)),
        _Section("limits", "Limits of use", h.items(LIMITS_OF_USE)),
        _Section("sensors", "Sensors", _sensors(result)),
        _Section("sources", "Where the limits are from", _sources(result)),
    ]
    return h.page(
        station.station.name or station.id,
        h.note(h.strong(LIFE)),
        h.contents((s.id, s.title) for s in sections),
        *(h.section(s.title, s.body, id=s.id) for s in sections),
        above="Automatic weather station: flagged measurements",
        below=_foot(result),
    )


def _foot(result: Result) -> Html:
    station = result.checked.record.station
    return h.joined(
        [
            f"Made by Fairvane {__version__} from the same data as the files beside it. SHA-256 of the station file ",
            h.code(station.sha256 or "none: it was read from no file"),
            ", of the limits in force ",
            h.code(result.checked.limits.sha256),
            ".",
        ]
    )


# ---- words


def _time(t: np.datetime64) -> str:
    """A time in UTC as a person reads it."""
    return str(t.astype("datetime64[s]")).replace("T", " ").removesuffix(":00")


def _percent(share: float | None) -> str:
    """100 % only where nothing is lacking, 0 % only where nothing is there."""
    if share is None:
        return "–"
    if 0.9995 <= share < 1.0:
        return "> 99.9 %"
    return "< 0.1 %" if 0.0 < share < 0.0005 else f"{100 * share:.1f} %"


def _count(number: int) -> str:
    return f"{number:,}" if number > 9999 else str(number)


def _lasts(duration_s: float) -> str:
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if duration_s >= size:
            return f"{duration_s / size:.3g} {unit}"
    return f"{duration_s:.3g} s"


def _degrees(value: float, sides: str) -> str:
    return f"{abs(value):g}° {sides[0] if value >= 0 else sides[1]}"


def _of(pictures: Iterable[Picture], *names: str) -> list[Html]:
    """The pictures whose names begin so, in this order."""
    pictures = list(pictures)
    return [
        h.picture(one.png, one.alt, one.caption, small=one.name == "wind_rose")
        for name in names
        for one in pictures
        if one.name == name or one.name.startswith(f"{name}_")
    ]


# ---- sections


def _where(
    result: Result, pictures: Sequence[Picture], calendar: Calendar, licence: str, contact: str, owner: str
) -> Html:
    station = result.checked.record.station
    site = station.station
    tables = []
    for name, table in result.checked.tables.items():
        if not table.record.rows:
            continue
        told = table.record.table
        every = (
            f"every {_every(told.interval)}, stamped at the {told.side} of the interval"
            if told.interval
            else "by event"
        )
        if told.side == "instant" and told.interval:
            every = f"every {_every(told.interval)}, stamped at the instant"
        first, last = table.record.time[[0, -1]]
        tables.append(f"{name}: {_time(first)} to {_time(last)} UTC, {every}, {_count(table.record.rows)} rows")
    number = len(station.channel)
    what = [f"{number} {'channel' if number == 1 else 'channels'}: ", ", ".join(_quantities(station)), "."]
    place = f"{_degrees(site.latitude, 'NS')}, {_degrees(site.longitude, 'EW')}"
    facts: list[tuple[object, object]] = [
        ("Station", h.joined([h.foreign(site.name or site.id), " (", h.code(site.id), ")"])),
        ("Place", f"{place}, {site.elevation:g} m above mean sea level"),
        ("Measured", h.joined(what)),
        ("When", h.joined(tables, "; ")),
        ("Logger clock", "; ".join(_clocks(station))),
        ("Climate", f"{site.climate or 'any'}: picks the limits of what is plausible there"),
        ("Days and months", f"of this page begin at midnight {calendar.label}"),
        ("Who to ask", h.foreign(contact) if contact else "not stated"),
        ("Owner", h.foreign(owner) if owner else "not stated"),
        ("Licence", h.foreign(licence) if licence else "not stated: ask before you pass it on"),
    ]  # fmt: skip
    sketch = _of(pictures, "site")
    if not sketch:
        sketch = [h.text("The station file tells neither where the sensors hang nor what hides the sun: no sketch.")]
    return h.joined([h.facts(facts), *sketch])


def _every(interval: str) -> str:
    s = seconds(interval)
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if s % size == 0:
            return f"{s / size:g} {unit}"
    return f"{s:g} s"


def _quantities(station: Station) -> list[str]:
    return list(dict.fromkeys(quantities()[c.quantity].title for c in station.channel))


def _clocks(station: Station) -> list[str]:
    told = []
    for entry in station.clock:
        words = f"UTC{entry.utc_offset}" if entry.utc_offset else f"{entry.time_zone}, with its summer time"
        ahead = f", {entry.minutes_ahead:+g} min ahead" if entry.minutes_ahead else ""
        begin = f"from {entry.from_.isoformat()} " if entry.from_ else ""
        told.append(
            f"{begin}{words}{ahead}; times here are UTC" if len(station.clock) == 1 else f"{begin}{words}{ahead}"
        )
    return told


def _complete(result: Result, pictures: Sequence[Picture], shares: Sequence[Share], gaps: Sequence[Gap]) -> Html:
    several = len({s.table for s in shares}) > 1
    head = ["channel", *(["table"] if several else []), "expected", "values", "may be used", "gaps", "longest gap"]
    rows = [
        [
            s.channel, *([s.table] if several else []), _count(s.expected), _percent(s.completeness),
            _percent(s.usable_share), _count(s.gaps), _lasts(s.longest_gap_s) if s.gaps else "–",
        ]
        for s in shares
    ]  # fmt: skip
    right = set(range(2 if several else 1, len(head)))
    parts = [
        h.text(_complete_sentence(shares)),
        h.table(head, rows, caption="Shares of the rows expected in the whole period", numbers=right),
        *_of(pictures, "completeness"),
    ]
    longest = sorted(gaps, key=lambda g: (-g.lasts_s, g.start, g.channel))[:_MOST_GAPS]
    if longest:
        gap_rows = [
            [
                "all channels" if g.channel == WHOLE else g.channel, _time(g.start), _time(g.end), _lasts(g.lasts_s),
                _count(g.values),
            ]
            for g in longest
        ]  # fmt: skip
        more = f"The longest {len(longest)} of {_count(len(gaps))} gaps" if len(gaps) > len(longest) else "All gaps"
        caption = f"{more}: first and last stamp that lacks, UTC. All of them stand in gaps.csv."
        parts.append(
            h.table(
                ["channel", "from", "to", "lasts", "values"], gap_rows, caption=caption, numbers={3, 4}, keep={1, 2}
            )
        )
    return h.joined(parts)


def _complete_sentence(shares: Sequence[Share]) -> str:
    known = [s for s in shares if s.completeness is not None]
    if not known:
        return "No row was expected."
    worst = min(known, key=lambda s: s.usable_share or 0.0)
    best = max(known, key=lambda s: s.usable_share or 0.0)
    if worst.usable_share == best.usable_share:
        return f"Of what was expected, {_percent(worst.usable_share)} may be used, in every channel."
    return (
        f"Of what was expected, between {_percent(worst.usable_share)} ({worst.channel}) and "
        f"{_percent(best.usable_share)} ({best.channel}) may be used."
    )


def _usable(pictures: Sequence[Picture], shares: Sequence[Share], station: Station) -> Html:
    told = h.text(
        "Those with ", h.code("NAME_usable"), " true: their verdict is good, changed or estimated. Where ",
        h.code("NAME_corrected"), " holds a value, use that one, else the raw value in ", h.code("NAME"),
        ". Values that no check could be applied to are not called usable; judge them yourself.",
    )  # fmt: skip
    head = ["channel", *(h.joined([h.verdict(c, ""), " ", WORDS[c].replace("_", " ")]) for c in range(8))]
    rows = [[s.channel, *(_count(n) if n else "–" for n in s.verdicts)] for s in shares]
    caption = "Values by verdict. Changed and estimated ones are counted beside the raw ones that they stand for."
    return h.joined([told, h.table(head, rows, caption=caption, numbers=set(range(1, 9))), *_of(pictures, "calendar")])


def _flags(result: Result, scheme: Scheme) -> Html:
    rows = [[h.verdict(code), "yes" if code in USABLE else "no", MEANINGS[code]] for code in range(len(WORDS))]
    parts = [h.table(["verdict", "usable", "what it means"], rows, caption=f"Verdicts, by {WMO.title}")]
    if scheme is not WMO:
        parts.append(
            h.text(
                f"In the files, NAME_verdict holds {scheme.title}: {scheme.told}. The verdict of this page "
                "stands there in NAME_verdict_wmo."
            )
        )
    counts: dict[str, int] = {}
    channels: dict[str, list[str]] = {}
    for name, table in result.checked.tables.items():
        for channel in result.checked.record.station.channels_of(name):
            for check, failure in table.verdicts[channel.name].failures.items():
                counts[check] = counts.get(check, 0) + len(failure.rows)
                channels.setdefault(check, []).append(channel.name)
    if counts:
        told = [
            [h.code(c), _first_sentence(doc(c)["Title"]), registry()[c].witness, _count(counts[c]), _names(channels[c])]
            for c in registry()
            if c in counts
        ]
        head = ["check", "what it looks for", "rests on", "values", "channels"]
        parts.append(h.table(head, told, caption="Checks that left something", numbers={3}))
    else:
        parts.append(h.text("No check left anything on any value."))
    return h.joined(parts)


def _first_sentence(text: str) -> str:
    return text.split(". ")[0].rstrip(".")


def _names(names: Sequence[str], most: int = 8) -> str:
    unique = list(dict.fromkeys(names))
    return ", ".join(unique[:most]) + (f" and {len(unique) - most} more" if len(unique) > most else "")


def _episodes(result: Result, persons: People) -> Html:
    groups: dict[tuple[str, str], list[Episode]] = {}
    for found in result.episodes.values():
        for one in found:
            groups.setdefault((one.channel, one.check), []).append(one)
    if not groups:
        return h.text("No value failed a check, and no row is lacking.")

    def order(item: tuple[tuple[str, str], list[Episode]]) -> tuple[int, int, tuple[str, str]]:
        worst = max(e.verdict if e.verdict != MISSING else 0 for e in item[1])
        return -worst, -sum(e.values for e in item[1]), item[0]

    rows: dict[tuple[object, ...], list[str]] = {}  # channels that fared alike stand in one row
    for (channel, check), found in sorted(groups.items(), key=order):
        longest = max(found, key=lambda e: (e.values, -int(e.start.astype(np.int64))))
        told = (
            h.code(check), h.verdict(max(e.verdict for e in found), ""), _count(len(found)),
            _count(sum(e.values for e in found)), _time(longest.start), persons.text(longest.message),
        )  # fmt: skip
        rows.setdefault(told, []).append("all channels" if channel == WHOLE else channel)
    listed = [[_names(channels, 4), *told] for told, channels in rows.items()]
    head = ["channel", "check", "verdict", "episodes", "values", "longest from, UTC", "the longest one in words"]
    caption = "Episodes: unbroken runs of values of one channel that fail the same check, worst first."
    more = f"{len(listed) - _MOST} kinds more are" if len(listed) > _MOST else "Each single one is"
    table = h.table(head, listed[:_MOST], caption=caption, numbers={3, 4}, keep={5})
    return h.joined([table, h.text(f"{more} in episodes.csv.")])


def _months(result: Result, pictures: Sequence[Picture]) -> Html:
    months = [one for one in pictures if one.name.startswith("month_")]
    if not months:
        return h.text("No month has a value.")
    shown = months
    parts = [
        h.text(
            "Each lane is a channel. It reaches from the lowest to the highest value that is not doubtful or wrong; a "
            "sign on its edge stands for a value beyond it. Long records are drawn from the lowest to the highest "
            "value of each column, so that no peak is lost; directions are thinned out."
        )
    ]
    if len(months) > _MOST_MONTHS:
        kept = sorted(months, key=lambda m: (-m.flagged, m.name))[:_MOST_MONTHS]
        shown = [one for one in months if one in kept]
        parts.append(
            h.text(f"These {len(shown)} of {len(months)} have the most flagged values; the others lie in pictures/.")
        )
    parts += [h.picture(one.png, one.alt, one.caption) for one in shown]
    return h.joined(parts)


def _weather(pictures: Sequence[Picture]) -> Html:
    wanted = {"wind_rose": "wind speed and direction", "irradiation": "global irradiance", "rain": "precipitation",
              "temperature": "air temperature"}  # fmt: skip
    parts = _of(pictures, *wanted)
    there = {one.name for one in pictures}
    lacking = [told for name, told in wanted.items() if name not in there]
    if lacking:
        parts.append(h.text(f"No picture for want of usable values: {', '.join(lacking)}."))
    parts.append(h.text("Only usable values were taken, corrected ones where there are any."))
    return h.joined(parts)


def _changed(result: Result, pictures: Sequence[Picture], persons: People) -> Html:
    record = result.checked.record
    first, last = span(result)
    parts: list[Html] = [
        h.text("No raw value was altered. What was corrected stands beside it, with a verdict of its own.")
    ]
    corrections = [c for c in record.logs.corrections or () if c.end >= first and c.start <= last]
    decisions = [d for d in record.logs.decisions or () if d.end >= first and d.start <= last]
    visits = [v for v in record.logs.visits or () if v.end >= first and v.start <= last]
    if corrections:
        rows = [
            [
                c.channel, _time(c.start), _time(c.end), operation(c, record.channel(c.channel)),
                _corrected_count(result, record.channel(c.channel), c.start, c.end), persons.text(c.reason),
                persons.name(c.by), _time(c.decided),
            ]
            for c in corrections[:_MOST]
        ]  # fmt: skip
        head = ["channel", "from, UTC", "to, UTC", "what", "values", "why", "by", "decided, UTC"]
        parts.append(
            h.table(head, rows, caption="Lines of the correction log in this period", numbers={4}, keep={1, 2, 7})
        )
        parts += _of(pictures, "correction")
    else:
        parts.append(h.text("The correction log has no line for this period."))
    if decisions:
        rows = [
            [
                _names(d.channels), _time(d.start), _time(d.end), h.verdict(d.verdict), persons.text(d.reason),
                persons.name(d.by), _time(d.decided),
            ]
            for d in decisions[:_MOST]
        ]  # fmt: skip
        head = ["channel", "from, UTC", "to, UTC", "decided", "why", "by", "when, UTC"]
        parts.append(h.table(head, rows, caption="Lines of the decision log in this period", keep={1, 2, 6}))
    else:
        parts.append(h.text("Nobody decided about values of this period: all verdicts are those of the checks."))
    if visits:
        rows = [
            [_names(v.channels, 4), _time(v.start), _time(v.end), v.effect, persons.text(v.note)]
            for v in visits[:_MOST]
        ]
        head = ["channels", "from, UTC", "to, UTC", "effect", "note"]
        parts.append(h.table(head, rows, caption="Visits to the station in this period", keep={1, 2}))
    else:
        parts.append(h.text("The visit log has no line for this period."))
    for kind, given in (("correction", corrections), ("decision", decisions), ("visit", visits)):
        if len(given) > _MOST:
            parts.append(h.text(f"{len(given) - _MOST} lines more stand in {kind}s.csv."))
    return h.joined(parts)


def _corrected_count(result: Result, channel: Channel, start: np.datetime64, end: np.datetime64) -> str:
    table = result.checked.tables.get(result.checked.record.station.table_of(channel).id)
    corrected = None if table is None else table.corrected.get(channel.name)
    if table is None or corrected is None:
        return "–"
    rows = slice(*np.searchsorted(table.record.time, [start, end + np.timedelta64(1, "us")]))
    again = corrected.codes[rows]
    sound = int(np.isin(again, (CHANGED, ESTIMATED)).sum())
    there = int((again != MISSING).sum())
    return _count(there) if sound == there else f"{_count(there)}, of which {_count(there - sound)} failed again"


def _method(result: Result) -> Html:
    checked = result.checked
    reach = f"{_lasts(checked.reach.back_s)} back and {_lasts(checked.reach.ahead_s)} ahead"
    parts = [
        h.text(
            "Each value went through a chain of checks. Each check tests one thing against a limit and rests on "
            "one witness: the channel's own record, another device, the sun, a neighbouring station, or people. The "
            "verdict is the worst that a check left; two doubts from different witnesses make wrong. A line of the "
            f"decision log goes before all checks. A verdict depends on rows {reach}, and on no others."
        ),
        h.text(
            "A good verdict says that no check found a fault. It does not say that a value is true: an error that "
            "all checks are blind to, such as a constant a few percent off or a slow drift, has no flag. How exact a "
            "sensor is stands in its certificate."
        ),
    ]
    if result.neighbours:
        told = [
            h.joined([h.foreign(n.id), f", {n.distance_km:.1f} km off at {n.bearing:.0f}°, {n.height_m:+.0f} m"])
            for n in result.neighbours
        ]
        parts += [h.text("Neighbouring stations that values were compared with:"), h.items(told)]
    else:
        parts.append(h.text("No neighbouring station was at hand."))
    missed: dict[str, tuple[list[str], list[str]]] = {}
    for check, channels, why in not_applied(checked):
        names, whys = missed.setdefault(check, ([], []))
        names += channels
        whys += [why] if why not in whys else []
    if missed:
        rows = [
            [h.code(check), _names(names) or "–", "; ".join(whys[:3]) + (" ..." if len(whys) > 3 else "")]
            for check, (names, whys) in missed.items()
        ]
        caption = (
            "Checks that could not be applied, to which channels, and why; in full in the summary, under not_applied"
        )
        parts.append(h.table(["check", "channels", "why"], rows, caption=caption))
    return h.joined(parts)


def _sensors(result: Result) -> Html:
    station = result.checked.record.station
    sheet = sensors_sheet(station, span(result)[1])
    place = {field.name: n for n, field in enumerate(sheet.fields)}
    head = ["channel", "sensor", "device", "height", "place", "range", "resolution", "serial", "calibrated", "due"]
    rows = []
    for row in sheet.rows:
        cell = {name: row[n] for name, n in place.items()}
        unit = _unit_shown(cell["column_unit"])
        begin = f"from {cell['from'][:16].replace('T', ' ')}" if cell["from"] else ""
        rows.append(
            [
                h.joined([cell["channel"], f" ({begin})" if begin else ""]), cell["sensor"] or "–",
                cell["device"] or "–",
                f"{cell['height']} m" if cell["height"] else "–",
                f"{cell['distance']} m at {cell['bearing']}°" if cell["distance"] else "–",
                f"{cell['range_low']} to {cell['range_high']} {unit}" if cell["range_low"] else "–",
                f"{cell['resolution']} {unit}" if cell["resolution"] else "–", cell["serial"] or "–",
                cell["calibrated"] or "–",
                h.joined([cell["calibration_due"] or "–", " (lapsed)" if cell["calibration_lapsed"] == "true" else ""]),
            ]
        )  # fmt: skip
    caption = "As the station file tells it; range and resolution in the unit of the logger's table."
    parts = [h.table(head, rows[:_MOST], caption=caption, keep={3, 4, 6, 8, 9})]
    if len(rows) > _MOST:
        parts.append(h.text(f"{len(rows) - _MOST} more stand in sensors.csv."))
    return h.joined(parts)


def _unit_shown(unit: str) -> str:
    return {"degC": "°C", "degree": "°"}.get(unit, unit)


def _sources(result: Result) -> Html:
    limits = list(result.checked.limits.values())
    by_source: dict[str, list[str]] = {}
    for limit in limits:
        by_source.setdefault(limit.source, []).append(limit.standing)
    rows = [
        [
            source, sources().get(source, "–"), _count(len(standing)),
            ", ".join(f"{_count(standing.count(s))} {s}" for s in dict.fromkeys(sorted(standing))),
        ]
        for source, standing in sorted(by_source.items(), key=lambda item: (-len(item[1]), item[0]))
    ]  # fmt: skip
    parts = [
        h.text("Each single limit, with its number, unit, source and standing, stands in rules.csv."),
        h.table(
            ["source", "in full", "limits", "of which"], rows, caption="Sources of the limits in force", numbers={2}
        ),
    ]
    own = [limit for limit in limits if limit.reason]
    if own:
        told = [[h.code(limit.name), limit.unit, limit.reason] for limit in own[:_MOST]]
        parts.append(h.table(["limit", "unit", "why"], told, caption="Limits set for this station"))
    return h.joined(parts)
