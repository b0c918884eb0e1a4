"""A station-year at 1 min delivered, against its own `check`: `python -m tests.bench.deliver [PAIRS] [--again]`.

Whole processes in alternating pairs, each into a folder of its own: time by the clock, time of the processors (which a
busy machine disturbs less), and peak memory. Promised: at most twice the time of `check`, and under 1.5 GiB.
With `--again` also: the delivery made once more over itself; over one with other rules, so that every value is
compared; and with Parquet and NetCDF.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench import year

OTHER_RULES = '[rules]\nrange.air_temperature.high = { value = 24.0, reason = "to have something changed" }\n'

Ran = tuple[float, float, float]


def ran(what: str, station: Path, table: Path, out: Path, *more: str) -> Ran:
    """One run of the command line: seconds by the clock, seconds of the processors, peak memory (MiB)."""
    command = [sys.executable, "-m", "qc", what, str(station), str(table), "--out", str(out), "--quiet", *more]
    start = time.perf_counter()
    child = subprocess.Popen(command)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{what} ended with {child.returncode}")
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def told(what: str, run: Ran) -> None:
    """One run in a line."""
    print(f"{what}: {run[0]:.2f} s, of the processors {run[1]:.2f} s, {run[2]:.0f} MiB", flush=True)


def main() -> None:
    """Print medians, ratios and peak memory. This process stays small: a child's peak memory counts that of the process
    that started it."""
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    pairs = numbers[0] if numbers else 3
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        station, table, out = folder / "bench.station.toml", folder / "year.csv", folder / "delivered"
        station.write_text(year.station_text(), "utf-8")
        subprocess.run([sys.executable, "-m", "tests.bench.year", str(table), "1"], check=True)
        found = []
        for _ in range(pairs):
            for old in (folder / "checked", out):
                shutil.rmtree(old, ignore_errors=True)
            check = ran("check", station, table, folder / "checked")
            found.append((check, ran("deliver", station, table, out)))
        for n, clock in enumerate(("by the clock", "of the processors")):
            low, high = (statistics.median(p[i][n] for p in found) for i in (0, 1))
            ratio = statistics.median(b[n] / a[n] for a, b in found)
            print(f"{clock}: check {low:.2f} s, deliver {high:.2f} s, ratio {ratio:.2f} (at most 2)")
        print(f"peak memory of deliver {max(b[2] for _, b in found):.0f} MiB (under 1536)", flush=True)
        if "--again" in sys.argv:
            told("over itself", ran("deliver", station, table, out))
            station.write_text(year.station_text() + OTHER_RULES, "utf-8")
            run = ran("deliver", station, table, out)
            with (out / "changes.csv").open() as file:
                told(f"with {sum(1 for _ in file) - 1:,} changes", run)
            shutil.rmtree(out)
            told("with Parquet and NetCDF", ran("deliver", station, table, out, "--write", "parquet,netcdf"))


if __name__ == "__main__":
    main()
