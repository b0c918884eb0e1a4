"""A night of fleets of several sizes: stations with one new day of 1 min data each, and a night with nothing new.

    python -m tests.bench.fleet                                  100, 300, 1,000 and 3,000 stations, and Dask; keeps it
    python -m tests.bench.fleet --stations 10,20 --dask 0        smaller ones, printed only (kept with --keep)

For each size: seconds of reading, checks and archive, of diagnosis, of the digest, and of a night with nothing new;
processor seconds; memory of the parent and of its largest worker; seconds for each station over those of the smallest
fleet. Then the same night with two workers of a Dask cluster on loopback against two processes, turn by turn. With all
sizes it is kept in `fleet.json`, from which `python -m tests.make_readme` fills README.

The stations are invented, eight kinds, alike but for their noise; one of the eight has a pyranometer that reads 25 W/m2
too high. Four weeks of the eight are read and checked; the others get hard links of what came of that, and their new
day is a hard link too: so a machine with 1 GB to spare will do, and the disk is asked for each file once.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from qc.archive import fleet, ledger, nightly, whole
from qc.archive.workers import Cluster, Processes, Workers
from tests.bench.year import channels, station_text

START = np.datetime64("2026-05-01T00:00", "m")
DAYS = 28
KINDS = 8
FAULTY = 7
"""The kind of which the pyranometer reads too high, from the middle of the four weeks on."""
SIZES = (100, 300, 1000, 3000)
DASK = 100
"""Stations of the night that Dask runs."""
JOBS = 2
PROMISED = {"archive": 120.0, "diagnosis": 300.0, "idle": 5.0, "dask": 1.3}
"""What issue 7 asks for: seconds for 1,000 stations on two cores, and the ratio of Dask to `--jobs 2`."""
KEPT = Path(__file__).with_name("fleet.json")


def name_of(number: int) -> str:
    """Id of a station."""
    return f"s{number:04}"


def text_of(kind: int) -> tuple[str, list[str]]:
    """The names row, and the lines of each day, of one kind of station: four weeks and the new day."""
    import pyarrow as pa
    from pyarrow import csv

    rows = DAYS * 1440
    values = channels(rows, START, seed=kind)
    if kind == FAULTY:
        values["ghi"][rows // 2 :] += 25.0
    time_ = START + np.arange(1, rows + 1) * np.timedelta64(1, "m")
    stamps = np.char.replace(np.datetime_as_string(time_.astype("datetime64[s]")), "T", " ")
    columns = {"Time": pa.array(stamps)}
    for name, column in values.items():
        columns[name] = pa.array(np.round(column, 1 if name in ("wd", "rain") else 2))
    sink = io.BytesIO()
    csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="none"))
    head, *lines = sink.getvalue().decode("ascii").splitlines(keepends=True)
    return head, ["".join(lines[1440 * d : 1440 * (d + 1)]) for d in range(DAYS)]


def made(folder: Path, stations: int) -> None:
    """A fleet with empty inboxes."""
    entries = []
    for n in range(stations):
        name = name_of(n)
        (folder / "in" / name).mkdir(parents=True, exist_ok=True)
        (folder / f"{name}.toml").write_text(station_text().replace('id = "bench"', f'id = "{name}"'), "utf-8")
        entries.append(f'[[station]]\nfile = "{name}.toml"\ninbox = "in/{name}/*.csv"\n')
    head = '[fleet]\nstore = "store"\noutbox = "outbox"\n'
    (folder / "fleet.toml").write_text(head + "".join(entries), "utf-8")


def template(folder: Path) -> None:
    """The eight kinds after their first weeks; the new day lies in `new`, a file for each kind."""
    made(folder, KINDS)
    (folder / "new").mkdir()
    for kind in range(KINDS):
        head, days = text_of(kind)
        for day, lines in enumerate(days):
            path = folder / "in" / name_of(kind) / f"{day:03}.csv"
            (path if day < DAYS - 1 else folder / "new" / f"{kind}.csv").write_text(head + lines, "utf-8")
    with Processes(JOBS) as workers:
        night(folder, workers, DAYS - 1)


def grown(folder: Path, kinds: Path, stations: int) -> None:
    """A fleet of any size out of the eight kinds, its new day in the inboxes."""
    made(folder, stations)
    store, old_store = folder / "store", kinds / "store"
    for n in range(stations):
        old, new = name_of(n % KINDS), name_of(n)
        for kind in ("archive", "raw"):
            shutil.copytree(old_store / kind / f"station={old}", store / kind / f"station={new}", copy_function=os.link)
        shutil.copytree(kinds / "in" / old, folder / "in" / new, copy_function=os.link, dirs_exist_ok=True)
        os.link(kinds / "new" / f"{n % KINDS}.csv", folder / "in" / new / f"{DAYS - 1:03}.csv")
    for path in old_store.iterdir():
        if path.is_file():
            shutil.copy2(path, store / path.name)
    loaded = fleet.load(folder / "fleet.toml")
    with contextlib.closing(ledger.connect(store / "ledger.sqlite")) as connection, ledger.writing(connection):
        was, now = f"{kinds}{os.sep}", f"{folder}{os.sep}"
        for table in ("file", "seen"):
            connection.execute(f"update {table} set path = replace(path, ?, ?)", (was, now))
        connection.execute("delete from meta where key like 'file:%'")
        for n in range(KINDS, stations):
            _copied(connection, name_of(n % KINDS), name_of(n))
        tonight = nightly.Night("", 0, {})
        nightly._members(loaded, connection, tonight)
        for site in tonight.sites.values():  # its own sums, or the night would take its station file for a changed one
            sums = nightly._sums(site, tonight)
            nightly._told(connection, site, sums)
            read = nightly._reading(site, sums)
            connection.execute("update station set read_sha = ? where id = ?", (read, site.id))


def _copied(connection: Any, old: str, new: str) -> None:
    """What the ledger knows of one station as that of another."""
    for table in ("station", "file", "seen", "month", "day", "finding"):
        names = [row[1] for row in connection.execute(f"pragma table_info({table})")]
        names = [name for name in names if (table, name) != ("file", "id")]
        key = "id" if table == "station" else "station"
        asked = [f"replace({name}, ?1, ?2)" if name in (key, "path") else name for name in names]
        if table == "seen":
            same = "n.sha256 = o.sha256 where o.id = file and n.station = ?2"
            asked[names.index("file")] = f"(select n.id from file as o join file as n on {same})"
        into = f"insert into {table} ({','.join(names)}) select {','.join(asked)} from {table} where {key} = ?1"
        connection.execute(into, (old, new))


def night(folder: Path, workers: Workers, day: int) -> whole.Done:
    """One night."""
    now = datetime(2026, 5, 1, 0, 5, tzinfo=UTC) + timedelta(days=day)
    return whole.night(
        fleet.load(folder / "fleet.toml"), workers, night=now.date().isoformat(), now=now,
        progress=lambda done, total: None,
    )  # fmt: skip


def measured(kinds: Path, stations: int, dask: str = "") -> dict[str, Any]:
    """The night of one fleet; called in a process of its own, so that the memory is its own."""
    folder = Path(tempfile.mkdtemp(prefix="night-", dir=kinds.parent))
    try:
        grown(folder, kinds, stations)
        begun, at = time.perf_counter(), time.process_time()
        with Cluster(dask) if dask else Processes(JOBS) as workers:
            done = night(folder, workers, DAYS)
            day_s = time.perf_counter() - begun
            begun = time.perf_counter()
            night(folder, workers, DAYS)
            idle = time.perf_counter() - begun
        own = time.process_time() - at
        told = done.document["stations"].values()
        assert sum(s["new_rows"] for s in told) == stations * 1440, "not all rows arrived"
        faulty = {name_of(n) for n in range(FAULTY, stations, KINDS)}
        going = [f["station"] for f in done.document["findings"]]
        with contextlib.closing(ledger.connect(folder / "store" / "ledger.sqlite")) as connection:
            others = "select count(*) from done where run > 1 and why not like 'new in %'"
            assert connection.execute(others).fetchone() == (0,), "more was computed than the new day"
        assert {f["station"] for f in done.document["findings"] if f["fault"] == "pyranometer-zero"} >= faulty
    finally:
        shutil.rmtree(folder)
    child = resource.getrusage(resource.RUSAGE_CHILDREN)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return {
        "stations": stations, "archive_s": done.seconds["archive"], "diagnosis_s": done.seconds["diagnosis"],
        "digest_s": done.seconds["digest"], "night_s": round(day_s, 2), "idle_s": round(idle, 2),
        "cpu_s": round(own + child.ru_utime + child.ru_stime, 2), "parent_mib": round(peak / 1024),
        "worker_mib": round(child.ru_maxrss / 1024), "faulty": len(faulty),
        "false": sum(name not in faulty for name in going),
    }  # fmt: skip


def _apart(kinds: Path, stations: int, dask: str = "") -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.fleet", "--one", str(stations), "--kinds", str(kinds)]
    text = subprocess.run([*command, *(["--address", dask] if dask else [])], check=True, stdout=subprocess.PIPE).stdout
    found: dict[str, Any] = json.loads(text)
    return found


@contextlib.contextmanager
def cluster() -> Iterator[str]:
    """Address of a scheduler on loopback with two workers of one thread, each a process of its own."""
    quiet = {**os.environ, "DASK_DISTRIBUTED__DASHBOARD__LINK": "", "PYTHONWARNINGS": "ignore"}
    dask = [sys.executable, "-m"]
    scheduler = subprocess.Popen(
        [*dask, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"],
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=quiet,
    )  # fmt: skip
    processes = [scheduler]
    try:
        assert scheduler.stderr is not None
        address = next(m[0] for line in scheduler.stderr if (m := re.search(r"tcp://127\.0\.0\.1:\d+", line)))
        one = [*dask, "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
        for _ in range(JOBS):
            processes.append(subprocess.Popen(one, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=quiet))
        time.sleep(5.0)
        yield address
    finally:
        for process in processes[::-1]:
            process.terminate()
            process.wait()


def by_turns(kinds: Path, stations: int, pairs: int = 2) -> dict[str, Any]:
    """The night by Dask over that by processes, in pairs one after the other."""
    ratios, seconds = [], []
    with cluster() as address:
        _apart(kinds, KINDS, address)  # its workers load what they need
        for _ in range(pairs):
            a, b = _apart(kinds, stations)["night_s"], _apart(kinds, stations, address)["night_s"]
            ratios.append(round(b / a, 2))
            seconds.append([a, b])
    return {"stations": stations, "ratio": float(np.median(ratios)), "ratios": ratios, "seconds": seconds}


def rows_of(found: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Each night with its seconds for a station over those of the smallest fleet."""
    first = found[0]["night_s"] / found[0]["stations"]
    return [{**row, "ratio": round(row["night_s"] / row["stations"] / first, 2)} for row in found]


def kept() -> dict[str, Any]:
    """The last measurement that was kept."""
    found: dict[str, Any] = json.loads(KEPT.read_text("utf-8"))
    return found


def markdown(results: Mapping[str, Any]) -> str:
    """The table for README, with what was promised beside it."""
    lines = [
        "| stations | reading, checks, archive | diagnosis | nothing new | for each station | parent | worker |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in results["nights"]:
        each = 1000.0 * row["night_s"] / row["stations"]
        lines.append(
            f"| {row['stations']:,} | {row['archive_s']:.0f} s | {row['diagnosis_s']:.0f} s | {row['idle_s']:.1f} s | "
            f"{each:.0f} ms ({row['ratio']:.2f}) | {row['parent_mib']} MiB | {row['worker_mib']} MiB |"
        )
    lines.append("")
    for row in results["nights"]:
        if row["stations"] == 1000:
            told = [
                f"{what} {row[f'{key}_s']:.1f} s of {PROMISED[key]:.0f} s"
                + ("" if row[f"{key}_s"] <= PROMISED[key] else " (missed)")
                for key, what in (("archive", "reading, checks and archive"), ("diagnosis", "diagnosis"),
                                  ("idle", "a night with nothing new"))
            ]  # fmt: skip
            lines.append(f"A thousand stations, against what was promised: {', '.join(told)}.")
    if (dask := results.get("dask")) is not None:
        missed = "" if dask["ratio"] <= PROMISED["dask"] else ": missed"
        lines.append(
            f"Dask with two workers took {dask['ratio']:.2f} times as long as `--jobs 2` (night of {dask['stations']} "
            f"stations, median of {len(dask['ratios'])} pairs; promised: at most {PROMISED['dask']}{missed})."
        )
    lines.append(
        f"Measured on {results['cores']} cores (`python -m tests.bench.fleet`), one new day of 1 min data of 12 "
        f"channels for each station; one station in {KINDS} has a fault."
    )
    return "\n".join(lines)


def main() -> None:
    """Measure, print, and keep it where all of it was measured."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stations", default=",".join(map(str, SIZES)), help="sizes of fleets, joined by commas")
    parser.add_argument("--dask", type=int, default=DASK, help="stations of the night that Dask runs; 0 for none")
    parser.add_argument("--keep", action="store_true", help="keep it, whatever the sizes")
    parser.add_argument("--folder", type=Path, help="where the fleets are made, else in the folder for temporary files")
    for hidden in ("--one", "--kinds", "--address"):
        parser.add_argument(hidden, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        print(json.dumps(measured(Path(asked.kinds), int(asked.one), asked.address or "")))
        return
    sizes = [int(size) for size in asked.stations.split(",")]
    folder = Path(tempfile.mkdtemp(prefix="fleets-", dir=asked.folder))
    try:
        kinds = folder / "kinds"
        kinds.mkdir()
        template(kinds)
        nights = []
        for size in sizes:
            nights.append(_apart(kinds, size))
            print(json.dumps(rows_of(nights)[-1]), flush=True)
        results: dict[str, Any] = {"cores": os.cpu_count(), "jobs": JOBS, "nights": rows_of(nights)}
        if asked.dask:
            results["dask"] = by_turns(kinds, asked.dask)
            print(json.dumps(results["dask"]))
    finally:
        shutil.rmtree(folder)
    if asked.keep or (sizes == list(SIZES) and asked.dask):
        KEPT.write_text(json.dumps(results, indent=1) + "\n", "utf-8")
    print()
    print(markdown(results))


if __name__ == "__main__":
    main()
