"""Runs that are killed at random moments while files arrive in any order: in the end the archive is what one check
over everything gives, the ledger agrees with it, and nothing unfinished is left.

`FAIRVANE_KILLS` says how many runs are killed (200 where it is left out).
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from qc.archive import ledger, raw
from qc.archive.months import NAME
from tests.archive.fleets import NOON, SITES, Place, checked, difference, made, off, rows, text
from tests.archive.test_store import pieces

KILLS = int(os.environ.get("FAIRVANE_KILLS", "200"))
CONTEXT = multiprocessing.get_context("forkserver")
CONTEXT.set_forkserver_preload(["tests.chaos.child"])


def started(place: Place, night: str = "2026-05-01", stage: object = None) -> multiprocessing.Process:
    """A run in a process of its own."""
    from tests.chaos.child import night as run

    process = CONTEXT.Process(target=run, args=(str(place.folder), night, stage))
    process.start()
    return process  # type: ignore[return-value]


def whole_store(place: Place) -> None:
    """The ledger agrees with archive and lines, and nothing unfinished is left."""
    left = [p for p in place.folder.rglob("*") if p.name.endswith(".part") or p.name.startswith(".")]
    assert left == []
    for station in place.ids:
        lines = place.raw_lines(station)
        assert len(lines) == len(set(lines))
        (next_line,) = place.ask("select next_line from station where id = ?", station)[0]
        assert len(lines) == next_line
        told = dict(place.ask("select month, sha256 from month where station = ?", station))
        found = {
            p.parent.name.removeprefix("month="): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in (place.store / "archive" / f"station={station}").glob(f"*/{NAME}")
        }
        assert told == found
        for path, blob in place.ask("select path, manifest from file where station = ?", station):
            again = raw.joined(place.store, station, ledger.unpacked(blob))
            assert again == Path(path).read_bytes()
    assert place.ask("select count(*) from pending") == [(0,)]


def whole(place: Place, files: dict[str, list[Path]]) -> None:
    """The store is whole, and the archive equals one check over everything."""
    whole_store(place)
    for station, paths in files.items():
        assert difference(place.archive(station), checked(place, paths, station)) == ""


def arrivals(place: Place, rng: np.random.Generator) -> list[tuple[str, str, list[str]]]:
    """Files of two stations, split, overlapping, repeated, shuffled: station, name, lines."""
    out = []
    for seed, station in enumerate(place.ids, 1):
        whole_table = rows(900, seed) if len(place.ids) == 2 else off(rows(900)) if station == "mill" else rows(900)
        for number, lines in enumerate(pieces(whole_table, rng)):
            out.append((station, f"{number}.csv", lines))
    return [out[i] for i in rng.permutation(len(out)).tolist()]


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Every fourth fleet has neighbours: it must equal one that saw everything in one night."""
    from tests.chaos.child import STAGES

    rng = np.random.default_rng(7)
    number, longest = 0, 0.5
    killed = dict.fromkeys(STAGES, 0)
    stage = CONTEXT.Value("i", 0)
    while sum(killed.values()) - killed["starting"] < KILLS:
        folder = tmp_path / f"{number}"
        folder.mkdir()
        beside = number % 4 == 3
        place = neighbours(folder) if beside else made(folder, ("hay-loft", "mill"))
        files: dict[str, list[Path]] = {name: [] for name in place.ids}
        waiting = arrivals(place, rng)
        for _ in range(25):
            for station, name, lines in waiting[:1]:
                files[station].append(place.arrive(name, lines, station))
            waiting = waiting[1:]
            begun = time.monotonic()
            stage.value = 0
            process = started(place, stage=stage)
            if rng.random() < 0.4:  # at any time of its life
                process.join(float(rng.uniform(0.0, longest)))
            else:  # soon after a stage has begun: some are short
                aim = int(rng.integers(1, len(STAGES)))
                while process.is_alive() and stage.value < aim:
                    time.sleep(0.001)
                process.join(float(rng.exponential(0.02)))
            process.kill()
            process.join()
            if process.exitcode == -signal.SIGKILL:
                killed[STAGES[stage.value]] += 1
            else:
                assert process.exitcode == 0
                longest = max(0.1, 0.9 * longest, min(longest, time.monotonic() - begun))
        for station, name, lines in waiting:
            files[station].append(place.arrive(name, lines, station))
        last = started(place)
        last.join()
        assert last.exitcode == 0
        if beside:
            whole_store(place)
            again = neighbours(folder / "again")
            for station, paths in files.items():
                for path in paths:
                    shutil.copy(path, again.inbox(station))
            again.night()
            for station in place.ids:
                assert difference(place.archive(station), again.archive(station)) == ""
        else:
            whole(place, files)
        shutil.rmtree(folder)
        number += 1
    print(number, "fleets, killed while", killed)
    if KILLS >= 200:
        assert min(killed[name] for name in STAGES) >= KILLS // 50, killed


def neighbours(folder: Path) -> Place:
    """A fleet of stations that ask each other."""
    return made(folder, SITES, neighbours={name: [n for n in SITES if n != name] for name in SITES})


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of some hundred kB, where this machine lets one be made."""
    where = tmp_path / "disk"
    where.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(where)], capture_output=True, check=False
        ).returncode
    ):
        pytest.skip("a small disk can be mounted by root only")
    yield where
    subprocess.run(["umount", "-l", str(where)], check=False)


def test_a_disk_that_fills_up(small_disk: Path, tmp_path: Path) -> None:
    """Runs end with one line; once there is room again the store is whole."""
    rng = np.random.default_rng(11)
    place = made(tmp_path / "fleet", ("hay-loft", "mill"))
    place.store.symlink_to(small_disk)
    files: dict[str, list[Path]] = {name: [] for name in place.ids}
    full = 0
    for station, name, lines in arrivals(place, rng):
        files[station].append(place.arrive(name, lines, station))
        free = shutil.disk_usage(small_disk).free
        ballast = small_disk / "ballast"
        with ballast.open("wb") as file:
            file.write(b"\0" * max(0, free - int(rng.integers(0, 120_000))))
        process = started(place)
        process.join()
        assert process.exitcode in (0, 1, 2), "a defect"
        full += process.exitcode != 0
        ballast.unlink()
    assert full > 3, "the disk was never full"
    assert not place.night().troubled
    whole(place, files)


def test_folders_that_cannot_be_written(tmp_path: Path) -> None:
    """As a user without rights: one line, status 2, nothing harmed; with rights again all is done."""
    from tests.cli.runs import NOBODY

    if os.geteuid() != 0:
        pytest.skip("another user can be played by root only")
    place = made(tmp_path)
    path = place.arrive("a.csv", rows(300))
    place.store.mkdir()
    for folder in (tmp_path, *tmp_path.parents):
        if folder != Path("/") and folder.is_relative_to("/tmp/pytest-of-root"):
            folder.chmod(0o755)
    from tests.chaos.child import as_user

    process = CONTEXT.Process(target=as_user, args=(str(place.folder), NOBODY))
    process.start()
    process.join()
    assert process.exitcode == 2
    assert list(place.store.iterdir()) == []
    assert not place.night(now=NOON).troubled
    whole(place, {"hay-loft": [path]})


def test_the_second_of_two_runs_says_so_and_a_dead_one_holds_nothing(tmp_path: Path) -> None:
    from qc.archive import nightly
    from qc.errors import OutputError

    place = made(tmp_path)
    (place.inbox() / "a.csv").write_text(text(rows(900)))
    from tests.chaos.child import hold

    process = CONTEXT.Process(target=hold, args=(str(place.store),))
    process.start()
    while not (place.folder / "held").exists():
        time.sleep(0.01)
    with pytest.raises(OutputError, match="another run is at work there"):
        place.night()
    os.kill(process.pid, signal.SIGKILL)  # type: ignore[arg-type]
    process.join()
    with nightly.locked(place.store):
        pass
    assert not place.night().troubled
