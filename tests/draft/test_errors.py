"""What cannot be drafted ends with one line that says what, where and how to mend it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from qc.draft import draft
from qc.errors import InputError, UsageError

GOOD = b"Time,Temp (C)\n" + b"".join(b"2023-01-01 %02d:00,%d.5\n" % (h, h) for h in range(24))


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation", "where"),
    [
        (95.0, 0.0, 0.0, "--latitude"),
        (-90.001, 0.0, 0.0, "--latitude"),
        (float("nan"), 0.0, 0.0, "--latitude"),
        (0.0, 180.5, 0.0, "--longitude"),
        (0.0, float("inf"), 0.0, "--longitude"),
        (0.0, 0.0, 9001.0, "--elevation"),
        (0.0, 0.0, -451.0, "--elevation"),
    ],
)
def test_coordinates(latitude: float, longitude: float, elevation: float, where: str, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(GOOD)
    with pytest.raises(UsageError) as error:
        draft([tmp_path / "a.csv"], latitude, longitude, elevation)
    assert error.value.line().startswith(where) and "\n" not in error.value.line()


@pytest.mark.parametrize("latitude", [-90.0, 90.0])
def test_coordinates_on_the_bound(latitude: float, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(GOOD)
    assert draft([tmp_path / "a.csv"], latitude, -180.0, -450.0).station.station.latitude == latitude


@pytest.mark.parametrize("name", ["", "1a", "a b", "a" * 42, "ä"])
def test_ids(name: str, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(GOOD)
    with pytest.raises(UsageError, match="is no station id"):
        draft([tmp_path / "a.csv"], 1.0, 2.0, 3.0, station_id=name)


def test_an_id_of_the_longest(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(GOOD)
    assert draft([tmp_path / "a.csv"], 1.0, 2.0, 3.0, station_id="a" * 41).station.id == "a" * 41


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "is empty"),
        (b"Time,Temp (C)\n", "no line of it looks like a row of a table"),
        (b"\n\n\n", "no line of it looks like a row"),
        (b"\x00\x01\x02\x03" * 400, "is no text"),
        (b"one column\n" + b"1.5\n" * 50, "no line of it looks like a row"),
        (b"a,b\n" + b"1.5,2.5\n" * 50, "no column of time stamps found"),
        (b"Time,Name\n" + b"".join(b"2023-01-01 %02d:00,x\n" % h for h in range(24)), "no column of numbers found"),
        (b"prose of many words, with a comma\nand another line, of it\n" * 20, "no line of it looks like a row"),
    ],
)
def test_files_that_are_no_tables(raw: bytes, told: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(raw)
    with pytest.raises(InputError) as error:
        draft([path], 1.0, 2.0, 3.0)
    line = error.value.line()
    assert told in line and str(path) in line and "\n" not in line and "; " in line


def test_what_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    for path, told in (
        (tmp_path, "is a folder"),
        (tmp_path / "none", "does not exist"),
        (tmp_path / "fifo", "is no plain"),
    ):
        with pytest.raises(InputError, match=told):
            draft([path], 1.0, 2.0, 3.0)
    with pytest.raises(InputError, match="no table file was given"):
        draft([], 1.0, 2.0, 3.0)


def test_one_bad_file_among_good_ones_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(GOOD)
    (tmp_path / "b.csv").write_bytes(b"")
    found = draft([tmp_path / "a.csv", tmp_path / "b.csv"], 1.0, 2.0, 3.0)
    assert any("b.csv: is empty" in q for q in found.questions)
    assert "# not sure: not used: " in found.text


def test_progress_counts_files(tmp_path: Path) -> None:
    paths = [tmp_path / n for n in ("a.csv", "b.csv")]
    for path in paths:
        path.write_bytes(GOOD)
    seen: list[tuple[int, int]] = []
    draft(paths, 1.0, 2.0, 3.0, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 2), (2, 2)]


def test_ids_made_from_names_of_files(tmp_path: Path) -> None:
    for name, made in (("Otter Fell_2024_01.csv", "otter-fell"), ("2024.csv", "station-2024"), ("ä.csv", "station")):
        (tmp_path / name).write_bytes(GOOD)
        assert draft([tmp_path / name], 1.0, 2.0, 3.0).station.id == made
