"""The channels of one device go missing together, again and again.

Shows: bursts of missing values in all channels of a device at once, while the other devices go on.
Happened: a loose plug, water in a connector, a cable that moves in the wind, a bus that hangs, an address used twice,
    or a supply that sags for this device alone.
How sure: channels that share a device, and miss together and never with others, leave the sensor elements out of it;
    whether cable, plug or supply is to blame shows only at the station.
Check: read the device live and move plug and cable by hand; look for water and corrosion in the connector and at the
    terminals; measure the supply at the device while it measures; look for a second device of the same address;
    compare the times with rain, wind and low battery.
Carry: contact spray, spare plug and cable, multimeter, terminals, the address list of the bus.
Caution: disconnect the battery before rewiring, fuse it, no sparks near lead-acid cells; work on masts with two
    people, never near power lines, in lightning, ice or high wind; follow local codes and site rules.
Data: what is missing stays missing; means over intervals with gaps need a rule of completeness.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics.runs import runs
from qc.station import Channel
from qc.verdicts import Bools

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "bus-dropout"
ANY = (
    "air_temperature", "relative_humidity", "dew_point", "air_pressure", "wind_speed", "wind_gust", "wind_direction",
    "global_irradiance", "par", "precipitation", "soil_temperature", "logger_temperature", "battery_voltage",
)  # fmt: skip
"""Some channel of a station: one of these every table has."""


def test(case: Case) -> Sequence[Outcome]:
    """Rows in which a whole device is missing while others live."""
    groups = _devices(case)
    if not groups:
        return [Untested((), "no device of two channels, declared or seen to miss together")]
    return [_one(case, device, channels) for device, channels in groups]


def _missing(case: Case, channel: Channel) -> Bools:
    """Rows without a value in the table, those aside that stand in no column, or in a visit."""
    from qc.read.numbers import ABSENT

    read = case.table.channels[channel.name]
    out = ~np.isfinite(read.values) & ~read.where(ABSENT)
    for visit in case.visits(channel.name):
        out &= ~((case.time >= visit.start) & (case.time <= visit.end))
    return np.asarray(out)


def _usual(case: Case, channels: Sequence[Channel]) -> list[Channel]:
    """Channels that are seldom missing: those that tell that the logger lives."""
    there = {c.name: np.isfinite(case.table.channels[c.name].values) for c in case.channels}
    rows = max(int(np.logical_or.reduce(list(there.values())).sum()), 1)
    return [c for c in channels if there[c.name].sum() > 0.8 * rows]


def _devices(case: Case) -> list[tuple[str | None, list[Channel]]]:
    """Devices of two channels or more; channels that name none are joined where the table shows them miss as one."""
    named: list[tuple[str | None, list[Channel]]] = []
    loose: list[list[Channel]] = []
    for channels in case.scene.instruments.values():
        there = [c for c in channels if c.quantity != "other" and np.isfinite(case.table.channels[c.name].values).any()]
        if there and case.device(there[0]):
            named.append((case.device(there[0]), there))
        elif there:
            loose.append(there)
    masks = [np.logical_and.reduce([_missing(case, c) for c in group]) for group in loose]
    lives = np.logical_or.reduce([np.isfinite(case.table.channels[c.name].values) for c in case.channels])
    masks = [m & lives for m in masks]
    joined: list[list[int]] = []
    for i, mask in enumerate(masks):
        for members in joined:
            other = masks[members[0]]
            either = int((mask | other).sum())
            if either and (mask & other).sum() > case.limit(ID, "inside") * either:
                members.append(i)
                break
        else:
            joined.append([i])
    found = [[c for i in members for c in loose[i]] for members in joined]
    return [*((d, g) for d, g in named if len(g) > 1), *((None, g) for g in found if len(g) > 1)]


def _one(case: Case, device: str | None, channels: list[Channel]) -> Outcome:
    names = tuple(c.name for c in channels)
    others = _usual(case, [c for c in case.channels if c not in channels])
    if not others:
        return Untested(names, "no other device in its table that would show that the logger lives")
    gone = np.array([_missing(case, c) for c in channels])
    lives = np.logical_or.reduce([np.isfinite(case.table.channels[c.name].values) for c in others])
    together = gone.all(axis=0) & lives
    some = (gone.sum(axis=0) >= min(2, len(channels) - 1)) & lives
    bursts = runs(together)
    count, least = len(bursts.start), case.limit(ID, "bursts")
    days = len(np.unique(case.solar_day[bursts.start]))
    if count < least:
        return Cleared(names, f"missing together {count} times, {least:.0f} make a fault")
    share = float(together.sum() / some.sum())
    across = float(np.logical_or.reduce([_missing(case, c) for c in others])[together].mean())
    length = float(np.median(bursts.length))
    chance = float(np.prod(gone[:, lives].mean(axis=1)) * lives.sum())
    named = device is not None
    joint = max(3.0 - 10.0 * (1.0 - share), min(np.log(together.sum() / max(chance, 0.1)) - 3.0, 0.5))
    clues = (
        Clue("bursts", 1.5 * np.log(count / least), f"{count} bursts on {days} days"),
        Clue("together", joint, f"in {share:.0%} of rows with gaps in it all of it is missing"),
        Clue("others", 2.0 - 10.0 * across, f"another device is missing too in {across:.0%} of those rows"),
        Clue(
            "short",
            1.0 - np.log(max(length / case.limit(ID, "short"), 1.0)),
            f"half of the bursts last {length:.0f} rows or less",
        ),
        Clue(
            "device",
            0.5 if named else -0.5,
            "the station file names the device" if named else "that they share a device is taken from the gaps alone",
        ),
    )
    first, last = int(bursts.start[0]), int(bursts.stop[-1]) - 1
    hours = float(together.sum()) * case.interval_s / 3600.0
    what = f"{device} ({', '.join(names)})" if named else ", ".join(names)
    return Suspect(
        names,
        clues,
        {"bursts": count, "share_together": round(share, 3)},
        f"{what} {'is' if named else 'are'} missing together in {count} bursts on {days} days, {hours:.3g} h in all, "
        f"while other devices report; {share:.0%} of the rows with gaps in them lack all of them.",
        case.time[first],
        case.time[last],
        (case.time[max(first - 1, 0)], case.time[first]),
        device=device,
        rivals=_supply(case, together),
        exhibit={"together": together},
    )


def _supply(case: Case, together: Bools) -> dict[str, float]:
    """Log-odds of a supply that sags: bursts at voltages below those of nine in ten rows."""
    battery = case.mate("battery_voltage")
    if battery is None:
        return {}
    volts = case.values(battery)
    there = np.isfinite(volts)
    if not (together & there).any():
        return {}
    low = there & (volts < np.nanpercentile(volts, 10))
    share = float(low[together & there].mean())
    return {"brownout": float(np.clip(8.0 * (share - 0.5), -4.0, 4.0))} if share > 0.3 else {}


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Bursts of one to six rows in a device of two channels or more, from a random row on."""
    groups = [[c for c in g if c.quantity != "other"] for g in case.scene.instruments.values()]
    groups = [g for g in groups if len(g) > 1 and all(np.isfinite(case.values(c)).any() for c in g)]
    if not groups or len(case.channels) < 3:
        return None
    channels = groups[int(rng.integers(len(groups)))]
    count = {"near": 6, "typical": int(rng.integers(15, 40)), "gross": int(rng.integers(100, 200))}[grade]
    first = onset_row(case, rng)
    room = case.rows - first
    if room < 12 * count:
        count = room // 12
    if count < 6:
        return None
    starts = first + np.sort(rng.choice(room // 8, count, replace=False)) * 8
    gone = np.zeros(case.rows, bool)
    for start in starts:
        gone[start : start + int(rng.integers(1, 7))] = True
    values = {c.name: np.where(gone, np.nan, case.values(c)) for c in channels}
    rows = np.flatnonzero(gone)
    evidence = {"bursts": len(runs(gone).start), "share_together": 1.0}
    return Injection(tuple(c.name for c in channels), case.time[rows[0]], case.time[rows[-1]], evidence, values)


def picture(case: Case, suspect: Suspect) -> Figure:
    """What is missing, channel by channel, in the three days with most bursts; below it all bursts by day and hour."""
    from qc.read.numbers import ABSENT
    from qc.write import picture as house

    channels = sorted(case.channels, key=lambda c: c.name not in suspect.channels)
    together = np.asarray(suspect.exhibit["together"], bool)
    days = case.solar_day[together]
    best = int(np.argmax(np.bincount(days - days[0])) + days[0])
    shown = np.flatnonzero(together & (np.abs(case.solar_day - best) <= 1))
    first, last = case.time[shown[0]], case.time[shown[-1]]
    pad = max((last - first) // 12, np.timedelta64(round(case.interval_s * 30), "s"))
    here = np.flatnonzero((case.time >= first - pad) & (case.time <= last + pad))
    columns = min(400, len(here))
    column = np.arange(len(here)) * columns // max(len(here), 1)
    raster = np.zeros((len(channels), columns))
    for i, channel in enumerate(channels):
        read = case.table.channels[channel.name]
        gone = (~np.isfinite(read.values) & ~read.where(ABSENT))[here]
        np.maximum.at(raster[i], column, gone * (2.0 if channel.name in suspect.channels else 1.0))
    figure = house.figure(1.6 + 0.24 * len(channels) + 1.7)
    top, below = figure.subplots(2, 1, height_ratios=[max(len(channels), 4), 8])
    from matplotlib.colors import ListedColormap

    span = house.days(case.time[here[[0, -1]]])
    shades = ListedColormap([house.PAPER, house.SOFT, house.SERIES[1]])
    top.imshow(
        raster, aspect="auto", interpolation="nearest", cmap=shades, vmin=0, vmax=2,
        extent=(span[0], span[1], len(channels) - 0.5, -0.5),
    )  # fmt: skip
    top.set_yticks(range(len(channels)), [house.label(c.name, 16) for c in channels])
    top.set_title("missing: the device in colour, others in grey")
    top.grid(False)
    house.time_axis(top, case.time[here[0]], case.time[here[-1]], named=False)
    rows = np.flatnonzero(together)
    below.plot(house.days(case.time[rows]), case.solar_hour[rows], ".", color=house.SERIES[1], markersize=3)
    below.set_ylim(0, 24)
    below.set_yticks([0, 6, 12, 18, 24])
    below.set_ylabel("local solar h")
    house.time_axis(below, case.first, case.last)
    spans = [(v.start, v.end, v.note) for name in suspect.channels for v in case.visits(name)]
    house.visits(below, spans)
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(ANY,),
    least_s=3 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("bursts", "share_together"),
    go="next-visit",
    rivals={
        "brownout": "the battery's voltage at those times, and whether they come before dawn",
        "wet-connector": "whether they come within hours of rain and end as it dries",
    },
    visits=("disturbed", "replaced", "moved"),
)
