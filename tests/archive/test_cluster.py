"""Many at once: processes of this machine, and a Dask cluster on loopback of which one worker is killed in mid-run."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from qc.archive.workers import Cluster, Processes
from qc.errors import UsageError
from tests.archive.fleets import Place, checked, difference, made, rows

IDS = tuple(f"s{n}" for n in range(6))


def filled(tmp_path: Path) -> tuple[Place, dict[str, list[Path]]]:
    """A fleet with two files in each inbox."""
    place = made(tmp_path, IDS)
    files = {}
    for seed, name in enumerate(IDS):
        lines = rows(700, seed)
        files[name] = [place.arrive("a.csv", lines[:400], name), place.arrive("b.csv", lines[350:], name)]
    return place, files


def whole(place: Place, files: dict[str, list[Path]]) -> None:
    for name, paths in files.items():
        assert difference(place.archive(name), checked(place, paths, name)) == ""


def test_several_processes(tmp_path: Path) -> None:
    place, files = filled(tmp_path)
    with Processes(2) as workers:
        assert not place.night(workers=workers).troubled
    whole(place, files)


def deadly(flag: str) -> str:
    """Dies the first time."""
    path = Path(flag)
    if not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def always_deadly() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_process_that_dies_is_replaced_and_its_task_tried_again(tmp_path: Path) -> None:
    with Processes(2) as workers:
        found = dict(workers.done([(deadly, (str(tmp_path / "flag"),)), *[(abs, (-n,)) for n in range(5)]]))
    assert found == {0: "done", 1: 0, 2: 1, 3: 2, 4: 3, 5: 4}


def test_a_task_that_kills_each_process_is_given_up(tmp_path: Path) -> None:
    with Processes(1) as workers:
        found = dict(workers.done([(always_deadly, ()), (abs, (-1,))]))
    assert isinstance(found[0], Exception)
    assert found[1] == 1


@pytest.fixture
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """A scheduler and two workers, each a process of its own, on loopback."""
    pytest.importorskip("distributed")
    quiet = {**os.environ, "DASK_DISTRIBUTED__DASHBOARD__LINK": "", "PYTHONWARNINGS": "ignore"}
    scheduler = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
         "--no-dashboard"],
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=quiet,
    )  # fmt: skip
    address = ""
    assert scheduler.stderr is not None
    for line in scheduler.stderr:
        if found := re.search(r"Scheduler at:\s*(tcp://127\.0\.0\.1:\d+)", line):
            address = found[1]
            break
    workers = [
        subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--host", "127.0.0.1", "--nthreads", "1",
             "--no-dashboard", "--no-nanny"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=quiet,
        )
        for _ in range(2)
    ]  # fmt: skip
    yield address, workers  # type: ignore[misc]
    for process in (*workers, scheduler):
        process.kill()
        process.wait()
    scheduler.stderr.close()


@pytest.mark.filterwarnings("ignore")
def test_a_worker_of_a_cluster_that_is_killed_in_mid_run(
    tmp_path: Path, cluster: tuple[str, list[subprocess.Popen[str]]]
) -> None:
    import threading

    address, workers = cluster
    place, files = filled(tmp_path)
    killed = []

    def kill() -> None:
        until = time.monotonic() + 60
        while time.monotonic() < until:  # once the first station's lines stand in the store
            if any((place.store / "raw").glob("*/*.parquet")):
                workers[0].kill()
                killed.append(True)
                return
            time.sleep(0.005)

    thread = threading.Thread(target=kill)
    thread.start()
    with Cluster(address) as client:
        assert not place.night(workers=client).troubled
    thread.join()
    assert killed and workers[0].wait() == -signal.SIGKILL
    whole(place, files)


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(UsageError, match=r"--dask: no scheduler answers at tcp://127\.0\.0\.1:1 "):
        Cluster("tcp://127.0.0.1:1")
