"""Faults in the text of tables, over the nights in which they arrive: told, going on, cleared after they are mended."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import qc
from qc import diagnosis
from qc.archive import fleet, ledger, watch, whole
from qc.archive.watch import QUIET_DAYS
from qc.archive.workers import Here
from qc.case import ISOLATED
from qc.chain import Checked
from qc.logs import NO_LOGS
from qc.run import limits_of
from tests.archive import fleets
from tests.bench.invented import made
from tests.bench.nights import Planned, Truth, lines, placed
from tests.bench.plants import Plant, spoilt

START = np.datetime64("2024-05-01")
DAYS = 27


@dataclass(frozen=True)
class Spell:
    """A plant at a station from one day to another, the last one left out."""

    station: str
    plant: Plant
    first: int

    @property
    def last(self) -> int:
        return self.first + self.plant.days


REVERSED = Spell("A-maritime", Plant("reversed", ("pyranometer-reversed",), 5, spoilt(lambda x, s: -x, "ghi")), 12)
OPEN = Spell("A-desert", Plant("open", ("channel-open",), 5, spoilt(lambda x, s: np.full(len(x), -50.0), "t")), 13)


class Inboxes:
    """A fleet of invented stations at 10 min, each with a fault for some days."""

    def __init__(self, folder: Path, plans: Sequence[Spell], more: str = "") -> None:
        self.folder, self.tables, self.day = folder, {}, 0
        entries = [f'[fleet]\nstore = "store"\noutbox = "outbox"\n{more}\n']
        for plan in plans:
            station = made(plan.station, DAYS, start=str(START), minutes=10)
            truth = Truth(station, DAYS)
            planted = placed(truth, plan.plant, plan.first)
            assert isinstance(planted, Planned)
            self.tables[plan.station] = lines(truth, [planted])
            (folder / "in" / plan.station).mkdir(parents=True)
            (folder / f"{plan.station}.toml").write_text(station.text, "utf-8")
            entries.append(f'[[station]]\nfile = "{plan.station}.toml"\ninbox = "in/{plan.station}/*.csv"\n')
        (folder / "fleet.toml").write_text("".join(entries), "utf-8")

    def night(self, until: int) -> whole.Done:
        """The days that are new up to one arrive, a file for each, and the night after that runs."""
        for day in range(self.day, until + 1):
            for name, (head, by_day) in self.tables.items():
                text = "\n".join([head, *by_day[day]]) + "\n"
                (self.folder / "in" / name / f"{day:03}.csv").write_text(text, "utf-8")
        self.day = until + 1
        now = datetime(2024, 5, 2, 5, tzinfo=UTC) + timedelta(days=until)
        loaded = fleet.load(self.folder / "fleet.toml")
        date = now.date().isoformat()
        return whole.night(loaded, Here(), night=date, now=now, progress=lambda done, total: None)


def test_told_on_the_first_night_then_going_on_then_cleared(tmp_path: Path) -> None:
    inboxes = Inboxes(tmp_path, [REVERSED, OPEN])
    dusk, midnight = (round(plan.last - 1 + QUIET_DAYS) for plan in (REVERSED, OPEN))  # when it was seen last
    told: dict[str, dict[int, str]] = {"pyranometer-reversed": {}, "channel-open": {}}
    digests: dict[int, list[str]] = {}
    for day in (11, 12, 13, 17, 22, 23, 24, 25):
        done = inboxes.night(day)
        digests[day] = done.lines
        for finding in done.document["findings"]:
            if finding["fault"] in told:
                told[finding["fault"]][day] = finding["state"]
    assert told["pyranometer-reversed"] == {12: "new", **dict.fromkeys((13, 17, 22), "going on"), dusk: "cleared"}
    assert told["channel-open"] == {
        13: "new", **dict.fromkeys((17, 22, 23, midnight), "going on"), midnight + 1: "cleared"
    }  # fmt: skip
    (line,) = [line for line in digests[13] if "channel-open" in line]
    assert line.startswith("new A-desert: channel-open at t (")
    assert "since 2024-05-13 " in line
    assert "worth the drive" in line
    assert [day for day, text in digests.items() if any("pyranometer-reversed" in line for line in text)] == [12, dusk]


@pytest.mark.parametrize("plan", [REVERSED, OPEN], ids=lambda plan: plan.plant.name)
def test_a_night_finds_what_diagnose_finds_in_the_same_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plan: Spell
) -> None:
    """From some days only, so that rows before them are there for the reach of the chain and for nothing else; what was
    found is undone, and the rest is found in the same days as well."""
    seen: list[tuple[watch.Watched, int]] = []
    before = watch.watched

    def spied(*asked: Any) -> watch.Watched:
        found = before(*asked)
        seen.append((found, asked[5]))
        return found

    monkeypatch.setattr(watch, "watched", spied)
    inboxes = Inboxes(tmp_path, [plan], "diagnose_days = 6")
    for day in (9, plan.first, plan.last - 1, plan.last):
        inboxes.night(day)
    assert len(seen) == 4
    assert sum(len(found.findings) for found, _ in seen) >= 3
    station = qc.read_station(tmp_path / f"{plan.station}.toml")
    paths = sorted((tmp_path / "in" / plan.station).iterdir())
    for found, last_us in seen:
        last = np.datetime64(last_us, "us")
        first = last - np.timedelta64(6, "D")
        whole_ = qc.diagnose(station, paths, first=f"{first}Z", last=f"{last}Z")
        assert list(found.findings) == diagnosis.document(whole_, ("", ""))["findings"]


def test_the_first_row_of_a_night_is_checked_with_the_rows_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A spike there is none without its neighbours: diagnosis leaves it out as it does in a longer record."""
    place = fleets.made(tmp_path)
    about = qc.read_station(place.station_file())
    table = qc.check(about, [place.arrive("a.csv", fleets.rows())]).checked.tables["half"]
    first = table.record.time[table.verdicts["t"].failures["spike"].rows[1]]
    stamp = str(first.astype("datetime64[m]")).replace("T", " ")
    at = next(n for n, line in enumerate(fleets.rows()) if line.startswith(stamp))
    place.arrive("a.csv", fleets.rows()[:at])
    place.arrive("b.csv", fleets.rows()[at:])
    place.night()
    (last_us,) = place.ask("select last_us from station")[0]
    seen: list[Checked] = []

    def spied(checked: Checked, **more: Any) -> diagnosis.Diagnosis:
        seen.append(checked)
        return diagnosis.diagnose(checked, **more)

    monkeypatch.setattr(watch, "diagnose", spied)
    with contextlib.closing(ledger.connect(place.store / "ledger.sqlite")) as connection:
        files = ledger.files(connection, about.id)
    days = (last_us - first.astype("datetime64[us]").astype(np.int64)) / 86_400e6
    watch.watched(place.store, about, NO_LOGS, limits_of(about), files, last_us, days, frozenset())
    (checked,) = seen
    found = checked.tables["half"]
    assert (found.record.time[0], found.record.time[-1]) == (first, table.record.time[-1])
    late = table.record.time >= first
    for name, verdicts in table.verdicts.items():
        for check in ISOLATED:
            found_at = [
                v.failures[check].rows if check in v.failures else np.empty(0, int)
                for v in (verdicts.take(late), found.verdicts[name])
            ]
            np.testing.assert_array_equal(*found_at, err_msg=f"{name} {check}")
    assert found.verdicts["t"].failures["spike"].rows[0] == 0
