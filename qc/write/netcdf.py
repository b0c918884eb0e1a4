"""The flagged table as NetCDF: CF 1.11 (a time series at one point), with the global attributes of ACDD 1.3.

NetCDF-4 files are HDF5; h5netcdf writes them in plain Python on h5py, which pvlib brings already. No time of writing is
kept in the file, and chunks are of fixed size, so the same table gives the same bytes with the same libraries.
"""

from __future__ import annotations

import io
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.chain import Checked
from qc.errors import printable
from qc.places import folder
from qc.quantities import quantities
from qc.record import SECOND, Times
from qc.station import Channel, Station, Table
from qc.verdicts import BIT, WORDS
from qc.version import __version__
from qc.write.text import stamp

if TYPE_CHECKING:
    import pyarrow as pa

_CHUNK = 65536  # rows that are compressed together
_LONGEST = 80  # bytes of a logger's cell that are kept; the whole of it stands in the CSV (judgement)
_METHODS = {
    "mean": "mean", "vector-mean": "mean", "sample": "point", "total": "sum", "counter": "sum", "max": "maximum",
    "min": "minimum", "sd": "standard_deviation",
}  # fmt: skip


@dataclass(frozen=True)
class Flags:
    """What the codes of `NAME_verdict` are: their words, and where they are from."""

    words: Mapping[int, str]
    title: str


WMO = Flags(dict(enumerate(WORDS)), "WMO BUFR/CREX code table 0 33 020")


@dataclass(frozen=True)
class Said:
    """What a person says of the data, for the attributes; empty where nothing was said."""

    licence: str = ""
    contact: str = ""
    owner: str = ""


@cache
def cf_names() -> Mapping[str, Mapping[str, str]]:
    """Standard name and units of each quantity (`rules/cf.toml`)."""
    with (folder("rules") / "cf.toml").open("rb") as file:
        found: dict[str, dict[str, str]] = tomllib.load(file)
    return found


def netcdf_pieces(
    table: pa.Table, checked: Checked, table_id: str, *, flags: Flags = WMO, said: Said | None = None
) -> Iterator[bytes]:
    """NetCDF bytes of a flagged table, as `qc.write.flagged` makes it, in one piece.

    Parameters
    ----------
    table : the flagged table, with rows for gaps and `NAME_usable` where they were asked for.
    checked : what it was made from.
    table_id : which of its tables it is.
    flags : the codes of `NAME_verdict`; `NAME_verdict_wmo` always has those of WMO.
    said : licence, contact and owner.
    """
    from h5netcdf import core

    station = checked.record.station
    of = next(t for t in station.table if t.id == table_id)
    time = _times(table)
    sink = io.BytesIO()
    opened: Any = core.File  # it ships no types
    with opened(sink, "w") as file:
        file.dimensions = {"time": len(time), "nv": 2, "id_letters": len(station.id)}
        _coordinates(file, station, of, time)
        for channel in station.channels_of(of):
            _channel(file, table, station, of, channel, flags)
        for name, value in attributes(checked, of, time, said or Said()).items():
            file.attrs[name] = value
    yield sink.getvalue()


def _times(table: pa.Table) -> Times:
    import pyarrow.compute as pc

    text = pc.utf8_rtrim(table.column("time"), "Z").to_numpy(zero_copy_only=False)
    return np.array(text, "datetime64[us]")


def _seconds(time: Times) -> NDArray[np.float64]:
    return np.asarray(time.astype(np.int64) / SECOND)


def _coordinates(file: Any, station: Station, table: Table, time: Times) -> None:
    """`time` with its bounds, and where the station is."""
    side = {"end": "end of the interval", "start": "begin of the interval", "instant": "moment of the values"}
    about: dict[str, Any] = {
        "standard_name": "time",
        "long_name": f"time, UTC: {side[table.side]}",
        "units": "seconds since 1970-01-01T00:00:00Z",
        "calendar": "standard",
        "units_metadata": "leap_seconds: none",
        "axis": "T",
    }
    bounded = table.side != "instant" and table.interval_s is not None
    _put(file, "time", ("time",), _seconds(time), about | ({"bounds": "time_bnds"} if bounded else {}))
    if bounded:
        assert table.interval_s is not None
        step = np.timedelta64(round(table.interval_s * SECOND), "us")
        first, last = (time - step, time) if table.side == "end" else (time, time + step)
        _put(file, "time_bnds", ("time", "nv"), np.stack([_seconds(first), _seconds(last)], 1), {})
    _put(
        file, "station_id", ("id_letters",), np.frombuffer(station.id.encode("ascii"), "S1"),
        {"cf_role": "timeseries_id", "long_name": "identifier of the station"},
    )  # fmt: skip
    site = station.station
    for name, value, standard, units, axis in (
        ("latitude", site.latitude, "latitude", "degrees_north", "Y"),
        ("longitude", site.longitude, "longitude", "degrees_east", "X"),
        ("elevation", site.elevation, "altitude", "m", "Z"),
    ):
        attrs = {"standard_name": standard, "long_name": f"{name} of the station", "units": units, "axis": axis}
        _put(file, name, (), np.float64(value), attrs | ({"positive": "up"} if axis == "Z" else {}))


def _channel(file: Any, table: pa.Table, station: Station, of: Table, channel: Channel, flags: Flags) -> None:
    """The variables of one channel: the value, and what belongs to it as ancillary variables."""
    name, title = channel.name, quantities()[channel.quantity].title
    if channel.quantity == "other":
        title = f"column {printable(channel.columns[0], 80)}"
    about = _about(channel)
    has_corrected = f"{name}_corrected" in table.column_names
    for part in (name, f"{name}_corrected") if has_corrected else (name,):
        kind = "raw" if part == name else "corrected"
        beside = _ancillaries(table, part, name)
        where = {
            "coordinates": "latitude longitude elevation station_id",
            "ancillary_variables": " ".join(beside),
            "long_name": f"{title}, {kind}",
        }
        values = table.column(part).to_numpy().astype(np.float64)
        _put(file, part, ("time",), values, about | where, fill=np.nan)
        _verdicts(file, table, part, f"{title}, {kind}", flags)
    if f"{name}_usable" in table.column_names:
        usable = table.column(f"{name}_usable").to_numpy(zero_copy_only=False)
        told = "whether the value may be used: the corrected one where there is one, else the raw one"
        _flag(file, f"{name}_usable", usable.astype(np.int8), f"{title}: {told}", {0: "not_usable", 1: "usable"})
    _read(file, table, name, title)


def _about(channel: Channel) -> dict[str, Any]:
    """Attributes that raw and corrected values share."""
    names = cf_names().get(channel.quantity, {})
    found: dict[str, Any] = {}
    if "standard_name" in names:
        found["standard_name"] = names["standard_name"]
    if "units" in names:
        found["units"] = names["units"]
        if names["units"] == "degree_Celsius":
            found["units_metadata"] = f"temperature: {'difference' if channel.statistic == 'sd' else 'on_scale'}"
    else:
        found["comment_units"] = printable(channel.unit, 80)
    if channel.statistic is not None:
        method = _METHODS[channel.statistic]
        found["cell_methods"] = f"time: {method}" + (" (vector mean)" if channel.statistic == "vector-mean" else "")
    if channel.height is not None:
        found["sensor_height_m"] = channel.height
    if channel.sensor:
        found["sensor"] = printable(channel.sensor, 200)
    found["coverage_content_type"] = "physicalMeasurement"
    return found


def _ancillaries(table: pa.Table, part: str, name: str) -> list[str]:
    names = [f"{part}_verdict", f"{part}_verdict_wmo", f"{part}_checks"]
    names += [f"{name}_usable"] if part == name else []
    return [n for n in names if n in table.column_names]


def _verdicts(file: Any, table: pa.Table, part: str, title: str, flags: Flags) -> None:
    """The code of each value, the verdict itself beside it where that is another one, and the checks that it failed."""
    codes = table.column(f"{part}_verdict").combine_chunks().fill_null(127).to_numpy(zero_copy_only=False)
    _flag(file, f"{part}_verdict", codes.astype(np.int8), f"{title}: verdict ({flags.title})", flags.words, main=True)
    if f"{part}_verdict_wmo" in table.column_names:
        codes = table.column(f"{part}_verdict_wmo").to_numpy()
        _flag(file, f"{part}_verdict_wmo", codes.astype(np.int8), f"{title}: verdict ({WMO.title})", WMO.words)
    about = {
        "long_name": f"{title}: checks that the value failed",
        "flag_masks": np.array([1 << bit for bit in BIT.values()], np.int64),
        "flag_meanings": " ".join(BIT),
        "coverage_content_type": "qualityInformation",
    }
    _put(file, f"{part}_checks", ("time",), _masks(table.column(f"{part}_checks")), about)


def _flag(
    file: Any, name: str, codes: NDArray[np.int8], title: str, words: Mapping[int, str], *, main: bool = False
) -> None:
    about: dict[str, Any] = {
        "long_name": title,
        "flag_values": np.array(list(words), np.int8),
        "flag_meanings": " ".join(word.replace(" ", "_") for word in words.values()),
        "coverage_content_type": "qualityInformation",
    }
    if main:
        about["standard_name"] = "aggregate_quality_flag"
    _put(file, name, ("time",), codes, about, fill=np.int8(127))


def _masks(checks: pa.ChunkedArray) -> NDArray[np.int64]:
    """Ids joined by `;` as bit masks."""
    words = checks.combine_chunks().fill_null("").dictionary_encode()
    masks = [sum(1 << BIT[one] for one in told.split(";") if one) for told in words.dictionary.to_pylist()]
    found: NDArray[np.int64] = np.array(masks, np.int64)[words.indices.to_numpy()]
    return found


def _read(file: Any, table: pa.Table, name: str, title: str) -> None:
    """The logger's own cells, where any is not, digit for digit, the value."""
    import pyarrow.compute as pc

    column = table.column(f"{name}_read")
    if column.null_count == len(column):
        return
    text = pc.fill_null(column, "").combine_chunks().dictionary_encode()
    cut = [t.encode("utf-8")[:_LONGEST].decode("utf-8", "ignore").encode("utf-8") for t in text.dictionary.to_pylist()]
    cells = np.array(cut, f"S{_LONGEST}")[text.indices.to_numpy()]
    wide = max(int(np.char.str_len(cells).max(initial=1)), 1)
    letters = cells.astype(f"S{wide}").view("S1").reshape(len(cells), wide)
    if (letter := f"{name}_read_letters") not in file.dimensions:
        file.dimensions[letter] = wide
    about = {
        "long_name": f"{title}: the logger's cell where the number is not, digit for digit, the cell "
        f"(cut at {_LONGEST} bytes)",
        "coverage_content_type": "auxiliaryInformation",
        "_Encoding": "utf-8",
    }
    _put(file, f"{name}_read", ("time", letter), letters, about)


def _put(
    file: Any, name: str, dimensions: tuple[str, ...], values: Any, about: Mapping[str, Any], fill: Any = None
) -> None:
    kept: dict[str, Any] = {}
    if "time" in dimensions and len(values):
        wide = values.shape[1:]
        chunk = max(1, min(len(values), _CHUNK // max(1, int(np.prod(wide)))))
        kept = {"compression": "gzip", "compression_opts": 2, "shuffle": True, "chunks": (chunk, *wide)}
    variable = file.create_variable(name, dimensions, dtype=values.dtype, data=values, fillvalue=fill, **kept)
    for key, value in about.items():
        if not isinstance(value, str) or value:
            variable.attrs[key] = value


# ---- the attributes of the file


def attributes(checked: Checked, table: Table, time: Times, said: Said) -> dict[str, Any]:
    """Global attributes: CF, and those of ACDD that can be known; nothing depends on when or where it is written."""
    station = checked.record.station
    site = station.station
    channels = station.channels_of(table)
    titles = sorted({quantities()[c.quantity].title for c in channels if c.quantity != "other"})
    name = printable(site.name or site.id, 200)
    first, last = (stamp(t) for t in time[[0, -1]]) if len(time) else ("", "")
    made = stamp(created(checked, time)) if len(time) else ""
    contact, owner = printable(said.contact, 400), printable(said.owner, 400)
    not_stated = "not stated"
    return {
        "Conventions": "CF-1.11, ACDD-1.3",
        "featureType": "timeSeries",
        "cdm_data_type": "Station",
        "title": f"{name}: flagged measurements of an automatic weather station",
        "summary": f"Raw values of {', '.join(titles)} at {name}, each with a verdict and the checks that it failed.",
        "keywords": ", ".join(titles),
        "id": f"{station.id}.{table.id}",
        "naming_authority": owner or not_stated,
        "source": "surface observation by an automatic weather station",
        "platform": station.id,
        "instrument": ", ".join(sorted({printable(c.sensor, 80) for c in channels if c.sensor})) or not_stated,
        "processing_level": "quality controlled; raw values are never altered, corrected ones stand beside them",
        "history": f"read, converted to these units, checked and flagged by Fairvane {__version__}; "
        f"SHA-256 of the rules {checked.limits.sha256}, of the station file {station.sha256 or not_stated}",
        "comment": "Flags are no basis for warnings that protect life.",
        "references": "limits that were applied, with their sources: rules.csv of a delivery, or `fairvane rules`",
        "acknowledgement": not_stated,
        "license": printable(said.licence, 400) or f"{not_stated}: ask before you pass it on",
        "project": name,
        "institution": owner or not_stated,
        "creator_name": owner or contact or not_stated,
        "creator_email": contact or not_stated,
        "creator_url": not_stated,
        "creator_type": "institution",
        "publisher_name": owner or contact or not_stated,
        "publisher_email": contact or not_stated,
        "publisher_url": not_stated,
        "standard_name_vocabulary": "CF Standard Name Table v93",
        "date_created": made,
        "date_modified": made,
        "date_issued": made,
        "date_metadata_modified": made,
        "geospatial_bounds": f"POINT ({site.latitude} {site.longitude})",
        "geospatial_bounds_crs": "EPSG:4326",
        "geospatial_bounds_vertical_crs": "EPSG:5714",  # height above mean sea level
        "geospatial_lat_min": site.latitude,
        "geospatial_lat_max": site.latitude,
        "geospatial_lat_units": "degrees_north",
        "geospatial_lat_resolution": "point",
        "geospatial_lon_min": site.longitude,
        "geospatial_lon_max": site.longitude,
        "geospatial_lon_units": "degrees_east",
        "geospatial_lon_resolution": "point",
        "geospatial_vertical_min": site.elevation,
        "geospatial_vertical_max": site.elevation,
        "geospatial_vertical_units": "m",
        "geospatial_vertical_positive": "up",
        "geospatial_vertical_resolution": "point",
        "time_coverage_start": first,
        "time_coverage_end": last,
        "time_coverage_duration": _duration(time),
        "time_coverage_resolution": f"PT{table.interval_s:g}S" if table.interval_s else "by event",
    }


def created(checked: Checked, time: Times) -> np.datetime64:
    """When the values came to be what they are: their last stamp, or the last decision about them that was logged.

    ACDD asks for the date of the most recent modification of values; the time of writing would change the bytes.
    """
    logs = checked.record.logs
    decided = [d.decided for d in logs.decisions or ()] + [c.decided for c in logs.corrections or ()]
    return max([time[-1], *decided])


def _duration(time: Times) -> str:
    if not len(time):
        return "PT0S"
    seconds = int((time[-1] - time[0]).astype("timedelta64[s]").astype(np.int64))
    days, rest = divmod(seconds, 86400)
    return f"P{days}DT{rest}S" if days else f"PT{rest}S"
