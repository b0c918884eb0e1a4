"""`fairvane why`: one value, the checks on it, where it came from; the same verdict as `check` gives."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from qc.cli import COMMANDS
from qc.places import folder
from tests.cli.runs import Ran, apart, here
from tests.small import STATION, TABLE, changed

SAMPLE = folder("sample_data")
FILES = (SAMPLE / "otter-fell_a.csv", SAMPLE / "otter-fell_b.csv")


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Any:
    """Ask the sample station for a value: the document."""

    def asked(channel: str, at: str, *more: object) -> dict[str, Any]:
        ran = here(
            capsys, "why", SAMPLE / "otter-fell.station.toml", *FILES, "--channel", channel, "--at", at, "--json", *more
        )
        assert (ran.status, ran.err) == (0, "")
        found: dict[str, Any] = json.loads(ran.out, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
        return found

    return asked


def check(document: dict[str, Any], name: str) -> dict[str, Any]:
    """What stands in the document about one check."""
    found: dict[str, Any] = next(c for c in document["checks"] if c["check"] == name)
    return found


def outcomes(document: dict[str, Any], outcome: str) -> list[str]:
    """Ids of the checks of an outcome."""
    return [c["check"] for c in document["checks"] if c["outcome"] == outcome]


def test_two_witnesses_make_wrong(ask: Any) -> None:
    found = ask("ws", "2026-03-20T12:00")
    assert (found["value"], found["verdict"], found["word"], found["unit"]) == (4.02, 3, "wrong", "m/s")
    assert found["how"] == "two doubts from different witnesses: persistence (own record) and frozen (another device)"
    assert outcomes(found, "failed") == ["persistence", "frozen"]
    frozen = check(found, "frozen")
    assert (frozen["witness"], frozen["stage"], frozen["verdict"]) == ("another device", 3, 2)
    # truth.toml: 48 h of ten minutes, planted from 12:10 to 12:00
    assert frozen["episode"]["from"] == "2026-03-19T12:10:00Z"
    assert frozen["episode"]["to"] == "2026-03-21T12:00:00Z"
    assert frozen["episode"]["values"] == 288
    assert "stands still for 2 d" in frozen["episode"]["message"]
    windows = [e for e in check(found, "persistence")["limits"] if ".to_" in e["name"]]
    assert [(e["name"], e["value"], e["unit"]) for e in windows] == [("persistence.wind_speed.to_0.02", 3.0, "h")]
    assert {"source": "Fairvane", "standing": "measured", "origin": "rules/checks/persistence.toml"}.items() <= windows[
        0
    ].items()


def test_gross_value(ask: Any) -> None:
    found = ask("t_air", "2026-03-13T05:30Z")
    assert (found["value"], found["verdict"]) == (84.7, 3)
    assert found["how"] == "one check finding it impossible: range (own record)"
    beyond = check(found, "range")
    assert (beyond["number"], beyond["limit"], beyond["unit"]) == (84.7, 60.0, "degC")
    assert [e["name"] for e in beyond["limits"] if e["decides"]] == [
        "range.air_temperature.high", "range.the sensor's own high",
    ]  # fmt: skip
    assert check(found, "step")["why"] == "an earlier stage called the value wrong, so it is missing here"
    assert [row["verdict"] for row in found["around"]] == [0, 0, 0, 3, 0, 0, 0]
    assert found["around"][3]["checks"] == ["range", "climate"]


def test_good_value(ask: Any) -> None:
    found = ask("t_air", "2026-03-03T12:00")
    assert (found["verdict"], found["word"]) == (0, "good")
    assert outcomes(found, "failed") == []
    assert found["how"] == f"{len(outcomes(found, 'passed'))} checks applied, none failed"
    step = check(found, "step")
    assert step["outcome"] == "passed"
    assert step["number"] == pytest.approx(7.59 - 6.92)  # the cells of 12:00 and 11:50
    assert step["limit"] == pytest.approx(8.01)  # 8 K in 10 min and one step of the table
    assert step["unit"] == "K"
    limits = [(e["name"], e["value"], e["source"]) for e in step["limits"]]
    assert limits == [("step.air_temperature", 8.0, "AWS-QC"), ("step.company", 2.5, "Fairvane")]
    assert check(found, "shield")["why"] == "it needs a value in strong sun and weak wind"
    assert check(found, "twin")["why"].startswith("no other sensor")
    assert check(found, "night")["outcome"] == "not meant"
    assert check(found, "climate")["limits"][0]["origin"] == "rules/climates/temperate.toml"


def test_missing_value(ask: Any) -> None:
    found = ask("t_soil", "2026-03-03T12:10")
    assert (found["value"], found["verdict"], found["word"]) == (None, 7, "missing")
    assert found["cell"] == {"is": "a missing-value marker", "text": "-9999"}
    assert found["how"] == "there is no value: marker (cells that hold a missing-value marker)"
    assert check(found, "range")["why"] == "there is no value"


def test_conflicting_stamp(ask: Any) -> None:
    found = ask("t_air", "2026-03-11T14:20")
    assert (found["value"], found["verdict"]) == (8.42, 1)
    assert found["how"] == "one check finding a contradiction: timing (own record)"
    raw = FILES[0].read_bytes().decode("latin-1").split("\n")
    assert [(e["cell"], e["stands"]) for e in found["lines"]] == [("8,42", True), ("9,79", False)]  # truth.toml
    for line in found["lines"]:
        assert line["path"] == str(FILES[0])
        text = raw[line["line"] - 1]
        assert text.startswith("11.03.2026;14:20:00;") and f";{line['cell']};" in text


def test_line_in_the_other_layout(ask: Any) -> None:
    found = ask("batt", "2026-05-30T03:00")
    raw = FILES[1].read_text("utf-8").split("\n")
    (line,) = found["lines"]
    assert raw[line["line"] - 1].startswith("2026-05-30T03:00:00,") and line["column"] == "Batt_V"
    assert line["text"] == raw[line["line"] - 1].rstrip("\r")


def test_rules_file_is_named(ask: Any, tmp_path: Path) -> None:
    rules = tmp_path / "r.toml"
    rules.write_text('step.air_temperature = { value = 0.5, reason = "the cold pool" }')
    found = ask("t_air", "2026-03-03T12:00", "--rules", rules)
    step = check(found, "step")
    assert step["outcome"] == "failed"
    assert {"value": 0.5, "origin": "rules file", "reason": "the cold pool"}.items() <= step["limits"][0].items()
    assert found["how"] == "one doubt: step (own record)"


def test_future(ask: Any) -> None:
    assert ask("t_air", "2026-03-03T12:00", "--as-of", "2026-03-03T12:00")["verdict"] == 0
    found = ask("t_air", "2026-03-03T12:00", "--as-of", "2026-03-03T11:50")
    assert (found["verdict"], check(found, "timing")["number"]) == (2, 600.0)
    assert check(found, "timing")["unit"] == "s"


def test_told_to_a_person(capsys: pytest.CaptureFixture[str]) -> None:
    """The verdict first, then failed, passed, not applied, and the rows around; limits with source and standing."""
    ran = here(capsys, "why", SAMPLE / "otter-fell.station.toml", *FILES, "--channel", "ws", "--at", "2026-03-20T12:00")
    assert (ran.status, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == "ws at 2026-03-20T12:00:00Z (wind speed, otter-fell): 4.02 m/s, wrong"
    assert lines[1].startswith("  3 wrong: two doubts from different witnesses: persistence (own record) and frozen")
    assert "line 2783: cell '4,02'" in lines[2]
    parts = ["Failed:", "Passed:", "Not applied:", "Around it:"]
    assert [line for line in lines if line in parts] == parts
    told = " ".join(ran.out.split())
    assert "persistence.wind_speed.to_0.02 = 3 h, beyond it doubtful (Fairvane, measured" in told
    assert "step change 0 m/s, limit 12.01 m/s: wind_speed 12 m/s (Fairvane, judgement)" in told
    assert "> 2026-03-20T12:00:00Z 4.02 wrong persistence, frozen" in told
    assert not {"nan", "None", "inf"} & set(ran.out.replace(",", " ").split())


def small(tmp_path: Path, *edits: tuple[str, str], table: str = TABLE) -> tuple[Path, Path]:
    station, file = tmp_path / "s.toml", tmp_path / "t.csv"
    station.write_text(changed(list(edits)) if edits else STATION)
    file.write_text(table)
    (tmp_path / "visits.csv").write_text("from,to,channels,effect,note\n")
    return station, file


def test_unit_of_the_layout(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The cell, the value in the output unit, and what was done to it: 5.0 degF is -15 degC."""
    files = small(tmp_path, ('unit = "degC"', 'unit = "degF"'))
    asked = [*files, "--channel", "t_air", "--at", "2026-03-01T10:00"]
    found = json.loads(here(capsys, "why", *asked, "--json").out)
    assert (found["value"], found["unit"], found["cell"]["text"]) == (-15.0, "degC", "5.0")
    assert (found["conversion"]["from"], found["conversion"]["to"]) == ("degF", "degC")
    assert found["conversion"]["factor"] == pytest.approx(5 / 9)
    assert found["conversion"]["offset"] == pytest.approx(-160 / 9)
    assert found["lines"][0]["stands"]
    assert "converted: degF to degC: times 0.555556 - 17.77778" in here(capsys, "why", *asked).out


def test_hour_shown_twice(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A time that the clock showed twice: the first, and the other is named."""
    stamps = [f"2026-10-25 {h}:{m:02d}" for h in ("00", "01", "01", "02") for m in range(0, 60, 10)]
    rows = "".join(f"{stamp},{n + 1},{5 + n / 10:.1f},990.0,200\n" for n, stamp in enumerate(stamps))
    files = small(
        tmp_path, ('utc_offset = "+00:00"', 'time_zone = "Europe/London"'), table="Stamp,No,Temp,Press,Dir\n" + rows
    )
    ran = here(capsys, "why", *files, "--channel", "t_air", "--at", "2026-10-25T01:10", "--json")
    found = json.loads(ran.out)
    assert (found["time"], found["other_time"]) == ("2026-10-25T00:10:00Z", "2026-10-25T01:10:00Z")
    assert (found["value"], [line["line"] for line in found["lines"]]) == (5.7, [9])
    ran = here(capsys, "why", *files, "--channel", "t_air", "--at", "2026-10-25T01:10Z", "--json")
    found = json.loads(ran.out)
    assert (found["time"], found["value"], [line["line"] for line in found["lines"]]) == (
        "2026-10-25T01:10:00Z",
        6.3,
        [15],
    )


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--channel", "t_ait", "--at", "2026-03-01T10:00"], ["--channel", "'t_ait'", "nearest known: t_air"]),
        (["--channel", "t_air", "--at", "2026-03-01T10:05"], ["--at", "2026-03-01T10:00:00Z and 2026-03-01T10:10:00Z"]),
        (["--channel", "t_air", "--at", "2026-02-01"], ["--at", "the nearest is 2026-03-01T10:00:00Z"]),
        (["--channel", "t_air", "--at", "2027-02-01"], ["--at", "the nearest is 2026-03-01T13:50:00Z"]),
        (["--channel", "t_air", "--at", "noon"], ["--at", "'noon' is no time", "2026-03-01T06:00"]),
        (["--channel", "t_air"], ["--at"]),
        (["--at", "2026-03-01T10:00"], ["--channel"]),
    ],
)  # fmt: skip
def test_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path, arguments: list[str], told: list[str]) -> None:
    ran = here(capsys, "why", *small(tmp_path), *arguments)
    assert (ran.status, ran.out) == (2, "")
    assert all(word in ran.line for word in told), ran.line


def test_file_that_cannot_be_read(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    station, file = small(tmp_path)
    other = tmp_path / "u.csv"
    other.write_text("a,b\n1,2\n")
    ran = here(capsys, "why", station, file, other, "--channel", "t_air", "--at", "2026-03-01T10:00")
    assert ran.status == 1
    assert "u.csv" in ran.line
    assert ran.out.startswith("t_air at 2026-03-01T10:00:00Z")


def test_cell_that_a_terminal_would_obey(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    files = small(tmp_path, table=TABLE.replace(",1,5.0,", ",1,\x1b[31m5,", 1))
    ran = here(capsys, "why", *files, "--channel", "t_air", "--at", "2026-03-01T10:00")
    assert ran.status == 0
    assert "cell '·[31m5' in column Temp" in ran.out and "the cell is no number" in ran.out
    assert "t_air holds '·[31m5', which is no number" in ran.out, "click takes an escape out, but not on a terminal"


def test_quiet_says_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    ran = here(capsys, "why", *small(tmp_path), "--channel", "t_air", "--at", "2026-03-01T10:00", "--quiet")
    assert ran == Ran(0, "", "")


def test_help_has_an_example() -> None:
    ran = apart("why", "--help")
    assert ran.status == 0
    assert "Example:" in ran.out and "fairvane why otter-fell.station.toml" in ran.out
    assert list(COMMANDS)[list(COMMANDS).index("check") + 1] == "why"


def test_numbers_in_json_are_finite(ask: Any) -> None:
    def walk(part: Any) -> None:
        for value in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
            assert not isinstance(value, float) or math.isfinite(value)
            walk(value)

    walk(ask("rain", "2026-04-25T10:00"))
