"""Small invented fleets on disk: a station of five channels, half-hourly, and what a night leaves of it."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import qc
from qc.archive import fleet, ledger, months, raw, whole
from qc.archive.workers import Here, Workers

if TYPE_CHECKING:
    import pyarrow as pa

STATION = """\
[station]
id = "{id}"
latitude = {latitude}
longitude = -3.1
elevation = 120.0
climate = "temperate"
{logs}
[[clock]]
{clock}
[[table]]
id = "half"
interval = "30min"
stamps = "end"
[[table.layout]]
names = ["Stamp", "T"]
decimal = "."
missing = ["NAN"]
time = {{ columns = ["Stamp"], format = "%Y-%m-%d %H:%M" }}
[[channel]]
name = "t"
quantity = "air_temperature"
column = "T"
unit = "{unit}"
resolution = 0.1
[[channel]]
name = "rh"
quantity = "relative_humidity"
column = "RH"
unit = "%"
resolution = 1.0
[[channel]]
name = "p"
quantity = "air_pressure"
column = "P"
unit = "hPa"
resolution = 0.1
[[channel]]
name = "rain"
quantity = "precipitation"
column = "Rain"
unit = "mm"
statistic = "total"
resolution = 0.2
[[channel]]
name = "v"
quantity = "battery_voltage"
column = "V"
unit = "V"
resolution = 0.01
"""
HEAD = "Stamp,T,RH,P,Rain,V"
START = np.datetime64("2026-03-20T00:30", "m")
NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)


def rows(count: int = 1200, seed: int = 1) -> list[str]:
    """Lines of a table: weather with some spikes, markers, gaps and a stuck stretch."""
    rng = np.random.default_rng(seed)
    n = np.arange(count)
    t = 8 + 5 * np.sin(2 * np.pi * (n - 18) / 48) + np.cumsum(rng.normal(0, 0.15, count))
    rh = np.clip(70 - 2.5 * (t - 8) + rng.normal(0, 1, count), 5, 100)
    p = 1000 + np.cumsum(rng.normal(0, 0.08, count))
    rain = np.where(rng.random(count) < 0.05, 0.2 * rng.integers(1, 5, count), 0.0)
    v = 12.6 + 0.4 * np.sin(2 * np.pi * (n - 12) / 48)
    t[rng.integers(0, count, 5)] += 25
    p[count // 2 : count // 2 + 30] = p[count // 2]
    out = []
    for i in range(count):
        cells = [f"{t[i]:.1f}", f"{rh[i]:.0f}", f"{p[i]:.1f}", f"{rain[i]:.1f}", f"{v[i]:.2f}"]
        if rng.random() < 0.01:
            cells[int(rng.integers(0, 5))] = "NAN"
        if rng.random() > 0.01:
            out.append(f"{str(START + 30 * i).replace('T', ' ')},{','.join(cells)}")
    return out


SITES = ("hay-loft", "mill", "quarry")


def off(lines: Sequence[str]) -> list[str]:
    """Lines of which a few show a temperature some kelvin too high, as only neighbours can tell."""
    out = list(lines)
    for n in (410, 450, 500, 650, 700):
        stamp, t, rest = out[n].split(",", 2)
        out[n] = f"{stamp},{float(t) + 3.5:.1f},{rest}"
    return out


def text(lines: Sequence[str]) -> str:
    """A file of some lines under the names row."""
    return "\n".join([HEAD, *lines]) + "\n"


@dataclass
class Place:
    """A fleet in a folder."""

    folder: Path
    ids: tuple[str, ...]

    @property
    def fleet(self) -> fleet.Fleet:
        """Its fleet file, read."""
        return fleet.load(self.folder / "fleet.toml")

    @property
    def store(self) -> Path:
        """Its store."""
        return self.folder / "store"

    def inbox(self, station: str = "hay-loft") -> Path:
        """The folder in which files of a station arrive."""
        return self.folder / "inbox" / station

    def station_file(self, station: str = "hay-loft") -> Path:
        """Its station file."""
        return self.folder / f"{station}.station.toml"

    def arrive(self, name: str, lines: Sequence[str], station: str = "hay-loft") -> Path:
        """Put a file into an inbox."""
        path = self.inbox(station) / name
        path.write_text(text(lines), "utf-8")
        return path

    def night(self, night: str = "2026-05-01", workers: Workers | None = None, now: datetime = NOON) -> whole.Done:
        """Run one night in this process."""
        return whole.night(self.fleet, workers or Here(), night=night, now=now, progress=lambda done, total: None)

    def archive(self, station: str = "hay-loft") -> pa.Table:
        """All that the archive holds of a station, sorted."""
        import pyarrow as pa

        found = sorted((self.store / "archive" / f"station={station}").glob("month=*"))
        parts = [months.read(self.store, station, p.name.removeprefix("month=")) for p in found]
        return sorted_(pa.concat_tables(parts) if parts else months.schema().empty_table())

    def ask(self, statement: str, *values: object) -> list[tuple]:  # type: ignore[type-arg]
        """Rows of the ledger."""
        with contextlib.closing(ledger.connect(self.store / "ledger.sqlite")) as connection:
            return connection.execute(statement, values).fetchall()

    def raw_lines(self, station: str = "hay-loft") -> list[bytes]:
        """Every raw line in the store."""
        return [t for _, texts in raw._read(self.store, station, 2**60) for t in texts]


def sorted_(table: pa.Table) -> pa.Table:
    """Rows by channel and time, in one piece."""
    return table.sort_by([("channel", "ascending"), ("time", "ascending")]).combine_chunks()


def made(
    folder: Path, ids: Sequence[str] = ("hay-loft",), *, clock: str = 'utc_offset = "+00:00"', logs: str = "",
    extra: str = "", neighbours: dict[str, list[str]] | None = None,
) -> Place:  # fmt: skip
    """A fleet of some stations, with empty inboxes."""
    entries = []
    for n, name in enumerate(ids):
        (folder / "inbox" / name).mkdir(parents=True)
        station = STATION.format(id=name, latitude=54.5 + 0.05 * n, clock=clock, logs=logs, unit="degC")
        (folder / f"{name}.station.toml").write_text(station, "utf-8")
        beside = (neighbours or {}).get(name, [])
        paths = f'file = "{name}.station.toml"\ninbox = "inbox/{name}/*.csv"'
        entries.append(f"[[station]]\n{paths}\nneighbours = {beside}\n")
    head = f'[fleet]\nstore = "store"\noutbox = "outbox"\n{extra}\n'
    (folder / "fleet.toml").write_text(head + "".join(entries).replace("'", '"'), "utf-8")
    return Place(folder, tuple(ids))


def checked(place: Place, files: Sequence[Path], station: str = "hay-loft", **more: object) -> pa.Table:
    """What one `check` over some files gives, in the rows of the archive."""
    result = qc.check(qc.read_station(place.station_file(station)), list(files), **more)  # type: ignore[arg-type]
    return sorted_(months.rows(list(result.checked.tables.values()), -(2**62), 2**62))


def difference(one: pa.Table, other: pa.Table) -> str:
    """Empty where two tables hold the same rows; else what differs first."""
    if one.equals(other):
        return ""
    a, b = one.to_pylist(), other.to_pylist()
    if len(a) != len(b):
        return f"{len(a)} rows and {len(b)}"
    return next(f"{x} and {y}" for x, y in zip(a, b, strict=True) if x != y)
