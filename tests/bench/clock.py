"""How well first and last light tell a clock: windows of healthy open data with offsets planted into them.

    python -m tests.bench.clock [STATION ...]

Finer tables are averaged to 10 min by the test itself; hourly ones stay. For each length of window: how many, the
spread of (found - planted), its mean (horizon and sensor of the station), the spread about each station's own mean,
how often the planted offset was found at all.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from qc import firstlight
from qc.diagnosis import case_of, diagnose
from qc.mends import moved_back
from qc.record import Record
from tests.bench.ground import record_of
from tests.faults.planted import unchecked

STATIONS = ("roof", "campus", "forest_2016", "coast")
OFFSETS = (-60.0, -23.0, 0.0, 12.0, 60.0)  # minutes
LENGTHS = (2, 3, 7, 14, 28)  # days


def windows(record: Record, days: int) -> list[Record]:
    """Pieces of a record that hold nine in ten of their rows, each beginning half a window after the one before, at
    midnight by the sun."""
    name, table = next(iter(record.tables.items()))
    first, last = (t.astype("datetime64[D]") for t in (table.time[0], table.time[-1]))
    out = []
    night = np.timedelta64(-round(record.station.station.longitude * 240), "s")
    for start in np.arange(first, last - days + 1, max(days // 2, 1)).astype("datetime64[us]") + night:
        stop = start + np.timedelta64(days, "D")
        rows = np.flatnonzero((table.time >= start) & (table.time < stop))
        if len(rows) > 0.9 * days * 86400.0 / (table.table.interval_s or 1.0):
            out.append(replace(record, tables={name: table.take(rows)}))
    return out


def shifted(record: Record, minutes: float) -> Record:
    """The record with its clock ahead."""
    tables = {n: moved_back(t, np.full(t.rows, -minutes)) for n, t in record.tables.items()}
    return replace(record, tables=tables)


def main(names: list[str]) -> None:
    """Print one line for each station and length."""
    print(f"{'station':12} {'days':>4} {'windows':>7} {'sd min':>7} {'mean':>6} {'worst':>6} {'60 min found':>13}")
    for name in names:
        record = record_of(name)
        for days in LENGTHS:
            errors, hours, found = [], 0, 0
            for n, piece in enumerate(windows(record, days)[:40]):
                for offset in OFFSETS if days > 3 else OFFSETS[n % 5 :: 5]:
                    case = case_of(unchecked(shifted(piece, offset)), "main")
                    light = firstlight.of(case)
                    if light is not None and np.isfinite(light.whole.mean):
                        errors.append((light.whole.mean - offset + 720.0) % 1440.0 - 720.0)
                if days == 2:
                    hours += 1
                    told = diagnose(unchecked(shifted(piece, 60.0)), only=("clock-offset",)).findings
                    found += any(abs(f.suspect.evidence["minutes"] - 60.0) < 10.0 for f in told)
            e = np.array(errors)
            if not len(e):
                continue
            share = f"{found} of {hours}" if hours else ""
            print(f"{name:12} {days:4} {len(e):7} {e.std():7.2f} {e.mean():+6.2f} {np.abs(e).max():6.1f} {share:>13}")


if __name__ == "__main__":
    main(sys.argv[1:] or list(STATIONS))
