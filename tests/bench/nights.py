"""Nights of an invented fleet, replayed: faults are planted, begin, and are mended.

    python -m tests.bench.nights --days 365 --stations B-maritime,B-desert --seed 3

Each night a station's new day arrives, and `nightly` runs. Prints for each planted fault the night it was told first,
for how many it went on, and when it was cleared; then every line of the digests that tells of nothing that was planted:
noise. What is not told, is told late or is never cleared stands there too, and what could be planted nowhere.

A plant stands only where the healthy rows of its days have the weather and the sun that show it (`tests.bench.plants`);
its rows are spoilt as text, all other rows of the table stay as they are. Another seed gives other weather and another
order of plants: tune on some, report others. `--json` keeps all of it, `--read` sums such files up.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import time
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from qc import chain, diagnosis
from qc.archive import fleet, watch, whole
from qc.archive.fleet import DIAGNOSE_DAYS
from qc.archive.workers import Here, Processes
from qc.case import ISOLATED, Case
from qc.faults import Injection
from qc.injection import Files
from qc.run import limits_of
from tests.bench.invented import SITES, Made, made
from tests.bench.plants import PLANTS, Plant, Spoil, spoilt

START = "2024-03-01"
FIRST = 30
"""Days before the first fault: a diagnosis has its four weeks then."""

WINDOW = round(DIAGNOSE_DAYS)
GAP = WINDOW + round(watch.QUIET_DAYS)
"""Days of health after a mend: those in which the fault still lies in the window, and a week in which it does not."""

REST = WINDOW + watch.MISSED_NIGHTS
"""Nights that are left after the last mend: by then every finding of it must be cleared."""

WAIT = 5
"""Days after which is looked again where nothing can be shown."""

STRIDE = 8
"""Plants by which the next station begins later in the list: about as many as a station has in a year."""


class Truth:
    """A station's healthy days: the table as lines, and as the tests of faults see it."""

    def __init__(self, station: Made, days: int) -> None:
        self.station, self.days = station, days
        self.head, *self.rows = station.raw.decode().splitlines()
        self.each = 1440 // station.site.minutes
        self._start = np.datetime64(station.site.start, "us")

    def moment(self, day: int) -> np.datetime64:
        """When a day begins, UTC."""
        return self._start + np.timedelta64(86_400 * day, "s")

    @cached_property
    def _checked(self) -> chain.Checked:
        return chain.run(self.station.record(), limits_of(self.station.station), only=ISOLATED)

    def case(self, first: int, last: int) -> Case:
        """From one day to another, the last one left out."""
        a, b = self.moment(max(first, 0)), self.moment(last)
        return diagnosis.case_of(chain.period(self._checked, a + np.timedelta64(1, "s"), b), "main")


@dataclass
class Planned:
    """A plant at a station, in the rows of some days (counted from the first, the last one left out).

    `first` is the day of the first row that it changes, `last` the one after the day of the last: the mend, whose
    moment is `mended`, UTC.
    """

    station: str
    plant: Plant
    stretch: tuple[int, int]
    injection: Injection
    first: int
    last: int
    mended: np.datetime64
    states: list[tuple[int, str, str]] = field(default_factory=list)
    """Day, state and fault that was told."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Where it should be found; empty for all."""
        return self.injection.channels


# ---- what is planted where and when


def placed(truth: Truth, plant: Plant, day: int, seed: int = 0) -> Planned | str:
    """A plant from a day on, or why it cannot be shown then."""
    name, stretch = truth.station.site.id, (day, day + plant.days)
    case, before = truth.case(*stretch), truth.case(day - WINDOW, day + plant.days)
    for need in plant.needs:
        if why := need(case, before):
            return why
    rng = np.random.default_rng(zlib.crc32(f"{name};{plant.name};{day};{seed}".encode()))
    injection = plant.make(case, rng)
    if injection is None:
        return "the fault book cannot plant it in those days"
    rows = np.arange(case.rows) if plant.file else touched(case, injection)
    if not len(rows):
        return "it changes nothing in those days"
    first, last = (day + int(row) // truth.each for row in rows[[0, -1]])
    return Planned(name, plant, stretch, injection, first, last + 1, case.time[rows[-1]])


def touched(case: Case, injection: Injection) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Rows that an injection changes."""
    rows = np.zeros(case.rows, bool) if injection.ahead_s is None else injection.ahead_s != 0.0
    for name, x in injection.values.items():
        was = case.table.channels[name].values
        rows = rows | ~((x == was) | (np.isnan(x) & np.isnan(was)))
    return np.flatnonzero(rows)


def order(name: str, seed: int) -> list[Plant]:
    """The plants as a station has them by turns: shuffled by the seed, each station begins elsewhere."""
    shuffled = np.random.default_rng(seed).permutation(len(PLANTS)).tolist()
    at = STRIDE * list(SITES).index(name) % len(PLANTS)
    return [PLANTS[i] for i in shuffled[at:] + shuffled[:at]]


def planned(truths: Mapping[str, Truth], seed: int = 0) -> tuple[list[Planned], dict[str, list[str]]]:
    """Faults for each station, one after the other, with weeks of health between them; and for each plant that stands
    nowhere why not, by station and day."""
    out: list[Planned] = []
    refused: dict[str, list[str]] = {p.name: [] for p in PLANTS}
    for name, truth in truths.items():
        day, waiting = FIRST + 3 * (list(SITES).index(name) % 7), order(name, seed)
        while room := [p for p in waiting if day + p.days + REST <= truth.days]:
            for plant in room:
                found = placed(truth, plant, day, seed)
                if isinstance(found, Planned):
                    out.append(found)
                    waiting.remove(plant)
                    day += plant.days + GAP
                    break
                refused[plant.name].append(f"{name}, day {day}: {found}")
            else:
                day += WAIT
    stand = {p.plant.name for p in out}
    return out, {plant: why for plant, why in refused.items() if plant not in stand}


def lines(truth: Truth, plans: Sequence[Planned]) -> tuple[str, list[list[str]]]:
    """The names row, and the lines of each day."""
    rows = list(truth.rows)
    for plan in plans:
        a, b = (truth.each * day for day in plan.stretch)
        if plan.injection.values or plan.injection.ahead_s is not None:
            rows[a:b] = _spoilt(truth, plan, rows[a:b])
    return truth.head, [rows[d * truth.each : (d + 1) * truth.each] for d in range(truth.days)]


def _spoilt(truth: Truth, plan: Planned, rows: Sequence[str]) -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stretch.csv"
        path.write_text("\n".join([truth.head, *rows]) + "\n", "utf-8")
        files = Files(truth.station.station, [path])
        (raw,) = files.planted("main", plan.injection, bounded=plan.plant.bounded)
    _, *told = raw.decode().splitlines()
    return told


def spoilt_table(station: Made, days: int, *spells: tuple[str, int, int, Spoil]) -> bytes:
    """A station's table with the values of some channels put through functions from one day to another: (channel, first
    day, last day, which is left out, function as in `spoilt`)."""
    truth = Truth(station, days)
    plans = [placed(truth, Plant(c, (), last - first, spoilt(spoil, c)), first) for c, first, last, spoil in spells]
    head, by_day = lines(truth, [p for p in plans if isinstance(p, Planned)])
    return "\n".join([head, *(line for day in by_day for line in day), ""]).encode()


def station_file(text: str, plans: Sequence[Planned], day: int) -> str:
    """A station file as it stands on a day."""
    for plan in plans:
        if plan.plant.file and plan.first <= day < plan.last:
            text = plan.plant.file(text)
    return text


# ---- what was told


@dataclass(frozen=True)
class Noise:
    """A line of a digest that belongs to no plant.

    `where`: the plant in whose time it was told first: from its begin until no row of it lies in the window; empty in
    health. `since`, `after`: days after that plant's begin and mend.
    """

    day: int
    station: str
    state: str
    finding: str
    text: str
    where: str = ""
    since: int = 0
    after: int = 0


@dataclass
class Reckoned:
    """Gives each line to its plant, night by night; what belongs to none is noise."""

    plans: Sequence[Planned]
    noise: list[Noise] = field(default_factory=list)
    _owner: dict[tuple[str, str], Planned | Noise] = field(default_factory=dict)

    def night(self, day: int, findings: Sequence[Mapping[str, Any]], told: Sequence[str]) -> None:
        """One night: the findings of its document, and the lines of its mail.

        A finding that is new or returned belongs to the latest plant of its station that has begun, may be called so
        and touches its channels, if a row of the plant still lies in the window, and the finding begins before the
        mend: what is said to begin with it is said of sound rows. What is told of a finding later goes with it.
        """
        for finding in findings:
            station, state = str(finding["station"]), str(finding["state"])
            key = station, str(finding["id"])
            if state in (watch.NEW, watch.RETURNED) or key not in self._owner:
                self._owner[key] = self._given(day, finding)
            owner = self._owner[key]
            if isinstance(owner, Planned):
                owner.states.append((day, state, str(finding["fault"])))
            elif state != watch.GOING_ON:
                about = f"{finding['fault']} at {','.join(finding['channels']) or 'all'} ({finding['confidence']:.2f})"
                about += f" since {finding['onset'][1][:10]}"
                self._add(day, station, state, key[1], about, owner)
        for line in told:
            word, _, rest = line.partition(" ")
            if word in ("trouble", "silent"):
                station = rest.partition(":")[0]
                self._add(day, station, word, f"{word}: {rest}", rest, self._window(station, day))

    def _given(self, day: int, finding: Mapping[str, Any]) -> Planned | Noise:
        fits = [
            p
            for p in self.plans
            if p.station == finding["station"]
            and p.first <= day < p.last + WINDOW
            and finding["fault"] in p.plant.faults
            and np.datetime64(finding["onset"][1].removesuffix("Z"), "us") <= p.mended
            and (not p.channels or not finding["channels"] or set(p.channels) & set(finding["channels"]))
        ]
        return max(fits, key=lambda p: p.first) if fits else self._window(str(finding["station"]), day)

    def _window(self, station: str, day: int) -> Noise:
        near = [p for p in self.plans if p.station == station and p.first <= day < p.last + WINDOW]
        if not near:
            return Noise(day, station, "", "", "")
        plan = max(near, key=lambda p: p.first)
        return Noise(day, station, "", "", "", plan.plant.name, day - plan.first, day - plan.last)

    def _add(self, day: int, station: str, state: str, finding: str, text: str, at: Noise) -> None:
        moved = day - at.day
        self.noise.append(Noise(day, station, state, finding, text, at.where, at.since + moved, at.after + moved))


def row_of(plan: Planned) -> dict[str, Any]:
    """What became of a plant."""
    news = [day for day, state, _ in plan.states if state in (watch.NEW, watch.RETURNED)]
    cleared = [day for day, state, _ in plan.states if state == watch.CLEARED]
    open_ = 0
    for _, state, _ in plan.states:
        open_ += (state in (watch.NEW, watch.RETURNED)) - (state == watch.CLEARED)
    return {
        "station": plan.station, "plant": plan.plant.name, "planted": plan.plant.faults[0],
        "channels": list(plan.channels), "stretch": list(plan.stretch), "from": plan.first, "to": plan.last,
        "told": news, "after_days": news[0] - plan.first if news else None,
        "nights_going_on": len({day for day, state, _ in plan.states if state == watch.GOING_ON}),
        "cleared": cleared, "cleared_after_days": cleared[-1] - plan.last if cleared and not open_ else None,
        "as": sorted({fault for _, _, fault in plan.states}),
        "lines": [list(told) for told in plan.states if told[1] != watch.GOING_ON],
    }  # fmt: skip


def summed(found: Mapping[str, Any]) -> dict[str, Any]:
    """The figures of a run: of plants how many were told, while they lasted, cleared; of noise lines and findings."""
    rows, noise = found["plants"], found["noise"]
    told = [r for r in rows if r["after_days"] is not None]
    return {
        "planted": len(rows),
        "told": len(told),
        "while_it_lasts": sum(r["after_days"] < r["to"] - r["from"] for r in told),
        "within_3_nights": sum(r["after_days"] < 3 for r in told),
        "cleared": sum(r["cleared_after_days"] is not None for r in told),
        "told_once": sum(len(r["told"]) == 1 for r in told),
        "told_again": sum(len(r["told"]) - 1 for r in told),
        "noise_lines": len(noise),
        "noise_findings": len({_one(n) for n in noise}),
        "noise_lines_in_health": sum(not n["where"] for n in noise),
        "noise_findings_in_health": len({_one(n) for n in noise if not n["where"]}),
        "station_nights": found["station_nights"],
        "seconds": found["seconds"],
    }


def _one(noise: Mapping[str, Any]) -> tuple[Any, ...]:
    """What makes lines of noise one finding: run, station, finding, and the plant in whose time it was new."""
    return noise.get("seed", 0), noise["station"], noise["finding"], noise["where"]


def table(found: Mapping[str, Any]) -> Iterator[str]:
    """What became of each plant, each line of noise, what was not planted, and the sum of it."""
    yield f"{'station':<14} {'planted':<42} {'days':>9} {'told':>6} {'on':>4} {'cleared':>8}  as"
    for row in found["plants"]:
        days = f"{row['from']}-{row['to']}"
        late = "never" if row["after_days"] is None else f"+{row['after_days']}"
        if row["after_days"] is not None and row["after_days"] >= row["to"] - row["from"]:
            late += "!"
        over = "never" if row["cleared_after_days"] is None else f"{row['cleared_after_days']:+}"
        later = [f"{day - row['from']:+} ({day - row['to']:+} from the mend)" for day in row["told"][1:]]
        again = f"; told again {', '.join(later)}" if later else ""
        where = f" [{','.join(row['channels']) or 'all'}]"
        yield (
            f"{row['station']:<14} {row['plant'] + where:<42} {days:>9} {late:>6} {row['nights_going_on']:>4} {over:>8}"
            f"  {', '.join(row['as'])}{again}"
        )
    for n in found["noise"]:
        where = f"in '{n['where']}', {n['since']} d after its begin, {n['after']:+} d from its mend"
        where = where if n["where"] else "in health"
        yield f"  noise: day {n['day']}: {n['state']} {n['station']}: {n['text']} -- {where}"
    for plant, why in found["not_planted"].items():
        if why:
            more = f"; and {len(why) - 3} more" if len(why) > 3 else ""
            yield f"  not planted: {plant}, because {'; '.join(why[:3])}{more}"
    if left := [plant for plant, why in found["not_planted"].items() if not why]:
        yield f"  not planted, because no room was left: {'; '.join(left)}"
    s = summed(found)
    yield (
        f"{s['planted']} planted, {s['told']} told ({s['while_it_lasts']} while they lasted, {s['within_3_nights']} "
        f"within 3 nights, {s['told_once']} once, the others {s['told_again']} times more), {s['cleared']} cleared; "
        f"{s['noise_lines']} lines of noise of "
        f"{s['noise_findings']} findings, {s['noise_lines_in_health']} of {s['noise_findings_in_health']} in health, "
        f"in {s['station_nights']} station-nights; {s['seconds']} s"
    )


# ---- the run


def replayed(truths: Mapping[str, Truth], plans: Sequence[Planned], jobs: int) -> list[Noise]:
    """All nights since `START`, one after the other; what was told of plants stands in them, the rest is given."""
    days = max(truth.days for truth in truths.values())
    first = datetime.fromisoformat(START).replace(tzinfo=UTC)
    reckoned = Reckoned(plans)
    folder = Path(tempfile.mkdtemp(prefix="nights-"))
    try:
        tables: dict[str, tuple[str, list[list[str]]]] = {}
        texts: dict[str, str] = {}
        entries = ['[fleet]\nstore = "store"\noutbox = "outbox"\n']
        for name, truth in truths.items():
            tables[name] = lines(truth, [p for p in plans if p.station == name])
            (folder / "in" / name).mkdir(parents=True)
            entries.append(f'[[station]]\nfile = "{name}.toml"\ninbox = "in/{name}/*.csv"\n')
        (folder / "fleet.toml").write_text("".join(entries), "utf-8")
        with Processes(jobs) if jobs > 1 else Here() as workers:
            for day in range(days):
                for name, (head, by_day) in tables.items():
                    text = station_file(truths[name].station.text, [p for p in plans if p.station == name], day)
                    if texts.get(name) != text:
                        (folder / f"{name}.toml").write_text(text, "utf-8")
                        texts[name] = text
                    (folder / "in" / name / f"{day:04}.csv").write_text("\n".join([head, *by_day[day]]) + "\n", "utf-8")
                now = first + timedelta(days=day + 1, hours=14)  # when the last day of every zone is whole
                done = whole.night(
                    fleet.load(folder / "fleet.toml"), workers, night=now.date().isoformat(), now=now,
                    progress=lambda done, total: None,
                )  # fmt: skip
                reckoned.night(day, done.document["findings"], done.lines[1:])
    finally:
        shutil.rmtree(folder)
    return reckoned.noise


def main() -> None:
    """Replay and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--stations", default="A-maritime,A-desert,B-maritime,B-continental")
    parser.add_argument("--seed", type=int, default=0, help="of the weather and of the order of plants")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--plan", action="store_true", help="say what would be planted, and run nothing")
    parser.add_argument("--read", type=Path, action="append", help="sum up what --json printed instead of running")
    asked = parser.parse_args()
    if asked.read:
        found = together([json.loads(path.read_text("utf-8")) for path in asked.read])
    else:
        begun = time.perf_counter()
        names = asked.stations.split(",")
        truths = {n: Truth(made(n, asked.days, seed=asked.seed, start=START), asked.days) for n in names}
        plans, refused = planned(truths, asked.seed)
        noise = [] if asked.plan else replayed(truths, plans, asked.jobs)
        nights, seconds = 0 if asked.plan else asked.days * len(names), round(time.perf_counter() - begun)
        found = {
            "stations": names, "seed": asked.seed, "plants": [row_of(p) for p in plans],
            "noise": [vars(n) | {"seed": asked.seed} for n in noise], "not_planted": refused,
            "station_nights": nights, "seconds": seconds,
        }  # fmt: skip
    print(json.dumps(found | {"summary": summed(found)}) if asked.json else "\n".join(table(found)))


def together(runs: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Several runs as one; what is not planted in one may stand in another."""
    rows = [r for run in runs for r in run["plants"]]
    stand = {r["plant"] for r in rows}
    refused: dict[str, list[str]] = {}
    for run in runs:
        for plant, why in run["not_planted"].items():
            if plant not in stand:
                refused.setdefault(plant, []).extend(why)
    return {
        "plants": rows, "noise": [n for run in runs for n in run["noise"]], "not_planted": refused,
        "station_nights": sum(run["station_nights"] for run in runs), "seconds": sum(run["seconds"] for run in runs),
    }  # fmt: skip


if __name__ == "__main__":
    main()
