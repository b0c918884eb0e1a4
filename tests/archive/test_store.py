"""The store: whatever arrives in whatever order, the archive is what one check over everything gives; raw lines stand
once; only what is touched is computed."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.archive import ledger, months, nightly, raw
from qc.archive.workers import Task, Workers, _tried
from tests.archive.fleets import SITES, START, Place, checked, difference, made, off, rows, text


def pieces(lines: list[str], rng: np.random.Generator) -> list[list[str]]:
    """Lines as files that overlap and repeat each other."""
    out = []
    cuts = np.sort(rng.choice(np.arange(1, len(lines)), int(rng.integers(1, 8)), replace=False)).tolist()
    for a, b in zip([0, *cuts], [*cuts, len(lines)], strict=True):
        out.append(lines[max(0, a - int(rng.integers(0, 60))) : b])
    out += [out[int(rng.integers(0, len(out)))] for _ in range(2)]
    return [out[i] for i in rng.permutation(len(out)).tolist()]


@pytest.mark.parametrize("seed", range(6))
def test_the_order_of_arrival_does_not_matter(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    place = made(tmp_path)
    files = []
    for number, lines in enumerate(pieces(rows(), rng)):
        files.append(place.arrive(f"{number}.csv", lines))
        if rng.random() < 0.5:
            assert not place.night().troubled
    place.night()
    assert difference(place.archive(), checked(place, files)) == ""


CLOCKS = ['utc_offset = "+00:00"', 'time_zone = "Europe/London"', 'utc_offset = "+05:30"\nminutes_ahead = 12.0']


@pytest.mark.parametrize("clock", CLOCKS)
def test_other_clocks(tmp_path: Path, clock: str) -> None:
    rng = np.random.default_rng(3)
    place = made(tmp_path, clock=clock)
    lines = [line for line in rows() if not (clock.startswith("time_zone") and "03-29 01:" in line)]
    files = []
    for number, some in enumerate(pieces(lines, rng)):
        files.append(place.arrive(f"{number}.csv", some))
        place.night()
    assert difference(place.archive(), checked(place, files)) == ""


def test_rows_in_conflict_stand_as_in_a_check(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(300)
    other = [line.replace(",", ",1", 1) for line in lines[100:110]]
    one, two = place.arrive("b.csv", lines), place.arrive("a.csv", other)
    place.night()
    late = place.arrive("c.csv", [line.replace(",", ",2", 1) for line in lines[105:120]])
    place.night()
    assert difference(place.archive(), checked(place, [one, two, late])) == ""


@pytest.mark.parametrize("cut", [0, 1, 7, 23])
def test_a_file_that_grows_is_read_on(tmp_path: Path, cut: int) -> None:
    """Cut within a line, too: what a half-written last line said is taken back."""
    place = made(tmp_path)
    whole = text(rows(400)).encode()
    path = place.inbox() / "grows.csv"
    for end in (len(whole) // 3, len(whole) // 2, len(whole) - 300):
        stop = whole.rfind(b"\n", 0, end) + 1 + cut
        path.write_bytes(whole[:stop])
        place.night()
        assert difference(place.archive(), checked(place, [path])) == ""
    path.write_bytes(whole)
    place.night()
    assert difference(place.archive(), checked(place, [path])) == ""
    standings = sorted(row[0] for row in place.ask("select standing from file"))
    assert standings == [ledger.READ, *[ledger.SUPERSEDED] * 3]


def test_the_beginning_of_a_known_file_brings_nothing(tmp_path: Path) -> None:
    place = made(tmp_path)
    whole = text(rows(200))
    (place.inbox() / "whole.csv").write_text(whole)
    place.night()
    before = place.archive()
    (place.inbox() / "cut.csv").write_text(whole[: len(whole) // 2])
    place.night()
    assert place.archive().equals(before)
    assert place.ask("select standing from file where path like '%cut.csv'") == [(ledger.SUPERSEDED,)]


def test_another_file_under_the_same_name_is_another_file(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(400)
    place.arrive("now.csv", lines[:200])
    place.night()
    place.arrive("now.csv", lines[200:])
    place.night()
    both = [tmp_path / "1.csv", tmp_path / "2.csv"]
    both[0].write_text(text(lines[:200]))
    both[1].write_text(text(lines[200:]))
    assert difference(place.archive(), checked(place, both)) == ""


# ---- raw lines


def test_each_line_stands_once_and_each_file_can_be_put_together(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(300)
    contents = {"a.csv": text(lines[:200]), "c.csv": text(lines[150:250])}
    contents["b.csv"] = text(lines[100:]).replace("\n", "\r\n")
    for name, content in contents.items():
        (place.inbox() / name).write_bytes(content.encode())
        place.night()
    kept = place.raw_lines()
    assert len(kept) == len(set(kept))
    assert set(kept) == {line for content in contents.values() for line in content.encode().splitlines(keepends=True)}
    for path, blob in place.ask("select path, manifest from file"):
        again = raw.joined(place.store, "hay-loft", ledger.unpacked(blob))
        assert again == contents[Path(path).name].encode()


def test_raw_lines_tell_file_line_and_night(tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    place = made(tmp_path)
    place.arrive("a.csv", rows(10))
    place.night("2026-05-02")
    (path,) = (place.store / "raw" / "station=hay-loft").glob("*.parquet")
    table = pq.read_table(path, partitioning=None)
    assert table.column_names == ["id", "file", "line", "night", "text"]
    line = text(rows(10)).splitlines(True)[3].encode()
    told = {"id": 3, "file": "a.csv", "line": 4, "night": "2026-05-02", "text": line}
    assert table.slice(3, 1).to_pylist() == [told]


def test_sums_that_were_lost_are_made_again(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(100)
    place.arrive("a.csv", lines)
    place.night()
    for path in (place.store / "raw" / "station=hay-loft").glob("*.seen"):
        path.unlink()
    place.arrive("b.csv", [*lines[50:], "2026-12-01 00:00,1,50,1000,0,12"])
    place.night()
    assert len(place.raw_lines()) == len(lines) + 2


def test_many_parts_are_put_together(tmp_path: Path) -> None:
    store, known = tmp_path, 0
    for n in range(40):
        lines = raw.placed(store, "s", known, b"head\n" + f"{n}\n".encode())
        known = raw.write(store, "s", known, "f", "n", lines)
    assert known == 41
    assert len(list(raw.folder(store, "s").glob("*.seen"))) <= raw._MOST_PARTS + 1
    assert raw.placed(store, "s", known, b"7\n39\nhead\n").ids.tolist() == [8, 40, 0]


def test_an_emptied_inbox_loses_nothing_and_a_mended_station_file_is_taken(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(300)
    path = place.arrive("a.csv", lines)
    place.night()
    kept = tmp_path / "kept.csv"
    path.rename(kept)
    place.night()
    station = place.station_file()
    station.write_text(station.read_text().replace('unit = "degC"', 'unit = "degF"'))
    place.night()
    assert difference(place.archive(), checked(place, [kept])) == ""
    assert "the station file was changed" in {row[0] for row in place.ask("select why from done")}


def test_a_file_that_no_layout_fitted_is_read_once_one_does(tmp_path: Path) -> None:
    place = made(tmp_path)
    path = place.inbox() / "new.csv"
    path.write_text(text(rows(50)).replace("Stamp,T,", "When,T,"))
    assert place.night().troubled
    assert place.ask("select standing from file") == [(ledger.REFUSED,)]
    assert place.night().troubled  # the same night, so the same digest
    assert not place.night("2026-05-02").troubled  # told once
    station = place.station_file()
    station.write_text(station.read_text().replace('"Stamp"', '"When"'))
    place.night()
    assert difference(place.archive(), checked(place, [path])) == ""


# ---- only what is touched


def stats(place: Place) -> dict[str, int]:
    return {str(p.relative_to(place.store)): p.stat().st_mtime_ns for p in (place.store / "archive").rglob("*.parquet")}


def test_a_night_with_nothing_new_writes_no_month_and_computes_nothing(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows())
    place.night()
    before, done = stats(place), place.ask("select count(*) from done")
    place.night("2026-05-02")
    assert stats(place) == before
    assert place.ask("select count(*) from done") == done


def test_a_new_day_leaves_other_months_alone(tmp_path: Path) -> None:
    place = made(tmp_path)
    lines = rows(2400)
    place.arrive("a.csv", lines[:-48])
    place.night()
    before = stats(place)
    place.arrive("b.csv", lines[-48:])
    place.night("2026-05-12")
    after = stats(place)
    changed = {name for name in after if after[name] != before.get(name)}
    assert {name.split("month=")[1][:7] for name in changed} == {"2026-05"}


def test_a_new_line_of_a_log_reruns_what_it_speaks_of(tmp_path: Path) -> None:
    place = made(tmp_path, logs='decisions = "decisions.csv"')
    head = "from,to,channel,verdict,reason,by,decided\n"
    log = tmp_path / "decisions.csv"
    log.write_text(head)
    path = place.arrive("a.csv", rows())
    place.night()
    log.write_text(head + "2026-04-02T00:00Z,2026-04-02T06:00Z,t,wrong,frost on it,R.,2026-04-03\n")
    place.night()
    assert difference(place.archive(), checked(place, [path])) == ""
    (last,) = place.ask("select first_us, last_us, why from done order by rowid desc limit 1")
    assert last[2] == "decisions were changed"
    assert [str(np.datetime64(us, "us"))[:16] for us in last[:2]] == ["2026-04-02T00:00", "2026-04-02T06:00"]


def test_changed_rules_rerun_all(tmp_path: Path) -> None:
    place = made(tmp_path)
    path = place.arrive("a.csv", rows())
    place.night()
    station = place.station_file()
    rule = '"range.battery_voltage.high" = { value = 12.8, reason = "a small one" }'
    station.write_text(f"{station.read_text()}[rules]\n{rule}\n")
    place.night()
    assert difference(place.archive(), checked(place, [path])) == ""
    assert ("rules were changed",) in place.ask("select why from done")


def test_a_new_version_reruns_some_months_a_night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = made(tmp_path, extra="rerun_months = 1")
    place.arrive("a.csv", rows(2400))
    place.night()
    monkeypatch.setattr(nightly, "__version__", "9.9")
    waiting = []
    for n in range(3):
        place.night(f"2026-06-0{n + 1}")
        waiting.append(place.ask("select count(*) from pending")[0][0])
    assert waiting == [2, 1, 0]
    assert place.ask("select count(*) from done where why like 'Fairvane % became 9.9'") == [(3,)]


# ---- what arrives that should not


def test_bad_files_stop_nothing(tmp_path: Path) -> None:
    place = made(tmp_path, ("hay-loft", "mill"), extra="largest_file_mb = 0.02")
    good = place.arrive("good.csv", rows(200))
    (place.inbox() / "binary.csv").write_bytes(os.urandom(3000))
    (place.inbox() / "empty.csv").write_bytes(b"")
    (place.inbox() / "large.csv").write_text(text(rows(1200)))
    (place.inbox() / "folder.csv").mkdir()
    (place.inbox() / "link.csv").symlink_to(good)
    os.mkfifo(place.inbox() / "pipe.csv")
    other = place.arrive("other.csv", rows(100, 2), "mill")
    done = place.night()
    assert done.troubled
    told = " ".join(done.document["stations"]["hay-loft"]["troubles"])
    assert "binary.csv" in told and "large.csv" in told and "link.csv" not in told and "pipe.csv" not in told
    assert difference(place.archive(), checked(place, [good])) == ""
    assert difference(place.archive("mill"), checked(place, [other], "mill")) == ""


def test_a_station_file_that_broke_overnight_leaves_the_last_good_one(tmp_path: Path) -> None:
    place = made(tmp_path, ("hay-loft", "mill"))
    lines = rows(200)
    files = [place.arrive("a.csv", lines[:100])]
    place.arrive("m.csv", rows(50), "mill")
    place.night()
    station = place.station_file()
    good = station.read_text()
    station.write_text(good.replace('unit = "hPa"', "unit = "))
    files.append(place.arrive("b.csv", lines[100:]))
    done = place.night("2026-05-02")
    assert done.troubled and any("last good one stays in force" in line for line in done.lines)
    station.write_text(good)
    assert difference(place.archive(), checked(place, files)) == ""
    assert not place.night("2026-05-03").troubled


def test_a_station_file_that_never_was_good_is_a_trouble(tmp_path: Path) -> None:
    place = made(tmp_path, ("hay-loft", "mill"))
    place.station_file().write_text("[station]\n")
    place.arrive("m.csv", rows(50), "mill")
    done = place.night()
    assert done.troubled and "hay-loft" in done.document["troubles"][0]["station"]
    assert place.archive("mill").num_rows


def test_two_files_of_one_id(tmp_path: Path) -> None:
    place = made(tmp_path, ("hay-loft", "mill"))
    other = place.station_file("mill")
    other.write_text(other.read_text().replace('id = "mill"', 'id = "hay-loft"'))
    assert "another station of the fleet has the id hay-loft" in "".join(place.night().lines)


# ---- neighbours


def test_neighbours_are_those_of_check(tmp_path: Path) -> None:
    """Stations beside each other: as `check --neighbour` with the flagged tables of the others."""
    import qc
    from qc import run

    place = made(tmp_path, SITES, neighbours={name: [n for n in SITES if n != name] for name in SITES})
    tables = {"hay-loft": rows(900), "mill": off(rows(900)), "quarry": rows(900)}
    files = {name: place.arrive("a.csv", lines, name) for name, lines in tables.items()}
    place.night()
    flagged = {}
    for name, path in files.items():
        found = qc.check(qc.read_station(place.station_file(name)), [path])
        run.write(found, tmp_path / f"checked-{name}", formats=["csv"], replace=True)
        flagged[name] = tmp_path / f"checked-{name}" / f"{name}.half.flagged.csv"
    for name, path in files.items():
        neighbours = [flagged[n] for n in SITES if n != name]
        assert difference(place.archive(name), checked(place, [path], name, neighbours=neighbours)) == ""
    assert "neighbour" in place.archive("mill").column("checks").to_pylist()


class Crossed(Workers):
    """Tasks are run from the last to the first, and told from the first to the last, as processes may end."""

    def done(self, tasks: Sequence[Task]) -> Iterator[tuple[int, Any]]:
        found = [_tried(tasks[number]) for number in reversed(range(len(tasks)))]
        yield from enumerate(found[::-1])


def test_what_a_neighbour_leaves_while_a_station_is_computed_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits for just that stretch already: it was computed with the neighbour's old values, and is again."""
    left: dict[str, list[ledger.Span]] = {}
    before = nightly._for_neighbour

    def spied(connection: Any, site: nightly.Site, other: nightly.Site, found: Any) -> list[ledger.Span]:
        left[other.id] = before(connection, site, other, found)
        return left[other.id]

    def prepared(folder: Path) -> Place:
        place = made(folder, SITES, neighbours={"mill": ["hay-loft", "quarry"]})
        for name, lines in (("hay-loft", rows(900)[:300]), ("mill", off(rows(900))), ("quarry", rows(900))):
            place.arrive("a.csv", lines, name)
        place.night("2026-05-01")
        place.arrive("b.csv", rows(900)[300:], "hay-loft")
        return place

    monkeypatch.setattr(nightly, "_for_neighbour", spied)
    twin = prepared(tmp_path / "twin")
    twin.night("2026-05-02")
    waits = left["mill"]
    place = prepared(tmp_path / "place")
    with contextlib.closing(ledger.connect(place.store / "ledger.sqlite")) as connection, ledger.writing(connection):
        ledger.add_pending(connection, "mill", waits)
    place.night("2026-05-02", Crossed())
    assert place.ask("select count(*) from pending") == [(0,)]
    assert left["mill"] == waits
    assert difference(place.archive("mill"), twin.archive("mill")) == ""
    assert "neighbour" in place.archive("mill").column("checks").to_pylist()


# ---- as others read it


def test_pandas_duckdb_and_dask_read_the_archive_as_it_stands(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    duckdb = pytest.importorskip("duckdb")
    dask = pytest.importorskip("dask.dataframe")
    place = made(tmp_path, ("hay-loft", "mill"))
    station = place.station_file("mill")
    station.write_text(station.read_text().split('[[channel]]\nname = "rain"')[0])
    place.arrive("a.csv", rows(800))
    place.arrive("m.csv", rows(300, 2), "mill")
    place.night()
    count = place.archive().num_rows + place.archive("mill").num_rows
    where = place.store / "archive"
    frame = pandas.read_parquet(where)
    assert len(frame) == count
    assert set(frame.columns) == {"time", "channel", "value", "verdict", "checks", "station", "month"}
    asked = f"select station, count(*) from read_parquet('{where}/*/*/*.parquet', hive_partitioning = true) group by 1"
    assert dict(duckdb.sql(asked).fetchall()) == {n: place.archive(n).num_rows for n in place.ids}
    assert len(dask.read_parquet(str(where))) == count


def test_months_have_bounds_in_utc() -> None:
    first, last = months.bounds("2026-02")
    assert np.datetime64(first, "us") == np.datetime64("2026-02-01T00:00")
    assert np.datetime64(last + 1, "us") == np.datetime64("2026-03-01T00:00")
    assert months.months(first - 1, last + 1) == ["2026-01", "2026-02", "2026-03"]
    assert months.months(first, last) == ["2026-02"]


def test_times_of_the_sample() -> None:
    assert rows(1)[0].startswith(str(START).replace("T", " "))
