"""Temperatures in another unit: against what is usual, the temperatures beside it, and its own past."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    ID,
    LEAP,
    LEAST,
    TEMPERATURES,
    Reading,
    Told,
    block_starts,
    capped,
    lasting,
    medians,
    one_leap,
    tail,
)
from qc.physics import blocks, heights, humidity, onset
from qc.station import Channel
from qc.verdicts import Floats

STILL = 0.3
"""K; a temperature that ranges less in a day is that of no air (judgement)."""


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    middles = medians(case, channel)
    usual = _usual_temperature(case) - (5.0 if channel.quantity == "dew_point" else 0.0)
    wide = case.limit(ID, "temperature") * (1.4 if channel.quantity == "logger_temperature" else 1.0)
    here, there = (middles - usual) / wide, (reading.of(middles) - usual) / wide
    reference = _reference(case, channel)
    rows = np.flatnonzero(np.isfinite(values))
    first = block_starts(case, rows)
    better = _stepped(case, channel, reading)
    if better is None:  # weather moves the level too: one plain leap of the record will do
        row = one_leap(values, rows, reading)
        if row is not None and abs(_leap(float(values[row[0]]), reading)) >= LEAP:
            better = (rows[first] >= row[1]).astype(float)
    leapt = better is not None
    if better is None and reference is None:
        better = (np.abs(there) < np.abs(here)).astype(float)
    elif better is None and reference is not None:
        beside = _apart(case, channel)
        better = (np.abs(reading.of(middles) - middles + beside) < np.abs(beside)).astype(float)
        better[~np.isfinite(beside)] = np.nan
    assert better is not None
    few = np.diff(np.append(first, len(rows))) < LEAST
    if not few.all():
        better[few] = np.nan  # a spike, or the first rows after a mend
    at = tail(better)
    if not len(here[at]):
        return None
    begin, begun = int(rows[first[at.start]]), None
    if at.start > 0:  # one block of past will do where the row of the leap is plain
        stop = first[at.start + 1] if at.start + 1 < len(first) else len(rows)
        begun = one_leap(values, rows[first[at.start - 1] : stop], reading)
        begin = begin if begun is None else begun[1]
        if _leaps_otherwise(values, rows[first[at.start - 1] : stop], reading):
            return None
    unseen = at.start > 0 and not leapt and begun is None
    if unseen and abs(_leap(float(np.median(middles[: at.start])), reading)) >= LEAP:
        return None  # a unit that changes within the record makes values leap
    if np.isfinite(values[begin:]).sum() * case.interval_s < 0.9 * case.limit(ID, "hours") * 3600.0:
        return None  # some rows at the end
    if not _stretched(case, channel, values, begin, reading):
        return None
    a, b = float(np.median(here[at])), float(np.median(there[at]))
    after = values[begin:]
    converted = reading.of(after[np.isfinite(after)])
    odd = float(np.mean(np.abs(converted - usual) > 28.0))
    hot = float(np.mean(after[np.isfinite(after)] > 60.0))
    clues = [
        Clue("level", capped(0.5 * (a**2 - b**2)), f"{a * wide:+.0f} K from what is usual here, {b * wide:+.0f} then"),
        Clue("all values", 1.0 if odd < 0.005 else -4.0 * min(1.0, 20.0 * odd), f"{100 * odd:.1f} % odd even then"),
        *lasting(better, 0.6),
    ]
    if hot > 0.2:
        clues.append(Clue("no air is so", 3.0, f"{100 * hot:.0f} % of values above 60 degC"))
    if reference is not None:
        clues.append(_beside(case, after, reference[len(values) - len(after) :], reading))
        if max(clues[0].log_odds, clues[-1].log_odds) <= 0.0:
            return None  # neither its level nor those beside it speak for the unit
    follows = _follows(case, channel, after, reading)
    if follows is not None:
        clues.append(follows)
    jumps = np.abs(np.diff(converted))
    if (follows is not None and follows.log_odds <= -1.5) or (len(jumps) and np.median(jumps) > 2.5):
        return None  # it goes with nothing, or jumps as no air does, in whatever unit
    identity = _identity(case, channel, values, reading, len(values) - len(after))
    if identity is not None:
        if identity.log_odds <= -4.0:
            return None  # temperature, dew point and humidity do not agree in either unit
        clues.append(identity)
    long = len(converted) * case.interval_s >= 86400.0
    if channel.quantity != "soil_temperature" and long and np.subtract(*np.quantile(converted, (0.95, 0.05))) < STILL:
        return None
    return Told(clues, better, begun=begun)


def _usual_temperature(case: Case) -> float:
    middle = case.time[case.rows // 2].astype("datetime64[D]")
    day = int((middle - middle.astype("datetime64[Y]")).astype(np.int64))
    return float(heights.usual_temperature(case.sky.latitude, case.sky.elevation, day))


def _leaps_otherwise(values: Floats, rows: np.ndarray, reading: Reading) -> bool:
    """Whether one leap of a temperature stands out and is not of this unit's size: weather adds little in a row."""
    x = values[rows]
    leap = np.diff(x)
    if len(leap) < 8:
        return False
    at = int(np.argmax(np.abs(leap)))
    rest = np.abs(np.delete(leap, at))
    if abs(leap[at]) < max(LEAP / 2.0, 8.0 * float(np.median(rest)), 2.0 * float(rest.max())):
        return False
    wanted = (x[at] - reading.plus) / reading.factor - x[at]
    return bool(abs(leap[at] - wanted) > max(3.0, 0.1 * abs(wanted)))


def _stretched(case: Case, channel: Channel, values: Floats, begin: int, reading: Reading) -> bool:
    """Whether the movements of a temperature grew with its level as a unit of another size makes them grow: an offset
    lifts it and leaves them. True where that cannot be told: no past, a unit of the same size, too few days.

    Of each day the spread is taken, over that of the temperature beside it that keeps the closest ratio.
    """
    turn = -float(np.log(reading.factor))
    if abs(turn) < 0.2 or not begin:
        return True
    late = np.arange(case.rows) >= begin
    part = 2 * (case.solar_day - case.solar_day[0]) + late
    least = case.limit(ID, "spread_hours") * 3600.0 / case.interval_s
    own = _spreads(values, part, least)
    sheets = [_spreads(case.values(c), part, least) for c in case.of(*TEMPERATURES) if c.name != channel.name]
    after = np.arange(len(own)) % 2 == 1
    best: tuple[float, float] | None = None
    for ratio, floor in ((own, 3.0), *((own - s, 1.0) for s in sheets)):
        a, b = ratio[~after & np.isfinite(ratio)], ratio[after & np.isfinite(ratio)]
        if min(len(a), len(b)) < 1 or len(a) + len(b) < 4:
            continue
        rest = np.abs(np.concatenate((a - np.median(a), b - np.median(b))))
        wide = max(1.4826 * float(np.median(rest)), floor * case.limit(ID, "spread"))
        error = 1.25 * wide * float(np.sqrt(1.0 / len(a) + 1.0 / len(b)))
        if best is None or error < best[1]:
            best = float(np.median(b) - np.median(a)), error
    if best is None or best[1] > abs(turn) / 3.0:
        return True
    return abs(best[0] - turn) < abs(best[0])


def _spreads(values: Floats, part: np.ndarray, least: float) -> Floats:
    """Logarithm of the standard deviation of each part; NaN where it has too few values or hardly moves."""
    rows = np.flatnonzero(np.isfinite(values))
    size = int(part[-1]) + 2
    count = np.bincount(part[rows], minlength=size)
    per = np.maximum(count, 1)
    middle = np.bincount(part[rows], weights=values[rows], minlength=size) / per
    square = np.bincount(part[rows], weights=(values[rows] - middle[part[rows]]) ** 2, minlength=size) / per
    return np.where((count >= least) & (square > STILL**2), 0.5 * np.log(np.maximum(square, 1e-9)), np.nan)


def _coarse_step(series: Floats, most: int = 150) -> onset.Change | None:
    """As `onset.step`; in a long series first among medians of several values, then about the place found."""
    wide = -(-len(series) // most)
    if wide == 1:
        return onset.step(series, least=2)
    whole = len(series) // wide * wide
    rough = onset.step(np.median(series[:whole].reshape(-1, wide), axis=1), least=2)
    if rough is None:
        return None
    a, b = max(0, (rough.at - 2) * wide), min(len(series), (rough.at + 2) * wide)
    fine = onset.step(series[a:b], least=2)
    at = rough.at * wide if fine is None else a + fine.at
    return rough._replace(at=at, earliest=at, latest=at)


def _leap(before: float, reading: Reading) -> float:
    """By how much a temperature leaps where its unit changes. [K]"""
    return (before - reading.plus) / reading.factor - before


def _stepped(case: Case, channel: Channel, reading: Reading) -> Floats | None:
    """1 from the block on at which the values leap as this unit would make them; None where they do not."""
    middles = medians(case, channel)
    change = case.once(f"{ID};step;{channel.name}", lambda: _coarse_step(middles))
    if change is None or change.gain < 4.0:
        return None
    leap = _leap(change.before, reading)
    if abs(leap) < LEAP or abs(change.after - change.before - leap) > 0.35 * abs(leap):
        return None
    beside = middles[max(0, change.at - 2) : change.at], middles[change.at : change.at + 2]
    if (np.median(beside[1]) - np.median(beside[0])) / leap < 0.35:
        return None  # it went there by and by
    return (np.arange(len(middles)) >= change.at).astype(float)


def _apart(case: Case, channel: Channel) -> Floats:
    """Median of a temperature less the others of the table, for each six-hour block in which it has values."""

    def make() -> Floats:
        values, reference = case.values(channel), _reference(case, channel)
        assert reference is not None
        rows = np.flatnonzero(np.isfinite(values))
        return blocks.medians_of((values - reference)[rows], block_starts(case, rows))

    return case.once(f"{ID};apart;{channel.name}", make)


def _reference(case: Case, channel: Channel) -> Floats | None:
    """Median of the other temperatures of the table; None without any."""
    return case.once(f"{ID};reference;{channel.name}", lambda: _others(case, channel))


def _others(case: Case, channel: Channel) -> Floats | None:
    others = [c for c in case.of(*TEMPERATURES) if c.name != channel.name]
    sheets = [case.values(c) for c in others]
    sheets = [s for s in sheets if np.isfinite(s).mean() > 0.3]
    if not sheets:
        return None
    if len(sheets) == 1:
        return sheets[0]
    stack = np.sort(np.stack(sheets), axis=0)  # NaN go to the end
    count = np.isfinite(stack).sum(axis=0)
    lower, upper = np.maximum((count - 1) // 2, 0), count // 2
    columns = np.arange(stack.shape[1])
    return np.asarray((stack[lower, columns] + stack[np.minimum(upper, len(stack) - 1), columns]) / 2.0)


def _beside(case: Case, after: Floats, reference: Floats, reading: Reading) -> Clue:
    both = np.isfinite(after) & np.isfinite(reference)
    if both.sum() < 10:
        return Clue("beside", 0.0, "nothing to compare with")
    x, y, r = after[both], reading.of(after[both]), reference[both]
    wide = case.limit(ID, "beside")
    a, b = float(np.median(np.abs(x - r))), float(np.median(np.abs(y - r)))
    odds = capped(0.5 * ((a / wide) ** 2 - (b / wide) ** 2))
    told = f"{a:.1f} K from the temperatures beside it, {b:.1f} in {reading.unit}"
    if odds > 0 and b > min(0.4 * a, 9.0):
        odds = 0.0
    return Clue("beside", odds, told)


def _follows(case: Case, channel: Channel, after: Floats, reading: Reading) -> Clue | None:
    """Whether it goes up and down with the other air (or the logger's) temperatures: a dead or open input does not, in
    whatever unit."""
    others = [c for c in case.of("air_temperature") if c.name != channel.name]
    trust = 1.0
    if not others:  # a logger indoors goes its own way
        others, trust = [c for c in case.of("logger_temperature") if c.name != channel.name], 0.25
    if channel.quantity not in ("air_temperature", "logger_temperature") or not others:
        return None
    start = case.rows - len(after)
    best: tuple[float, float] | None = None
    for other in others:
        r = case.values(other)[start:]
        both = np.isfinite(r) & np.isfinite(after)
        if both.sum() < 24 or not 0.2 < np.std(r[both]) < 40.0:
            continue
        y = reading.of(after[both])
        alike = float(np.corrcoef(y, r[both])[0, 1]) if np.std(y) > 0 else 0.0
        slope = float(np.std(y) / np.std(r[both]))
        if best is None or alike > best[0]:
            best = alike, slope
    if best is None:
        return None
    odds = min(1.5, 8.0 * (best[0] - 0.75)) - (2.0 if not 0.4 < best[1] < 2.5 else 0.0)
    return Clue("follows", trust * odds, f"r {best[0]:.2f} with the other temperatures, {best[1]:.1f} of their range")


def _identity(case: Case, channel: Channel, values: Floats, reading: Reading, start: int) -> Clue | None:
    """Dew point measured against that from temperature and humidity."""
    if channel.quantity not in ("air_temperature", "dew_point"):
        return None
    t, td, rh = (case.mate(q) for q in ("air_temperature", "dew_point", "relative_humidity"))
    if t is None or td is None or rh is None or channel not in (t, td):
        return None
    step = max(1, (case.rows - start) // 5000)
    rows = np.arange(start, case.rows, step)
    air, dew, wet = (case.values(c)[rows] for c in (t, td, rh))
    wet = np.where((wet > 5.0) & (wet <= 105.0), np.minimum(wet, 100.0), np.nan)

    def misfit(a: Floats, d: Floats) -> float:
        a = np.where((a > -60.0) & (a < 80.0), a, np.nan)
        off = np.abs(humidity.dew_point(a, wet) - d)
        return float(np.nanmedian(off)) if np.isfinite(off).sum() > 10 else 60.0

    before = misfit(air, dew)
    after = misfit(reading.of(air), dew) if channel is t else misfit(air, reading.of(dew))
    told = f"dew point {before:.1f} K from that of temperature and humidity, {after:.1f} then"
    odds = capped(0.5 * (before**2 - after**2) / 2.0**2)
    return Clue("dew point", min(odds, 4.0 - after), told)
