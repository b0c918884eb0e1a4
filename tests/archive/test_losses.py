"""What a run must not lose, and what must not stop it: kills between any two tasks; odd names, files, stamps."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from qc.archive import digest, ledger, nightly, places, station
from qc.archive.workers import Here, Task, Workers
from qc.errors import OutputError
from tests.archive.fleets import HEAD, NOON, SITES, Place, checked, difference, made, off, rows, text


class Dying(Workers):
    """Dies after some tasks, before or after the last of them is told."""

    def __init__(self, most: int) -> None:
        self.left = most

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Any]]:
        """As `Here`, until it dies."""
        for number, outcome in super().done(tasks):
            if self.left == 0:
                raise KeyboardInterrupt
            self.left -= 1
            yield number, outcome


def beside(folder: Path) -> tuple[Place, list[str]]:
    """Three neighbours; two doubt some values of the third, of which a part comes later."""
    lines = off(rows(900))
    place = made(folder, SITES, neighbours={name: [n for n in SITES if n != name] for name in SITES})
    place.arrive("a.csv", rows(900))
    place.arrive("q.csv", rows(900), "quarry")
    place.arrive("m.csv", lines[:600], "mill")
    return place, lines[550:]


@pytest.mark.parametrize("most", range(11))
def test_a_run_killed_between_two_tasks_is_finished_by_the_next(tmp_path: Path, most: int) -> None:
    """With neighbours: what one of them changes is computed at the other one, too."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    whole, more = beside(tmp_path / "one")
    whole.arrive("n.csv", more, "mill")
    whole.night()
    killed, _ = beside(tmp_path / "two")
    killed.night("2026-04-30")
    killed.arrive("n.csv", more, "mill")
    try:
        killed.night(workers=Dying(most))
    except KeyboardInterrupt:
        assert not killed.night().troubled
    for name in whole.ids:
        assert difference(killed.archive(name), whole.archive(name)) == ""
    assert "neighbour" in whole.archive("mill").column("checks").to_pylist()
    assert killed.ask("select count(*) from pending") == [(0,)]


def test_what_a_run_killed_before_its_digest_found_is_told_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = made(tmp_path)
    place.arrive("good.csv", rows(200))
    (place.inbox() / "bad.csv").write_bytes(os.urandom(3000))

    def killed(*given: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(digest, "write", killed)
        with pytest.raises(KeyboardInterrupt):
            place.night("2026-05-01")
    done = place.night("2026-05-02")
    assert done.document["stations"]["hay-loft"]["new_rows"] == len(rows(200))
    assert [line[:24] for line in done.lines[1:]] == ["silent hay-loft: last ro", "trouble hay-loft: bad.cs"]
    assert done.document["stations"]["hay-loft"]["computed"]
    assert not place.night("2026-05-03").troubled


def test_a_trouble_that_lasts_is_told_once(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(1980))
    place.night("2026-04-30")
    place.station_file().write_text("[station]\n")
    told = [place.night(f"2026-05-0{n}", now=NOON) for n in (1, 2, 3)]
    assert [len(done.lines) for done in told] == [2, 1, 1]
    assert all(done.troubled and done.document["stations"]["hay-loft"]["troubles"] for done in told)


def test_names_that_are_no_utf8_or_no_line(tmp_path: Path) -> None:
    place = made(tmp_path, ("hay-loft", "mill"))
    good = place.arrive("a.csv", rows(100), "mill")
    odd = [b"\xff\xfe.csv", b"two\nlines.csv", "\u202e<b>=1+1.csv".encode(), b"\x1b[31m.csv"]
    kept = []
    for n, name in enumerate(odd):
        path = Path(os.fsdecode(os.fsencode(place.inbox()) + b"/" + name))
        path.write_text(text(rows(400)[100 * n : 100 * n + 100]))
        kept.append(path)
    (place.inbox() / "\u202ebad\n.csv").write_bytes(os.urandom(3000))
    done = place.night()
    assert all(line.isprintable() for line in done.lines)
    assert "<b>" not in (tmp_path / "outbox" / "2026-05-01" / "digest.html").read_text()
    assert difference(place.archive(), checked(place, kept)) == ""
    assert difference(place.archive("mill"), checked(place, [good], "mill")) == ""
    (count,) = place.ask("select count(*) from run")[0]
    place.night("2026-05-02")
    assert place.ask("select count(*) from file where run > ?", count) == [(0,)]  # all of them are known


def test_a_stamp_from_the_future_is_no_last_row(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(200)
    path = place.arrive("a.csv", [*lines, "2062-01-01 00:00,1,50,1000,0,10"])
    done = place.night()
    assert done.document["silent"][0]["last_row"] == f"{lines[-1][:10]}T{lines[-1][11:16]}:00Z"
    assert done.document["silent"][0]["battery_v"] == pytest.approx(float(lines[-1].split(",")[-1]))
    assert difference(place.archive(), checked(place, [path])) == ""


def test_one_line_under_two_names_rows_is_two_rows(tmp_path: Path) -> None:
    """Columns that changed places: the same text says another thing."""
    place = made(tmp_path)
    layout = '[[table.layout]]\nnames = ["RH", "T"]\ndecimal = "."\nmissing = ["NAN"]\n'
    layout += 'time = { columns = ["Stamp"], format = "%Y-%m-%d %H:%M" }\n'
    station_file = place.station_file()
    told = station_file.read_text().replace('names = ["Stamp", "T"]', 'names = ["Stamp", "T", "RH"]')
    station_file.write_text(told.replace("[[channel]]\n", f"{layout}[[channel]]\n", 1))
    lines = [f"2026-04-01 {n:02}:00,{10 + n},{40 + n},1000,0,12" for n in range(20)]
    one = place.arrive("a.csv", lines)
    place.night()
    two = place.inbox() / "b.csv"
    two.write_text("\n".join([HEAD.replace("T,RH", "RH,T"), *lines]) + "\n")
    assert not place.night("2026-05-02").troubled
    assert difference(place.archive(), checked(place, [one, two])) == ""


def test_a_list_of_neighbours_that_changes_reruns_the_station(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
    whole, _ = beside(tmp_path / "one")
    whole.night()
    place, _ = beside(tmp_path / "two")
    fleet_file = tmp_path / "two" / "fleet.toml"
    told = fleet_file.read_text()
    fleet_file.write_text(re.sub(r"neighbours = .*", "neighbours = []", told))
    place.night()
    assert not place.archive("mill").equals(whole.archive("mill"))
    fleet_file.write_text(told)
    place.night("2026-05-02")
    for name in whole.ids:
        assert difference(place.archive(name), whole.archive(name)) == ""
    far = tmp_path / "two" / "hay-loft.station.toml"
    far.write_text(far.read_text().replace("latitude = 54.5", "latitude = 44.5"))  # too far to be asked
    place.night("2026-05-03")
    assert not place.archive("mill").equals(whole.archive("mill"))


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-8-sig", "latin-1"])
def test_other_encodings(tmp_path: Path, encoding: str) -> None:
    place = made(tmp_path)
    lines = [f"{line},\u00b0" for line in rows(1500)]
    head = f"{HEAD},\u00c4"
    files = []
    for number, (a, b) in enumerate([(0, 700), (600, 1200), (1000, 1500)]):
        path = place.inbox() / f"{number}.csv"
        path.write_bytes("\r\n".join([head, *lines[a:b], ""]).encode(encoding))
        files.append(path)
        assert not place.night(f"2026-05-0{number + 1}").troubled
    assert difference(place.archive(), checked(place, files)) == ""


@pytest.mark.parametrize("seed", range(4))
def test_the_repeated_hour_of_autumn_in_pieces(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    place = made(tmp_path, clock='time_zone = "Europe/London"')
    zone = ZoneInfo("Europe/London")
    begin = datetime(2026, 10, 21, tzinfo=UTC)
    cells = [line.split(",", 1)[1] for line in rows(600, seed + 10)][:500]
    times = [(begin + timedelta(minutes=30 * n)).astimezone(zone) for n in range(500)]
    lines = [f"{t:%Y-%m-%d %H:%M},{c}" for t, c in zip(times, cells, strict=True)]
    middle = next(n for n, t in enumerate(times) if f"{t:%m-%d %H}" == "10-25 01")
    cuts = sorted({1, 499, *rng.integers(middle - 6, middle + 8, 4).tolist(), int(rng.integers(2, 498))})
    files = []
    for number, (a, b) in enumerate(zip([0, *cuts], [*cuts, 500], strict=True)):
        files.append(place.arrive(f"{number}.csv", lines[max(0, a - int(rng.integers(0, 8))) : b]))
    order = rng.permutation(len(files)).tolist()
    waiting = {path: path.read_bytes() for path in files}
    for path in files:
        path.unlink()
    for number in order:
        files[number].write_bytes(waiting[files[number]])
        place.night(now=NOON.replace(month=11))
    assert difference(place.archive(), checked(place, files)) == ""


def test_a_grown_file_that_no_layout_fitted_counts_once(tmp_path: Path) -> None:
    place = made(tmp_path)
    whole = text(rows(60)).replace("Stamp,T,", "When,T,")
    path = place.inbox() / "new.csv"
    for night, stop in enumerate((len(whole) // 2, len(whole) - 200, len(whole)), 1):
        path.write_text(whole[:stop])
        place.night(f"2026-05-0{night}")
    station_file = place.station_file()
    station_file.write_text(station_file.read_text().replace('"Stamp"', '"When"'))
    place.night("2026-05-04")
    assert difference(place.archive(), checked(place, [path])) == ""
    standings = sorted(row[0] for row in place.ask("select standing from file"))
    assert standings == [ledger.READ, *[ledger.SUPERSEDED] * 2]


def test_an_old_stretch_that_is_computed_again_is_not_the_newest(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(1900)
    place.arrive("b.csv", lines[300:])
    place.night()
    before = place.ask("select last_us, battery, pressure_us, pressure from station")
    place.arrive("a.csv", lines[:300])
    place.night("2026-05-02")
    assert place.ask("select last_us, battery, pressure_us, pressure from station") == before


def test_raw_lines_outlast_an_older_ledger(tmp_path: Path) -> None:
    """A copy of yesterday's ledger was put back, and the inbox was emptied: the lines are kept."""
    place = made(tmp_path)
    lines = rows(300)
    place.arrive("a.csv", lines[:100])
    place.night("2026-05-01")
    with sqlite3.connect(place.store / "ledger.sqlite") as one, sqlite3.connect(tmp_path / "copy") as two:
        one.backup(two)
    place.arrive("b.csv", lines[100:200]).rename(tmp_path / "gone.csv")
    place.arrive("b.csv", lines[100:200])
    place.night("2026-05-02")
    (place.inbox() / "b.csv").unlink()
    for suffix in ("", "-wal", "-shm"):
        (place.store / f"ledger.sqlite{suffix}").unlink(missing_ok=True)
    (tmp_path / "copy").rename(place.store / "ledger.sqlite")
    place.arrive("c.csv", lines[200:])
    done = place.night("2026-05-03")
    assert "newer than the ledger" in "".join(done.lines)
    (aside,) = (place.store / "raw" / "station=hay-loft" / "aside").glob("*.parquet")
    import pyarrow.parquet as pq

    assert pq.read_table(aside, partitioning=None).column("text").to_pylist() == [
        f"{line}\n".encode() for line in lines[100:200]
    ]
    assert not place.night("2026-05-04").troubled


def test_what_a_killed_run_left_half_written_is_taken_away(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(100))
    place.night()
    with pytest.raises(KeyboardInterrupt):
        place.arrive("b.csv", rows(200)[100:])
        place.night("2026-05-02", workers=Dying(0))
    month = next((place.store / "archive" / "station=hay-loft").iterdir())
    left = [month / ".values.parquet.0a.part", place.store / "raw" / "station=hay-loft" / ".0.parquet.0b.part"]
    left.append(tmp_path / "outbox" / "2026-05-01" / ".digest.html.0c.part")
    for path in left:
        path.write_bytes(b"half")
    place.night("2026-05-02")
    assert not any(path.exists() for path in left)


# ---- workers that outlive their run


def test_a_task_of_an_earlier_run_writes_nothing(tmp_path: Path) -> None:
    from qc.archive import turn

    place = made(tmp_path)
    place.night()
    with pytest.raises(OutputError, match="another run has begun since"):
        turn.taken(place.store, "an older one", print, ("never",))


ORPHANS = """
import sys, time, os
from pathlib import Path
from qc.archive.workers import Processes
def slow(folder):
    Path(folder, str(os.getpid())).touch()
    time.sleep(600)
if __name__ == "__main__":
    with Processes(2) as workers:
        list(workers.done([(slow, (sys.argv[1],))] * 2))
"""


def test_processes_of_a_killed_run_end(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(ORPHANS)
    (tmp_path / "pids").mkdir()
    run = subprocess.Popen(
        [sys.executable, script, tmp_path / "pids"], env={**os.environ, "PYTHONPATH": str(Path.cwd())}
    )
    while len(list((tmp_path / "pids").iterdir())) < 2:
        assert run.poll() is None
        time.sleep(0.05)
    os.kill(run.pid, signal.SIGKILL)
    run.wait()
    workers = [int(path.name) for path in (tmp_path / "pids").iterdir()]
    until = time.monotonic() + 60
    while any(Path(f"/proc/{pid}").exists() and "Z" not in _state(pid) for pid in workers):
        assert time.monotonic() < until, "they go on"
        time.sleep(0.05)


def _state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return "Z"


# ---- files that became something else between looking and reading


def test_a_file_that_becomes_a_link_or_a_pipe_is_left_alone(tmp_path: Path) -> None:
    target = tmp_path / "secret"
    target.write_text("secret")
    link, pipe = tmp_path / "link", tmp_path / "pipe"
    link.symlink_to(target)
    os.mkfifo(pipe)
    with pytest.raises(OSError, match="Too many levels of symbolic links"):
        station._content(link, 1e6)
    assert station._content(pipe, 1e6) == b""
    assert station._content(target, 6) == b"secret"
    assert station._content(target, 5) == b""


def test_a_defect_of_the_reader_costs_one_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = made(tmp_path)
    good = place.arrive("good.csv", rows(100))
    place.arrive("other.csv", [*rows(200)[100:], "poison"])
    real = places.of

    def broken(content: bytes, about: Any) -> Any:
        if b"poison" in content:
            raise ZeroDivisionError("poison")
        return real(content, about)

    monkeypatch.setattr(places, "of", broken)
    done = place.night()
    assert "other.csv: cannot be read (ZeroDivisionError: poison)" in " ".join(done.lines)
    assert difference(place.archive(), checked(place, [good])) == ""


def test_a_lock_is_held_before_anything_is_written(tmp_path: Path) -> None:
    place = made(tmp_path)
    with nightly.locked(place.store), pytest.raises(OutputError, match="another run is at work"):
        place.night(workers=Here())
    assert not (place.store / "ledger.sqlite").exists()
