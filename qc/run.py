"""From a station file and its tables to outputs: what `check` does, for the command line and for Python alike."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from qc import borders, chain, corrected, logs
from qc.chain import Checked, Progress
from qc.episodes import Episode, episodes
from qc.errors import InputError, RefusedFile, UsageError, printable
from qc.limits import Limits, in_force
from qc.moments import moment, period
from qc.neighbours import Neighbour
from qc.neighbours import read as read_neighbours
from qc.read.numbers import VALUE
from qc.read.tables import read_tables
from qc.record import ReadChannel, Record, TableRecord
from qc.station import Station
from qc.write import flagged, summary
from qc.write.files import Outputs, may_replace, stale
from qc.write.netcdf import netcdf_pieces
from qc.write.parquet import parquet_pieces
from qc.write.tables import episodes_csv, rejects_csv
from qc.write.text import stamp

if TYPE_CHECKING:
    import pandas as pd

FORMATS = ("csv", "parquet", "netcdf")


@dataclass(frozen=True)
class Result:
    """What `check` found: the record with its verdicts in the period asked for, and its episodes by table."""

    checked: Checked
    period: summary.Period
    episodes: dict[str, list[Episode]]
    refused: tuple[RefusedFile, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()

    @property
    def flagged(self) -> dict[str, pd.DataFrame]:
        """For each table a pandas frame over UTC with `NAME`, `NAME_verdict`, `NAME_checks` and `NAME_read`.

        Those in the correction log have `NAME_corrected`, `NAME_corrected_verdict` and `NAME_corrected_checks` too.
        """
        import pandas as pd

        out = {}
        for name, table in self.checked.tables.items():
            frame = flagged.flagged(table).drop_columns(["time"]).to_pandas()
            out[name] = frame.set_index(pd.DatetimeIndex(table.record.time, tz="UTC", name="time"))
        return out

    def summary(self, outputs: Mapping[str, str] | None = None) -> dict[str, Any]:
        """The document of `summary.json`."""
        document = summary.summary(self.checked, self.period, outputs or {})
        return document | {"neighbours": [n.told() for n in self.neighbours]}


def limits_of(station: Station, rules_file: Path | None = None) -> Limits:
    """The limits in force for a station; errors as in `qc.limits.in_force`."""
    where = f"{printable(station.path, 200)}: rules" if station.path else "[rules]"
    return in_force(station.station.climate, rules_file, station.rules, where=where)


def check_record(
    record: Record,
    limits: Limits,
    *,
    period: summary.Period = (None, None),
    as_of: np.datetime64 | None = None,
    refused: Sequence[RefusedFile] = (),
    progress: Progress = lambda done, total: None,
    neighbours: Sequence[Neighbour] = (),
) -> Result:
    """Run the chain over a record and cut out the period.

    Raises
    ------
    InputError
        if there is no table, or no row lies in the period.
    """
    if not record.tables:
        raise InputError("there is no table to check", mend="give one of the station's tables")
    for table in record.tables.values():
        borders.validate_read(table)
    whole = chain.run(record, limits, as_of=as_of, progress=progress, neighbours=neighbours)
    whole = corrected.added(whole, as_of=as_of, neighbours=neighbours)
    checked = chain.period(whole, *period)
    if not any(t.record.rows for t in checked.tables.values()):
        first = min(t.time[0] for t in record.tables.values())
        last = max(t.time[-1] for t in record.tables.values())
        raise InputError("no row lies in the period asked for", mend=f"the tables hold {stamp(first)} to {stamp(last)}")
    for checked_table in checked.tables.values():
        borders.validate_written(checked_table)
    found = {name: episodes(record.station, t) for name, t in checked.tables.items()}
    return Result(checked, period, found, tuple(refused), tuple(neighbours))


def check(
    station: Station,
    tables: Record | Sequence[Path | str] | Mapping[str, pd.DataFrame],
    *,
    first: str | None = None,
    last: str | None = None,
    as_of: str | None = None,
    rules_file: Path | None = None,
    neighbours: Sequence[Path | str] = (),
) -> Result:
    """Check the tables of a station.

    Parameters
    ----------
    station : Station
        from `qc.read_station`.
    tables : Record, list of paths, or mapping of table id to pandas frame
        frames have a UTC index on the side that `stamps` names, and a column for each channel, in the output units.
    first, last, as_of : str, optional
        times as on the command line.
    neighbours : list of paths
        flagged tables that `check` wrote for other stations, their `summary.json` beside them.
    """
    record = _record(station, tables)
    span = period(first, last, station, ("first", "last"))
    future = moment(as_of, station, last=True, what="as_of") if as_of is not None else None
    return check_record(
        record,
        limits_of(station, rules_file),
        period=span,
        as_of=future,
        neighbours=read_neighbours(neighbours, station),
    )


def _record(station: Station, tables: Record | Sequence[Path | str] | Mapping[str, pd.DataFrame]) -> Record:
    if isinstance(tables, Record):
        return tables
    if isinstance(tables, Mapping):
        read = {name: _from_frame(station, name, frame) for name, frame in tables.items()}
        return Record(station, read, logs=logs.read(station))
    return read_tables(station, tables)[0]


def _from_frame(station: Station, name: str, frame: pd.DataFrame) -> TableRecord:
    """A table from a pandas frame; UsageError where it is not what `check` asks for."""
    table = next((t for t in station.table if t.id == name), None)
    if table is None:
        raise UsageError(f"the station has no table '{printable(name, 40)}'", where="tables")
    import pandas as pd

    index = frame.index
    rising = index.is_monotonic_increasing and index.is_unique
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None or not rising:
        raise UsageError(
            "needs a rising index of UTC times, each once", where=f"table {name}", mend="sort it, give it a zone"
        )
    time = index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
    channels = {}
    for channel in station.channels_of(table):
        values = np.full(len(frame), np.nan)
        if channel.name in frame:
            values = frame[channel.name].to_numpy(dtype=np.float64, na_value=np.nan) + 0.0
        channels[channel.name] = ReadChannel(values, None, np.full(len(frame), VALUE, np.uint8))
    none = np.zeros(len(frame), bool)
    return TableRecord(table, time, channels, np.zeros(len(frame)), none, none)


def write(
    result: Result, folder: Path, *, formats: Sequence[str] = ("csv",), fill_gaps: bool = False, replace: bool = False
) -> dict[str, Any]:
    """Write all outputs of a check to a folder, whole or not at all; gives the document of `summary.json`.

    Raises
    ------
    OutputError
        if the folder cannot be written, or holds outputs that must not be replaced.
    """
    station = result.checked.record.station
    summary_name = f"{station.id}.summary.json"
    names = [f"{station.id}.{table}.{what}" for table in result.checked.tables for what in _kinds(formats)]
    names.append(f"{station.id}.rejects.csv")
    if not replace:
        periods = {
            n: (stamp(t.record.time[0]), stamp(t.record.time[-1]))
            for n, t in result.checked.tables.items()
            if t.record.rows
        }
        may_replace(folder, names, summary_name, periods)
    leftovers = stale(folder, names, summary_name)
    with Outputs(folder) as outputs:
        for table_id, table in result.checked.tables.items():
            name = f"{station.id}.{table_id}"
            whole = flagged.flagged(table, fill_gaps=fill_gaps)
            if "csv" in formats:
                outputs.write(f"{name}.flagged.csv", flagged.csv_pieces(whole))
            if "parquet" in formats:
                outputs.write(f"{name}.flagged.parquet", parquet_pieces(whole))
            if "netcdf" in formats:
                outputs.write(f"{name}.flagged.nc", netcdf_pieces(whole, result.checked, table_id))
            del whole
            outputs.write_text(f"{name}.episodes.csv", episodes_csv(result.episodes[table_id]))
            if table.record.conflicts is not None:
                outputs.write(f"{name}.conflicts.csv", flagged.csv_pieces(flagged.conflicts(table.record.conflicts)))
        outputs.write_text(f"{station.id}.rejects.csv", rejects_csv(result.checked.record.rejects))
        document = result.summary(outputs.sums)
        outputs.write_text(summary_name, summary.text(document))
        outputs.publish()
    for path in leftovers:
        with contextlib.suppress(OSError):
            path.unlink()
    return document


def _kinds(formats: Sequence[str]) -> list[str]:
    return [f"flagged.{'nc' if f == 'netcdf' else f}" for f in formats] + ["episodes.csv", "conflicts.csv"]
