"""A station-year at 1 min delivered, against its own `check`: `python -m tests.bench.deliver [PAIRS]`.

Whole processes in alternating pairs, each with a folder of its own; then the peak memory of `deliver`. Promised: at
most twice the time of `check`, and under 1.5 GiB. With `--again` the delivery is made once more over itself, and
once more over one with other rules, so that every value is compared.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench import year
from tests.bench.whole import process

OTHER_RULES = '[rules]\nrange.air_temperature.high = { value = 24.0, reason = "to have something changed" }\n'


def command(what: str, station: Path, table: Path, out: Path, *more: str) -> list[str]:
    """One run of the command line."""
    return [sys.executable, "-m", "qc", what, str(station), str(table), "--out", str(out), "--quiet", *more]


def main() -> None:
    """Print medians, ratios and peak memory. This process stays small: a child's peak memory counts that of the process
    that started it."""
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    pairs = numbers[0] if numbers else 3
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        station, table = folder / "bench.station.toml", folder / "year.csv"
        station.write_text(year.station_text(), "utf-8")
        subprocess.run([sys.executable, "-m", "tests.bench.year", str(table), "1"], check=True)
        found = []
        for _ in range(pairs):
            for out in ("checked", "delivered"):
                shutil.rmtree(folder / out, ignore_errors=True)
            check = process(command("check", station, table, folder / "checked"))
            found.append((check, process(command("deliver", station, table, folder / "delivered"))))
        ratio = statistics.median(b[0] / a[0] for a, b in found)
        low, high = (statistics.median(p[i][0] for p in found) for i in (0, 1))
        print(f"check {low:.2f} s, deliver {high:.2f} s, ratio {ratio:.2f} (at most 2)")
        print(f"peak memory of deliver {max(b[1] for _, b in found):.0f} MiB (under 1536)", flush=True)
        if "--again" in sys.argv:
            seconds, memory = process(command("deliver", station, table, folder / "delivered"))
            print(f"over itself: {seconds:.2f} s, {memory:.0f} MiB", flush=True)
            station.write_text(year.station_text() + OTHER_RULES, "utf-8")
            seconds, memory = process(command("deliver", station, table, folder / "delivered"))
            lines = sum(1 for _ in (folder / "delivered" / "changes.csv").open()) - 1
            print(f"with {lines:,} changes: {seconds:.2f} s, {memory:.0f} MiB")
            shutil.rmtree(folder / "delivered")
            seconds, memory = process(
                command("deliver", station, table, folder / "delivered", "--write", "parquet,netcdf")
            )
            print(f"with Parquet and NetCDF: {seconds:.2f} s, {memory:.0f} MiB")


if __name__ == "__main__":
    main()
