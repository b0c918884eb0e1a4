"""The digest: changes only, worst first, few lines, harmless texts."""

from __future__ import annotations

import contextlib
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from qc.archive import digest, ledger
from qc.archive.digest import LINES, Silence, lines
from qc.archive.nightly import Night, Site
from qc.archive.watch import Change
from tests.archive.fleets import NOON, made, rows
from tests.cli.runs import here as cli


def night(tmp_path: Path, count: int = 1) -> Night:
    """A night of some stations that have nothing to say; their clocks are two hours ahead of UTC."""
    from qc import run
    from qc.logs import NO_LOGS
    from qc.station import load

    place = made(tmp_path, ("hay-loft",), clock='utc_offset = "+02:00"')
    station = load(place.station_file())
    sites = {}
    for n in range(count):
        one = station.model_copy(update={"station": station.station.model_copy(update={"id": f"s{n:03}"})})
        sites[f"s{n:03}"] = Site(place.fleet.stations[0], one, NO_LOGS, run.limits_of(station))
    return Night("2026-05-01", 1, sites)


def change(station: str, state: str = "new", go: str = "drive", **more: Any) -> Change:
    document = {
        "fault": "vane-stuck", "channels": ["wd"], "confidence": 0.931, "go": go,
        "summary": "Stands still at 271 degrees.", "site_checks": [], "caution": "",
        "onset": ["2026-04-30T22:10:00Z", "2026-04-30T22:40:00Z"], "rivals": [],
    }  # fmt: skip
    return Change(station, "vane-stuck@wd", state, document | more)


def test_a_line_says_since_when_on_both_clocks_and_what_to_do(tmp_path: Path) -> None:
    told = lines(night(tmp_path), [change("s000")], [])
    assert told == [
        "Fairvane 2026-05-01: 1 stations, 0 with new rows, 0 silent, 1 new.",
        "new s000: vane-stuck at wd (0.93) since 2026-04-30 22:10 UTC (00:10 on its clock); worth the drive. "
        "Stands still at 271 degrees.",
    ]


def test_a_line_names_what_explains_the_same_data(tmp_path: Path) -> None:
    rivals = [{"fault": f, "confidence": c, "split_by": ""} for f, c in (("sensor-frozen", 0.1), ("vane-iced", 0.099))]
    told = lines(night(tmp_path), [change("s000", rivals=rivals)], [])
    assert told[1].startswith("new s000: vane-stuck at wd (0.93; or sensor-frozen 0.10) since 2026-04-30 22:10 UTC")


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ({}, "cleared s000: vane-stuck at wd"),  # by a version that did not write it down
        ({"told_as": "vane-stuck"}, "cleared s000: vane-stuck at wd"),
        ({"told_as": "sensor-frozen"}, "cleared s000: sensor-frozen (last taken for vane-stuck) at wd"),
    ],
)
def test_what_is_cleared_has_the_name_it_was_told_by(tmp_path: Path, more: dict[str, str], line: str) -> None:
    assert lines(night(tmp_path), [change("s000", "cleared", **more)], [])[1:] == [line]


def test_only_changes_are_told(tmp_path: Path) -> None:
    quiet = [Silence("s001", 0, 11.4, new=False)]
    told = lines(night(tmp_path, 2), [change("s000", "going on")], quiet)
    assert told == ["Fairvane 2026-05-01: 2 stations, 0 with new rows, 1 silent, 1 going on."]


def test_worst_first(tmp_path: Path) -> None:
    run = night(tmp_path, 6)
    run.sites["s004"].troubles.append("a.csv: is no text")
    changes = [change("s000", "cleared"), change("s001", go="remote"), change("s002", go="next-visit"), change("s003")]
    told = lines(run, changes, [Silence("s005", 1_777_000_000_000_000, 11.38, new=True)])
    assert [line.split(":")[0] for line in told[1:]] == [
        "new s003", "trouble s004", "silent s005", "new s002", "new s001", "cleared s000"
    ]  # fmt: skip
    assert "battery then 11.38 V" in told[3]


@pytest.mark.parametrize(("stations", "found", "most"), [(100, 24, 25), (100, 25, 25), (100, 90, 25), (400, 300, 100)])
def test_few_lines(tmp_path: Path, stations: int, found: int, most: int) -> None:
    told = lines(night(tmp_path, stations), [change(f"s{n:03}") for n in range(found)], [])
    assert len(told) == min(found + 1, most)
    assert (f"and {found - most + 2} more lines" in told[-1]) == (found + 1 > most)
    assert LINES == 25


def test_texts_from_files_are_harmless(tmp_path: Path) -> None:
    run = night(tmp_path)
    bad = "<script>alert(1)</script>\n\x1b[31m\u202e" + "x" * 10_000
    run.sites["s000"].troubles.append(bad)
    changes = [change("s000", summary=bad, channels=["<b>"], site_checks=[bad])]
    told = lines(run, changes, [])
    assert all(line.isprintable() and len(line) <= 240 for line in told)
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        page = digest.html(connection, run, told, changes, [])
    assert "<script" not in page and "\u202e" not in page and "\x1b" not in page and "<b>" not in page


def test_a_station_falls_silent_once(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(48))
    first = NOON.replace(month=3, day=21)
    told = [place.night(f"2026-03-2{n}", now=first + timedelta(days=n - 1)).lines for n in range(1, 5)]
    assert [len(t) for t in told] == [1, 2, 1, 1]


def test_the_three_files(tmp_path: Path) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(1200))
    done = place.night()
    out = tmp_path / "outbox" / "2026-05-01"
    assert sorted(p.name for p in out.iterdir()) == ["digest.html", "digest.json", "digest.txt"]
    assert (out / "digest.txt").read_text() == "".join(f"{line}\n" for line in done.lines)
    document = json.loads((out / "digest.json").read_text())
    assert document == done.document
    assert document["stations"]["hay-loft"]["new_rows"] > 1000
    page = (out / "digest.html").read_text()
    assert page.startswith("<!DOCTYPE html>") and "hay-loft" in page


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    place = made(tmp_path)
    place.arrive("a.csv", rows(100))
    monkeypatch.chdir(tmp_path)
    ran = cli(capsys, "nightly", "fleet.toml", "--night", "2026-03-22")
    assert ran.status == 0 and ran.err == ""
    assert ran.out.startswith("Fairvane 2026-03-22: 1 stations, 1 with new rows")
    ran = cli(capsys, "nightly", "fleet.toml", "--night", "2026-03-23", "--json")
    assert json.loads(ran.out)["night"] == "2026-03-23"


BAD = [
    (["nightly", "none.toml"], "none.toml: does not exist"),
    (["nightly", "fleet.toml", "--night", "23.3.2026"], "--night: is no date"),
    (["nightly", "fleet.toml", "--jobs", "2", "--dask", "tcp://127.0.0.1:1"], "goes with one of --jobs and --dask"),
]


@pytest.mark.parametrize(("arguments", "told"), BAD)
def test_bad_arguments(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str], told: str
) -> None:
    made(tmp_path)
    monkeypatch.chdir(tmp_path)
    ran = cli(capsys, *arguments)
    assert ran.status == 2 and told in ran.line
    assert not (tmp_path / "store").exists()


TOP, ONE = "[fleet]\nstore = 'a'\noutbox = 'b'\n", "[[station]]\nfile = 'a'\ninbox = 'b'\n"
FLEETS = [
    ("x = ", "line 1"),
    ("[fleet]\nstore = 'a'\noutbox = 'b'\n", "has no [[station]]"),
    ("[[station]]\nfile = 'a'\ninbox = 'b'\n", "has no [fleet]"),
    (f"[fleet]\nstore = 'a'\noutbx = 'b'\n{ONE}", "knows no key 'outbx' (nearest known: outbox)"),
    ("[fleet]\nstore = 'a'\noutbox = 'b'\n[[station]]\nfile = 'a'\n", "station 1.inbox: is missing"),
    ("[fleet]\nstore = 'a'\noutbox = 'b'\n[[station]]\nfile = 'a'\ninbox = 'i*/x.csv'\n", "has a pattern in a folder"),
    (f"{TOP}{ONE}neighbours = 'c'\n", "is no list of station ids"),
    (f"{TOP}rerun_months = 0\n{ONE}", "is no number above 0"),
    ("[fleet]\nstore = 'a'\noutbox = 'b'\n" + "[[station]]\nfile = 'a'\ninbox = 'b'\n" * 2, "a: stands twice"),
]


@pytest.mark.parametrize(("text", "told"), FLEETS)
def test_bad_fleet_files(tmp_path: Path, text: str, told: str) -> None:
    from qc.archive.fleet import FleetFileError, load

    path = tmp_path / "fleet.toml"
    path.write_text(text)
    with pytest.raises(FleetFileError) as caught:
        load(path)
    assert told in caught.value.line()
