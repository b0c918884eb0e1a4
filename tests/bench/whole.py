"""A station-year at 1 min through `check` to all CSV outputs, against pyarrow alone: `python -m tests.bench.whole
[YEARS...]`.

The floor is that of `tests.bench.read_write`. Alternating pairs, in this process after imports, then as whole
processes; then the peak memory, and the time for more years. Promised: at most 3 times the floor after imports, 4
times as a whole process, under 1 GiB, linear. Then the same year with three logs, and with the flagged tables of two
neighbours as well: the floor stays that of the station's own table.
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


def process(command: list[str]) -> tuple[float, float, float]:
    """Seconds, peak memory (MiB) and processor seconds of a whole process."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command[:3]} ended with {child.returncode}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024, usage.ru_utime + usage.ru_stime


def inside(table: Path, folder: Path) -> None:
    """Alternating pairs in this process, after imports."""
    timed(floor, table, folder / "floor.csv")
    timed(ours, table, folder / "ours")
    pairs = [(timed(floor, table, folder / "floor.csv"), timed(ours, table, folder / "ours")) for _ in range(PAIRS)]
    _tell("after imports", pairs, "at most 3")


LOGS = {
    "visits": [f"2021-{m:02d}-10T09:00Z,2021-{m:02d}-10T10:00Z,all,cleaned,domes" for m in range(1, 13)],
    "decisions": [
        f"2021-{m:02d}-20T09:00Z,2021-{m:02d}-20T12:00Z,rh,wrong,wet connector,reviewer,2022-01-10T09:00Z"
        for m in range(1, 13)
    ],
    "corrections": ["2021-03-01T00:00Z,2021-09-01T00:00Z,ghi,scale,1.02,bench test,technician,2022-01-10T09:00Z"],
}
"""Lines of the logs: a visit and a decision a month, half a year of one channel corrected."""


def near(table: Path, folder: Path) -> list[Path]:
    """Flagged tables of two made neighbours, 11 km north and 13 km east, with the same weather."""
    found = []
    for name, old, new in (
        ("north", "latitude = 52.0", "latitude = 52.1"),
        ("east", "longitude = 9.0", "longitude = 9.2"),
    ):
        station = folder / f"{name}.station.toml"
        station.write_text(year.station_text().replace('id = "bench"', f'id = "{name}"').replace(old, new), "utf-8")
        process(check(station, table, folder / name))
        found.append(folder / name / f"{name}.one.flagged.csv")
    return found


def with_logs(folder: Path) -> Path:
    """The station file again, with three logs beside it."""
    from qc.logs import COLUMNS

    for kind, lines in LOGS.items():
        (folder / f"{kind}.csv").write_text("\n".join([",".join(COLUMNS[kind]), *lines]) + "\n", "utf-8")
    named = "".join(f'{kind} = "{kind}.csv"\n' for kind in LOGS)
    station = folder / "logs.station.toml"
    station.write_text(
        year.station_text().replace('climate = "temperate"\n', f'climate = "temperate"\n{named}'), "utf-8"
    )
    return station


def check(station: Path, table: Path, out: Path) -> list[str]:
    """The command."""
    words = [sys.executable, "-m", "qc", "check", str(station), str(table), "--out", str(out)]
    return [*words, "--replace", "--quiet"]


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
            _whole(f"{number} year(s)", bare, check(station, table, folder / "out"), PAIRS if number == 1 else 1)
            if number == 1:
                logged = check(with_logs(folder), table, folder / "logs")
                _whole("1 year with three logs", bare, logged, 3)
                beside = [word for path in near(table, folder) for word in ("--neighbour", str(path))]
                _whole("1 year with three logs and two neighbours", bare, [*logged, *beside], 3)
            table.unlink()


def _whole(what: str, bare: list[str], full: list[str], pairs: int) -> None:
    found = [(process(bare), process(full)) for _ in range(pairs)]
    _tell(f"{what}, whole process", [(a[0], b[0]) for a, b in found], "at most 4")
    print(f"  peak memory {max(b[1] for _, b in found):.0f} MiB (floor {max(a[1] for a, _ in found):.0f})")
    spent = statistics.median(b[2] / a[2] for a, b in found)
    busy = statistics.median(b[2] for _, b in found)
    print(f"  processor time {busy:.2f} s, ratio {spent:.2f}: a busy machine spoils it less")


def _tell(what: str, pairs: list[tuple[float, float]], promised: str) -> None:
    low, high = (statistics.median(p[i] for p in pairs) for i in (0, 1))
    ratio = statistics.median(b / a for a, b in pairs)
    print(f"{what}: floor {low:.2f} s, check {high:.2f} s, ratio {ratio:.2f} ({promised})", flush=True)


if __name__ == "__main__":
    main()
