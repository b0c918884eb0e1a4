"""Neighbours: flagged tables that `check` wrote for other stations, read with care and laid onto a station's own rows.

Values that a neighbour's own checks call doubtful or wrong count as missing. What the network family left is taken out
first, so that no two stations depend on each other: its witness is shared with no other check, so a 2 that stands with
`neighbour` is the neighbour's word alone, and a 3 was 2 or 3 without it.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.errors import UsageError, printable
from qc.quantities import quantities
from qc.record import SECOND, Times
from qc.station import Station
from qc.verdicts import DOUBTFUL, FAMILIES, MISSING, WRONG, Bools, Floats

if TYPE_CHECKING:
    import pyarrow as pa

_EARTH_KM = 6371.0  # mean radius; from memory
_NAME = re.compile(r"([A-Za-z][A-Za-z0-9_-]{0,40})\.([^.]+)\.flagged\.(csv|parquet)")
_PLAIN = (None, "mean", "vector-mean", "sample")
_MEND = "give the flagged table that `fairvane check` wrote, with its summary.json beside it"

QUANTA = 1000.0
"""Quanta for one output unit: their sums are exact. A thousandth is below any sensor's resolution (judgement)."""


@dataclass(frozen=True)
class Neighbour:
    """One table of a neighbouring station.

    `height_m` is how much higher than the station it stands, `middle` the UTC of the middle of each of its intervals,
    `values` in output units by quantity, NaN where there is none or its own checks doubt it.
    """

    id: str
    table: str
    distance_km: float
    bearing: float
    height_m: float
    interval_us: int
    middle: Times
    values: Mapping[str, Floats]
    sha256: str = ""

    def told(self) -> dict[str, Any]:
        """What `summary.json` says of it."""
        return {
            "station": self.id,
            "table": self.table,
            "distance_km": round(self.distance_km, 1),
            "bearing": round(self.bearing),
            "height_m": round(self.height_m, 1),
            "sha256": self.sha256,
        }

    def at(
        self, quantity: str, middle: Times, interval_us: int, *, mean: bool, least_share: float, longest_us: int
    ) -> Floats | None:
        """Its values of a quantity at the rows of a station's table; None where it has none, or intervals do not fit.

        Parameters
        ----------
        middle : UTC of the middle of the station's intervals, rising.
        interval_us : of the station's table. [us]
        mean : whether a row is a mean over its interval: then so is what is laid beside it, where the neighbour's
            interval is shorter.
        least_share : of the neighbour's values that such a mean must have.
        longest_us : intervals of the neighbour longer than this do not fit, unless they are the station's own. [us]
        """
        values, own = self.values.get(quantity), self.interval_us
        if values is None or (own % interval_us and interval_us % own) or own > max(longest_us, interval_us):
            return None
        if own < interval_us and mean:
            return self._means(values, middle, interval_us, least_share)
        here, there = _us(middle), _us(self.middle)
        if not len(there):
            return np.full(len(here), np.nan)
        after = np.clip(np.searchsorted(there, here), 0, len(there) - 1)
        before = np.maximum(after - 1, 0)
        nearest = np.where(np.abs(there[before] - here) <= np.abs(there[after] - here), before, after)
        return np.where(np.abs(there[nearest] - here) * 2 <= own, values[nearest], np.nan)

    def _means(self, values: Floats, middle: Times, interval_us: int, least_share: float) -> Floats:
        """Means over each of the station's intervals, of whole quanta: exact wherever the table begins."""
        here, there, known = _us(middle), _us(self.middle), np.isfinite(values)
        first = np.searchsorted(there * 2, here * 2 - interval_us, side="right")
        after = np.searchsorted(there * 2, here * 2 + interval_us, side="right")
        count, total = (np.concatenate((np.zeros(1, np.int64), np.cumsum(a))) for a in (known, quanta(values)))
        n, sums = count[after] - count[first], total[after] - total[first]
        enough = n * self.interval_us >= least_share * interval_us
        return np.where(enough, sums / (np.maximum(n, 1) * QUANTA), np.nan)


def quanta(values: Floats) -> NDArray[np.int64]:
    """Whole quanta of values; 0 for a missing one."""
    return np.rint(np.where(np.isfinite(values), values, 0.0) * QUANTA).astype(np.int64)


def _us(time: Times) -> NDArray[np.int64]:
    return np.asarray(time, "datetime64[us]").astype(np.int64)


def read(paths: Sequence[Path | str], station: Station) -> tuple[Neighbour, ...]:
    """Read the neighbours of a station, nearest first.

    Parameters
    ----------
    paths : of flagged tables (CSV or Parquet), each with the `summary.json` that was written with it beside it.

    Raises
    ------
    UsageError
        naming the file that is none such, was changed, is of the station itself, or is given twice.
    """
    found: dict[tuple[str, str], Neighbour] = {}
    for path in map(Path, paths):
        neighbour = _read(path, station)
        if (neighbour.id, neighbour.table) in found:
            raise UsageError(
                f"table {neighbour.table} of {neighbour.id} is given twice",
                where=printable(path, 200),
                mend="give it once",
            )
        found[neighbour.id, neighbour.table] = neighbour
    return tuple(sorted(found.values(), key=lambda n: (n.distance_km, n.id, n.table)))


def _read(path: Path, station: Station) -> Neighbour:
    where = printable(path, 200)

    def refused(what: str, mend: str = _MEND) -> UsageError:
        return UsageError(what, where=where, mend=mend)

    name = _NAME.fullmatch(path.name)
    if name is None:
        raise refused("is not named like a flagged table, ID.TABLE.flagged.csv")
    if name[1].casefold() == station.id.casefold():
        raise refused(f"is of {name[1]}, the station that is checked", "give tables of other stations")
    beside = path.with_name(f"{name[1]}.summary.json")
    summary = _summary(beside)
    try:
        if summary["station"] != name[1]:
            told = printable(summary["station"], 40)
            raise refused(f"the summary beside it is of another station, {told}")
        entry, site = (
            summary["tables"][name[2]],
            [float(summary[key]) for key in ("latitude", "longitude", "elevation")],
        )
        sha256, interval, side = summary["outputs"][path.name], entry["period"]["interval_s"], entry["stamps"]
        channels = {channel: (c["quantity"], c["unit"], c["statistic"]) for channel, c in entry["channels"].items()}
        if not all(isinstance(word, str | None) for told in channels.values() for word in told):
            raise TypeError("a quantity, unit or statistic that is no word")
        fits = interval is None or (isinstance(interval, int | float) and 0 < interval < 1e9)
        if (
            not all(map(math.isfinite, site))
            or abs(site[0]) > 90
            or not fits
            or side not in ("end", "start", "instant")
        ):
            raise ValueError("no number that can be")
    except (KeyError, TypeError, ValueError, AttributeError):
        raise refused(
            "the summary beside it does not tell of this table as it should",
            "run `fairvane check` for that station again",
        ) from None
    import pyarrow as pa

    sums, table = _table(path, refused)
    if sums != sha256:
        raise refused(
            "is not the file that the summary beside it tells of: it was changed since",
            "run `fairvane check` for that station again",
        )
    chosen = taken(channels)
    for channel in chosen.values():
        if channels[channel][1] != quantities()[channels[channel][0]].unit:
            told = f"{printable(channel, 40)} is in {printable(channels[channel][1], 20)}"
            raise refused(f"{told}, which is not the unit of outputs")
    try:
        time = _times(table.column("time"))
        values = {quantity: trusted(table, channel) for quantity, channel in chosen.items()}
    except (KeyError, ValueError, TypeError, pa.ArrowException):
        raise refused("is no flagged table") from None
    distance, bearing = way((station.station.latitude, station.station.longitude), (site[0], site[1]))
    step = round((interval or 0) * SECOND)
    half = np.timedelta64(step // 2, "us")
    middle = time - half if side == "end" else time + half if side == "start" else time
    values = values if step else {}  # rows of events are not of one time
    return Neighbour(
        name[1], name[2], distance, bearing, site[2] - station.station.elevation, step or SECOND, middle, values, sums
    )


def _summary(path: Path) -> dict[str, Any]:
    where = printable(path, 200)
    try:
        found = json.loads(path.read_bytes())
    except OSError as error:
        raise UsageError(f"cannot be read ({error.strerror})", where=where, mend=_MEND) from None
    except (ValueError, RecursionError):
        raise UsageError("is no JSON", where=where, mend=_MEND) from None
    if not isinstance(found, dict) or "station" not in found:
        raise UsageError("is no summary of `fairvane check`", where=where, mend=_MEND)
    return found


def _table(path: Path, refused: Any) -> tuple[str, pa.Table]:
    """SHA-256 and content of a flagged table."""
    import io

    import pyarrow as pa
    from pyarrow import csv, parquet

    try:
        raw = path.read_bytes()
        if path.suffix == ".parquet":
            return hashlib.sha256(raw).hexdigest(), parquet.read_table(pa.BufferReader(raw))
        names = raw[: raw.find(b"\n")].decode("utf-8").rstrip("\r").split(",")
        kinds = {n: pa.string() if n.endswith(("_checks", "_read")) or n == "time" else pa.float64() for n in names}
        options = csv.ConvertOptions(
            column_types=kinds,
            include_columns=[n for n in names if not n.endswith("_read")],
            null_values=[""],
            strings_can_be_null=True,
        )
        return hashlib.sha256(raw).hexdigest(), csv.read_csv(io.BytesIO(raw), convert_options=options)
    except OSError as error:
        raise refused(f"cannot be read ({error.strerror})") from None
    except (ValueError, KeyError, pa.ArrowException):
        raise refused("is no flagged table") from None


def _times(column: pa.ChunkedArray) -> Times:
    import pyarrow as pa

    time = column.cast(pa.timestamp("us", "UTC")).cast(pa.timestamp("us")).to_numpy().astype("datetime64[us]")
    if np.isnat(time).any() or (time[1:] <= time[:-1]).any():
        raise ValueError("the times do not rise")
    return np.asarray(time)


def taken(channels: Mapping[str, tuple[str, str, str | None]]) -> dict[str, str]:
    """By quantity the first channel of it that holds plain values."""
    found: dict[str, str] = {}
    for name, (quantity, _, statistic) in channels.items():
        if quantity in quantities() and quantity != "other" and statistic in _PLAIN:
            found.setdefault(quantity, name)
    return found


def trusted(table: pa.Table, channel: str) -> Floats:
    """Values of a channel, NaN where the station's own checks call them doubtful or wrong."""
    values, codes = (table.column(n).to_numpy().astype(np.float64) for n in (channel, f"{channel}_verdict"))
    if not np.isin(codes, np.arange(MISSING + 1)).all():
        raise ValueError("a verdict that is none")
    bad: Bools = (codes == WRONG) | ((codes == DOUBTFUL) & ~_of_network(table.column(f"{channel}_checks")))
    return np.asarray(np.where(bad | np.isinf(values), np.nan, values))


def _of_network(checks: pa.ChunkedArray) -> Bools:
    import pyarrow as pa
    import pyarrow.compute as pc

    words = "|".join(map(re.escape, FAMILIES["network"]))
    found = pc.fill_null(pc.match_substring_regex(checks.cast(pa.string()), rf"(^|;)({words})(;|$)"), False)
    return np.asarray(found.to_numpy(), np.bool_)


def way(here: tuple[float, float], there: tuple[float, float]) -> tuple[float, float]:
    """Distance (km) and bearing (degrees from true north) along the great circle."""
    lat, lon, lat2, lon2 = map(math.radians, (*here, *there))
    haversine = math.sin((lat2 - lat) / 2) ** 2 + math.cos(lat) * math.cos(lat2) * math.sin((lon2 - lon) / 2) ** 2
    east = math.sin(lon2 - lon) * math.cos(lat2)
    north = math.cos(lat) * math.sin(lat2) - math.sin(lat) * math.cos(lat2) * math.cos(lon2 - lon)
    distance = 2 * _EARTH_KM * math.asin(min(1.0, math.sqrt(haversine)))
    return round(distance, 3), round(math.degrees(math.atan2(east, north)) % 360.0, 3) % 360.0
