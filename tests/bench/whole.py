"""A station-year at 1 min through `check` to all CSV outputs, against pyarrow alone: `python -m tests.bench.whole
[YEARS...]`.

The floor is that of `tests.bench.read_write`. Alternating pairs, in this process after imports, then as whole
processes; then the peak memory, and the time for more years. Promised: at most 3 times the floor after imports, 4
times as a whole process, under 1 GiB, linear.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench import year
from tests.bench.read_write import PAIRS, floor, timed

FLOOR_SCRIPT = """
import sys
from pathlib import Path
from tests.bench.read_write import floor
floor(Path(sys.argv[1]), Path(sys.argv[2]))
"""


def ours(table: Path, out: Path) -> None:
    """What the command does, without its words."""
    from qc import run
    from qc.read.tables import read_tables
    from qc.station import parse

    station = parse(year.station_text().encode())
    record, _ = read_tables(station, [table])
    run.write(run.check_record(record, run.limits_of(station)), out, replace=True)


def process(command: list[str]) -> tuple[float, float]:
    """Seconds and peak memory (MiB) of a whole process."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command[:3]} ended with {child.returncode}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def inside(table: Path, folder: Path) -> None:
    """Alternating pairs in this process, after imports."""
    timed(floor, table, folder / "floor.csv")
    timed(ours, table, folder / "ours")
    pairs = [(timed(floor, table, folder / "floor.csv"), timed(ours, table, folder / "ours")) for _ in range(PAIRS)]
    _tell("after imports", pairs, "at most 3")


def main() -> None:
    """Print medians and ratios. This process stays small: a child's peak memory counts that of the process that
    started it."""
    if sys.argv[1:2] == ["--inside"]:
        inside(Path(sys.argv[2]), Path(sys.argv[3]))
        return
    years = [int(a) for a in sys.argv[1:]] or [1]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        station = folder / "bench.station.toml"
        station.write_text(year.station_text(), "utf-8")
        for number in years:
            table = folder / f"{number}.csv"
            subprocess.run([sys.executable, "-m", "tests.bench.year", str(table), str(number)], check=True)
            if number == 1:
                subprocess.run(
                    [sys.executable, "-m", "tests.bench.whole", "--inside", str(table), str(folder)], check=True
                )
            bare = [sys.executable, "-c", FLOOR_SCRIPT, str(table), str(folder / "floor.csv")]
            full = [
                sys.executable,
                "-m",
                "qc",
                "check",
                str(station),
                str(table),
                "--out",
                str(folder / "out"),
                "--replace",
                "--quiet",
            ]
            whole = [(process(bare), process(full)) for _ in range(PAIRS if number == 1 else 1)]
            _tell(f"{number} year(s), whole process", [(a[0], b[0]) for a, b in whole], "at most 4")
            print(f"  peak memory {max(b[1] for _, b in whole):.0f} MiB (floor {max(a[1] for a, _ in whole):.0f})")
            table.unlink()


def _tell(what: str, pairs: list[tuple[float, float]], promised: str) -> None:
    low, high = (statistics.median(p[i] for p in pairs) for i in (0, 1))
    ratio = statistics.median(b / a for a, b in pairs)
    print(f"{what}: floor {low:.2f} s, check {high:.2f} s, ratio {ratio:.2f} ({promised})", flush=True)


if __name__ == "__main__":
    main()
