"""Rain gauge that is open or fully blocked: no tip arrives.

Shows: no rain for a long time, although humidity, cloud and pressure were often as they are when it rains here.
Happened: a broken or loose pulse lead, a failed reed contact or magnet, a bucket that jams (spider web, wasp nest,
    transit lock left in), a funnel blocked by leaves, nests or droppings, or a wrong input in the logger's program.
How sure: the station's own rains teach what rain weather looks like; one missed rain proves nothing, many do. A dry
    spell with much cloud is the look-alike; the next station's rain settles it.
Check: look up the rain of the nearest other station; count ten tips by hand at the bucket and see them in the logger;
    look into funnel and filter; follow the lead for cuts and bites, measure the contact while tipping by hand; check
    that bucket and magnet swing freely and the gauge is level.
Carry: multimeter, exchange reed contact or bucket, brush and pipe cleaner, water and a small jug, lead and connectors.
Caution: nests hold wasps and droppings carry disease: gloves and glasses, and step back when insects come; never work
    in lightning, ice or high wind; follow local codes and site rules.
Data: the zeros are missing values, not dryness: reject the whole time, and say so with every monthly total.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.physics import gauge
from qc.physics.windows import Blocks
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "gauge-open"
QUANTITY = "precipitation"


@dataclass(frozen=True)
class Hours:
    """Hours of a table: weather as features, rank of humidity, whether rain was counted, and could have been; rains."""

    blocks: Blocks
    weather: Floats
    humid: Floats
    wet: Bools
    known: Bools
    spells: gauge.Spells


@dataclass(frozen=True)
class Gap:
    """Hours without a tip, from `first` up to, without, `after`; chance of rain in each, and what they sum up to.

    `surprise` is the sum of -ln(1 - p), divided by the usual number of wet hours of a rain: hours are no witnesses of
    their own.
    """

    first: int
    after: int
    chance: Floats
    surprise: float


def test(case: Case) -> Sequence[Outcome]:
    """The dry time that its weather speaks against most."""
    return [_one(case, channel) for channel in case.of(QUANTITY)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    if not 0.0 < case.interval_s <= 3600.0:
        return Untested(names, "events, or intervals longer than an hour")
    hours = _hours(case, case.sound(channel))
    need, rains = int(case.limit(ID, "wet_hours")), int(case.limit(ID, "rains"))
    wet = int((hours.wet & hours.known).sum())
    if wet < need or len(hours.spells) < rains:
        why = f"its own past holds {wet} wet hours in {len(hours.spells)} liquid rains; needs {need} in {rains}"
        return Untested(names, why, f"{max(rains - len(hours.spells), 1)} more rains")
    gaps = _gaps(hours)
    best = _likeliest(hours, gaps)
    if best is None:
        return Cleared(names, "no dry day in the record")
    return _outcome(case, channel, hours, gaps, best)


def _hours(case: Case, rain: Floats) -> Hours:
    """The weather of each hour in features of about unit spread; 0 where one is not known."""
    blocks = Blocks(case.table.middle, gauge.HOUR_US)
    means: dict[str, Floats] = {}
    for name in ("relative_humidity", "air_pressure", "air_temperature", "wind_speed"):
        values = case.scene.companion(name)
        if values is not None:
            means[name] = _mean(blocks, values)
    humid = gauge.rank(means["relative_humidity"])
    features = [humid - 0.5, 5.0 * np.maximum(humid - 0.7, 0.0), 10.0 * np.maximum(humid - 0.9, 0.0)]
    features.append(2.0 * np.clip(_change(blocks, humid, 2), -0.6, 0.6))
    if "air_pressure" in means:
        p = means["air_pressure"]
        away = p - np.nanmedian(p) if np.isfinite(p).any() else p
        features += [np.clip(_change(blocks, p, 3), -4.0, 4.0) / 2.0, np.where(np.abs(away) < 30.0, away, 0.0) / 8.0]
    if "air_temperature" in means:
        features.append(np.clip(_change(blocks, means["air_temperature"], 2), -5.0, 5.0) / 3.0)
    if "wind_speed" in means:
        features.append(gauge.rank(means["wind_speed"]) - 0.5)
    if case.scene.brightness is not None:
        bright = _mean(blocks, case.scene.brightness)
        features += [np.clip(bright, 0.0, 1.5) - 0.5, 0.5 * np.isfinite(bright)]
    turn = 2.0 * np.pi * _mean(blocks, case.solar_hour) / 24.0
    features += [0.5 * np.sin(turn), 0.5 * np.cos(turn)]
    weather = np.column_stack([np.where(np.isfinite(f), f, 0.0) for f in features])
    wet = blocks.max(rain) > 0
    known = (blocks.sum(np.isfinite(rain)) * case.interval_s >= 2400.0) & np.isfinite(humid)
    t = case.scene.companion("air_temperature")
    if t is not None:
        known &= ~(blocks.min(t) < case.limit(ID, "least_temperature"))
    apart = round(case.limit(ID, "apart") * gauge.HOUR_US)
    return Hours(blocks, weather, humid, wet, known, gauge.spells(wet & known, blocks.time, gauge.HOUR_US, apart))


def _mean(blocks: Blocks, values: Floats) -> Floats:
    known, n = np.isfinite(values), len(blocks.time)
    count = np.bincount(blocks.of_row[known], minlength=n)
    total = np.bincount(blocks.of_row[known], weights=values[known], minlength=n)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _change(blocks: Blocks, values: Floats, hours: int) -> Floats:
    """Change from some hours before; NaN where there is no such hour."""
    before = blocks.time - np.timedelta64(hours, "h")
    at = np.minimum(np.searchsorted(blocks.time, before), max(len(values) - 1, 0))
    return np.where(blocks.time[at] == before, values - values[at], np.nan)


def _gaps(hours: Hours) -> list[tuple[int, int]]:
    """Stretches of at least a day between wet hours, as first and after."""
    wet = np.flatnonzero(hours.wet)
    edges = np.concatenate(([-1], wet, [len(hours.wet)]))
    return [(int(a) + 1, int(b)) for a, b in pairwise(edges) if b - a > 24]


def _likeliest(hours: Hours, gaps: Sequence[tuple[int, int]]) -> Gap | None:
    """The gap of the greatest surprise, by rains outside of it."""
    rough = gauge.chance(hours.weather, gauge.logistic(hours.weather[hours.known], hours.wet[hours.known]))
    gain = np.concatenate(([0.0], np.cumsum(np.where(hours.known, _surprise(rough), 0.0))))
    order = sorted(gaps, key=lambda g: (gain[g[0]] - gain[g[1]], g))[:3]
    found = [_judged(hours, first, after) for first, after in order]
    return max((g for g in found if g is not None), key=lambda g: g.surprise, default=None)


def _surprise(chance: Floats) -> Floats:
    return np.asarray(-np.log1p(-np.minimum(chance, 0.999)))


def _judged(hours: Hours, first: int, after: int) -> Gap | None:
    outside = hours.known.copy()
    outside[first:after] = False
    if not hours.wet[outside].any():
        return None
    beta = gauge.logistic(hours.weather[outside], hours.wet[outside])
    chance = np.where(hours.known[first:after], gauge.chance(hours.weather[first:after], beta), 0.0)
    each = max(float((hours.wet & hours.known).sum()) / max(len(hours.spells), 1), 1.0)
    return Gap(first, after, chance, float(_surprise(chance).sum()) / each)


def _outcome(case: Case, channel: Channel, hours: Hours, gaps: Sequence[tuple[int, int]], gap: Gap) -> Outcome:
    names, time = (channel.name,), hours.blocks.time
    seen = np.concatenate(([0.0], np.cumsum(hours.known) / 24.0))  # days in which rain could have been counted
    days = float(seen[gap.after] - seen[gap.first])
    expected = float(gap.chance.sum())
    # rains missed: stretches of likely hours, half a day apart
    likely = gauge.spells(gap.chance > 0.5, time[gap.first : gap.after], gauge.HOUR_US, 12 * gauge.HOUR_US)
    sure = [s for s in zip(likely.first, likely.last, strict=True) if _surprise(gap.chance[s[0] : s[1] + 1]).sum() > 2]
    other = max((float(seen[b] - seen[a]) for a, b in gaps if (a, b) != (gap.first, gap.after)), default=1.0)
    if gap.surprise < case.limit(ID, "surprise") / 2.0:
        return Cleared(names, f"of its dry times the weather of {str(time[gap.first])[:10]} and the {days:.1f} days "
                       f"from then on speaks most of rain: {expected:.1f} wet hours expected")  # fmt: skip
    each = float(_surprise(gap.chance).sum()) / max(gap.surprise, 1e-9)
    odd = (np.arange(gap.first, gap.after) // 24) % 2 == 1
    clues: tuple[Clue, ...] = (
        *(
            Clue(told, 0.8 * (float(_surprise(part).sum()) / each - case.limit(ID, "surprise") / 2.0),
                 f"{part.sum():.0f} wet hours expected by {len(hours.spells)} own rains, none counted")
            for told, part in (("weather of every other day", gap.chance[~odd]), ("days between", gap.chance[odd]))
        ),
        Clue("rains", float(np.clip(0.8 * (len(sure) - 1.5), -2.0, 3.0)), f"{len(sure)} times rain was nearly sure"),
        Clue("length", float(np.clip(1.5 * np.log(max(days, 0.1) / max(other, 1.0)), -2.0, 3.0)),
             f"{days:.1f} dry days; the longest other time is {other:.1f}"),
    )  # fmt: skip
    rains = hours.humid[hours.wet & hours.known]
    dry = float((rains < case.limit(ID, "driest")).mean())
    if dry > case.limit(ID, "dry_rains"):  # such rains teach nothing: the gauge counts without rain
        weight = -50.0 * (dry - case.limit(ID, "dry_rains"))
        clues += (Clue("its rains", weight, f"{100 * dry:.0f} % of its wet hours lie in the driest air of the record"),)
    first = _row(case, time[gap.first]) if gap.first else 0
    last = _row(case, time[gap.after]) - 1 if gap.after < len(time) else case.rows - 1
    grown = int(np.searchsorted(np.cumsum(_surprise(gap.chance)), 3.0 * each))
    doubt = min(_row(case, time[min(gap.first + grown, gap.after - 1)]), last)
    begin = case.time[max(first - 1, 0)]
    return Suspect(
        names,
        clues,
        {"wet_hours": round(expected, 1)},
        f"{channel.name} counts nothing for {days:.0f} days whose weather lets {expected:.0f} wet hours expect; the "
        f"longest other dry time is {other:.1f} days.",
        case.time[first],
        case.time[last],
        (begin, case.time[doubt] if gap.first else begin),
        device=case.device(channel),
        spoils=names,
        exhibit={"time": time, "wet": hours.wet, "chance": gap.chance, "first": gap.first, "after": gap.after},
    )


def _row(case: Case, moment: np.datetime64) -> int:
    """The first row whose interval begins at a moment or later."""
    return int(np.clip(np.searchsorted(case.table.middle, moment), 0, case.rows - 1))


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """No tips over a stretch that holds so many wet hours; enough rain stays outside of it."""
    channel = case.mate(QUANTITY)
    if channel is None or case.mate("relative_humidity") is None or not 0.0 < case.interval_s <= 3600.0:
        return None
    values = case.values(channel).copy()
    hours = _hours(case, values)
    wet = np.flatnonzero(hours.wet & hours.known)
    lost = {"near": 35, "typical": 75, "gross": 130}[grade]
    spare = len(wet) - lost
    if spare < 1.2 * case.limit(ID, "wet_hours"):
        return None
    at = int(rng.integers(0, spare))
    row, after = _row(case, hours.blocks.time[wet[at]]), _row(case, hours.blocks.time[wet[at + lost - 1]]) + 1
    after = int(np.searchsorted(case.table.middle, hours.blocks.time[wet[at + lost - 1]] + np.timedelta64(1, "h")))
    part = values[row:after]
    values[row:after] = np.where(np.isfinite(part), 0.0, np.nan)
    left = _hours(case, values)
    if len(left.spells) < case.limit(ID, "rains") or (left.wet & left.known).sum() < case.limit(ID, "wet_hours"):
        return None
    evidence = {"wet_hours": float(lost)}
    return Injection((channel.name,), case.time[row], case.time[after - 1], evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Rain as counted; below it the chance of rain by the weather, hour by hour."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    around = max((suspect.last - suspect.first) // 3, np.timedelta64(5 * 86_400_000_000, "us"))
    near = (case.time >= suspect.first - around) & (case.time <= suspect.last + around)
    first, last = case.time[near][0], case.time[near][-1]
    inside = slice(suspect.exhibit["first"], suspect.exhibit["after"])
    hour = suspect.exhibit["time"][inside]
    rain = case.values(channel)
    wet = near & (rain > 0)
    with house.house():
        figure = house.figure(3.8)
        upper, lower = figure.subplots(2, 1, sharex=True)
        upper.vlines(house.days(case.time[wet]), 0.0, rain[wet], color="#6f7471", linewidth=0.9, label="rain counted")
        upper.set_ylim(bottom=0.0)
        upper.axvspan(
            float(house.days(suspect.first)), float(house.days(suspect.last)), color=COLOURS[2], alpha=0.18,
            linewidth=0, label="nothing counted",
        )  # fmt: skip
        upper.set_ylabel(f"{house.label(channel.name)}, mm")
        lower.fill_between(
            house.days(hour), 100.0 * suspect.exhibit["chance"], step="mid", color=house.SERIES[2], linewidth=0,
            label="chance of rain by the weather",
        )  # fmt: skip
        lower.set_ylim(0, 100)
        lower.set_ylabel("chance in the hour, %")
        spans = [(v.start, v.end, v.effect) for v in case.visits(channel.name)]
        house.one_over_the_other(upper, lower, first, last, clock=case.logger_clock, spans=spans)
        house.legend(figure, upper, lower)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=((QUANTITY,), ("relative_humidity",)),
    least_s=20 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("wet_hours",),
    go="next-visit",
    rivals={
        "gauge-clogged": "whether the water stands in the funnel and comes late, or never",
        "gauge-noise": "whether what it counts at other times is rain",
        "channel-open": "tips by hand: whether pulses arrive at the logger",
    },
    visits=("replaced", "disturbed", "moved"),
)
