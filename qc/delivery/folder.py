"""A delivery: the folder of contract 10, written whole or not at all from what a check found."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from qc.chain import CheckedTable
from qc.delivery import aggregates, changes, readme
from qc.delivery.aggregates import Rules
from qc.delivery.calendar import UTC, Calendar, placed
from qc.delivery.codes import CORRECTED, RAW, WMO, Scheme, recoded, refuse_clash
from qc.delivery.completeness import gaps, shares, whole
from qc.delivery.means import DAY_RULES, SAMPLE_RULES, DayRule, SampleRule
from qc.delivery.people import people
from qc.delivery.pictures import names as picture_names
from qc.delivery.pictures import pictures
from qc.delivery.report import report
from qc.delivery.sheets import Field, Sheet, arrow_pieces, json_text, packed, schema, schema_path
from qc.delivery.small import (
    completeness_sheet,
    episodes_sheet,
    gaps_sheet,
    log_sheets,
    rules_sheet,
    sensors_sheet,
)
from qc.errors import OutputError, StationFileError, printable
from qc.quantities import quantities
from qc.run import Result
from qc.station import Channel, Table
from qc.write import flagged, netcdf
from qc.write.files import Outputs, may_replace, stale
from qc.write.parquet import parquet_pieces
from qc.write.text import stamp

if TYPE_CHECKING:
    import pyarrow as pa

SUMS = "checksums.sha256"
README = "README.txt"
PACKAGE = "datapackage.json"
REPORT = "report.html"
PICTURES = "pictures"


@dataclass(frozen=True)
class Terms:
    """What a delivery is to hold, and what it says of itself."""

    formats: Sequence[str] = ("csv",)
    scheme: Scheme = WMO
    means: Sequence[str] = ("hour", "day", "month")
    calendar: Calendar = UTC
    samples: SampleRule = SAMPLE_RULES["2/3"]
    days: DayRule = DAY_RULES["3/5"]
    initials: bool = False
    licence: str = ""
    contact: str = ""
    owner: str = ""
    command: Sequence[str] = ()
    needs: Sequence[str] = ()

    @property
    def rules(self) -> Rules:
        """How its means are made."""
        return Rules(self.calendar, self.samples, self.days)


@dataclass
class _Written:
    """What was written so far: each file with what it is, and which of them are tables."""

    outputs: Outputs
    files: list[tuple[str, str]] = field(default_factory=list)
    tables: list[tuple[str, str]] = field(default_factory=list)

    def sheet(self, sheet: Sheet) -> None:
        self.outputs.write_text(sheet.path, sheet.csv())
        self.table(sheet.path, sheet.title, sheet.fields)

    def table(self, path: str, title: str, fields: Sequence[Field]) -> None:
        self.tables.append((path, title))
        self.outputs.write_text(schema_path(path), json_text({"title": title, **schema(fields)}))

    def told(self, path: str, title: str) -> None:
        self.files.append((path, title))


def deliver(result: Result, folder: Path, terms: Terms, *, replace: bool = False) -> dict[str, Any]:
    """Write a delivery to a folder; gives the document of its `ID.summary.json`.

    Raises
    ------
    OutputError
        if the folder cannot be written, or holds a delivery that must not be replaced.
    StationFileError
        if the station was not read from a file, or that file changed since.
    UsageError
        if a channel has the name of a column that the flags of the terms need.
    """
    station = result.checked.record.station
    refuse_clash(station, terms.scheme)
    station_file = _station_file(result)
    summary_name = f"{station.id}.summary.json"
    months = {name: _months(result, table, terms.calendar) for name, table in result.checked.tables.items()}
    names = [*_names(result, terms, months), f"{station.id}.station.toml"]
    before = _before(folder, summary_name)
    if not replace:
        periods = {
            n: (stamp(t.record.time[0]), stamp(t.record.time[-1]))
            for n, t in result.checked.tables.items()
            if t.record.rows
        }
        _sums_hold(folder, summary_name, before)
        may_replace(folder, names, summary_name, periods, delivery=True)
    of_months, of_period, found_gaps = shares(result, terms.calendar), whole(result), gaps(result)
    # pictures are drawn while tables are written: that is mostly work outside the interpreter
    with Outputs(folder) as outputs, ThreadPoolExecutor(1) as aside:
        drawing = aside.submit(pictures, result, of_months, terms.calendar)
        written = _Written(outputs)
        differences = changes.Changes()
        for name, table in result.checked.tables.items():
            _data(result, table, months[name], terms, written, folder, before, differences)
            _means(result, table, terms, written)
        persons = people(result.checked.record.logs, only_initials=terms.initials)
        written.sheet(completeness_sheet(of_months, terms.calendar))
        written.sheet(gaps_sheet(found_gaps))
        written.sheet(episodes_sheet(result, terms.scheme, persons))
        logs = log_sheets(station, result.checked.record.logs, persons)
        for sheet in logs:
            written.sheet(sheet)
        last = max(t.record.time[-1] for t in result.checked.tables.values() if t.record.rows)
        written.sheet(sensors_sheet(station, last))
        written.sheet(rules_sheet(station, result.checked.limits))
        written.sheet(differences.sheet())
        outputs.write(f"{station.id}.station.toml", [station_file])
        title = printable(f"{station.station.name or station.id}: flagged measurements", 200)
        outputs.write_text(PACKAGE, json_text(packed(written.tables, station.id, title)))
        drawn = drawing.result()
        for one in drawn:
            outputs.write(f"{PICTURES}/{one.name}.png", [one.png])
        page = report(
            result, drawn, shares=of_period, gaps=found_gaps, calendar=terms.calendar, scheme=terms.scheme,
            only_initials=terms.initials, licence=terms.licence, contact=terms.contact, owner=terms.owner,
        )  # fmt: skip
        outputs.write_text(REPORT, page)
        document = _document(result, terms)
        document["logs"] = _logs(result, logs, outputs.sums)
        first_page = readme.text(
            document,
            files=_contents(written, station.id),
            logs=logs,
            shares=of_period,
            scheme=terms.scheme,
            samples=terms.samples,
            days=terms.days,
            changed=len(differences.rows),
            added=differences.added,
        )
        outputs.write_text(README, first_page)
        document["outputs"] = dict(sorted(outputs.sums.items()))
        outputs.write_text(summary_name, json_text(document))
        outputs.write_text(SUMS, _sums_text(outputs.sums))
        leftovers = stale(folder, outputs.sums, summary_name, delivery=True)
        outputs.publish()
    for path in leftovers:
        with contextlib.suppress(OSError):
            path.unlink()
    return document


# ---- data and means


def _months(result: Result, table: CheckedTable, calendar: Calendar) -> list[tuple[str, int, int]]:
    """Name, first and last-but-one row of each month that has rows."""
    number = calendar.number(placed(result.checked.record.station, table.record), "month")
    if not len(number):
        return []
    starts = np.flatnonzero(np.concatenate(([True], number[1:] != number[:-1])))
    stops = np.append(starts[1:], len(number))
    return [(calendar.name(int(number[a]), "month"), int(a), int(b)) for a, b in zip(starts, stops, strict=True)]


def _names(result: Result, terms: Terms, months: Mapping[str, Sequence[tuple[str, int, int]]]) -> list[str]:
    """Every file of the delivery but the summary, the sums and the station file."""
    station = result.checked.record.station
    tables = [f"data/{station.id}.{t}.{month}.csv" for t, of in months.items() for month, _, _ in of]
    for name, table in result.checked.tables.items():
        tables += [f"means/{station.id}.{name}.{s}.csv" for s in terms.means if _made(table, s)]
    drawn = [f"{PICTURES}/{name}.png" for name in picture_names(result, terms.calendar)]
    small = ("completeness", "gaps", "episodes", "visits", "decisions", "corrections", "sensors", "rules", "changes")
    tables += [f"{name}.csv" for name in small]
    whole_tables = [f"data/{station.id}.{t}.{_END[f]}" for t in months for f in terms.formats if f in _END]
    return [*tables, *(schema_path(t) for t in tables), *whole_tables, *drawn, PACKAGE, README, REPORT]


_END = {"parquet": "parquet", "netcdf": "nc"}


def _data(
    result: Result,
    table: CheckedTable,
    months: Sequence[tuple[str, int, int]],
    terms: Terms,
    written: _Written,
    folder: Path,
    before: Mapping[str, str],
    differences: changes.Changes,
) -> None:
    """`data/`: a CSV for each month, and the whole table in the other formats; what changed is put down."""
    station = result.checked.record.station
    stem = f"data/{station.id}.{table.record.table.id}"
    whole_table = recoded(flagged.flagged(table, usable=True), terms.scheme)
    fields = data_fields(result, table, terms.scheme)
    after = {f"{stem}.{month}.csv": _bytes_of(whole_table.slice(a, b - a)) for month, a, b in months}
    for (path, made), (month, _, _) in zip(_ahead(after), months, strict=True):
        written.outputs.write(path, [made])
        written.table(path, f"Values and verdicts of table {table.record.table.id}, {month}", fields)
    if "parquet" in terms.formats:
        written.outputs.write(f"{stem}.parquet", parquet_pieces(whole_table))
    if "netcdf" in terms.formats:
        flags = netcdf.Flags(terms.scheme.words, terms.scheme.title)
        said = netcdf.Said(terms.licence, terms.contact, terms.owner)
        pieces = netcdf.netcdf_pieces(whole_table, result.checked, table.record.table.id, flags=flags, said=said)
        written.outputs.write(f"{stem}.nc", pieces)
    old = {name: folder / name for name in changes.data_files(list(before), stem)}
    same = frozenset(name for name in old if before[name] == written.outputs.sums.get(name))
    channels = [c.name for c in station.channels_of(table.record.table)]
    if old:
        changes.compare(table.record.table.id, channels, old, after, same, differences)


def _bytes_of(part: pa.Table) -> Callable[[], bytes]:
    return lambda: b"".join(arrow_pieces(part))


def _ahead(makes: Mapping[str, Callable[[], bytes]]) -> Iterator[tuple[str, bytes]]:
    """What each makes, in order; the next one is made aside while the last is written. More would cost memory."""
    with ThreadPoolExecutor(1) as aside:
        waiting: list[tuple[str, Future[bytes]]] = []
        for path, make in makes.items():
            waiting.append((path, aside.submit(make)))
            if len(waiting) == 2:
                name, made = waiting.pop(0)
                yield name, made.result()
        for name, made in waiting:
            yield name, made.result()


def data_fields(result: Result, table: CheckedTable, scheme: Scheme) -> list[Field]:
    """What the columns of `data/` mean."""
    side = {"end": "end", "start": "begin", "instant": "moment"}[table.record.table.side]
    every = f"Marks the {side} of the interval." if side != "moment" else "The moment of the values."
    found = [Field("time", "datetime", f"ISO 8601, UTC. {every}")]
    for channel in result.checked.record.station.channels_of(table.record.table):
        name, title, unit = channel.name, quantities()[channel.quantity].title, printable(channel.output_unit, 40)
        found += [
            Field(name, "number", f"{title[:1].upper()}{title[1:]}, raw, {_statistic(channel)}.", unit),
            *_codes(f"{name}_verdict", "The verdict", RAW, scheme),
            Field(f"{name}_checks", "string", "Checks that the value failed, joined by `;`."),
            Field(f"{name}_read", "string", "The logger's cell, where the number is not, digit for digit, the cell."),
        ]
        if name in table.corrected:
            found += [
                Field(f"{name}_corrected", "number", "The corrected value; corrections.csv tells why.", unit),
                *_codes(f"{name}_corrected_verdict", "The corrected value's verdict", CORRECTED, scheme),
                Field(f"{name}_corrected_checks", "string", "Checks that the corrected value failed."),
            ]
        told = "Whether the value may be used: the corrected one where there is one, else the raw one."
        found.append(Field(f"{name}_usable", "boolean", told))
    return found


def _statistic(channel: Channel) -> str:
    words = {"sd": "standard deviation", "max": "maximum", "min": "minimum", "counter": "total"}
    return words.get(channel.statistic or "", channel.statistic or "statistic not stated")


def _codes(name: str, told: str, verdicts: Sequence[int], scheme: Scheme) -> list[Field]:
    if scheme is WMO:
        return [Field(name, "integer", f"{told}: {WMO.told} ({WMO.title}).", allowed=tuple(verdicts))]
    codes = tuple(sorted({scheme.of_verdict[v] for v in verdicts} & set(scheme.allowed)))
    return [
        Field(name, "integer", f"{told}: {scheme.told} ({scheme.title}).", allowed=codes),
        Field(f"{name}_wmo", "integer", f"{told}: {WMO.told} ({WMO.title}).", allowed=tuple(verdicts)),
    ]


def _made(table: CheckedTable, span: str) -> bool:
    return bool(table.record.rows) and aggregates.why_not(table.record.table, span) is None


def _means(result: Result, table: CheckedTable, terms: Terms, written: _Written) -> None:
    """`means/`: a CSV for each span."""
    station, of = result.checked.record.station, table.record.table
    for span in terms.means:
        if _made(table, span):
            path = f"means/{station.id}.{of.id}.{span}.csv"
            found = recoded(aggregates.aggregates(result, table, span, terms.rules), terms.scheme)
            written.outputs.write(path, arrow_pieces(found))
            fields = _mean_fields(result, of, span, terms)
            assert [f.name for f in fields] == found.column_names
            rule = f"where {terms.samples.told} may be used"
            if span == "month":
                rule = f"where of its days {terms.days.told}, and of a day {rule}"
            title = f"Means, sums and extremes of table {of.id} by {span}; a mean is given {rule}"
            written.table(path, f"{title}; a sum where every value may be used", fields)


def _mean_fields(result: Result, table: Table, span: str, terms: Terms) -> list[Field]:
    station = result.checked.record.station
    found: list[Field] = []
    for one in aggregates.fields(station, table, span, terms.rules, ""):
        if one.name.endswith("_verdict"):
            found += _codes(one.name, one.description.rstrip(". "), (0, 5, 6, 7), terms.scheme)
        else:
            found.append(one)
    return found


# ---- what stands beside them


def _station_file(result: Result) -> bytes:
    """The station file as it was read."""
    station = result.checked.record.station
    if station.path is None:
        raise StationFileError("is in no file", where="station", mend="read the station from a file")
    try:
        raw = station.path.read_bytes()
    except OSError as error:
        raise StationFileError(
            f"cannot be read ({error.strerror})", where=printable(station.path, 200), mend="mend its permissions"
        ) from None
    if hashlib.sha256(raw).hexdigest() != station.sha256:
        raise StationFileError("was changed since it was read", where=printable(station.path, 200), mend="run it again")
    return raw


def _document(result: Result, terms: Terms) -> dict[str, Any]:
    """The summary of the check, with paths of this machine taken out, and what was asked for."""
    document = result.summary()
    inputs = [{**one, "path": Path(one["path"]).name} for one in document["inputs"]]
    document["inputs"] = sorted(inputs, key=lambda one: (one["path"], one["sha256"]))
    made = [
        {"table": name, "span": span, "why": why}
        for name, table in result.checked.tables.items()
        for span in terms.means
        if (why := aggregates.why_not(table.record.table, span)) is not None
    ]
    document["delivery"] = {
        "formats": list(dict.fromkeys(("csv", *terms.formats))),
        "flags": terms.scheme.name,
        "means": list(terms.means),
        "calendar": terms.calendar.label,
        "complete": terms.samples.name,
        "complete_month": terms.days.name,
        "initials": terms.initials,
        "licence": terms.licence,
        "contact": terms.contact,
        "owner": terms.owner,
        "not_made": made,
        "needs": list(terms.needs),
        "command": readme.command(terms.command),
    }
    return document


def _logs(result: Result, sheets: Sequence[Sheet], sums: Mapping[str, str]) -> list[dict[str, Any]]:
    """The logs as they are delivered: made again from them, the delivery has the same bytes."""
    named = {log.kind for log in result.checked.record.logs.files}
    return [
        {"kind": kind, "path": sheet.path, "sha256": sums[sheet.path], "lines": len(sheet.rows)}
        for sheet in sheets
        if (kind := sheet.path.removesuffix(".csv")) in named
    ]


_ABOUT = {
    "completeness.csv": "Is it complete? By channel and month",
    "gaps.csv": "each gap",
    "episodes.csv": "what failed, in words",
    "visits.csv": "what people did at the station",
    "decisions.csv": "what reviewers decided about values",
    "corrections.csv": "what was changed, and why",
    "sensors.csv": "sensors, where they hung, calibration",
    "rules.csv": "limits in force, each with its source",
    "changes.csv": "what differs from the delivery before",
}


def _contents(written: _Written, station_id: str) -> list[tuple[str, str]]:
    """The files of the README, folders in one line each."""
    folders = {path.split("/")[0] for path in written.outputs.sums if "/" in path}
    about = {
        "data": "raw and corrected values, verdicts, checks, usable or not: by month, and whole in other formats",
        "means": "means, sums and extremes",
        "pictures": "the pictures of the report",
    }
    files = [(f"{name}/", about[name]) for name in sorted(folders)]
    files += list(_ABOUT.items())
    if REPORT in written.outputs.sums:
        files.append((REPORT, "one page to read and to print"))
    return [
        *files,
        (f"{station_id}.station.toml", "the station file: site, clock, channels; a copy"),
        (f"{station_id}.summary.json", "what was read and found, what was not applied, sums of all inputs"),
        (PACKAGE, "all tables as a data package"),
        (SUMS, "SHA-256 of every file"),
    ]


# ---- the delivery before


def _before(folder: Path, summary_name: str) -> dict[str, str]:
    """Files of the delivery that stands in the folder, with their sums; empty where there is none."""
    try:
        sums = json.loads((folder / summary_name).read_text("utf-8"))["outputs"]
        return {str(name): str(told) for name, told in dict(sums).items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _sums_hold(folder: Path, summary_name: str, before: Mapping[str, str]) -> None:
    """Refuse where `checksums.sha256` is not the one that belongs to the summary beside it."""
    path = folder / SUMS
    mend = "give another folder, or --replace"
    try:
        found = path.read_text("utf-8")
    except FileNotFoundError:
        return
    except (OSError, ValueError):
        raise OutputError("cannot be read", where=printable(path, 200), mend=mend) from None
    try:
        summary = hashlib.sha256((folder / summary_name).read_bytes()).hexdigest()
    except OSError:
        raise OutputError(
            "stands there already, without a summary that tells of it", where=printable(path, 200), mend=mend
        ) from None
    if found != _sums_text({**before, summary_name: summary}):
        raise OutputError("was changed since it was written", where=printable(path, 200), mend=mend)


def _sums_text(sums: Mapping[str, str]) -> str:
    return "".join(f"{told}  {name}\n" for name, told in sorted(sums.items()))
