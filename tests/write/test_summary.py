"""`summary.json`: accounts, expected rows, shares, and the sums of what stands beside it."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from qc import run
from qc.verdicts import WORDS
from tests.write.runs import ROWS, STATION, checked


def told(where: Path, rows: str = ROWS, **more: str) -> dict:  # type: ignore[type-arg]
    run.write(checked(where / "in", rows, **more), where / "out")
    document: dict = json.loads((where / "out" / "moor.summary.json").read_text("utf-8"), parse_constant=_constant)  # type: ignore[type-arg]
    return document


def _constant(text: str) -> float:
    raise AssertionError(f"JSON has no {text}")


def test_sums_are_those_of_the_files(tmp_path: Path) -> None:
    document = told(tmp_path)
    beside = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (tmp_path / "out").glob("*.csv")}
    assert document["outputs"] == beside
    assert len(beside) == 4
    assert document["inputs"][0]["sha256"] == hashlib.sha256(ROWS.encode()).hexdigest()


def test_every_line_is_accounted_for(tmp_path: Path) -> None:
    (account,) = told(tmp_path)["inputs"]
    parts = {k: account[k] for k in ("header", "blank", "kept", "repeated", "rejected")}
    assert account["lines"] == sum(parts.values()) == ROWS.count("\n")
    assert parts == {"header": 1, "blank": 0, "kept": 8, "repeated": 1, "rejected": 1}


def test_counts_of_a_table(tmp_path: Path) -> None:
    table = told(tmp_path)["tables"]["ten"]
    assert table["period"] == {"from": "2026-06-21T12:10:00Z", "to": "2026-06-21T13:30:00Z", "interval_s": 600}
    assert (table["rows"], table["conflicts"], table["expected_rows"]) == (7, 1, 9)
    for channel in table["channels"].values():
        assert sum(channel["verdicts"].values()) == table["rows"]
        assert list(channel["verdicts"]) == list(WORDS)
    t = table["channels"]["t"]
    assert t["verdicts"]["missing"] == 2
    assert t["checks"]["marker"] == t["checks"]["unreadable"] == 1
    assert t["completeness"] == round(5 / 9, 6)
    good = t["verdicts"]["good"]
    assert t["usable"] == round(good / 9, 6)
    assert (t["quantity"], t["unit"]) == ("air_temperature", "degC")


@pytest.mark.parametrize(
    ("first", "last", "rows", "expected"),
    [
        (None, None, 7, 9),
        ("2026-06-21T12:00", None, 7, 10),
        ("2026-06-21T12:05", None, 7, 9),
        (None, "2026-06-21T13:40", 7, 10),
        (None, "2026-06-21T13:39", 7, 9),
        ("2026-06-21T12:20", "2026-06-21T13:10", 4, 6),
        ("2026-06-21T12:00", "2026-06-21T14:00", 7, 13),
        ("2026-06-21", "2026-06-21", 7, 144),
        ("2026-06-21T13:15", "2026-06-21T13:25", 1, 1),
    ],
)
def test_expected_rows(tmp_path: Path, first: str | None, last: str | None, rows: int, expected: int) -> None:
    """The grid from --from to --to, both included; else from the first to the last stamp."""
    period = {k: v for k, v in (("first", first), ("last", last)) if v is not None}
    table = told(tmp_path, **period)["tables"]["ten"]
    assert (table["rows"], table["expected_rows"]) == (rows, expected)


@pytest.mark.parametrize(
    ("stamps", "stray", "period", "expected"),
    [
        ("12:13:00 12:20:00 12:40:00", "", {}, 4),  # a first row off the grid does not shift it
        ("12:13:00 12:20:00", "", {"first": "2026-06-21T12:02"}, 2),
        ("12:10:00 12:20:00 12:33:00", "", {}, 3),
        ("12:10:20 12:20:00 12:29:40", 'stray = "30s"', {}, 3),
        ("12:09:40 12:20:00 12:30:20", 'stray = "30s"', {}, 3),
    ],
)
def test_expected_rows_are_counted_on_the_grid(
    tmp_path: Path, stamps: str, stray: str, period: dict[str, str], expected: int
) -> None:
    text = STATION.replace('stamps = "end"', f'stamps = "end"\n{stray}').replace("T%H:%M", "T%H:%M:%S")
    rows = "time,t\n" + "".join(f"2026-06-21T{moment},20.0\n" for moment in stamps.split())
    result = checked(tmp_path, rows, text, **period)
    assert result.summary()["tables"]["ten"]["expected_rows"] == expected


def test_settled_until_lies_a_reach_before_the_last_row(tmp_path: Path) -> None:
    document = told(tmp_path)
    ahead = document["reach"]["ahead_s"]
    assert ahead > 0
    import numpy as np

    settled = np.datetime64("2026-06-21T13:30", "us") - np.timedelta64(round(ahead * 1e6), "us")
    assert document["tables"]["ten"]["settled_until"] == f"{settled}".removesuffix(".000000") + "Z"


def test_settled_until_is_the_end_where_more_was_read(tmp_path: Path) -> None:
    rows = "time,t\n" + "".join(f"2026-06-{day:02}T{h:02}:00,20.0\n" for day in range(1, 15) for h in range(24))
    document = told(tmp_path, rows, last="2026-06-03T00:00")
    assert document["tables"]["ten"]["settled_until"] == "2026-06-03T00:00:00Z"


def test_not_applied_is_told_with_why(tmp_path: Path) -> None:
    found = told(tmp_path)["not_applied"]
    assert all(entry["why"] and isinstance(entry["channels"], list) for entry in found)
    assert ("timing", "stamps in the future are tested with --as-of only") in {(e["check"], e["why"]) for e in found}
    assert ("sea-level", "no air_pressure channel") in {(e["check"], e["why"]) for e in found}


def test_a_channel_of_nothing_has_numbers_all_the_same(tmp_path: Path) -> None:
    table = told(tmp_path, "time,t\n2026-06-21T12:10,\n")["tables"]["ten"]
    assert table["channels"]["t"]["completeness"] == 0.0
    assert table["channels"]["t"]["usable"] == 0.0
    assert table["channels"]["t"]["verdicts"]["missing"] == 1
