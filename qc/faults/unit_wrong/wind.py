"""Wind and gust in another unit: against each other, a usual wind, its own past, and the steps of its last digit."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    ID,
    STRANGE,
    Reading,
    Told,
    block_starts,
    capped,
)
from qc.physics import onset
from qc.station import Channel
from qc.verdicts import Floats

_RARE = {"ft/s": -1.5}
"""Log-odds of a unit beside others (judgement)."""

_SIGN = {"wind_speed": 1.0, "wind_gust": -1.0}


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    days, medians = daily(case, channel)
    if not len(days):
        return "less than a day of wind"
    if channel.statistic in ("min", "max") and channel.quantity == "wind_speed":
        return None
    turn = float(np.log(reading.factor))
    ratio = ratio_of(case, channel)
    series = np.log(np.maximum(medians, 0.1)) if ratio is None else ratio
    start, step, fit = 0, None, 0.0
    whose: Clue | None = None
    change = case.once(f"{ID};wind step;{channel.name}", lambda: onset.step(series, least=2))
    if change is not None and change.gain > 3.0:
        jump = change.after - change.before
        rest = np.concatenate((series[: change.at] - change.before, series[change.at :] - change.after))
        error = 1.9 * float(np.median(np.abs(rest))) / np.sqrt(min(change.at, len(series) - change.at)) + 0.01
        off = (jump + turn) / max(error, 0.04)
        if abs(jump) > 4.0 * error and abs(jump) > 0.4:
            if ratio is not None and abs(off) > 3.0 and abs(jump + turn) > 0.35:
                return None  # it changed, and not by this unit
            start, fit = change.at, -0.5 * off**2
            odds = 4.0 - 0.5 * off**2 if ratio is not None else min(2.0, 2.0 - 0.5 * off**2)
            told = f"a step by {np.exp(jump):.2f} on day {change.at + 1}, this unit would be {np.exp(-turn):.2f}"
            step = Clue("step", odds, told)
            whose = None if ratio is None else _whose(case, channel, days, np.log(np.maximum(medians, 0.1)), change.at)
    typical = {"wind_speed": 2.5, "wind_gust": 5.0}[channel.quantity]
    level = float(np.log(max(float(np.median(medians[start:])), 0.05) / typical))
    wide = case.limit(ID, "wind")
    odds = float(np.clip(0.5 * ((level / wide) ** 2 - ((level + turn) / wide) ** 2), -2.0, 2.0))
    clues = [Clue("level", odds, f"{np.exp(level):.2f} of a usual wind, {np.exp(level + turn):.2f} then")]
    beside = 0.0
    if ratio is not None and not _moves(case, channel, values, days, start):
        return None
    if _exchanged(case, channel, values, days, start, reading):
        return None
    if ratio is not None:
        clues += _unlike(case, channel, ratio[start:], turn)
        beside = clues[1].weight
        if _strain(case, (float(np.median(ratio[start:])) + turn) * _SIGN[channel.quantity]) > STRANGE**2 / 2.0:
            return None  # no wind beside that gust in either unit
        if step is None:
            fit = -_strain(case, (float(np.median(ratio)) + turn) * _SIGN[channel.quantity])
    if step is not None:
        clues.append(step)
    if whose is not None:
        clues.append(whose)
    grid, from_day = _grid(case, values, reading, days, start)
    if grid is not None:
        clues.append(grid)
        start = max(start, from_day) if step is None else start
    proven = beside >= 1.0 or (grid is not None and grid.weight >= 3.0)
    if not proven and (step is None or step.weight < 3.0):
        clues.append(Clue("level only", -2.0, "nothing beside it and no grid of another unit"))
    clues.append(Clue("unit", _RARE.get(reading.unit, 0.0), "how often loggers are set so"))
    rows = np.flatnonzero(np.isfinite(values))
    first = block_starts(case, rows)
    better = (case.solar_day[rows[first]] >= days[start]).astype(float)
    begun = _since(case, channel, values, days, start, ratio is not None) if start else None
    return Told(clues, better, fit, begun)


def _unlike(case: Case, channel: Channel, ratio: Floats, turn: float) -> list[Clue]:
    """What the anemometer or the gust beside it says."""
    sound, sign = float(np.median(ratio)), _SIGN[channel.quantity]
    odds = capped(_strain(case, sound * sign) - _strain(case, (sound + turn) * sign))
    told = f"{np.exp(sound):.2f} of what the wind beside it lets expect, {np.exp(sound + turn):.2f} then"
    clues = [Clue("beside", odds, told)]
    if (sound * sign > 0.45 or sound * sign < -1.0) and abs(sound + turn) < 0.35:
        name = "gust below mean" if sound * sign > 0 else "gust too high"
        clues.append(Clue(name, min(3.0, 0.4 * len(ratio)), f"on {len(ratio)} days"))
    return clues


def _whose(case: Case, channel: Channel, days: Floats, own: Floats, at: int) -> Clue | None:
    """Which of the two beside each other changed on a day: the one whose own level moved more than weather does."""
    mate = _mate(case, channel)
    if mate is None:
        return None
    known, medians = daily(case, mate)
    turns = np.isin(days, known)
    if turns[at:].mean() < 0.5:
        return Clue("which of the two", -4.0, f"{mate.name} hardly turns from then on")
    shared, here, there = np.intersect1d(days, known, return_indices=True)
    late = shared >= days[at]
    if min(late.sum(), (~late).sum()) < 2:
        return None
    moved, apart = [], []
    for series in (own[here], np.log(np.maximum(medians[there], 0.1))):
        a, b = series[~late], series[late]
        moved.append(float(np.median(b) - np.median(a)))
        rest = np.concatenate((a - np.median(a), b - np.median(b)))
        apart.append(1.5 * 1.4826 * float(np.median(np.abs(rest))) * np.sqrt(1.0 / len(a) + 1.0 / len(b)))
    sigma = max(*apart, 0.15)
    odds = float(np.clip((moved[0] ** 2 - moved[1] ** 2) / 2.0 / sigma**2, -4.0, 1.5))
    told = f"its own level moved by {np.exp(moved[0]):.2f}, that of {mate.name} by {np.exp(moved[1]):.2f}"
    return Clue("which of the two", odds, told)


def _mate(case: Case, channel: Channel) -> Channel | None:
    """The gust or the mean beside a wind."""
    gusts = [c for c in case.of("wind_gust", extremes=True) if c.statistic != "min" and c.name != channel.name]
    means = [c for c in case.of("wind_speed") if c.name != channel.name]
    order = means if channel.quantity == "wind_gust" else [*gusts, *means]
    return next(iter(order), None)


def _moves(case: Case, channel: Channel, values: Floats, days: Floats, start: int) -> bool:
    """Whether it still goes up and down with the anemometer or the gust beside it, from row to row, as it did before or
    as winds do: what stands in its column may be no wind. In hourly tables only its own past tells."""
    mate = _mate(case, channel)
    if mate is None:
        return True
    late = case.solar_day >= days[start]
    now, past = (_alike(values, case.values(mate), case.consecutive & part) for part in (late, ~late))
    usual = past if np.isfinite(past) else 1.0 if case.interval_s <= 900.0 else 0.0
    least = case.limit(ID, "moves")
    return not (now < least and usual > 2.0 * least)


def _exchanged(case: Case, channel: Channel, values: Floats, days: Floats, start: int, reading: Reading) -> bool:
    """Whether a mean wind never falls below its gust any more, where in this unit it would in light air, as often as
    its gusts were that far above it before: then the two are exchanged."""
    mate = _mate(case, channel)
    if mate is None or mate.quantity != "wind_gust" or channel.quantity != "wind_speed" or reading.factor > 1.0:
        return False
    late, gust = case.solar_day >= days[start], case.values(mate)
    counted = (np.maximum(values, gust) > 0.5) & np.isfinite(values + gust)
    far = (counted & ~late & (gust * reading.factor > values)).sum() / max((counted & ~late).sum(), 1)
    expected, seen = far * (counted & late).sum(), (counted & late & (gust > values)).sum()
    return bool(expected >= 8.0 and seen < 0.05 * expected)


def _alike(x: Floats, y: Floats, rows: np.ndarray) -> float:
    """Correlation of the changes from row to row, of those rows; NaN where fewer than 40 change."""
    dx, dy = np.diff(x, prepend=np.nan)[rows], np.diff(y, prepend=np.nan)[rows]
    both = np.isfinite(dx + dy)
    dx, dy = dx[both], dy[both]
    if min(np.count_nonzero(dx), np.count_nonzero(dy)) < 40:
        return float("nan")
    return float(np.corrcoef(dx, dy)[0, 1])


def _strain(case: Case, mean_over_gust: float) -> float:
    """Half the square of a ratio in its standard deviations: calm air and shelter raise gusts over means far, nothing
    lowers them below."""
    return 0.5 * (mean_over_gust / case.limit(ID, "gust" if mean_over_gust > 0 else "gust_high")) ** 2


def _since(case: Case, channel: Channel, values: Floats, days: Floats, start: int, mate: bool) -> tuple[int, int]:
    """Rows between which it began: by the hours about the day of the step where there is a mate, else two days."""
    rows = np.flatnonzero(
        (case.solar_day >= days[max(0, start - 2)]) & (case.solar_day <= days[min(len(days) - 1, start + 1)])
    )
    if not mate:
        inner = np.flatnonzero((case.solar_day >= days[start - 1]) & (case.solar_day <= days[start]))
        return int(inner[0]), int(inner[-1])
    each = _each(case, channel)
    assert each is not None
    good = rows[np.isfinite(each[rows])]
    size = max(1, len(good) // 200)
    parts = [good[n : n + size] for n in range(0, len(good), size)]
    change = onset.step(np.array([np.median(each[p]) for p in parts]), least=2)
    if change is None:
        return int(rows[0]), int(rows[-1])
    before, after = parts[max(0, change.earliest - 1)], parts[min(len(parts) - 1, change.latest)]
    return int(before[0]), int(after[-1])


def daily(case: Case, channel: Channel) -> tuple[Floats, Floats]:
    """Solar days with a quarter of their values, and their medians of what moves."""
    return case.once(f"{ID};daily;{channel.name}", lambda: _daily_of(case, case.values(channel)))


def _daily_of(case: Case, values: Floats) -> tuple[Floats, Floats]:
    rows = np.flatnonzero(values > 0.3)
    if not len(rows):
        return np.empty(0), np.empty(0)
    days, first = np.unique(case.solar_day[rows], return_index=True)
    parts = np.split(values[rows], first[1:])
    enough = np.array([len(p) * case.interval_s >= 6 * 3600 for p in parts])
    return days[enough], np.array([np.median(p) for p, e in zip(parts, enough, strict=True) if e])


def _each(case: Case, channel: Channel) -> Floats | None:
    """By row: logarithm of the channel over what its mate lets expect. None without a mate. Rows in which the wind does
    not change, or a gust equals its mean, are left out: a frozen head repeats both."""
    mate, values = _mate(case, channel), case.values(channel)
    if mate is None:
        return None
    factor = 1.6 * (max(case.interval_s, 60.0) / 600.0) ** 0.13
    usual = factor if channel.quantity == "wind_gust" else 1.0 / factor if mate.quantity == "wind_gust" else 1.0
    other = case.values(mate)
    moves = np.ones(len(values), bool)
    moves[1:] = np.abs(np.diff(values)) > 0.02 * np.abs(values[1:])
    with np.errstate(invalid="ignore"):
        good = (values > 0.3) & (other > 0.3) & moves & (np.abs(values - other) > 0.01 * other)
    each = np.full(len(values), np.nan)
    each[good] = np.log(values[good] / (other[good] * usual))
    return each


def ratio_of(case: Case, channel: Channel) -> Floats | None:
    """`_each` by day, for the days of `_daily`; None without a mate, or where it is silent on three days of ten."""
    return case.once(f"{ID};ratio;{channel.name}", lambda: _ratio_by_day(case, channel))


def _ratio_by_day(case: Case, channel: Channel) -> Floats | None:
    days, _ = daily(case, channel)
    each = _each(case, channel)
    if each is None:
        return None
    out = np.full(len(days), np.nan)
    rows = np.flatnonzero(np.isfinite(each) & np.isin(case.solar_day, days))
    if not len(rows):
        return None
    known, first = np.unique(case.solar_day[rows], return_index=True)
    out[np.searchsorted(days, known)] = [np.median(p) for p in np.split(each[rows], first[1:])]
    if np.isfinite(out).sum() < 0.7 * len(out):
        return None
    return np.where(np.isfinite(out), out, np.nanmedian(out))


def _grid(case: Case, values: Floats, reading: Reading, days: Floats, start: int) -> tuple[Clue | None, int]:
    """Whether the values stand on steps that are tenths (or halves, or wholes) in the other unit alone, and from which
    day on."""
    good = np.isfinite(values) & (values > 0.3) & (values < 12.0)
    # a change within the record leaves its end on the grid
    late = days[start if start else min(len(days) - 1, (2 * len(days)) // 3)]
    distinct = np.unique(np.round(values[good & (case.solar_day >= late)], 4))
    if len(distinct) < 8:
        return None, 0
    digits = float(np.min(np.diff(distinct)))
    if not 0.005 <= digits <= 0.15:
        return None, 0
    best: tuple[Clue, float, float] | None = None
    for quantum in (0.1, 0.5, 1.0):
        room = digits / 2.0 * reading.factor / quantum  # share of a step that rounding blurs to each side
        chance = 2.0 * room + 0.02
        if chance > 0.8:
            continue
        if quantum > digits + 0.001 and _on(distinct, quantum, 0.02) > 0.9:
            continue  # they stand on that grid as declared
        on = _on(reading.of(distinct), quantum, room + 0.01)
        if on <= max(0.97, chance):
            continue
        odds = len(distinct) * (on * np.log(on / chance) + (1 - on) * np.log(max(1 - on, 1e-9) / (1 - chance)))
        clue = Clue("grid", capped(odds), f"{100 * on:.0f} % of {len(distinct)} values are steps of {quantum:g} then")
        best = (clue, quantum, room) if best is None or clue.log_odds > best[0].log_odds else best
    if best is None:
        return None, 0
    rows = np.flatnonzero(good & np.isin(case.solar_day, days))
    known, first = np.unique(case.solar_day[rows], return_index=True)
    place = reading.of(values[rows]) / best[1]
    hit = np.abs(place - np.round(place)) <= best[2] + 0.01
    share = np.add.reduceat(hit.astype(float), first) / np.diff(np.append(first, len(rows)))
    run = onset.first_true((share > 0.97).astype(float), least=1)
    return best[0], 0 if run is None else int(np.searchsorted(days, known[run[1]]))


def _on(x: Floats, quantum: float, room: float) -> float:
    """Share of values that lie on steps of a quantum, within a share of a step."""
    return float(np.mean(np.abs(x / quantum - np.round(x / quantum)) <= room))
