"""A record out of the store is that of `read_tables` over all files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import qc
from qc import chain
from qc.archive import months
from qc.archive.taken import record_of
from qc.errors import InputError
from qc.read.tables import read_tables
from qc.record import Record
from qc.run import limits_of
from tests.archive.fleets import difference, made, rows, sorted_
from tests.archive.test_store import pieces
from tests.cli.runs import here as cli


def the_same(one: Record, other: Record) -> None:
    """Rows, values, cells and conflicts; not the accounts of files."""
    assert one.station == other.station and one.absent == other.absent and set(one.tables) == set(other.tables)
    for name, table in one.tables.items():
        beside = other.tables[name]
        for a, b in ((table, beside), (table.conflicts, beside.conflicts)):
            assert a is not None and b is not None
            assert np.array_equal(a.time, b.time) and np.array_equal(a.off_grid_s, b.off_grid_s)
            for channel, read in a.channels.items():
                assert np.array_equal(read.values, b.channels[channel].values, equal_nan=True)
                states = [x.channels[channel].state for x in (a, b)]
                full = [np.zeros(len(a.time), np.uint8) if s is None else s for s in states]
                assert np.array_equal(full[0], full[1])
        assert np.array_equal(table.conflicting, beside.conflicting)


@pytest.mark.parametrize("seed", range(3))
def test_all_lines_of_a_station(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    place = made(tmp_path, logs='decisions = "decisions.csv"')
    (tmp_path / "decisions.csv").write_text(
        "from,to,channel,verdict,reason,by,decided\n2026-04-02T00:00Z,2026-04-02T06:00Z,t,wrong,frost,R.,2026-04-03\n"
    )
    some = pieces(rows(), rng)
    some.append([line.replace(",", ",1", 1) for line in some[0][:9]])  # in conflict with what stands
    files = [place.arrive(f"{n}.csv", lines) for n, lines in enumerate(some)]
    place.night()
    station = qc.read_station(place.station_file())
    found = record_of(place.store, station)
    whole, _ = read_tables(station, files)
    the_same(found, whole)
    checked = chain.run(found, limits_of(station))
    assert difference(sorted_(months.rows(list(checked.tables.values()), -(2**62), 2**62)), place.archive()) == ""


def test_between_two_times(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(2400))
    place.night()
    station = qc.read_station(place.station_file())
    first, last = (int(np.datetime64(t, "us").astype(np.int64)) for t in ("2026-04-01", "2026-04-02"))
    table = record_of(place.store, station, first, last).tables["half"]
    us = table.time.astype("datetime64[us]").astype(np.int64)
    assert ((us >= first) & (us <= last)).sum() > 40 and len(us) < 600


def test_no_store_or_no_row(tmp_path: Path) -> None:
    place = made(tmp_path)
    station = qc.read_station(place.station_file())
    with pytest.raises(InputError, match="is no store"):
        record_of(place.store, station)
    assert not place.store.exists()
    place.night()
    with pytest.raises(InputError, match="holds no row of hay-loft"):
        record_of(place.store, station)
    (place.store / "ledger.sqlite").write_bytes(b"no ledger" * 99)
    with pytest.raises(InputError, match="its ledger cannot be read"):
        record_of(place.store, station)


def test_a_delivery_from_the_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Data, means and completeness are those of a delivery from the files."""
    place = made(tmp_path)
    lines = rows(400)
    for name, some in (("a.csv", lines[:250]), ("b.csv", lines[200:])):
        place.arrive(name, some)
    place.night()
    monkeypatch.chdir(tmp_path)
    station = "hay-loft.station.toml"
    one = cli(capsys, "deliver", station, "inbox/hay-loft/a.csv", "inbox/hay-loft/b.csv", "--out", "one", "--quiet")
    two = cli(capsys, "deliver", station, "--store", "store", "--out", "two", "--quiet")
    assert (one.status, one.err, two.status, two.err) == (0, "", 0, "")
    names = sorted(str(p.relative_to("one")) for p in Path("one").rglob("*.csv"))
    assert len([n for n in names if n.startswith(("data/", "means/"))]) > 3
    for name in names:
        assert (Path("two") / name).read_bytes() == (Path("one") / name).read_bytes(), name
    assert "--store store" in (Path("two") / "README.txt").read_text()


@pytest.mark.parametrize("given", [[], ["inbox/hay-loft/a.csv", "--store", "store"]])
def test_either_files_or_a_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], given: list[str]
) -> None:
    made(tmp_path).arrive("a.csv", rows(50))
    monkeypatch.chdir(tmp_path)
    ran = cli(capsys, "deliver", "hay-loft.station.toml", *given, "--out", "out")
    assert ran.status == 2 and "give table files or a store" in ran.line
    ran = cli(capsys, "why", "hay-loft.station.toml", *given, "--channel", "t", "--at", "2026-03-20T00:30")
    assert ran.status == 2 and "give table files or a store" in ran.line
    assert not Path("out").exists()


def test_why_from_the_store_tells_the_line_in_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As from the files: the same document, with the path that the file had, though the inbox is empty since."""
    place = made(tmp_path)
    lines = rows(400)
    paths = [place.arrive("a.csv", lines[:250]), place.arrive("b.csv", lines[200:])]
    place.night()
    monkeypatch.chdir(tmp_path)
    for line in (lines[230], lines[300]):
        asked = ["--channel", "p", "--at", line.split(",")[0], "--json"]
        one = cli(capsys, "why", "hay-loft.station.toml", *map(str, paths), *asked)
        for path in paths:
            path.rename(path.with_suffix(".away"))
        two = cli(capsys, "why", "hay-loft.station.toml", "--store", "store", *asked)
        for path in paths:
            path.with_suffix(".away").rename(path)
        assert (one.status, one.err, two.status, two.err) == (0, "", 0, "")
        assert json.loads(two.out) == json.loads(one.out)
        told = [(Path(entry["path"]).name, entry["line"]) for entry in json.loads(two.out)["lines"]]
        assert told == ([("a.csv", 232), ("b.csv", 32)] if line == lines[230] else [("b.csv", 102)])
