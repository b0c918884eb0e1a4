"""A device repeats its last values.

Shows: all channels of a device stand still together, to the last digit or one step of it, while other devices live.
Happened: a digital sensor or its bus hangs and the logger keeps the last message; a converter stopped; or, where it
    is minutes at a time, messages get lost and the last one is used again.
How sure: one channel alone may stand still in calm, fog or steady air; a whole device that does so for longer than it
    ever did before is sure.
Check: read the device's values live and move it by hand or breathe on it; look at the message counter or status that
    it sends; switch its supply off for ten seconds and on again; look at plugs, terminator and cable for water; look
    in the logger's program what it stores when no message comes.
Carry: a spare sensor, contact spray, a laptop with the cable for the sensor, multimeter.
Caution: lower the mast rather than climb it, two people, never near power lines, in lightning, ice or high wind;
    follow local codes and site rules.
Data: take the stretches out by lines of the decision log; nothing can be mended. Let the program store missing where
    no message comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case
from qc.faults import CAP, Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.physics.runs import Runs, repeats, rows_of, spread, usual_longest
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "sensor-frozen"
_WIND = ("wind_speed", "wind_gust", "wind_direction")
_AIR = (
    "air_temperature",
    "relative_humidity",
    "dew_point",
    "air_pressure",
    "sea_level_pressure",
    "surface_temperature",
)
_SUN = ("global_irradiance", "diffuse_irradiance", "direct_irradiance", "reflected_irradiance", "par")
QUANTITIES = (*_WIND, *_AIR, *_SUN, "longwave_down", "longwave_up", "net_radiation", "soil_temperature")


class _Still(NamedTuple):
    """Where a device stands still: runs, the longest that it is used to (rows), and whether to the last digit."""

    found: Runs
    usual: float
    exact: bool


def test(case: Case) -> Sequence[Outcome]:
    """Runs of equal rows of each device against what the device is used to, and against chance."""
    groups = _groups(case)
    out: list[Outcome] = []
    for device, channels in groups:
        others = [c for c in case.channels if c not in channels and c.quantity in QUANTITIES]
        names = tuple(c.name for c in channels)
        if not others:
            out.append(Untested(names, "no other device in its table that would show that the logger lives"))
            continue
        if len(channels) == 1 and _often(case, channels[0]) > case.limit(ID, "often"):
            out.append(
                Untested(
                    names, f"its value is that of the row before in {_often(case, channels[0]):.0%} of rows anyway"
                )
            )
            continue
        told = [t for t in (_long(case, device, channels, others), _short(case, device, channels)) if t is not None]
        out.append(max(told, key=lambda t: t.log_odds) if told else _cleared(case, channels))
    return out


def _often(case: Case, channel: Channel) -> float:
    """Share of rows, those at rest aside, that have the value of the row before."""
    counted = np.isfinite(case.values(channel)) & case.consecutive & ~_rest(case, channel)
    return float(_same(case, [channel], exact=True)[counted].mean()) if counted.any() else 1.0


def _groups(case: Case) -> list[tuple[str | None, list[Channel]]]:
    """Channels that fail together, with the device where the station file names it; the wind of a larger one too."""
    found: list[tuple[str | None, list[Channel]]] = []
    for channels in case.scene.instruments.values():
        able = [c for c in channels if c.quantity in QUANTITIES and c.statistic not in ("sd", "counter")]
        able = [c for c in able if np.isfinite(case.values(c)).any()]
        if not able:
            continue
        found.append((case.device(able[0]), able))
        wind = [c for c in able if c.quantity in _WIND]
        if 1 < len(wind) < len(able):
            found.append((case.device(able[0]), wind))
    return found


def _same(case: Case, channels: Sequence[Channel], *, exact: bool) -> Bools:
    """Rows in which every channel has the value of the row before, or one within a step of its resolution."""
    out = case.consecutive.copy()
    for channel in channels:
        x = case.values(channel)
        apart = np.abs(np.diff(x))
        if channel.quantity == "wind_direction":
            apart = np.minimum(apart, 360.0 - apart)
        out[1:] &= apart <= (0.0 if exact else _step(case, channel)[1:] * 1.01)
    return out


def _step(case: Case, channel: Channel) -> Floats:
    """How far two values of a device that stands still may lie apart."""
    least = case.limit(ID, "step_direction") if channel.quantity == "wind_direction" else 0.0
    return np.maximum(case.quantum(channel), least)


def _rest(case: Case, channel: Channel) -> Bools:
    """Where standing still is the rule of a healthy sensor: calm, saturated air, night."""
    x = case.values(channel)
    if channel.quantity in ("wind_speed", "wind_gust"):
        return x <= case.limit(ID, "calm")
    if channel.quantity == "relative_humidity":
        return x >= case.limit(ID, "saturated")
    if channel.quantity in _SUN:
        zero = (np.abs(x) <= case.limit(ID, "dark")) & (case.elevation < case.limit(ID, "sun"))
        return zero | case.once(f"{ID};by night;{channel.name}", lambda: _by_night(case, channel))
    return np.zeros(case.rows, bool)


def _by_night(case: Case, channel: Channel) -> Bools:
    """Where one value is held that the day leaves: a zero that is cut off stands still, wherever an offset puts it."""
    found = repeats(_same(case, [channel], exact=True))
    up = np.concatenate(([0], np.cumsum(case.elevation >= case.limit(ID, "sun"))))
    out = np.zeros(case.rows, bool)
    out[rows_of(found.take(up[found.stop] == up[found.start]))] = True
    return out


def _still(case: Case, channels: Sequence[Channel]) -> _Still | None:
    """Runs longer than twice what the device is used to: to the last digit or within a step, whichever tells more."""
    both = [_runs(case, channels, exact=exact) for exact in (True, False)]
    there = [still for still in both if still is not None]
    return max(there, key=lambda s: (sum(_weights(case, s)), s.found.length.sum()), default=None)


def _runs(case: Case, channels: Sequence[Channel], *, exact: bool) -> _Still | None:
    least = round(case.limit(ID, "rows"))
    found = repeats(_same(case, channels, exact=exact))
    ok = np.ones(len(found.start), bool)
    for channel in channels:
        wide = spread(case.values(channel), found, circular=channel.quantity == "wind_direction")
        ok &= exact | (wide <= 2.02 * _step(case, channel)[found.start])
    found = found.take(ok)
    length, day = found.length, case.solar_day
    long = length >= least
    usual = np.nan
    for _ in range(2):  # what it is used to, without what stands out; then without what stands out of that
        days = len(np.unique(day)) - len(np.unique(day[rows_of(found.take(long))]))
        usual = usual_longest(length[~long], day[found.start[~long]], days, case.limit(ID, "spreads"))
        usual = max(float(length[~long].max(initial=1)), usual) if np.isfinite(usual) else usual
        long = (length >= least) & ~(length < 2.0 * usual)
    return _Still(found.take(long), usual, exact) if long.any() else None


def _weights(case: Case, still: _Still) -> tuple[float, float]:
    """Log-odds of the longest stretch: against the least that can be told, and against what the device is used to."""
    longest = float(still.found.length.max())
    own = 2.0 + 3.0 * np.log(longest / (2.0 * still.usual)) if np.isfinite(still.usual) else -1.0
    return min(1.0 + 2.0 * np.log(longest / case.limit(ID, "rows")), CAP), min(own, CAP)


def _long(case: Case, device: str | None, channels: list[Channel], others: Sequence[Channel]) -> Suspect | None:
    """Stretches of hours, longer than the device ever stood still before."""
    still = _still(case, channels)
    if still is None:
        return None
    found = still.found.take([_lives(case, others, a, b) for a, b in zip(*still.found, strict=True)])
    if not len(found.start):
        return None
    names = tuple(c.name for c in channels)
    interval = case.interval_s / 3600.0
    rows, longest = int((found.length - 1).sum()), int(found.length.max())
    at = rows_of(found)
    rest = float(np.mean(np.logical_or.reduce([_rest(case, c) for c in channels])[at]))
    if rest > case.limit(ID, "rest"):
        return None
    long, own = _weights(case, still)
    clues = [
        Clue("long", long, f"up to {longest * interval:.3g} h without a change"),
        Clue(
            "own past",
            own,
            f"otherwise it never stands still for more than {still.usual * interval:.2g} h"
            if np.isfinite(still.usual)
            else "no time at which it lived to compare with",
        ),
        Clue(
            "channels",
            {1: -2.0, 2: 1.5}.get(len(channels), 2.0),
            f"{len(channels)} channels of the device stand still together"
            if len(channels) > 1
            else "the device has one channel only",
        ),
        Clue(
            "rest",
            0.5 - 4.0 * max(rest - 0.25, 0.0),
            f"{rest:.0%} of it in calm, saturated or dark air, in which a healthy one may stand still",
        ),
    ]
    first, last = int(found.start[0]), int(found.stop[-1]) - 1
    hours = rows * interval
    values = ", ".join(f"{c.name} {np.median(case.values(c)[at]):.5g}" for c in channels)
    what = f"{device} ({', '.join(names)})" if device else " and ".join(names)
    spells = f"in {len(found.start)} stretches" if len(found.start) > 1 else "in one stretch"
    return Suspect(
        names,
        tuple(clues),
        {"hours": round(hours, 1)},
        f"{what} repeats its values for {hours:.3g} h {spells} ({values}), longest {longest * interval:.3g} h, "
        "while other devices live.",
        case.time[first],
        case.time[last],
        (case.time[first], case.time[min(first + 1, case.rows - 1)]),
        device=device,
        spoils=names if rows >= 0.5 * (last + 1 - first) else (),
        exhibit={"start": found.start, "stop": found.stop},
    )


def _lives(case: Case, others: Sequence[Channel], start: int, stop: int) -> bool:
    """Whether a channel of another device moves between two rows."""
    for channel in others:
        x = case.values(channel)[start:stop]
        x = x[np.isfinite(x)]
        if len(x) > 1 and np.ptp(x) > 2.02 * max(float(case.quantum(channel)[start]), 1e-9):
            return True
    return False


def _short(case: Case, device: str | None, channels: list[Channel]) -> Suspect | None:
    """Many short joint repeats, far more than channels that repeat by chance would show."""
    if len(channels) < 2:
        return None
    same = _same(case, channels, exact=True)
    counted = np.logical_and.reduce([np.isfinite(case.values(c)) & ~_rest(case, c) for c in channels])
    counted[1:] &= counted[:-1]
    counted &= case.consecutive
    if counted.sum() < case.limit(ID, "short_rows"):
        return None
    each = [float(_same(case, [c], exact=True)[counted].mean()) for c in channels]
    chance = float(np.prod(each))
    if chance > case.limit(ID, "chance"):
        return None
    found = repeats(same & counted)
    found = found.take(found.length >= case.limit(ID, "repeats"))
    days = len(np.unique(case.solar_day[found.start]))
    if len(found.start) < case.limit(ID, "spells") or days < case.limit(ID, "days"):
        return None
    rows = int((found.length - 1).sum())
    by_chance = max(float(counted.sum()) * chance ** (case.limit(ID, "repeats") - 1.0) * case.limit(ID, "repeats"), 1.0)
    over = rows / by_chance
    names, minutes = tuple(c.name for c in channels), case.interval_s / 60.0
    longest = int(found.length.max()) - 1
    first = int(found.start[0])
    what = f"{device} ({', '.join(names)})" if device else " and ".join(names)
    return Suspect(
        names,
        (
            Clue("chance", 1.5 * np.log(over / case.limit(ID, "over")), f"{over:.3g} times as many as by chance"),
            Clue("spells", np.log(len(found.start) / 5.0), f"in {len(found.start)} spells on {days} days"),
            Clue(
                "longest",
                np.log(longest / case.limit(ID, "repeats")) - 0.5,
                f"the longest lasts {longest * minutes:.3g} min",
            ),
        ),
        {"hours": round(rows * minutes / 60.0, 2)},
        f"{what} repeats its last values together in {len(found.start)} short spells on {days} days, "
        f"{rows * minutes:.0f} min in all, the longest {longest * minutes:.3g} min; "
        f"by chance {by_chance * minutes:.2g} min would do so.",
        case.time[first],
        case.time[int(found.stop[-1]) - 1],
        (case.time[first], case.time[first + 1]),
        device=device,
        exhibit={"start": found.start, "stop": found.stop},
    )


def _cleared(case: Case, channels: Sequence[Channel]) -> Cleared:
    found = repeats(_same(case, channels, exact=True))
    longest = int(found.length.max()) if len(found.start) else 1
    names = tuple(c.name for c in channels)
    together = " together" if len(names) > 1 else ""
    return Cleared(
        names, f"stands still{together} for {longest * case.interval_s / 3600.0:.2g} h at most, as it is used to"
    )


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A device of two channels or more repeats one row for a time."""
    groups = [(d, c) for d, c in _groups(case) if len(c) > 1 and _still(case, c) is None]
    if not groups:
        return None
    _, channels = groups[int(rng.integers(len(groups)))]
    hours = {"near": 1.5, "typical": float(rng.uniform(12.0, 72.0)), "gross": float(rng.uniform(96.0, 240.0))}[grade]
    least = case.limit(ID, "rows") * case.interval_s / 3600.0
    hours = hours * least if grade == "near" else max(hours, 2.0 * least)
    count = round(hours * 3600.0 / case.interval_s)
    whole = np.logical_and.reduce([np.isfinite(case.values(c)) & ~_rest(case, c) for c in channels])
    place = np.flatnonzero(whole[: max(case.rows - count - 1, 0)])
    if not len(place):
        return None
    row = int(place[rng.integers(len(place))])
    values = {}
    for channel in channels:
        x = case.values(channel).copy()
        x[row + 1 : row + 1 + count] = np.where(np.isfinite(x[row + 1 : row + 1 + count]), x[row], np.nan)
        values[channel.name] = x
    names = tuple(c.name for c in channels)
    return Injection(names, case.time[row + 1], case.time[row + count], {"hours": hours}, values)


def picture(case: Case, suspect: Suspect) -> Figure:
    """Day by hour of the day (mean local solar time): how long each device has stood still, the suspect's in colour."""
    from qc.write import picture as house

    groups = _groups(case)
    groups.sort(key=lambda g: tuple(c.name for c in g[1]) != suspect.channels)
    groups = groups[:4]
    days = case.solar_day - case.solar_day[0]
    columns = int(days[-1]) + 1
    step = max(case.interval_s, 600.0)
    bins = round(86400.0 / step)
    figure = house.figure(1.0 + 1.55 * len(groups))
    axes = figure.subplots(len(groups), 1, sharex=True, squeeze=False)[:, 0]
    begin = float(house.days(np.array([case.first.astype("datetime64[D]")]))[0])
    top = max(int(np.diff(np.column_stack((suspect.exhibit["start"], suspect.exhibit["stop"]))).max()), 2)
    top_h = min(top * case.interval_s / 3600.0, 24.0)
    drawn = None
    for panel, (device, channels) in zip(axes, groups, strict=True):
        found = repeats(_same(case, channels, exact=False))
        hours = np.zeros(case.rows)
        lengths = np.repeat(found.length, found.length)
        hours[rows_of(found)] = lengths * case.interval_s / 3600.0
        raster = np.full((bins, columns), np.nan)
        bin_ = np.minimum((case.solar_hour / 24.0 * bins).astype(np.int64), bins - 1)
        flat = np.full(bins * columns, -1.0)
        np.maximum.at(flat, bin_ * columns + days, hours)
        raster = np.where(flat < 0, np.nan, flat).reshape(bins, columns)
        mine = tuple(c.name for c in channels) == suspect.channels
        drawn_here = panel.imshow(
            raster, aspect="auto", origin="lower", extent=(begin, begin + columns, 0.0, 24.0), interpolation="nearest",
            cmap="YlOrRd" if mine else "Greys", vmin=0.0, vmax=top_h,
        )  # fmt: skip
        drawn = drawn_here if mine else drawn
        panel.set_yticks([0, 6, 12, 18, 24])
        panel.set_ylabel("local solar h")
        panel.set_title(house.label(device or ", ".join(c.name for c in channels)))
        panel.grid(False)
    house.time_axis(axes[-1], case.first, case.last)
    if drawn is not None:
        figure.colorbar(drawn, ax=list(axes), label="stands still for, h")
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(QUANTITIES,),
    least_s=6 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("hours",),
    go="next-visit",
    rivals={
        "channel-open": "whether the quantity can have that value",
        "vane-stuck": "whether the speed of the same device moves",
        "anemometer-iced": "temperature and humidity; whether it ends with the sun",
        "anemometer-stalled": "whether the level is the floor of the sensor; whether the vane moves",
    },
    visits=("disturbed", "replaced"),
)
