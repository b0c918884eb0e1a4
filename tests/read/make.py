"""Small stations for tests of reading: only what a case needs, the rest filled in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from qc.errors import RefusedFile
from qc.read.tables import read_tables
from qc.record import Record
from qc.station import Station

_UNITS = {"air_temperature": "degC", "relative_humidity": "%", "precipitation": "mm", "wind_direction": "degree"}
_UNITS |= {"wind_speed": "m/s", "air_pressure": "hPa", "other": "1"}


def layout(
    names: Sequence[str] = ("Time", "T"),
    format: str = "%Y-%m-%d %H:%M",
    *,
    time: Sequence[int | str] = ("Time",),
    decimal: str = ".",
    missing: Sequence[str] = ("", "NAN"),
) -> dict[str, Any]:
    """One layout."""
    when = {"columns": list(time), "format": format}
    return {"names": list(names), "decimal": decimal, "missing": list(missing), "time": when}


def table(*layouts: dict[str, Any], id: str = "ten", interval: str | None = "10min", **more: Any) -> dict[str, Any]:
    """One table; with `interval` None it is one of events."""
    kind = {"kind": "event"} if interval is None else {"interval": interval, "stamps": "end"}
    return {"id": id, "layout": list(layouts or (layout(),)), **kind, **more}


def channel(
    name: str, column: int | str | list[int | str], quantity: str = "air_temperature", **more: Any
) -> dict[str, Any]:
    """One channel."""
    return {"name": name, "column": column, "quantity": quantity, "unit": _UNITS[quantity], **more}


def station(
    tables: Sequence[dict[str, Any]] | None = None,
    channels: Sequence[dict[str, Any]] | None = None,
    clock: Sequence[Mapping[str, Any]] = ({"utc_offset": "+00:00"},),
) -> Station:
    """A station; left alone it has one table `ten` of columns Time, T and RH."""
    return Station.model_validate(
        {
            "station": {"id": "case", "latitude": 54.5, "longitude": -3.1, "elevation": 120.0},
            "clock": [dict(entry) for entry in clock],
            "table": list(tables or [table()]),
            "channel": list(channels or [channel("t", "T"), channel("rh", "RH", "relative_humidity")]),
        }
    )


def read(
    where: Station, folder: Path, *files: bytes | str, names: Sequence[str] = ()
) -> tuple[Record, list[RefusedFile]]:
    """The record of some files, written to a folder as file-0.csv, file-1.csv ... or under the names given."""
    paths = []
    for number, raw in enumerate(files):
        path = folder / (names[number] if names else f"file-{number}.csv")
        path.write_bytes(raw if isinstance(raw, bytes) else raw.encode())
        paths.append(path)
    return read_tables(where, paths)
