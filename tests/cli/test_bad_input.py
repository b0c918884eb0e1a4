"""Bad input, on the command line: exit status, one line that says what, where and how to mend it, nothing written."""

from __future__ import annotations

import gzip
import json
import os
import re
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from qc.cli import COMMANDS
from qc.places import folder
from tests.cli.runs import NOBODY, Ran, apart, held, here
from tests.small import ANOTHER_TABLE, BROKEN, NAMES, ROWS, STATION, TABLE, WRONG, Edits, changed

OUTPUTS = {
    "hay-loft.ten.flagged.csv",
    "hay-loft.ten.episodes.csv",
    "hay-loft.ten.conflicts.csv",
    "hay-loft.rejects.csv",
    "hay-loft.summary.json",
}


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that a run stands in: a station file and a table that fit each other."""
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_text(STATION)
    Path("t.csv").write_text(TABLE)
    return tmp_path


def refused(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 2) -> str:
    """Run, and see that it was refused: the status, one line, no output, nothing written. Gives the line."""
    before = held(Path())
    ran = here(capsys, *arguments)
    assert (ran.status, ran.out) == (status, ""), ran
    assert held(Path()) == before, "something was written"
    assert "; " in ran.line or "nearest known" in ran.line, f"it does not say how to mend it: {ran.line}"
    return ran.line


def taken(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> Ran:
    """Run, and see that it went through without a word on standard error."""
    ran = here(capsys, *arguments)
    assert (ran.status, ran.err) == (status, ""), ran
    return ran


def document(text: str) -> Any:
    """One JSON document and nothing else, without NaN."""

    def no(word: str) -> None:
        raise AssertionError(f"{word} stands in the document")

    return json.loads(text, parse_constant=no)


def summary(out: str = "out") -> Any:
    return document(Path(out, "hay-loft.summary.json").read_text("utf-8"))


# ---- tables

PNG = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)) * 40
NO_LAYOUT = ("[[table.layout]]", "`fairvane draft`")

TABLES = (
    ("empty", b"", 2, ("bad.csv: is empty", "download it again")),
    ("line-ends", b"\n\r\n\n", 1, ("bad.csv", "names row", *NO_LAYOUT)),
    ("header-only", NAMES.encode(), 2, ("bad.csv: holds header lines only",)),
    ("delimiter", TABLE.replace(",", "#").encode(), 1, ("bad.csv", "names row", "'Stamp'", *NO_LAYOUT)),
    (
        "misfit",
        TABLE.replace("Temp", "Tmp").encode(),
        1,
        ("bad.csv", "line 1", "layout 1 of table ten", "lacks 'Temp'", "nearest known: Tmp", *NO_LAYOUT),
    ),
    ("nothing-alike", b"a,b,c\n1,2,3\n", 1, ("bad.csv", "names row", *NO_LAYOUT)),
    ("picture", PNG, 2, ("bad.csv: is no text", "CSV")),
    ("gzip", gzip.compress(TABLE.encode() * 20, mtime=0), 2, ("bad.csv: is no text", "CSV")),
    ("nul", b"\x00" * 4096, 2, ("bad.csv: is no text",)),
    (
        "all-rejected",
        (NAMES + "yesterday,1,2,3,4\n" * 5).encode(),
        2,
        ("bad.csv: none of its 5 lines", "line 2", "'yesterday'", "%Y-%m-%d"),
    ),
    (
        "quotes-open",
        (NAMES + '"2026-03-01 10:00,1,2,3,4\n' * 5).encode(),
        2,
        ("bad.csv: none of its 5 lines", "line 2", "quotation mark"),
    ),
    ("escapes", (NAMES + "\x1b]0;x\x1b[31m,1,2,3,4\n" * 5).encode(), 2, ("bad.csv: none of its 5 lines", "·]0;x·")),
    ("station-file", STATION.encode(), 1, ("bad.csv", *NO_LAYOUT)),
)


@pytest.mark.parametrize(("raw", "status", "words"), [t[1:] for t in TABLES], ids=[t[0] for t in TABLES])
def test_table_alone(
    place: Path, capsys: pytest.CaptureFixture[str], raw: bytes, status: int, words: tuple[str, ...]
) -> None:
    Path("bad.csv").write_bytes(raw)
    line = refused(capsys, "check", "s.toml", "bad.csv", "--out", "out", status=status)
    for word in words:
        assert word in line


@pytest.mark.parametrize("raw", [t[1] for t in TABLES], ids=[t[0] for t in TABLES])
def test_table_beside_a_good_one(place: Path, capsys: pytest.CaptureFixture[str], raw: bytes) -> None:
    Path("bad.csv").write_bytes(raw)
    ran = here(capsys, "check", "s.toml", "bad.csv", "t.csv", "--out", "out", "--json")
    assert ran.status == 1
    assert "bad.csv" in ran.line
    assert [i["path"] for i in document(ran.out)["inputs"]] == ["t.csv"]
    assert set(held(Path("out"))) == OUTPUTS


def test_two_misfits_are_both_named(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("bad.csv", "worse.csv"):
        Path(name).write_text(TABLE.replace("Temp", "Tmp"))
    line = refused(capsys, "check", "s.toml", "bad.csv", "worse.csv", "--out", "out", status=1)
    assert "bad.csv" in line
    assert "worse.csv" in line


SELECT = ('line_counter = "No"', 'select = { column = "%s", equals = "A" }')
COLUMNS = (
    ("time", ('columns = ["Stamp"]', 'columns = ["When"]'), ("no time column 'When'",)),
    ("select", (SELECT[0], SELECT[1] % "Site"), ("no select column 'Site'",)),
    ("no-row-of-it", (SELECT[0], SELECT[1] % "No"), ("rows of other stations only", "select")),
)


@pytest.mark.parametrize(("edits", "words"), [c[1:] for c in COLUMNS], ids=[c[0] for c in COLUMNS])
def test_column_that_the_names_row_lacks(
    place: Path, capsys: pytest.CaptureFixture[str], edits: Edits, words: tuple[str, ...]
) -> None:
    Path("s.toml").write_text(changed(edits))
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out")
    for word in ("t.csv", *words):
        assert word in line


def test_line_counter_that_the_names_row_lacks_proves_nothing(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("s.toml").write_text(changed(('line_counter = "No"', 'line_counter = "Nr"')))
    taken(capsys, "check", "s.toml", "t.csv", "--out", "out", "--quiet")


# ---- station files


@pytest.mark.parametrize(("edits", "words"), [w[1:] for w in WRONG], ids=[w[0] for w in WRONG])
def test_station_file(place: Path, capsys: pytest.CaptureFixture[str], edits: Edits, words: tuple[str, ...]) -> None:
    Path("s.toml").write_text(changed(edits), "utf-8")
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out")
    assert line.startswith("fairvane: s.toml: ")
    for word in words:
        assert word in line
    assert refused(capsys, "rules", "s.toml") == line


@pytest.mark.parametrize(("raw", "words"), [b[1:] for b in BROKEN], ids=[b[0] for b in BROKEN])
def test_no_station_file_at_all(
    place: Path, capsys: pytest.CaptureFixture[str], raw: bytes, words: tuple[str, ...]
) -> None:
    Path("s.toml").write_bytes(raw)
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out")
    for word in ("s.toml: ", *words):
        assert word in line


def test_station_file_and_table_exchanged(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, "check", "t.csv", "s.toml", "--out", "out")
    assert "t.csv: line 1: is no TOML" in line
    assert "is it a table?" in line


def test_station_file_of_100_megabytes(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Path("s.toml").open("wb") as file:
        file.truncate(100_000_000)
    ran = here(capsys, "check", "s.toml", "t.csv", "--out", "out")
    assert ran.status == 2
    assert "s.toml: is too large for a station file (100 MB)" in ran.line
    assert not Path("out").exists()


H = "range.air_temperature.high"
RULES = (
    (
        "unknown",
        '"range.air_temperature.hihg" = { value = 5, reason = "x" }',
        ("range.air_temperature.hihg: is no limit", f"nearest known: {H})"),
    ),
    ("reason", f'"{H}" = {{ value = 5 }}', (f"{H}: needs a value and a reason", "reason = ")),
    ("reason-blank", f'"{H}" = {{ value = 5, reason = " " }}', (f"{H}: needs a value and a reason",)),
    ("value", f'{H} = {{ reason = "x" }}', (f"{H}: needs a value and a reason",)),
    ("bare", f"{H} = 5", (f"{H}: needs a value and a reason",)),
    (
        "text",
        f'{H} = {{ value = "hot", reason = "x" }}',
        (f"{H}: value is neither a number nor a list", "shipped is 60"),
    ),
    ("true", f'{H} = {{ value = true, reason = "x" }}', (f"{H}: value is neither a number nor a list",)),
    ("nan", f'{H} = {{ value = nan, reason = "x" }}', (f"{H}: value is neither a number nor a list",)),
    ("key", f'{H} = {{ value = 5, reason = "x", unit = "K" }}', (f"{H}: knows no key 'unit'",)),
    (
        "steps",
        'step.air_temperature = { value = [["1h", 3], ["1min", 2]], reason = "x" }',
        ("step.air_temperature: value is neither",),
    ),
    (
        "duration",
        'step.air_temperature = { value = [["1 hour", 3]], reason = "x" }',
        ("step.air_temperature: value '1 hour' is no duration",),
    ),
    (
        "check",
        'stpe.air_temperature = { value = 3, reason = "x" }',
        ("stpe.air_temperature: is no limit", "step.air_temperature"),
    ),
    ("escape", r'"\u001b[31m" = { value = 3, reason = "x" }', ("·[31m: is no limit",)),
)


@pytest.mark.parametrize(("text", "words"), [r[1:] for r in RULES], ids=[r[0] for r in RULES])
def test_rules(place: Path, capsys: pytest.CaptureFixture[str], text: str, words: tuple[str, ...]) -> None:
    Path("r.toml").write_text(f"[rules]\n{text}\n")
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out", "--rules", "r.toml")
    for word in ("r.toml: ", *words):
        assert word in line
    Path("s.toml").write_text(f"{STATION}{text}\n")
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out")
    for word in ("s.toml: rules: ", *words):
        assert word in line


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (None, ("r.toml: does not exist",)),
        (b"x = = 1\n", ("r.toml: line 1: is no TOML", "mend that line")),
        (b"\xff\n", ("r.toml: line 1: is not UTF-8",)),
        (b"rules = 5\n", ("r.toml: holds more than [rules]",)),
        (STATION.encode(), ("r.toml: holds more than [rules]", "not a station file")),
        (b"a" * 5_000_000, ("r.toml: is too large for a rules file",)),
    ],
    ids=["missing", "broken", "not-utf8", "no-table", "station-file", "large"],
)
def test_rules_file(place: Path, capsys: pytest.CaptureFixture[str], raw: bytes | None, words: tuple[str, ...]) -> None:
    if raw is not None:
        Path("r.toml").write_bytes(raw)
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", "out", "--rules", "r.toml")
    for word in words:
        assert word in line
    assert refused(capsys, "rules", "--rules", "r.toml") == line


# ---- paths that are no plain files


def _made(kind: str) -> str:
    path = Path("odd")
    if kind == "folder":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as made:
            made.bind("odd")
    elif kind in ("loop", "dangling"):
        path.symlink_to("odd" if kind == "loop" else "nowhere")
    return {"null": "/dev/null", "zero": "/dev/zero", "long": "x" * 10_000, "under-file": "t.csv/odd"}.get(kind, "odd")


KINDS = (
    ("folder", "is a folder"),
    ("fifo", "is no plain file"),
    ("socket", "is no plain file"),
    ("null", "is no plain file"),
    ("zero", "is no plain file"),
    ("missing", "does not exist"),
    ("dangling", "does not exist"),
    ("loop", "cannot be read"),
    ("long", "cannot be read"),
    ("under-file", "cannot be read"),
)


@pytest.mark.parametrize(("kind", "words"), KINDS, ids=[k[0] for k in KINDS])
def test_path(place: Path, capsys: pytest.CaptureFixture[str], kind: str, words: str) -> None:
    """Also beside a good table: such a path is an unusable argument. Nothing may wait for a pipe, or read a device."""
    odd = _made(kind)
    for arguments in ([odd, "t.csv"], ["s.toml", odd], ["s.toml", "t.csv", odd], ["s.toml", "t.csv", "--rules", odd]):
        line = refused(capsys, "check", *arguments, "--out", "out")
        assert words in line
        assert odd[:200] in line or odd[:190] in line


def test_path_with_signs_that_a_terminal_obeys(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "a\x1b]0;owned\x07\x1b[31m\n\r\u202eb\u2028.csv"
    Path(name).write_text(NAMES)
    line = refused(capsys, "check", "s.toml", name, "--out", "out")
    assert "a·]0;owned··[31m···b·.csv: holds header lines only" in line
    line = refused(capsys, "check", "s.toml", f"no{name}", "--out", "out")
    assert "noa·]0;owned··[31m···b·.csv: does not exist" in line


def test_path_of_bytes_that_are_no_text(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = os.fsdecode(b"t\xff\xfe.csv")
    Path(name).write_text(NAMES)
    assert "t··.csv: holds header lines only" in refused(capsys, "check", "s.toml", name, "--out", "out")
    Path(name).write_text(TABLE)
    ran = taken(capsys, "check", "s.toml", name, "--out", "out", "--json")
    assert document(ran.out)["inputs"][0]["kept"] == len(ROWS)
    assert summary() == document(ran.out)


@pytest.mark.parametrize("name", [" a table .csv", "$HOME;ls|x&'\".csv", "-o.csv", "--replace"])
def test_odd_names_are_taken(place: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    Path(name).write_text(TABLE)
    taken(capsys, "check", "--quiet", "--out", "out", "--", "s.toml", name)
    assert summary()["inputs"][0]["path"] == name


# ---- arguments

T = "fairvane: "
CHECK = ("check", "s.toml", "t.csv", "--out", "out")
TIMES = "write it like 2026-03-01"
ARGUMENTS = (
    ("nothing", (), ("Missing command", "`fairvane --help`")),
    ("command", ("chekc", "s.toml"), ("no command 'chekc'", "nearest known: check)", "`fairvane --help`")),
    ("command-far", ("xyzzy",), ("no command 'xyzzy'",)),
    ("command-escape", ("\x1b[31mred\n",), ("no command '·[31mred·'",)),
    ("command-10kB", ("x" * 10_000,), ("no command 'xxx", "…'")),
    ("option", (*CHECK, "--frm", "2026-03-01"), ("--frm", "--from", "`fairvane check --help`")),
    ("option-10kB", (*CHECK, "--" + "x" * 10_000), ("--xxx",)),
    ("no-arguments", ("check",), ("STATION_FILE", "`fairvane check --help`")),
    ("no-table", ("check", "s.toml", "--out", "out"), ("TABLE_FILE", "`fairvane check --help`")),
    ("no-out", ("check", "s.toml", "t.csv"), ("--out", "`fairvane check --help`")),
    ("out-without", ("check", "s.toml", "t.csv", "--out"), ("--out", "`fairvane")),
    ("out-empty", ("check", "s.toml", "t.csv", "--out", ""), ("--out", "path is empty")),
    ("station-empty", ("check", "", "t.csv", "--out", "out"), ("STATION_FILE", "path is empty")),
    ("table-empty", ("check", "s.toml", "", "--out", "out"), ("TABLE_FILE", "path is empty")),
    ("table-nul", ("check", "s.toml", "a\0b", "--out", "out"), ("TABLE_FILE", "NUL byte")),
    ("write", (*CHECK, "--write", "xml"), ("--write: 'xml' is no format", "csv, parquet")),
    ("write-near", (*CHECK, "--write", "csv,parqet"), ("--write: 'parqet' is no format", "nearest known: parquet)")),
    ("write-empty", (*CHECK, "--write", ""), ("--write: '' is no format",)),
    ("fail-on", (*CHECK, "--fail-on", "bad"), ("--fail-on", "'bad'", "'doubtful'")),
    ("from", (*CHECK, "--from", "yesterday"), ("--from: 'yesterday' is no time", TIMES)),
    ("from-empty", (*CHECK, "--from", ""), ("--from: '' is no time", TIMES)),
    ("from-10kB", (*CHECK, "--from", "2" * 10_000), ("--from: '222", "is no time")),
    ("from-month", (*CHECK, "--from", "2026-13-01"), ("--from: '2026-13-01' is no time",)),
    ("from-year-1", (*CHECK, "--from", "0001-01-01T00:00+14:00"), ("--from: the year 1 is outside 1900 to 2200",)),
    ("to-year-9999", (*CHECK, "--to", "9999-12-31"), ("--to: the year 9999",)),
    ("as-of", (*CHECK, "--as-of", "soon"), ("--as-of: 'soon' is no time", TIMES)),
    (
        "from-after-to",
        (*CHECK, "--from", "2026-03-02", "--to", "2026-03-01"),
        ("--from: lies after --to", "exchange them"),
    ),
    (
        "to-before-data",
        (*CHECK, "--to", "2026-02-01"),
        ("no row lies in the period", "2026-03-01T10:00:00Z to 2026-03-01T13:50:00Z"),
    ),
    ("from-after-data", (*CHECK, "--from", "2026-04-01"), ("no row lies in the period",)),
    ("check-id", ("rules", "--check", "stpe"), ("--check: there is no check 'stpe'", "nearest known: step)")),
    ("rules-station", ("rules", "nowhere.toml"), ("nowhere.toml: does not exist",)),
    ("demo-full", ("demo", "."), (".: exists and is not an empty folder", "new folder")),
    ("demo-file", ("demo", "t.csv"), ("t.csv: exists and is not an empty folder",)),
    ("demo-under-file", ("demo", "t.csv/demo"), ("t.csv/demo: cannot be written",)),
    ("out-file", ("check", "s.toml", "t.csv", "--out", "t.csv"), ("--out: t.csv is no folder",)),
    ("out-under-file", ("check", "s.toml", "t.csv", "--out", "t.csv/a/b"), ("t.csv/a/b: cannot be made",)),
    ("out-long", ("check", "s.toml", "t.csv", "--out", "new/" + "x" * 10_000), ("new/xxx", "cannot be made", "--out")),
    ("out-null", ("check", "s.toml", "t.csv", "--out", "/dev/null"), ("--out: /dev/null is no folder",)),
)


@pytest.mark.parametrize(("arguments", "words"), [a[1:] for a in ARGUMENTS], ids=[a[0] for a in ARGUMENTS])
def test_arguments(
    place: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: tuple[str, ...]
) -> None:
    line = refused(capsys, *arguments)
    for word in words:
        assert word in line


def test_time_that_the_logger_clock_never_showed(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("s.toml").write_text(changed(('utc_offset = "+00:00"', 'time_zone = "Europe/London"')))
    line = refused(capsys, *CHECK, "--from", "2026-03-29T01:30")  # summer time began at 01:00 UTC
    assert "--from: the logger clock never showed 2026-03-29T01:30" in line
    assert "with a zone" in line


def test_log_level(place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAIRVANE_LOG", "loud")
    assert "FAIRVANE_LOG: 'loud' is no level; choose from debug" in refused(capsys, *CHECK)


# ---- outputs that stand there already


@pytest.fixture
def done(place: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """An output folder of an earlier run."""
    taken(capsys, *CHECK, "--quiet")
    return Path("out")


FLAGGED, SUMMARY = "hay-loft.ten.flagged.csv", "hay-loft.summary.json"


def test_same_again_replaces(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = held(done)
    taken(capsys, *CHECK, "--quiet")
    assert held(done) == before


def test_more_than_before_replaces(done: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("t.csv").write_text(TABLE + "2026-03-01 14:00,25,7.5,990.5,223\n")
    taken(capsys, *CHECK, "--quiet")
    assert summary()["tables"]["ten"]["rows"] == len(ROWS) + 1


def _less(where: Path) -> None:
    Path("t.csv").write_text(NAMES + "".join(ROWS[:-1]))


def _no_sums(where: Path) -> None:
    told = summary()
    told["outputs"] = {}
    (where / SUMMARY).write_text(json.dumps(told))


IN_THE_WAY = (
    ("changed", lambda where: (where / FLAGGED).write_text("time\n"), f"{FLAGGED}: was changed since"),
    ("less", _less, f"{SUMMARY}: covers 2026-03-01T10:00:00Z to 2026-03-01T13:50:00Z, more than"),
    ("no-summary", lambda where: (where / SUMMARY).unlink(), f"{FLAGGED}: stands there already, without a summary"),
    ("summary-broken", lambda where: (where / SUMMARY).write_text("{"), "stands there already, without a summary"),
    (
        "summary-of-another-kind",
        lambda where: (where / SUMMARY).write_text('{"outputs": {}, "tables": {"ten": 5}}'),
        "without a summary",
    ),
    ("summary-a-list", lambda where: (where / SUMMARY).write_text("[]"), "without a summary"),
    ("not-told-of", _no_sums, "the summary beside it does not tell of it"),
)


@pytest.mark.parametrize(("change", "words"), [w[1:] for w in IN_THE_WAY], ids=[w[0] for w in IN_THE_WAY])
def test_outputs_that_must_not_be_replaced(
    done: Path, capsys: pytest.CaptureFixture[str], change: Any, words: str
) -> None:
    change(done)
    line = refused(capsys, *CHECK)
    assert words in line
    assert "--replace" in line
    taken(capsys, *CHECK, "--quiet", "--replace")
    assert set(held(done)) == OUTPUTS
    assert summary()["outputs"].keys() == OUTPUTS - {SUMMARY}


def test_foreign_file_of_an_output_name(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("out").mkdir()
    Path("out", "hay-loft.rejects.csv").write_text("mine\n")
    assert "hay-loft.rejects.csv: stands there already" in refused(capsys, *CHECK)


def test_other_files_are_left_alone(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("out").mkdir()
    Path("out", "notes.txt").write_text("mine\n")
    Path("out", f".{FLAGGED}.dead.part").write_text("left by a run that was killed\n")
    taken(capsys, *CHECK, "--quiet")
    assert set(held(Path("out"))) == OUTPUTS | {"notes.txt", f".{FLAGGED}.dead.part"}


@pytest.mark.parametrize("kind", ["folder", "fifo"])
@pytest.mark.parametrize("name", [FLAGGED, "hay-loft.rejects.csv", SUMMARY])
def test_something_else_of_an_output_name(done: Path, capsys: pytest.CaptureFixture[str], kind: str, name: str) -> None:
    (done / name).unlink()
    (done / name).mkdir() if kind == "folder" else os.mkfifo(done / name)
    assert f"{name}: is no plain file" in refused(capsys, *CHECK)
    if kind == "folder":
        assert f"{name}: is a folder" in refused(capsys, *CHECK, "--replace")


RAIN = 'quantity = "precipitation"\ncolumn = "Rain"\nunit = "mm"'


def test_older_outputs_without_a_row_are_replaced(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table that had no row in the older period covers nothing."""
    Path("s.toml").write_text(
        changed(
            [
                (
                    '[[channel]]\nname = "t_air"\n',
                    (ANOTHER_TABLE % "hour").replace("%s", "%Y-%m-%d %H:%M") + 'table = "ten"\n',
                ),
                ('name = "p"', 'name = "p"\ntable = "ten"'),
                ('name = "wd"', 'name = "wd"\ntable = "hour"'),
                ('quantity = "wind_direction"\ncolumn = "Dir"\nunit = "degree"', RAIN),
            ]
        )
    )
    Path("h.csv").write_text("Hour,Rain\n2026-03-05 12:00,0.0\n2026-03-05 13:00,0.0\n")
    arguments = ("check", "s.toml", "t.csv", "h.csv", "--out", "out", "--quiet")
    taken(capsys, *arguments, "--to", "2026-03-02")
    assert summary()["tables"]["hour"]["period"]["from"] is None
    taken(capsys, *arguments)
    assert summary()["tables"]["hour"]["rows"] == 2


# ---- what cannot be read or written

# Root may read and write everything, so it becomes nobody, after a first run that loads what nobody may not load.
AS_NOBODY = f"""
import contextlib, io, os, sys
from pathlib import Path
from qc.cli import main
with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
    main(["check", "warm/s.toml", "warm/t.csv", "--rules", "warm/r.toml", "--out", "warm/out"])
with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
    main(["demo", "warm/demo"])
assert Path("warm/out/hay-loft.summary.json").is_file() and Path("warm/demo/checked").is_dir()
sample = Path("warm/sample").resolve()
sys.modules["qc.cli.demo"].data_folder = lambda name: sample
os.setgroups([])
os.setgid({NOBODY})
os.setuid({NOBODY})
"""


def by_nobody(*arguments: object, umask: int = 0o022) -> Ran:
    """Run by a user without rights: this one, or nobody where this one is root."""
    return apart(*arguments, script=f"{AS_NOBODY if os.geteuid() == 0 else 'import os'}\nos.umask({umask})")


@pytest.fixture
def open_place(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The same, where another user may go and look: pytest's own folders are closed."""
    with tempfile.TemporaryDirectory() as made:
        monkeypatch.chdir(made)
        Path().chmod(0o755)
        Path("warm").mkdir()
        shutil.copytree(folder("sample_data"), "warm/sample")
        for name, text in (("s.toml", STATION), ("t.csv", TABLE), ("r.toml", "[rules]\n")):
            Path(name).write_text(text)
            Path("warm", name).write_text(text)
        yield Path(made)
        monkeypatch.undo()


@pytest.mark.parametrize("name", ["t.csv", "s.toml", "r.toml"])
def test_no_permission_to_read(open_place: Path, name: str) -> None:
    Path(name).chmod(0)
    Path("out").mkdir()
    Path("out").chmod(0o777)
    ran = by_nobody("check", "s.toml", "t.csv", "--rules", "r.toml", "--out", "out")
    assert (ran.status, ran.out) == (2, ""), ran
    assert f"{name}: cannot be read (Permission denied); mend its permissions" in ran.line
    assert held(Path("out")) == {}


def test_no_permission_to_look(open_place: Path) -> None:
    Path("locked").mkdir()
    shutil.copy("t.csv", "locked/t.csv")
    Path("locked").chmod(0)
    ran = by_nobody("check", "s.toml", "locked/t.csv", "--out", "out")
    assert (ran.status, ran.out) == (2, ""), ran
    assert "locked/t.csv: cannot be read (Permission denied)" in ran.line
    Path("locked").chmod(0o755)


def test_one_table_that_may_not_be_read_beside_a_good_one(open_place: Path) -> None:
    shutil.copy("t.csv", "u.csv")
    Path("u.csv").chmod(0)
    Path("out").mkdir()
    Path("out").chmod(0o777)
    ran = by_nobody("check", "s.toml", "t.csv", "u.csv", "--out", "out", "--quiet")
    assert (ran.status, ran.out) == (1, "")
    assert "u.csv: cannot be read (Permission denied)" in ran.line
    assert set(held(Path("out"))) == OUTPUTS


@pytest.mark.parametrize("out", ["locked", "locked/new", "locked/new/newer"])
@pytest.mark.parametrize("command", ["check", "demo"])
def test_folder_that_cannot_be_written(open_place: Path, out: str, command: str) -> None:
    Path("locked").mkdir(mode=0o555)
    arguments = ["check", "s.toml", "t.csv", "--out", out] if command == "check" else ["demo", out]
    ran = by_nobody(*arguments)
    assert (ran.status, ran.out) == (2, ""), ran
    assert out in ran.line
    assert "(Permission denied); " in ran.line
    assert held(Path("locked")) == {}


def test_folder_that_can_be_made_but_not_used(open_place: Path) -> None:
    """A umask that closes the outer of two new folders before the inner one is made."""
    Path("free").mkdir()
    Path("free").chmod(0o777)
    ran = by_nobody("check", "s.toml", "t.csv", "--out", "free/a/b", umask=0o777)
    assert (ran.status, ran.out) == (2, ""), ran
    assert "free/a/b: cannot be made (Permission denied); give another folder with --out" in ran.line
    assert held(Path("free")) == {}


@pytest.fixture
def small_disk(place: Path) -> Iterator[Path]:
    """A disk of 64 kB."""
    disk = place / "disk"
    disk.mkdir()
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a small disk")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def _long_table() -> str:
    days = [f"2026-{m:02d}-{d:02d}" for m in (3, 5) for d in range(1, 31)]
    return NAMES + "".join(f"{day} {h:02d}:{m}0,1,5.0,990.5,200\n" for day in days for h in range(24) for m in range(6))


@pytest.mark.parametrize("out", ["disk", "disk/a/b"])
@pytest.mark.parametrize("formats", ["csv", "parquet"])
def test_full_disk(small_disk: Path, capsys: pytest.CaptureFixture[str], out: str, formats: str) -> None:
    Path("t.csv").write_text(_long_table())
    (small_disk / "mine.txt").write_bytes(b"x" * (60_000 if formats == "parquet" else 10))
    line = refused(capsys, "check", "s.toml", "t.csv", "--out", out, "--write", formats)
    assert f"{out}/hay-loft." in line
    assert "No space left on device" in line
    assert "make room" in line


def test_full_disk_leaves_older_outputs_whole(small_disk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("check", "s.toml", "t.csv", "--out", "disk", "--quiet")
    taken(capsys, *arguments)
    Path("t.csv").write_text(_long_table())
    assert "No space left" in refused(capsys, *arguments)


@pytest.mark.parametrize("there", [True, False])
def test_full_disk_and_the_demo(small_disk: Path, capsys: pytest.CaptureFixture[str], there: bool) -> None:
    if there:
        (small_disk / "hello").mkdir()
    line = refused(capsys, "demo", "disk/hello" if there else "disk/new/hello")
    assert "cannot be written" in line


@pytest.mark.parametrize("largest", [0, 500, 2000])
def test_file_that_may_not_grow(place: Path, largest: int) -> None:
    """The same on any machine and by any user: files may hold `largest` bytes."""
    before = held(place)
    limit = partial(resource.setrlimit, resource.RLIMIT_FSIZE, (largest, largest))
    ran = apart("check", "s.toml", "t.csv", "--out", "new/out", cwd=place, preexec_fn=limit)
    assert (ran.status, ran.out) == (2, ""), ran
    assert "cannot be written (File too large); make room" in ran.line
    assert held(place) == before


# ---- stopped from outside

IN_MID_WRITING = """
import os, signal
import qc.write.flagged as flagged
whole = flagged.csv_pieces
def pieces(table):
    yield b"half a file"
    assert [n for n in os.listdir("out") if n.endswith(".part")], "nothing was being written"
    os.kill(os.getpid(), {number})
    yield from whole(table)
flagged.csv_pieces = pieces
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_while_writing(place: Path, number: signal.Signals) -> None:
    before = held(place)
    ran = apart(*CHECK, script=IN_MID_WRITING.format(number=int(number)), cwd=place)
    assert (ran.status, ran.out) == (2, ""), ran
    assert "stopped; nothing was written" in ran.line
    assert held(place) == before


def test_crash_is_one_line_and_leaves_nothing(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(table: object) -> Iterator[bytes]:
        yield b"half a file"
        raise ZeroDivisionError("by\nzero")

    monkeypatch.setattr("qc.write.flagged.csv_pieces", broken)
    before = held(place)
    ran = here(capsys, *CHECK)
    assert (ran.status, ran.out) == (1, "")
    assert (
        ran.err == "fairvane: a defect in Fairvane: ZeroDivisionError: by·zero; "
        "FAIRVANE_LOG=debug shows where: please report it\n"
    )
    assert held(place) == before


def test_reader_that_goes_away(place: Path) -> None:
    """`fairvane rules | head -1`: no traceback, and a status that spoils no pipe."""
    reader = "import os, sys; os.read(0, 1); os.close(0)"
    writer = "from qc.cli import main; main()"
    python = f'"{sys.executable}" -c'
    shell = f'set -o pipefail; {python} "{writer}" rules --json | {python} "{reader}"'
    done = subprocess.run(
        ["bash", "-c", shell], capture_output=True, cwd=folder("rules").parent, check=False, timeout=120
    )
    assert (done.returncode, done.stderr) == (0, b"")


def test_standard_output_that_was_closed(place: Path) -> None:
    ran = apart(*CHECK, cwd=place, preexec_fn=partial(os.close, 1), stdout=None)
    assert (ran.status, ran.err) == (0, "")
    assert set(held(Path("out"))) == OUTPUTS


@pytest.mark.parametrize(
    "arguments",
    [("--help",), ("rules",), ("rules", "--json"), CHECK, (*CHECK, "--json")],
    ids=lambda a: " ".join(a[:1] + a[-1:]),
)
def test_standard_output_that_is_full(place: Path, arguments: tuple[str, ...]) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with Path("/dev/full").open("wb") as full:
        ran = apart(*arguments, cwd=place, stdout=full)
    assert ran.status == 1
    assert "standard output: cannot be written (No space left on device)" in ran.line


def test_standard_output_of_few_letters(place: Path) -> None:
    Path("s.toml").write_text(changed(('"Hay Loft"', '"Höfle ☂"')), "utf-8")
    plain = apart(*CHECK, cwd=place, env={"PYTHONIOENCODING": "iso8859-7"})  # Greek, without ö
    assert (plain.status, plain.err) == (0, "")
    assert r"H\xf6fle \u2602" in plain.out
    asked = apart(*CHECK, "--json", cwd=place, env={"PYTHONIOENCODING": "iso8859-7"})
    assert (asked.status, asked.err) == (0, "")
    assert document(asked.out)["name"] == "Höfle ☂"


# ---- odd, but no error


def test_table_given_twice_counts_once(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken(capsys, "check", "s.toml", "t.csv", "t.csv", "--out", "out", "--quiet")
    inputs = summary()["inputs"]
    assert [(i["kept"], i["repeated"]) for i in inputs] in ([(24, 0), (0, 24)], [(0, 24), (24, 0)])
    assert summary()["tables"]["ten"]["rows"] == len(ROWS)


def test_stamps_all_equal(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("t.csv").write_text(NAMES + "".join(f"2026-03-01 10:00,{n},{n}.5,990.0,1\n" for n in range(5)))
    taken(capsys, *CHECK, "--quiet")
    table = summary()["tables"]["ten"]
    assert (table["rows"], table["conflicts"]) == (1, 4)
    assert table["channels"]["t_air"]["checks"]["timing"] == 1
    assert table["channels"]["t_air"]["verdicts"]["inconsistent"] == 1


@pytest.mark.parametrize(("as_of", "ahead"), [("2026-03-01T13:50", 0), ("2026-03-01T13:49:59", 1), ("2026-02-01", 24)])
def test_stamps_from_the_future_are_flagged(
    place: Path, capsys: pytest.CaptureFixture[str], as_of: str, ahead: int
) -> None:
    taken(capsys, *CHECK, "--quiet", "--as-of", as_of)
    assert summary()["tables"]["ten"]["channels"]["t_air"]["checks"].get("timing", 0) == ahead


@pytest.mark.parametrize(("verdict", "status"), [("inconsistent", 3), ("doubtful", 3), ("wrong", 0)])
def test_fail_on(place: Path, capsys: pytest.CaptureFixture[str], verdict: str, status: int) -> None:
    """A temperature that jumps by 14 K in 10 min is doubtful, and nothing but the record itself speaks against it."""
    Path("t.csv").write_text(TABLE.replace(",6.0,", ",20.0,"))
    ran = taken(capsys, *CHECK, "--fail-on", verdict, "--quiet", status=status)
    assert ran.out == ""
    assert set(held(Path("out"))) == OUTPUTS


@pytest.mark.parametrize(
    "arguments", [CHECK, ("rules",), ("rules", "s.toml"), ("demo", "hello")], ids=lambda a: " ".join(a[:2])
)
def test_quiet_is_silent_and_json_is_one_document(
    place: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    assert taken(capsys, *arguments, "--quiet").out == ""
    shutil.rmtree("out", ignore_errors=True)
    shutil.rmtree("hello", ignore_errors=True)
    assert isinstance(document(taken(capsys, *arguments, "--json").out), dict)


def test_json_has_null_where_there_is_no_number(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table without a row in the period has no completeness."""
    Path("t.csv").write_text(NAMES + "2026-03-01 10:00,1,NAN,,nan\n")
    channel = document(taken(capsys, *CHECK, "--json").out)["tables"]["ten"]["channels"]["t_air"]
    assert channel["verdicts"]["missing"] == 1
    assert channel["completeness"] == 0.0


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(capsys: pytest.CaptureFixture[str], command: str) -> None:
    ran = taken(capsys, command, "--help")
    assert re.search(rf"Example:\n +fairvane {command} ", ran.out)
    assert "--json" in ran.out
    assert "--quiet" in ran.out
