"""The law of reach (contract 1): cut a record anywhere, check the pieces with the printed margin, join: the same bytes.

The one run over everything reads plain files in order; the pieces read theirs cut out by true time, split over files,
lines shuffled, rows repeated.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from qc import chain, run
from qc.chain import Checked
from qc.episodes import episodes
from qc.errors import InputError
from qc.places import folder
from qc.station import Station
from qc.write.flagged import csv_pieces, flagged
from qc.write.summary import summary
from qc.write.tables import episodes_csv
from qc.write.text import stamp
from tests import worlds
from tests.worlds import World, heath, in_zone, part, sample, us

SLOW = settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=[HealthCheck.data_too_large, HealthCheck.too_slow],
    phases=[
        Phase.explicit,
        Phase.reuse,
        Phase.generate,
    ],  # a chance of its own deals the rows: little to shrink
)


@dataclass(frozen=True)
class Outcome:
    """What is compared: for each table the text of flagged and conflicts, and of episodes computed from `checked`.

    `filled` is flagged with rows for gaps.
    """

    checked: Checked
    flagged: dict[str, str]
    conflicts: dict[str, str]
    filled: dict[str, str]

    @property
    def episodes(self) -> dict[str, str]:
        return {n: episodes_csv(episodes(self.checked.record.station, t)) for n, t in self.checked.tables.items()}


def checked(
    world: World,
    files: Sequence[Sequence[worlds.Row]],
    first: int | None = None,
    last: int | None = None,
) -> Outcome | None:
    """One `check` over files, in a folder of its own; None where no row lies in the period."""
    if not any(files):
        return None
    with tempfile.TemporaryDirectory() as name:
        where = Path(name)
        paths = worlds.write(world, where, files)
        try:
            result = run.check(world.station, paths, first=_told(first), last=_told(last))
        except InputError as error:
            assert "no row lies in the period" in error.what
            return None
        assert not result.refused
        run.write(result, where / "out")

        def texts(kind: str) -> dict[str, str]:
            names = {t: where / "out" / f"{world.station.id}.{t}.{kind}.csv" for t in result.checked.tables}
            return {table: path.read_bytes().decode() for table, path in names.items()}

        filled = {
            name: b"".join(csv_pieces(flagged(table, fill_gaps=True))).decode()
            for name, table in result.checked.tables.items()
        }
        return Outcome(result.checked, texts("flagged"), texts("conflicts"), filled)


def _told(moment: int | None) -> str | None:
    return None if moment is None else stamp(np.datetime64(moment, "us"))


def joined(texts: Sequence[str]) -> str:
    """Pieces of a CSV one after the other, their header once."""
    head = texts[0].split("\n", 1)[0]
    assert all(t.split("\n", 1)[0] == head for t in texts), "the header depends on the station file alone"
    return head + "\n" + "".join(t.split("\n", 1)[1] for t in texts)


def assert_cuts_hold(
    world: World,
    whole: Outcome,
    cuts: Sequence[int],
    files: Sequence[Sequence[worlds.Row]],
) -> None:
    """Check the pieces between the cuts, with the margin, and compare what they join to with the one run.

    `files` hold the rows of all pieces as their own files do, in any order; each piece has the part of them that its
    margin asks for.
    """
    back, ahead = (round(s * worlds.US) for s in (whole.checked.reach.back_s, whole.checked.reach.ahead_s))
    edges = [
        min(r.utc for r in world.rows),
        *sorted(set(cuts)),
        max(r.utc for r in world.rows) + 1,
    ]
    pieces = []
    within_gap = False
    for first, after in pairwise(edges):
        mine = [[r for r in rows if first - back <= r.utc <= after - 1 + ahead] for rows in files]
        if first < after and (piece := checked(world, [rows for rows in mine if rows], first, after - 1)) is not None:
            pieces.append(piece)
        else:
            within_gap = True  # no row, so nothing is written, filled or not
    together = chain.join([p.checked for p in pieces][::-1])
    for table in whole.flagged:
        assert joined([p.flagged[table] for p in pieces if table in p.flagged]) == whole.flagged[table]
        assert joined([p.conflicts[table] for p in pieces if table in p.conflicts]) == whole.conflicts[table]
        if not within_gap and len(world.station.table) == 1:
            assert joined([p.filled[table] for p in pieces]) == whole.filled[table]
    assert Outcome(together, {}, {}, {}).episodes == whole.episodes
    for table, one in whole.checked.tables.items():
        for channel, verdicts in one.verdicts.items():
            assert np.array_equal(together.tables[table].verdicts[channel].applied, verdicts.applied)
            assert np.array_equal(together.tables[table].codes[channel], one.codes[channel])


@cache
def whole(world: World) -> Outcome:
    found = checked(world, [world.rows])
    assert found is not None
    return found


def some_cuts(data: st.DataObject, world: World, most: int = 4) -> list[int]:
    """Cuts on a row, a little before or after it, or anywhere."""
    times = sorted({r.utc for r in world.rows})
    nearby = st.builds(
        lambda t, d: t + d,
        st.sampled_from(times),
        st.sampled_from([0, 1, -1, 7_000_000]),
    )
    inside = st.integers(times[0] + 1, times[-1])
    found = data.draw(st.lists(st.one_of(nearby, inside), min_size=1, max_size=most))
    if data.draw(st.booleans()):  # pieces of a row or two
        at = data.draw(st.integers(1, len(times) - 4))
        found += times[at : at + 3]
    return [c for c in found if times[0] < c <= times[-1]]


def some_files(data: st.DataObject, world: World) -> list[list[worlds.Row]]:
    """Rows repeated, dealt to files, and shuffled."""
    chance = random.Random(data.draw(st.integers(0, 2**32)))
    rows = [
        *world.rows,
        *chance.sample(world.rows, chance.randint(0, len(world.rows) // 3)),
    ]
    files: list[list[worlds.Row]] = [[] for _ in range(chance.randint(1, 4))]
    by_blocks = chance.random() < 0.5
    chance.shuffle(rows)
    for n, row in enumerate(rows):
        files[n * len(files) // len(rows) if by_blocks else chance.randrange(len(files))].append(row)
    return [f for f in files if f]


PARTS = {
    "markers and a dropout in bursts": ("2026-03-03T06:00", "2026-03-06T12:00"),
    "cells that are no number, a gap": ("2026-03-08T00:00", "2026-03-09T12:00"),
    "conflicting rows": ("2026-03-11T06:00", "2026-03-11T20:00"),
    "single jumps": ("2026-03-13T00:00", "2026-03-15T03:00"),
    "a barometer that is off": ("2026-03-15T12:00", "2026-03-18T12:00"),
    "a wind head that hangs, bright days": ("2026-03-19T06:00", "2026-03-24T20:00"),
    "the change of layout": ("2026-04-05T00:00", "2026-04-05T20:00"),
    "a gauge that drips": ("2026-04-25T00:00", "2026-04-25T20:00"),
    "a vane that hangs": ("2026-05-01T22:00", "2026-05-03T06:00"),
    "a battery that fails": ("2026-05-29T20:00", "2026-06-01T00:00"),
}


@pytest.mark.parametrize("name", PARTS)
@SLOW
@given(data=st.data())
def test_cuts_of_the_sample_station(name: str, data: st.DataObject) -> None:
    """Cut within the fault; there are rows farther away than the margin, which pieces do not see."""
    first, last = PARTS[name]
    world = _part(first, last)
    assert_cuts_hold(
        world,
        whole(world),
        some_cuts(data, part(world, first, last)),
        some_files(data, world),
    )


def _reach_h(station: Station) -> float:
    reach = chain.reach(station, run.limits_of(station))
    return max(reach.back_s, reach.ahead_s) / 3600


@cache
def _part(first: str, last: str) -> World:
    around = np.timedelta64(round(_reach_h(sample().station)) + 4, "h")
    return part(sample(), str(np.datetime64(first) - around), str(np.datetime64(last) + around))


@cache
def _heath(seed: int, minutes: int, side: str, stray: int) -> World:
    """Long enough for rows that lie farther away than the margin."""
    hours = round(2.2 * _reach_h(heath(seed, minutes=minutes, side=side, stray=stray, hours=2).station)) + 8
    return heath(seed, minutes=minutes, side=side, stray=stray, hours=hours)


@settings(SLOW, max_examples=50)
@given(
    data=st.data(),
    seed=st.integers(0, 10),
    minutes=st.sampled_from([5, 10, 15, 60]),
    side=st.sampled_from(["start", "end", "instant"]),
    stray=st.sampled_from([0, 60]),
)
def test_cuts_of_tables_by_chance(data: st.DataObject, seed: int, minutes: int, side: str, stray: int) -> None:
    """Two tables, a counter, a unit that changes, magnetic north, words, conflicts, gaps, stamps that stray."""
    world = _heath(seed, minutes, side, stray)
    assert_cuts_hold(world, whole(world), some_cuts(data, world), some_files(data, world))


@settings(SLOW, max_examples=5)
@given(data=st.data())
def test_cuts_of_a_table_of_minutes(data: st.DataObject) -> None:
    world = _heath(3, 1, "end", 0)
    assert_cuts_hold(world, whole(world), some_cuts(data, world, 1), some_files(data, world))


def test_the_margin_is_not_the_whole() -> None:
    """Worlds hold rows that a piece in their middle does not see: otherwise the tests above would test nothing."""
    for world in (
        _part(*PARTS["conflicting rows"]),
        _heath(1, 10, "end", 0),
        _twice("Europe/London", 2, False, False),
    ):
        length = (max(r.utc for r in world.rows) - min(r.utc for r in world.rows)) / worlds.US
        reach = whole(world).checked.reach
        assert length > reach.back_s + reach.ahead_s


# --- clocks that show stamps twice


def _set_back(moment: datetime) -> datetime:
    return moment + timedelta(minutes=20 if moment < datetime(2025, 10, 26, 1, tzinfo=UTC) else 0)


SET_BACK = """
[[clock]]
utc_offset = "+00:00"
minutes_ahead = 20.0
[[clock]]
from = 2025-10-26T01:00:00Z
utc_offset = "+00:00"
"""

CLOCKS = {  # the moment (UTC) of the change, the station file's clock, what the clock shows
    "Europe/London": ("2025-10-26T01:00:00", '[[clock]]\ntime_zone = "Europe/London"', in_zone("Europe/London")),
    "Australia/Lord_Howe": (
        "2025-04-05T15:00:00", '[[clock]]\ntime_zone = "Australia/Lord_Howe"', in_zone("Australia/Lord_Howe"),
    ),
    "set back by hand": ("2025-10-26T01:00:00", SET_BACK, _set_back),
}  # fmt: skip


@cache
def _twice(name: str, seed: int, counter: bool, newest_first: bool) -> World:
    middle, clock, shown = CLOCKS[name]
    some = heath(seed, hours=2, minutes=20, clock=clock)
    half = round(_reach_h(some.station)) + 6
    first = str(np.datetime64(middle) - np.timedelta64(half, "h"))
    return heath(
        seed,
        first=first,
        hours=2 * half,
        minutes=20,
        clock=clock,
        shown=shown,
        counter=counter,
        newest_first=newest_first,
    )


def _change(world: World) -> int:
    return us("2025-10-26T01:00:00") if min(r.utc for r in world.rows) > us("2025-06-01") else us("2025-04-05T15:00:00")


@pytest.mark.parametrize("name", CLOCKS)
@settings(SLOW, max_examples=15)
@given(data=st.data(), seed=st.integers(0, 20), newest_first=st.booleans())
def test_cuts_where_the_order_of_lines_tells_the_hour(
    name: str, data: st.DataObject, seed: int, newest_first: bool
) -> None:
    """Without a counter the order of lines in a file decides (contract 3): files are neither split nor shuffled.

    A file may end within the repeated hour: then nothing settles it, in the pieces as in the whole.
    """
    world = _twice(name, seed, counter=False, newest_first=newest_first)
    rows = [r for r in world.rows if r.head == "quick"]
    slow = [r for r in world.rows if r.head == "slow"]
    near = [n for n, r in enumerate(rows) if abs(r.utc - _change(world)) < 3 * 3600 * worlds.US]
    end = data.draw(st.one_of(st.none(), st.sampled_from(near)))
    files = [rows, slow] if end is None else [rows[:end], rows[end:], slow]
    _assert_cuts_hold_near_change(data, world, files)


@pytest.mark.parametrize("name", CLOCKS)
@settings(SLOW, max_examples=15)
@given(data=st.data(), seed=st.integers(0, 20))
def test_cuts_where_a_counter_tells_the_hour(name: str, data: st.DataObject, seed: int) -> None:
    """With a line counter a file may be shuffled."""
    world = _twice(name, seed, counter=True, newest_first=False)
    chance = random.Random(data.draw(st.integers(0, 2**32)))
    quick = [r for r in world.rows if r.head == "quick"]
    quick += chance.sample(quick, len(quick) // 3)
    chance.shuffle(quick)
    _assert_cuts_hold_near_change(data, world, [quick, [r for r in world.rows if r.head == "slow"]])


def _assert_cuts_hold_near_change(data: st.DataObject, world: World, files: list[list[worlds.Row]]) -> None:
    around = st.integers(-50 * 6, 50 * 6).map(lambda n: _change(world) + n * 600 * worlds.US)
    cuts = some_cuts(data, world, 2) + data.draw(st.lists(around, min_size=1, max_size=3))
    one = checked(world, files)
    assert one is not None
    edges = min(r.utc for r in world.rows), max(r.utc for r in world.rows)
    assert_cuts_hold(world, one, [c for c in cuts if edges[0] < c <= edges[1]], files)


def test_a_repeated_hour_is_settled_or_told() -> None:
    """The worlds above hold what they are meant to: settled by order, settled by counter, and unsettled."""
    for counter in (False, True):
        world = _twice("Europe/London", 2, counter=counter, newest_first=False)
        one = whole(world)
        table = one.checked.tables["quick"].record
        hour = (table.time >= np.datetime64("2025-10-26T00:00")) & (table.time < np.datetime64("2025-10-26T02:00"))
        assert hour.sum() >= 4
        assert not table.unsettled.any()
    rows = [r for r in world.rows if r.head == "quick"]
    half = next(n for n, r in enumerate(rows) if r.utc >= _change(world))
    world = _twice("Europe/London", 2, counter=False, newest_first=False)
    rows = [r for r in world.rows if r.head == "quick"]
    one = checked(world, [rows[: half - 2], rows[half + 1 :]])
    assert one is not None
    assert one.checked.tables["quick"].record.unsettled.any()
    assert one.checked.reach.back_s >= 14 * 3600


# --- settled_until


@settings(SLOW, max_examples=40)
@given(data=st.data(), name=st.sampled_from([None, *CLOCKS]), seed=st.integers(0, 30))
def test_rows_up_to_settled_until_stay(data: st.DataObject, name: str | None, seed: int) -> None:
    """What the summary calls settled does not change when more rows are appended."""
    world = _heath(seed, 10, "end", 0) if name is None else _twice(name, seed % 20, counter=False, newest_first=False)
    times = sorted({r.utc for r in world.rows})
    until = data.draw(st.sampled_from(times[len(times) // 3 :]))
    files = [[r for r in world.rows if r.head == head] for head in world.heads]
    early, late = (
        checked(world, [[r for r in rows if r.utc <= until] for rows in files]),
        checked(world, files),
    )
    assert early is not None
    assert late is not None
    document = summary(early.checked, (None, None), {})
    for table, entry in document["tables"].items():
        settled = entry["settled_until"]
        head, *lines = early.flagged[table].splitlines()
        kept = [line for line in lines if line.split(",", 1)[0] <= settled]
        assert late.flagged[table].splitlines()[: len(kept) + 1] == [head, *kept]
        assert np.datetime64(settled.removesuffix("Z"), "us") <= np.datetime64(until, "us")


# --- the machine

SCRIPT = """
import contextlib, hashlib, json, locale, sys
from pathlib import Path
with contextlib.suppress(locale.Error):
    locale.setlocale(locale.LC_ALL, "")
from qc import run
from qc.station import load
told = {}
for name, (station, *files) in json.loads(sys.argv[1]).items():
    out = Path(sys.argv[2], name)
    result = run.check(load(station), files)
    run.write(result, out, formats=("csv", "parquet"), fill_gaps=True)
    for path in sorted(out.iterdir()):
        if "summary" not in path.name:
            told[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    (summary,) = out.glob("*.summary.json")
    document = json.loads(summary.read_text("utf-8"))
    for entry in document["inputs"]:
        del entry["path"]
    told[summary.name] = document
print(json.dumps(told))
"""

MACHINES = {
    "another zone, another hash seed": {
        "LC_ALL": "C",
        "TZ": "Asia/Kathmandu",
        "PYTHONHASHSEED": "1",
    },
    "a decimal comma": {
        "LC_ALL": "de_DE.UTF-8",
        "TZ": "America/St_Johns",
        "PYTHONHASHSEED": "12345",
    },
    "a dotless i": {
        "LC_ALL": "tr_TR.UTF-8",
        "TZ": "Asia/Kathmandu",
        "PYTHONHASHSEED": "2",
    },
    "narrow vectors": {
        "LC_ALL": "C.UTF-8",
        "TZ": "UTC",
        "PYTHONHASHSEED": "0",
        "NPY_DISABLE_CPU_FEATURES": "*",
    },
}


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """Station file and tables of the sample station's March, and of a station whose clock follows summer time."""
    where = tmp_path_factory.mktemp("inputs")
    march, autumn = (
        part(sample(), "2026-03-08", "2026-03-25"),
        _twice("Europe/London", 3, True, False),
    )
    found = {}
    for name, world in (("sample", march), ("heath", autumn)):
        (where / name).mkdir()
        files = worlds.write(world, where / name, [world.rows])
        for log in folder("sample_data").glob("*s.csv"):  # the logs that its station file names
            shutil.copy(log, where / name)
        (where / name / "station.toml").write_bytes(world.text.encode())
        found[name] = [str(where / name / "station.toml"), *map(str, files)]
    return found


def _on(machine: dict[str, str], inputs: dict[str, list[str]], out: Path) -> dict[str, object]:
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__  # type: ignore[import-not-found]

    machine = dict(machine)
    if machine.get("NPY_DISABLE_CPU_FEATURES") == "*":
        machine["NPY_DISABLE_CPU_FEATURES"] = " ".join(f for f in __cpu_dispatch__ if __cpu_features__.get(f))
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, json.dumps(inputs), str(out)],
        env={**os.environ, **machine}, cwd=Path(__file__).parents[1], capture_output=True, text=True, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: dict[str, object] = json.loads(done.stdout)
    return found


@pytest.fixture(scope="module")
def here(inputs: dict[str, list[str]], tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    return _on(
        {"LC_ALL": "C.UTF-8", "TZ": "UTC", "PYTHONHASHSEED": "0"},
        inputs,
        tmp_path_factory.mktemp("here"),
    )


@pytest.mark.parametrize("machine", MACHINES)
def test_another_machine_writes_the_same_bytes(
    machine: str, inputs: dict[str, list[str]], here: dict[str, object], tmp_path: Path
) -> None:
    """Other locales (where the machine has them), zones, hash seeds and processors; the summary too, but for paths."""
    found = _on(MACHINES[machine], inputs, tmp_path)
    assert len(found) >= 14
    assert found == here
