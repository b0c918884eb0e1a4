"""Nights of an invented fleet, replayed: faults are planted, begin, and are mended.

    python -m tests.bench.nights --days 120 --stations B-maritime,B-desert

Each night a station's new day arrives, and `nightly` runs. Prints for each planted fault the night it was told first,
for how many it went on, and when it was cleared; then every line of the digests that tells of nothing that was planted:
noise. What is not told, is told late or is never cleared stands there too.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qc.archive import fleet, watch, whole
from qc.archive.workers import Here, Processes
from tests.bench.invented import CHANNELS, SITES, Made, made

Floats = NDArray[np.float64]
FIRST = 30
"""Days before the first fault: a diagnosis has its four weeks then."""


@dataclass(frozen=True)
class Plant:
    """What is done to a channel for some days, and the faults of the book that may be said of it."""

    name: str
    faults: tuple[str, ...]
    channel: str
    days: int
    spoil: Callable[[Floats, Floats], Floats]
    """Given the values of those days, and the share of them that has passed."""
    unseen: tuple[str, ...] = ()
    """Climates in which it changes next to nothing."""


PLANTS = (
    Plant("vane hangs", ("vane-stuck", "sensor-frozen"), "wd", 12, lambda x, s: np.full(len(x), x[0])),
    Plant("pyranometer reads 25 W/m2 at night", ("pyranometer-zero",), "ghi", 20, lambda x, s: x + 25.0),
    Plant("humidity stops at 86 %", ("hygrometer-ceiling",), "rh", 25, lambda x, s: np.minimum(x, 86.0), ("desert",)),
    Plant("air temperature in degF", ("unit-wrong",), "t", 14, lambda x, s: x * 1.8 + 32.0),
    Plant("barometer repeats itself", ("sensor-frozen",), "p", 6, lambda x, s: np.full(len(x), x[0])),
    Plant("pyranometer factor 0.7", ("pyranometer-scale", "constants-wrong"), "ghi", 21, lambda x, s: 0.7 * x),
    Plant("broken wire", ("channel-open",), "t", 8, lambda x, s: np.full(len(x), -50.0)),
)


@dataclass
class Planned:
    """A plant at a station, from one day to another (both counted from the first, the last one left out)."""

    station: str
    plant: Plant
    first: int
    last: int
    states: list[tuple[int, str, str]] = field(default_factory=list)
    """Day, state and fault that was told."""


def planned(names: Sequence[str], days: int) -> list[Planned]:
    """Faults for each station, one after the other, with weeks of health between them."""
    out = []
    for number, name in enumerate(names):
        day = FIRST + 3 * number
        for plant in [*PLANTS[number % len(PLANTS) :], *PLANTS[: number % len(PLANTS)]]:
            if SITES[name].kind in plant.unseen:
                continue
            if day + plant.days + watch.QUIET_DAYS + watch.MISSED_NIGHTS + 2 > days:
                break
            out.append(Planned(name, plant, day, day + plant.days))
            day += plant.days + 35  # the window has forgotten it by then
    return out


def lines(station: Made, plans: Sequence[Planned], days: int) -> tuple[str, list[list[str]]]:
    """The names row, and the lines of each day."""
    head, *rows = station.raw.decode().splitlines()
    delimiter = ";" if station.site.comma else ","
    names = head.split(delimiter)
    cells = [row.split(delimiter) for row in rows]
    each = 1440 // station.site.minutes
    for plan in plans:
        column = names.index(CHANNELS[plan.plant.channel][5])
        a, b = plan.first * each, plan.last * each
        told = [cells[i][column] for i in range(a, b)]
        known = [i for i, text in enumerate(told) if text not in ("NAN", "-9999")]
        values = np.array([float(told[i].replace(",", ".")) for i in known])
        spoilt = plan.plant.spoil(values, np.array(known) / (b - a))
        digits = len(told[known[0]].replace(",", ".").partition(".")[2])
        for i, value in zip(known, spoilt.tolist(), strict=True):
            text = f"{value:.{digits}f}"
            cells[a + i][column] = text.replace(".", ",") if station.site.comma else text
    whole_lines = [delimiter.join(row) for row in cells]
    return head, [whole_lines[d * each : (d + 1) * each] for d in range(days)]


def main() -> None:
    """Replay and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--stations", default="A-maritime,A-desert,B-maritime,B-continental")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    names = asked.stations.split(",")
    plans = planned(names, asked.days)
    folder = Path(tempfile.mkdtemp(prefix="nights-"))
    noise: list[str] = []
    begun = time.perf_counter()
    try:
        tables = {}
        entries = []
        for name in names:
            station = made(name, asked.days, start="2024-03-01")
            tables[name] = lines(station, [p for p in plans if p.station == name], asked.days)
            (folder / "in" / name).mkdir(parents=True)
            (folder / f"{name}.toml").write_text(station.text, "utf-8")
            entries.append(f'[[station]]\nfile = "{name}.toml"\ninbox = "in/{name}/*.csv"\n')
        head = '[fleet]\nstore = "store"\noutbox = "outbox"\n'
        (folder / "fleet.toml").write_text(head + "".join(entries), "utf-8")
        loaded = fleet.load(folder / "fleet.toml")
        with Processes(asked.jobs) if asked.jobs > 1 else Here() as workers:
            for day in range(asked.days):
                for name, (names_row, by_day) in tables.items():
                    text = "\n".join([names_row, *by_day[day]]) + "\n"
                    (folder / "in" / name / f"{day:04}.csv").write_text(text, "utf-8")
                now = datetime(2024, 3, 2, 14, tzinfo=UTC) + timedelta(days=day)
                done = whole.night(
                    loaded, workers, night=now.date().isoformat(), now=now, progress=lambda done, total: None
                )
                noise += heard(done, plans, day)
    finally:
        shutil.rmtree(folder)
    told(plans, noise, asked, time.perf_counter() - begun)


def heard(done: whole.Done, plans: Sequence[Planned], day: int) -> list[str]:
    """Give each finding that was told to its plant; gives what belongs to none."""
    noise = [line for line in done.lines[1:] if line.startswith(("trouble", "silent"))]
    for finding in done.document["findings"]:
        state = finding["state"]
        fits = [
            p
            for p in plans
            if p.station == finding["station"]
            and finding["fault"] in p.plant.faults
            and p.plant.channel in finding["channels"]
            and p.first <= day
        ]
        if fits:
            fits[-1].states.append((day, state, finding["fault"]))
        elif state != watch.GOING_ON:
            noise.append(
                f"day {day}: {state} {finding['station']}: {finding['fault']} at "
                f"{','.join(finding['channels'])} ({finding['confidence']:.2f})"
            )
    return noise


def told(plans: Sequence[Planned], noise: Sequence[str], asked: argparse.Namespace, seconds: float) -> None:
    """Print what became of each plant."""
    rows = []
    for plan in plans:
        news = [day for day, state, _ in plan.states if state in (watch.NEW, watch.RETURNED)]
        going = sum(state == watch.GOING_ON for _, state, _ in plan.states)
        cleared = [day for day, state, _ in plan.states if state == watch.CLEARED]
        rows.append(
            {
                "station": plan.station, "plant": plan.plant.name, "from": plan.first, "to": plan.last,
                "told": news, "after_days": news[0] - plan.first if news else None, "nights_going_on": going,
                "cleared": cleared, "cleared_after_days": cleared[-1] - plan.last if cleared else None,
                "as": sorted({fault for _, _, fault in plan.states}),
            }
        )  # fmt: skip
    if asked.json:
        print(json.dumps({"plants": rows, "noise": list(noise), "seconds": round(seconds)}))
        return
    print(f"{'station':<14} {'planted':<36} {'days':>9} {'told':>5} {'on':>4} {'cleared':>8}  as")
    for row in rows:
        days = f"{row['from']}-{row['to']}"
        late = "never" if row["after_days"] is None else f"+{row['after_days']}"
        over = "never" if row["cleared_after_days"] is None else f"+{row['cleared_after_days']}"
        again = f" (told {len(row['told'])} times)" if len(row["told"]) > 1 else ""
        said = ", ".join(row["as"]) + again
        print(
            f"{row['station']:<14} {row['plant']:<36} {days:>9} {late:>5} {row['nights_going_on']:>4} {over:>8}  {said}"
        )
    missed = sum(row["after_days"] is None for row in rows)
    nights = asked.days * len(asked.stations.split(","))
    print(
        f"{len(rows)} planted, {missed} missed; {len(noise)} lines of noise in {nights} station-nights, {seconds:.0f} s"
    )
    for line in noise:
        print(f"  noise: {line}")


if __name__ == "__main__":
    main()
