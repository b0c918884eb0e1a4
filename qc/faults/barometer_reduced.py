"""Barometer that reports sea-level pressure as station pressure.

Shows: the pressure lies above what is usual at the height of the station, by as much as a reduction to sea level adds.
Happened: the reduction was switched on in the barometer or in the logger's program, or its output for sea level was
    wired to the channel of station pressure.
How sure: where the change lies within the record and has the right size, nearly certain; from the level alone only
    above some 160 m, and a height that is wrong in the station file shows the same.
Check: look for a height or a reduction in the barometer's settings and in the logger's program; compare the reading
    with a travelling barometer, or with a station nearby after taking off the height; compare the height of the
    barometer with a map.
Carry: travelling barometer, laptop with the logger's and the barometer's cable.
Caution: settings can mostly be read from afar; before opening an enclosure switch off what is fed from the mains, and
    keep rain and condensation out of it.
Data: subtract the reduction by a line of the correction log from the day on at which it began; where it was done with
    the temperature of the hour, the true pressure is known to some tenths of hPa only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row, until
from qc.mends import Mend
from qc.moments import utc_text
from qc.physics import heights
from qc.physics.pressure import standard_pressure
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "barometer-reduced"


def test(case: Case) -> Sequence[Outcome]:
    """The level of each barometer against that of the height, and a leap by the size of a reduction."""
    return [_one(case, channel) for channel in case.of("air_pressure")]


def expected(case: Case) -> tuple[float, float]:
    """Usual pressure at the height of the station, and what a reduction adds to it, hPa."""
    warm = case.warmth
    usual = heights.usual_pressure(case.sky.elevation, warm)
    return usual, float(heights.reduction(usual, case.sky.elevation, 15.0 if warm is None else warm))


def _one(case: Case, channel: Channel) -> Outcome:
    """As the record stands; where the pressure falls back by a reduction, the record before that on its own."""
    outcome = _judged(case, channel)
    back = _back(case, channel)
    if back is None:
        return outcome
    earlier = until(case, channel, back[0], _judged)
    if isinstance(earlier, Suspect) and earlier.onset[1] == case.first:
        others = (c for c in earlier.clues if c.name != "never lower")
        earlier = replace(earlier, clues=(*others, *_fell(case, channel, back)))
    if not isinstance(outcome, Suspect) or outcome.first < case.time[back[0]]:
        return earlier if isinstance(earlier, Suspect) else outcome
    if isinstance(earlier, Suspect):
        return outcome  # it was set right, and is wrong again
    why = f"the leap at {utc_text(outcome.first)} takes back a fall at {utc_text(case.time[back[0]])}"
    return Cleared((channel.name,), why)


def _back(case: Case, channel: Channel) -> tuple[int, float] | None:
    """The row at which the pressure falls by about a reduction and stays there for half a day, and by how much."""
    values = case.values(channel)
    rows, added = np.flatnonzero(np.isfinite(values)), expected(case)[1]
    if len(rows) < 2 or added < case.limit(ID, "least"):
        return None
    return _leap(case, -values, rows, added, lasts=False)


def _fell(case: Case, channel: Channel, back: tuple[int, float]) -> list[Clue]:
    """What the leap tells at which it was set right; with it no height in the station file is wrong."""
    row, size = back
    wrong = _off(case, row, size, case.values(channel)[row:], expected(case)[1])
    return _leapt(case, wrong, row, -size)


def _leapt(case: Case, wrong: float, row: int, size: float) -> list[Clue]:
    """What a leap tells that misses the size of a reduction by so many rooms."""
    added = expected(case)[1]
    match = np.log(case.limit(ID, "sizes") / (_leap_room(added) * np.sqrt(2.0 * np.pi))) - 0.5 * wrong**2
    return [
        Clue("leap", float(match), f"{size:+.1f} hPa at {utc_text(case.time[row])}"),
        Clue("not weather", 0.4 * abs(size) - 1.0, "from one row to the next"),
    ]


def _judged(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    values = case.values(channel)
    rows = np.flatnonzero(np.isfinite(values))
    if not len(rows):
        return Untested(names, "no values", None)
    usual, added = expected(case)
    if added < case.limit(ID, "least"):
        return Untested(names, f"at {case.sky.elevation:.0f} m a reduction adds {added:.1f} hPa only", None)
    leap = _leap(case, values, rows, added)
    days = case.live_s(channel) / 86400.0
    spread = heights.pressure_spread_at(case.sky.latitude, days, case.sky.elevation, case.warmth)
    start = leap[0] if leap else int(rows[0])
    level = float(np.nanmedian(values[start:]))
    off = level - usual
    told = f"{level:.1f} hPa in the median; usual at {case.sky.elevation:.0f} m {usual:.1f} +- {spread:.0f} hPa"
    # mmHg are 0.75 of hPa; above 1900 m a reduction is as much, but leads to sea level and no unit does
    wide = float(np.hypot(spread, _room(added)))
    unit = heights.in_other_unit(level, usual, spread) or abs(off - added) > 3.0 * wide
    if not 0.8 < level / usual < 1.25 and unit:
        return Untested(names, f"{told}: a matter of units", "the unit is right")
    if leap is not None and _off(case, start, leap[1], values[:start][::-1], added) > 3.0:
        why = f"it leaps by {leap[1]:+.1f} hPa at {utc_text(case.time[start])}, a reduction would add {added:.1f}"
        return Cleared(names, why)
    fits, sound = (off - added) / wide, off / spread
    if leap is None and added < case.limit(ID, "errors") * spread:
        if sound < 1.5:
            return Cleared(names, told)
        return Untested(names, f"{told}; a reduction would add {added:.1f} hPa, too little to tell", None)
    if leap is None and fits**2 >= sound**2:
        return Cleared(names, f"{told}; a reduction would add {added:.1f} hPa")
    level_odds = 0.5 * (sound**2 - fits**2)
    clues = [
        Clue("level", level_odds, f"{off:+.1f} hPa from what is usual, a reduction adds {added:.1f}"),
        Clue("days", min(2.0, 0.15 * days), f"{days:.1f} d"),
    ]
    size = added
    if leap is None:
        near = np.log(case.limit(ID, "room") / (wide * np.sqrt(2 * np.pi))) - 0.5 * fits**2
        clues.append(Clue("never lower", -1.0, "from the first row on: the height may be wrong as well"))
        clues.append(Clue("sea level", float(near), f"{off - added:+.1f} hPa from sea-level pressure"))
    else:
        size = leap[1]
        clues += _leapt(case, _off(case, start, size, values[:start][::-1], added), start, size)
    before = case.time[rows[rows < start][-1]] if leap else case.first
    begin = case.time[start] if leap else case.first
    return Suspect(
        names,
        tuple(clues),
        {"offset_hpa": round(size, 1)},
        f"{channel.name} reads {size:.1f} hPa too high: it reports pressure reduced to sea level ({told}).",
        begin,
        case.time[rows[-1]],
        (before, begin),
        device=case.device(channel),
        mend=Mend("offset", names, begin if leap else None, None, -round(size, 1), uncertainty=round(0.03 * size, 1)),
        exhibit={"channel": channel, "usual": usual, "added": added, "spread": spread, "start": start, "level": level},
    )


def _room(added: float) -> float:
    """How far a reduction may be from the usual one: the temperature it goes by, weather within a row. [hPa]"""
    return 0.05 * added + 0.5


def _leap_room(added: float) -> float:
    """How far a leap may be from a reduction: a height wrong by 4 m, weather within a row, 6 K. [hPa] (judgement)"""
    return 0.02 * added + 0.5


def _off(case: Case, row: int, size: float, plain: Floats, added: float) -> float:
    """Rooms by which a leap misses the reduction of the pressure beside it, at the air temperature of the hour, at the
    usual one, at 15 degC, and all between; `plain` are the values beside it that are not reduced, nearest first."""
    here = float(plain[np.isfinite(plain)][0])
    air = case.mate("air_temperature")
    near = case.values(air)[max(0, row - 3) : row + 3] if air is not None else np.empty(0)
    near = near[np.abs(near) < 60.0]
    usual = float(standard_pressure(case.sky.elevation))
    sizes = [added * here / usual, float(heights.reduction(here, case.sky.elevation))]
    if len(near):
        sizes.append(float(heights.reduction(here, case.sky.elevation, float(np.median(near)))))
    return max(min(sizes) - size, size - max(sizes), 0.0) / _leap_room(added)


def _leap(
    case: Case, values: Floats, rows: np.ndarray, added: float, *, lasts: bool = True
) -> tuple[int, float] | None:
    """The row at which the pressure leaps up by about a reduction and stays there for half a day, and by how much; with
    `lasts`, to the end of the record."""
    least = max(case.limit(ID, "leap"), 0.6 * added)
    x = values[rows]
    change = np.diff(x)
    near = (case.time[rows[1:]] - case.time[rows[:-1]]).astype(np.int64) <= 6 * 3600e6
    here = np.flatnonzero((change > least) & (change < 1.5 * added + 1.0) & near)
    half = max(3, round(43200 / max(case.interval_s, 1.0)))
    best: tuple[int, float] | None = None
    for at in here[:50]:
        a, b = x[max(0, at + 1 - half) : at + 1], x[at + 1 : at + 1 + half]
        if min(len(a), len(b)) < 3:
            continue
        stays = float(np.median(b) - np.median(a))
        rest = x[at + 1 :]
        kept = not lasts or float(np.median(rest)) - float(np.median(x[: at + 1])) > 0.4 * added - 8.0
        if 0.6 * added < stays < 1.5 * added and kept and (best is None or abs(stays - added) < abs(best[1] - added)):
            k = min(3, len(a), len(b))
            best = int(rows[at + 1]), float(np.median(b[:k]) - np.median(a[-k:]))
    return best


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A reduction to sea level from a random row on, with the temperature of the hour or a fixed one."""
    channel = case.mate("air_pressure")
    if channel is None:
        return None
    _, added = expected(case)
    if added < {"near": 8.0, "typical": 15.0, "gross": 40.0}[grade]:
        return None
    row = onset_row(case, rng)
    air = case.mate("air_temperature")
    live = air is not None and bool(rng.integers(2))
    values = case.values(channel).copy()
    warm = np.full(case.rows, 15.0)
    if live and air is not None:
        measured = case.values(air)
        warm = np.where(np.isfinite(measured) & (np.abs(measured) < 60.0), measured, 15.0)
    height = case.sky.elevation
    with np.errstate(invalid="ignore"):
        more = np.array(values * np.expm1(height / (heights.SCALE_M_PER_K * (warm + 273.15 + 0.00325 * height))))
    values[row:] += more[row:]
    if not np.isfinite(more[row:]).any():
        return None
    evidence = {"offset_hpa": round(float(np.nanmedian(more[row:])), 1)}
    return Injection((channel.name,), case.time[row], case.last, evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Pressure against height: what is usual, what was read, and that less the reduction; below, the record."""
    from qc.write import picture as house

    e = suspect.exhibit
    figure = house.figure(5.0)
    upper, lower = figure.subplots(2, 1)
    heights = np.linspace(max(-100.0, -0.1 * case.sky.elevation), 1.6 * case.sky.elevation + 100.0, 60)
    curve = standard_pressure(heights)
    values = case.values(e["channel"])
    level = e["level"]
    upper.fill_between(heights, curve - e["spread"], curve + e["spread"], color=house.NIGHT, label="usual, +- 1 sd")
    upper.plot(heights, curve, color=house.SERIES[0], label="usual at the height")
    z = case.sky.elevation
    upper.plot([z], [level], marker="X", linestyle="none", color=house.SERIES[1], label="read")
    upper.plot([z], [level - float(suspect.evidence["offset_hpa"])], marker="o", linestyle="none",
               color=house.SERIES[2], label="less the reduction")  # fmt: skip
    upper.set_xlabel("m above sea level")
    upper.set_ylabel("hPa")
    house.line(lower, case.time, values, gap=np.timedelta64(round(3 * max(case.interval_s, 60.0)), "s"),
               color=house.SOFT, label=None)  # fmt: skip
    lower.axhline(e["usual"], color=house.SERIES[0])
    lower.axhline(e["usual"] + e["added"], color=house.SERIES[1], linestyle="--", label="sea level")
    lower.set_ylabel("hPa")
    house.time_axis(lower, case.first, case.last)
    house.visits(lower, [(v.start, v.end, v.note) for v in case.visits(e["channel"].name)])
    house.legend(figure, upper, lower)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(("air_pressure",),),
    least_s=86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("offset_hpa",),
    go="remote",
    rivals={
        "site-facts": "the height of the barometer on a map",
        "barometer-offset": "a travelling barometer: an offset has any size, a reduction that of the height",
        "constants-wrong": "the offset in the logger's program against the certificate",
    },
    visits=("replaced", "disturbed"),
)
