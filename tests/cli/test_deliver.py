"""`fairvane deliver` as a user runs it: what it takes, what it refuses, what it says, and that it can be done again."""

from __future__ import annotations

import csv
import json
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import pytest

from tests.cli.runs import held, here
from tests.delivery.runs import rows_of, written

NAMES = ("t", "ws", "gust", "wd", "rain")
DECISIONS = """from,to,channel,verdict,reason,by,decided
2026-06-01T08:00,2026-06-01T08:30,t,wrong,seen,Jan Kowalski,2026-07-02
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with a station file, a log and a table, and the current one; no pictures are drawn."""
    written(tmp_path, NAMES, rows_of(NAMES), decisions=DECISIONS)
    monkeypatch.chdir(tmp_path)
    with patch("qc.delivery.folder.pictures", lambda *_: []):
        yield tmp_path


DELIVER = ("deliver", "moor.station.toml", "moor.csv", "--out", "out")


def test_it_says_what_it_made(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = here(capsys, *DELIVER)
    assert (ran.status, ran.err) == (0, "")
    assert "300 rows of 300 expected" in ran.out and "out/README.txt" in ran.out


def test_json_is_one_document_and_quiet_is_silent(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = here(capsys, *DELIVER, "--json")
    document = json.loads(ran.out)
    assert document == json.loads((place / "out" / "moor.summary.json").read_text())
    assert document["delivery"]["means"] == ["hour", "day", "month"] and "README.txt" in document["outputs"]
    ran = here(capsys, *DELIVER, "--quiet")
    assert (ran.status, ran.out, ran.err) == (0, "", "")


BAD = [
    ("write", ("--write", "xml"), ("--write: 'xml' is no format", "csv, parquet, netcdf")),
    ("write-near", ("--write", "netcfd"), ("nearest known: netcdf",)),
    ("means", ("--means", "week"), ("--means: 'week' is no span", "hour, day, month")),
    ("flags", ("--flags", "colours"), ("--flags",)),
    ("complete", ("--complete", "1/2"), ("--complete",)),
    ("complete-month", ("--complete-month", "5/3"), ("--complete-month",)),
    ("offset", ("--day-offset", "+25:00"), ("--day-offset", "is no offset from UTC", "at most 14 hours")),
    ("from", ("--from", "tomorrow"), ("--from: 'tomorrow' is no time",)),
    ("order", ("--from", "2026-06-02", "--to", "2026-06-01"), ("--from: lies after --to", "exchange them")),
    ("nothing", ("--from", "2030-01-01"), ("no row lies in the period", "2026-06-01T00:10:00Z")),
    ("licence", ("--licence", "x" * 2001), ("--licence", "longer than 2000")),
    ("rules", ("--rules", "none.toml"), ("none.toml",)),
    ("neighbour", ("--neighbour", "none.csv"), ("none.csv: does not exist",)),
    ("out", ("--out", "moor.csv"), ("moor.csv is no folder",)),
]


@pytest.mark.parametrize(("more", "words"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
def test_what_cannot_be_used_is_one_line_and_nothing_is_written(
    place: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], words: tuple[str, ...]
) -> None:
    before = held(place)
    ran = here(capsys, *DELIVER, *more)
    assert (ran.status, ran.out) == (2, "")
    assert all(word in ran.line for word in words), ran.line
    assert held(place) == before


def test_a_file_of_no_known_layout_beside_a_good_one(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "odd.csv").write_text("a,b\n1,2\n")
    ran = here(capsys, *DELIVER, "odd.csv", "--quiet")
    assert ran.status == 1 and "odd.csv" in ran.line
    assert (place / "out" / "README.txt").exists()


def test_another_delivery_stands_in_the_way(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert here(capsys, *DELIVER, "--quiet").status == 0
    ran = here(capsys, *DELIVER, "--to", "2026-06-01")
    assert ran.status == 2 and "more than the new one" in ran.line and "--replace" in ran.line
    assert here(capsys, *DELIVER, "--to", "2026-06-01", "--replace", "--quiet").status == 0
    (place / "out" / "rules.csv").write_text("mine\n")
    ran = here(capsys, *DELIVER)
    assert ran.status == 2 and "rules.csv: was changed since it was written" in ran.line


def test_only_what_was_asked_for(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert here(capsys, *DELIVER, "--means", "none", "--quiet").status == 0
    assert not (place / "out" / "means").exists()
    assert here(capsys, *DELIVER, "--means", "month, day", "--write", "netcdf", "--quiet").status == 0
    assert sorted(p.name for p in (place / "out" / "means").glob("*.csv")) == ["moor.ten.day.csv", "moor.ten.month.csv"]
    assert sorted(p.suffix for p in (place / "out" / "data").iterdir()) == [".csv", ".json", ".nc"]


def test_verdicts_are_those_of_check_with_the_same_rules(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "tight.toml").write_text('range.air_temperature.high = { value = 14.0, reason = "a test" }\n')
    rules = ("--rules", "tight.toml", "--quiet")
    assert here(capsys, "check", "moor.station.toml", "moor.csv", "--out", "checked", *rules).status == 0
    assert here(capsys, *DELIVER, *rules).status == 0
    with (
        (place / "checked" / "moor.ten.flagged.csv").open() as a,
        (place / "out/data/moor.ten.2026-06.csv").open() as b,
    ):
        one, two = [[(r["t_verdict"], r["t_checks"]) for r in csv.DictReader(file)] for file in (a, b)]
    assert one == two and ("3", "range") in one
    with (place / "out" / "rules.csv").open() as file:
        limit = next(r for r in csv.DictReader(file) if r["limit"] == "range.air_temperature.high")
    assert (limit["value"], limit["origin"], limit["reason"]) == ("14.0", "rules file", "a test")


def test_the_command_of_the_readme_makes_it_again(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the station file and the logs of the delivery, and the tables."""
    (place / "tight.toml").write_text('range.air_temperature.high = { value = 14.0, reason = "a test" }\n')
    asked = ["--rules", str(place / "tight.toml"), "--initials", "--flags", "ioc", "--day-offset", "-06:00", "--write",
             "parquet", "--contact", "the office; ask for 'J'", "--licence", "$HOME `ls`", "--quiet"]  # fmt: skip
    assert here(capsys, *DELIVER, *asked).status == 0
    text = (place / "out" / "README.txt").read_text()
    (command,) = [line for line in text.splitlines() if line.startswith("  fairvane deliver ")]
    words = shlex.split(command)
    assert words.pop(0) == "fairvane"
    elsewhere = place / "elsewhere"
    elsewhere.mkdir()
    for name in ("moor.station.toml", "decisions.csv"):
        shutil.copy(place / "out" / name, elsewhere / name)
    for name in ("moor.csv", "tight.toml"):
        shutil.copy(place / name, elsewhere / name)
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(elsewhere)
        assert here(capsys, *words, "--quiet").status == 0
    assert held(elsewhere / "again") == held(place / "out")
    assert "Kowalski" not in text


def test_a_log_of_another_name_is_told(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "logs").mkdir()
    (place / "decisions.csv").rename(place / "logs" / "d.csv")
    file = place / "moor.station.toml"
    file.write_text(file.read_text().replace('"decisions.csv"', '"logs/d.csv"'))
    assert here(capsys, *DELIVER, "--quiet").status == 0
    assert "looks for decisions.csv under logs/d.csv" in (place / "out" / "README.txt").read_text()
