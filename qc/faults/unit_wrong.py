"""Values in another unit than the station file says.

Shows: a whole channel lies far from what is possible or usual, and in another unit of its quantity it would be usual,
    and agree with the channels beside it.
Happened: the logger's program or a sensor was set to other units, or its unit stands wrong in the station file.
How sure: pressure, Kelvin, kilowatts and inches betray themselves within hours; miles, knots and kilometres an hour
    need a gust or a second anemometer beside it, or a week and the day of the change.
Check: read the unit in the logger's program and in the table's header; compare one reading at a noted minute with a
    hand instrument; look into the visit log for a program that was loaded on the day of the change.
Carry: hand instrument for the quantity, laptop with the logger's cable.
Caution: no climb is needed for a reading; do not change the program in the field without a copy of the old one.
Data: correct `unit` of the channel in the station file (with a deployment from the day of the change on); the table
    stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from qc import units
from qc.case import Case
from qc.errors import StationFileError
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.mends import Mend
from qc.moments import utc_text
from qc.physics import blocks, heights, humidity, onset
from qc.physics.pressure import standard_pressure
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "unit-wrong"
TEMPERATURES = ("air_temperature", "dew_point", "soil_temperature", "surface_temperature", "logger_temperature")
WIND = ("wind_speed", "wind_gust")
UNITS = {
    "air_pressure": ("hPa", "inHg", "mmHg", "kPa", "Pa"),
    **dict.fromkeys(TEMPERATURES, ("degC", "degF", "K")),
    **dict.fromkeys(WIND, ("m/s", "mph", "kn", "km/h", "ft/s")),
    "global_irradiance": ("W/m2", "kW/m2", "kJ/m2", "MJ/m2"),
    "relative_humidity": ("%", "1"),
    "precipitation": ("mm", "inches"),
}
"""Units that a channel of a quantity may be in (contract 7 and 3), as `unit_found` names them."""

QUANTITIES = tuple(UNITS)
BLOCK_S = 6 * 3600.0
STEPS = {"inHg": 0.01, "mmHg": 0.1, "kPa": 0.01, "Pa": 10.0, "kW/m2": 0.001, "inches": 0.01, "1": 0.01}
"""What a logger's last digit is worth in a unit (common practice: two decimals of inches, of mercury and of rain)."""


@dataclass(frozen=True)
class Reading:
    """The channel as it would be if the table were in another unit: true values are `factor` x + `plus`."""

    unit: str
    factor: float
    plus: float

    def of(self, values: Floats) -> Floats:
        """Values of the table in the output unit."""
        return np.asarray(values * self.factor + self.plus)


@dataclass(frozen=True)
class Told:
    """What the numbers say of one reading against the declared unit: clues, and how well each block fits either."""

    clues: list[Clue]
    better: Floats  # by block: 1 where the reading fits better, 0 where the declared unit does, NaN for none
    fit: float = 0.0  # log-likelihood that tells like units from each other, without any cap
    begun: tuple[int, int] | None = None  # rows between which it began, where the test knows better than the blocks


def readings(case: Case, channel: Channel) -> list[Reading]:
    """Units that the table might be in instead of the declared one."""
    try:
        declared = units.conversion(channel.quantity, channel.unit, case.interval_s or None)
    except StationFileError:
        return []
    out = []
    for unit in UNITS[channel.quantity]:
        try:
            other = units.conversion(channel.quantity, unit, case.interval_s or None)
        except StationFileError:
            continue  # amounts need an interval
        factor = other.factor / declared.factor
        plus = (other.shift - declared.shift) * other.factor
        if abs(np.log(factor)) > 0.05 or abs(plus) > 1.0:
            out.append(Reading(unit, factor, plus))
    return out


ALIVE = {
    "air_temperature": 2.0, "dew_point": 2.0, "relative_humidity": 5.0, "air_pressure": 5.0, "soil_temperature": 0.5,
    "surface_temperature": 2.0,
}  # fmt: skip
"""Quantities that never keep one value where their steps are finer than this, output units (judgement: nine values of
ten alike is no weather)."""


def test(case: Case) -> Sequence[Outcome]:
    """Each channel in each other unit that its quantity is given in."""
    plain = case.of(*QUANTITIES)
    gusts = [c for c in case.of("wind_gust", extremes=True) if c.statistic == "max"]
    found = [_one(case, channel) for channel in [*plain, *gusts]]
    return [one for one in found if one is not None]


def _one(case: Case, channel: Channel) -> Outcome | None:
    names = (channel.name,)
    live = case.live_s(channel)
    need = case.limit(ID, "hours") * 3600.0
    if not case.interval_s:
        return Untested(names, "a table of events", None)
    if live < need:
        return Untested(names, f"{live / 3600:.1f} h of values, needs {need / 3600:.0f}", "it has values for 6 h")
    if channel.statistic == "sd":
        return None
    for back in _put_right(case, channel):  # what is before the mend is judged as a record of its own
        earlier = case.without(names, case.time[back], case.last)
        found = _judged(earlier, channel) if earlier.live_s(channel) >= need else None
        if isinstance(found, Suspect):
            return _ended(found, case.time[back])
    return _judged(case, channel)


def _ended(suspect: Suspect, back: np.datetime64) -> Suspect:
    """What was in another unit up to a moment, and is in the declared one since."""
    mend = suspect.mend
    assert mend is not None
    return replace(
        suspect,
        clues=(*suspect.clues, Clue("put right", 2.0, f"in the declared unit from {utc_text(back)} on")),
        summary=f"{suspect.summary} From {utc_text(back)} on it is in the declared unit.",
        mend=replace(mend, last=suspect.last),
    )


def _put_right(case: Case, channel: Channel) -> list[int]:
    """Rows from which a channel may be in the declared unit again, the last one first."""
    if channel.quantity == "precipitation":
        return []  # no two rains are alike
    if channel.quantity in WIND:
        days, _ = _daily(case, channel)
        return _stepped_back(case, channel, days, _ratio(case, channel))
    if channel.quantity == "global_irradiance":
        bright = case.clearness(channel)
        rows = np.flatnonzero(bright > 0.0)
        days, first = np.unique(case.solar_day[rows], return_index=True)
        tops = np.log(np.maximum.reduceat(bright[rows], first)) if len(rows) else None
        return _stepped_back(case, channel, days, tops)
    return _leapt_back(case, channel)


def _leapt_back(case: Case, channel: Channel) -> list[int]:
    """After leaps that another unit explains the other way about, where what follows goes with it."""
    values = case.values(channel)
    rows = np.flatnonzero(np.isfinite(values))
    x = values[rows]
    if len(x) < 3:
        return []
    leap = np.abs(np.diff(x))
    plain = leap > max(8.0 * float(np.median(leap)), LEAST_LEAP.get(channel.quantity, 0.0))
    found: set[int] = set()
    for reading in readings(case, channel) if plain.any() else ():
        fits = plain & (np.abs(x[1:] - reading.of(x[:-1])) < 0.2 * leap)
        for at in np.flatnonzero(fits)[-MENDS:].tolist():
            before, after = _levels(x, at)
            if len(x) - at > LEAST and abs(after - reading.of(np.array(before))) < abs(after - before):
                found.add(int(rows[at + 1]))
    return sorted(found, reverse=True)


def _levels(x: Floats, at: int) -> tuple[float, float]:
    """Medians of as many values up to a place and after it."""
    size = min(MOST, at + 1, len(x) - at - 1)
    return float(np.median(x[at + 1 - size : at + 1])), float(np.median(x[at + 1 : at + 1 + size]))


def _stepped_back(case: Case, channel: Channel, days: Floats, series: Floats | None) -> list[int]:
    """The first row of the day on which a logarithm by day steps by a unit's factor, the other way about: the last
    step of the series, or the one before which it stepped into that unit."""
    if series is None:
        return []
    turns = [float(np.log(r.factor)) for r in readings(case, channel)]
    start = 0
    while (change := onset.step(series[start:], least=2)) is not None and change.gain > 3.0:
        jump = change.after - change.before
        if any(abs(turn) > 0.4 and abs(jump - turn) < 0.35 * abs(turn) for turn in turns):
            return [int(np.searchsorted(case.solar_day, days[start + change.at]))]
        if not any(abs(turn) > 0.4 and abs(jump + turn) < 0.35 * abs(turn) for turn in turns):
            break
        start += change.at
    return []


def _judged(case: Case, channel: Channel) -> Outcome:
    """A channel with enough values in each of its other units, to the end of its values."""
    names = (channel.name,)
    values = case.values(channel)
    teller = _TELLERS[channel.quantity]
    tried: list[tuple[float, Reading, Told]] = []
    lacks = ""
    for reading in readings(case, channel):
        told = teller(case, channel, values, reading)
        if isinstance(told, str):
            lacks = told
        elif told is not None:
            tried.append((sum(c.weight for c in told.clues), reading, told))
    if not tried and lacks:
        return Untested(names, lacks, "there is more of it")
    if not tried:
        return Cleared(names, f"as plausible in {channel.unit} as values are")
    odds, reading, told = max(tried, key=lambda t: t[0] + t[2].fit)
    if odds <= 0.0:
        return Cleared(names, f"more plausible in {channel.unit} than in {reading.unit}")
    return _named(case, channel, reading, told)


def _named(case: Case, channel: Channel, reading: Reading, told: Told) -> Outcome:
    values = case.values(channel)
    rows = np.flatnonzero(np.isfinite(values))
    first = _blocks(case, rows)
    begin_row, before_row = int(rows[0]), None
    run = onset.first_true(told.better, least=min(2, int(np.isfinite(told.better).sum())))
    run = run or onset.first_true(told.better, least=1)  # the last block alone: it did not begin before
    if run is not None and run[0] >= 0:
        a, b = first[run[0]], (first[run[1] + 1] if run[1] + 1 < len(first) else len(rows))
        before_row, begin_row = _narrowed(values, rows[a:b], reading)
    if told.begun is not None:
        before_row, begin_row = told.begun
    begin = case.first if before_row is None else case.time[begin_row]
    start = case.first if before_row is None else case.time[before_row]
    clues = list(told.clues)
    if before_row is not None:
        clues.append(Clue("own past", 2.0, "in the declared unit until then"))
    hours = float((rows >= begin_row).sum()) * case.interval_s / 3600.0
    here = values[begin_row:]
    middle = float(np.nanmedian(here))
    held = np.unique(here[np.isfinite(here)], return_counts=True)[1]
    step = float(np.diff(np.unique(values[rows])).min(initial=np.inf)) * abs(reading.factor)
    if step < ALIVE.get(channel.quantity, 0.0) and held.max() > 0.9 * held.sum():
        told_ = f"{held.max() / held.sum():.0%} of its values are one and the same: no unit does that"
        return Cleared((channel.name,), told_)
    return Suspect(
        (channel.name,),
        tuple(clues),
        {"unit_found": reading.unit},
        f"{channel.name} is in {reading.unit}, not in {channel.unit}: its median of {middle:.4g} over {hours:.0f} h is "
        f"{float(reading.of(np.array([middle]))[0]):.4g} then, as it should be.",
        begin,
        case.time[rows[-1]],
        (start, begin),
        device=case.device(channel),
        mend=Mend("unit", (channel.name,), None if before_row is None else begin, None, reading.factor, reading.plus,
                  unit=reading.unit),
        exhibit={"channel": channel, "reading": reading, "begin": begin},
    )  # fmt: skip


def _blocks(case: Case, rows: np.ndarray) -> np.ndarray:
    """Where each six-hour block with values begins in `rows`, which rise."""
    block = blocks.number(case.time[rows], BLOCK_S / 3600.0)
    begins = np.ones(len(rows), bool)
    begins[1:] = block[1:] != block[:-1]
    return np.flatnonzero(begins)


def _medians(case: Case, channel: Channel) -> Floats:
    """Median of each six-hour block with values."""

    def make() -> Floats:
        values = case.values(channel)
        rows = np.flatnonzero(np.isfinite(values))
        return blocks.medians_of(values[rows], _blocks(case, rows))

    return case.once(f"{ID};medians;{channel.name}", make)


def _narrowed(values: Floats, rows: np.ndarray, reading: Reading) -> tuple[int, int]:
    """Rows between which it began: those of one leap, else the first and last of those given (two blocks)."""
    return _leapt(values, rows, reading) or (int(rows[0]), int(rows[-1]))


def _leapt(values: Floats, rows: np.ndarray, reading: Reading) -> tuple[int, int] | None:
    """The two rows of one leap that a change of unit explains and nothing else comes near to; None without one."""
    x = values[rows]
    if len(x) < 2:
        return None
    there = (x[:-1] - reading.plus) / reading.factor  # what the value before would be in the other unit
    leap, miss = np.abs(x[1:] - x[:-1]), np.abs(x[1:] - there)
    likely = (miss < 0.2 * leap) & (leap > 8.0 * np.median(leap))
    if likely.sum() != 1 or leap[likely][0] < 0.9 * leap.max():
        return None
    at = int(np.flatnonzero(likely)[0])
    before, after = _levels(x, at)
    if abs(after - (before - reading.plus) / reading.factor) > abs(after - before):
        return None  # a spike, or its end
    return int(rows[at]), int(rows[at + 1])


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


def _capped(odds: float) -> float:
    return float(np.clip(odds, -4.0, 4.0))


# ---- what each quantity goes by

STRANGE = 4.0
"""Standard deviations from what is usual beyond which values are no better explained by another unit (judgement)."""

Teller = Callable[[Case, Channel, Floats, Reading], "Told | str | None"]


def _lately(better: Floats) -> float:
    """Hours in a row, up to the last block, in which another unit fits better."""
    run = onset.first_true(better, least=1)
    if run is None:
        return 0.0
    return float((better[run[1] :] > 0.5).sum()) * BLOCK_S / 3600.0


def _runs(case: Case, better: Floats, usual: float = 1.0) -> list[Clue]:
    hours = _lately(better)
    if hours <= 0:
        return [Clue("lasting", -4.0, "not at the end")]
    return [Clue("lasting", usual * min(3.0, 0.5 + 0.25 * hours / 6.0), f"for {hours:.0f} h on end")]


def _tail(better: Floats) -> slice:
    run = onset.first_true(better, least=1)
    return slice(run[1], None) if run is not None else slice(0, 0)


def _pressure(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    usual = float(standard_pressure(case.sky.elevation))
    middles = _medians(case, channel)
    wide = case.limit(ID, "pressure")
    here = np.log(np.maximum(middles, 1e-6) / usual)
    there = np.log(np.maximum(reading.of(middles), 1e-6) / usual)
    better = (np.abs(there) < np.abs(here)).astype(float)
    at = _tail(better)
    if not len(here[at]):
        return None
    a, b = float(np.median(here[at])), float(np.median(there[at]))
    if abs(b) > STRANGE * wide:
        return None  # no pressure in either unit
    clues = [
        Clue("declared unit", _capped(0.5 * (a / wide) ** 2 - 2.0), f"{np.exp(a):.3g} of what is usual at the height"),
        Clue("other unit", _capped(4.0 - 0.5 * (b / wide) ** 2), f"{np.exp(b):.3f} of it in {reading.unit}"),
        *_runs(case, better),
    ]
    return Told(clues, better)


def _usual_temperature(case: Case) -> float:
    middle = case.time[case.rows // 2].astype("datetime64[D]")
    day = int((middle - middle.astype("datetime64[Y]")).astype(np.int64))
    return float(heights.usual_temperature(case.sky.latitude, case.sky.elevation, day))


def _temperature(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    middles = _medians(case, channel)
    usual = _usual_temperature(case) - (5.0 if channel.quantity == "dew_point" else 0.0)
    wide = case.limit(ID, "temperature") * (1.4 if channel.quantity == "logger_temperature" else 1.0)
    here, there = (middles - usual) / wide, (reading.of(middles) - usual) / wide
    reference = _reference(case, channel)
    rows = np.flatnonzero(np.isfinite(values))
    first = _blocks(case, rows)
    better = _stepped(case, channel, reading)
    if better is None:  # weather moves the level too: one plain leap of the record will do
        row = _leapt(values, rows, reading)
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
    at = _tail(better)
    if not len(here[at]):
        return None
    begin, begun = int(rows[first[at.start]]), None
    if at.start > 0:  # one block of past will do where the row of the leap is plain
        stop = first[at.start + 1] if at.start + 1 < len(first) else len(rows)
        begun = _leapt(values, rows[first[at.start - 1] : stop], reading)
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
        Clue("level", _capped(0.5 * (a**2 - b**2)), f"{a * wide:+.0f} K from what is usual here, {b * wide:+.0f} then"),
        Clue("all values", 1.0 if odd < 0.005 else -4.0 * min(1.0, 20.0 * odd), f"{100 * odd:.1f} % odd even then"),
        *_runs(case, better, 0.6),
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


LEAP = 15.0
"""K; a change of unit by less is not told from weather (judgement)."""

LEAST_LEAP = dict.fromkeys(TEMPERATURES, LEAP)
"""Leaps by less are not looked at for a unit that was put right, output units."""

MENDS, LEAST, MOST = 3, 3, 36
"""Leaps that are looked at, the last ones; values that must have come since, and those to each side that must go with
the leap (judgement: a spike and its end are two leaps)."""


STILL = 0.3
"""K; a temperature that ranges less in a day is that of no air (judgement)."""


def _leap(before: float, reading: Reading) -> float:
    """By how much a temperature leaps where its unit changes. [K]"""
    return (before - reading.plus) / reading.factor - before


def _stepped(case: Case, channel: Channel, reading: Reading) -> Floats | None:
    """1 from the block on at which the values leap as this unit would make them; None where they do not."""
    middles = _medians(case, channel)
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
        return blocks.medians_of((values - reference)[rows], _blocks(case, rows))

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
    odds = _capped(0.5 * ((a / wide) ** 2 - (b / wide) ** 2))
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
    odds = _capped(0.5 * (before**2 - after**2) / 2.0**2)
    return Clue("dew point", min(odds, 4.0 - after), told)


def _wind(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    days, medians = _daily(case, channel)
    if not len(days):
        return "less than a day of wind"
    if channel.statistic in ("min", "max") and channel.quantity == "wind_speed":
        return None
    turn = float(np.log(reading.factor))
    ratio = _ratio(case, channel)
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
    first = _blocks(case, rows)
    better = (case.solar_day[rows[first]] >= days[start]).astype(float)
    begun = _since(case, channel, values, days, start, ratio is not None) if start else None
    return Told(clues, better, fit, begun)


_RARE = {"ft/s": -1.5}
"""Log-odds of a unit beside others (judgement)."""


def _unlike(case: Case, channel: Channel, ratio: Floats, turn: float) -> list[Clue]:
    """What the anemometer or the gust beside it says."""
    sound, sign = float(np.median(ratio)), _SIGN[channel.quantity]
    odds = _capped(_strain(case, sound * sign) - _strain(case, (sound + turn) * sign))
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
    known, medians = _daily(case, mate)
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


_SIGN = {"wind_speed": 1.0, "wind_gust": -1.0}


def _daily(case: Case, channel: Channel) -> tuple[Floats, Floats]:
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


def _ratio(case: Case, channel: Channel) -> Floats | None:
    """`_each` by day, for the days of `_daily`; None without a mate, or where it is silent on three days of ten."""
    return case.once(f"{ID};ratio;{channel.name}", lambda: _ratio_of(case, channel))


def _ratio_of(case: Case, channel: Channel) -> Floats | None:
    days, _ = _daily(case, channel)
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
        clue = Clue("grid", _capped(odds), f"{100 * on:.0f} % of {len(distinct)} values are steps of {quantum:g} then")
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


def _sun(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    least = 15.0 if abs(np.log(reading.factor)) < 3.0 else 5.0  # a factor of 1000 shows in a winter sun too
    high = (case.elevation > least) & np.isfinite(values)
    if high.sum() * case.interval_s < case.limit(ID, "sun_hours") * 3600.0:
        return "too little high sun"
    k = np.where(high, values / np.maximum(case.clear.ghi, 1.0), np.nan)
    rows = np.flatnonzero(np.isfinite(values))
    first = _blocks(case, rows)

    def make() -> Floats:
        parts = [p[np.isfinite(p)] for p in np.split(k[rows], first[1:])]
        return np.array([np.quantile(p, 0.9) if len(p) > 3 else np.nan for p in parts])

    by_block = case.once(f"{ID};bright above {least:g};{channel.name}", make)

    def fit(top: Floats) -> Floats:
        off = np.log(np.maximum(top, 1e-6))
        return np.asarray(0.5 * (off / np.where(off > 0, 0.25, 0.8)) ** 2)

    here, there = fit(by_block), fit(by_block * reading.factor)
    better = np.where(np.isfinite(by_block), (there < here).astype(float), np.nan)
    at = _tail(better)
    if not np.isfinite(by_block[at]).any():
        return None
    start = rows[first[at.start]]
    top = float(np.quantile(k[start:][np.isfinite(k[start:])], 0.95))
    a, b = float(fit(np.array([top]))[0]), float(fit(np.array([top * reading.factor]))[0])
    long = (len(values) - start) * case.interval_s >= 86400.0
    if at.start and not long and abs(np.log(reading.factor)) < HEAVY:
        return None  # heavy cloud towards the end of a record
    if b > DARK or (long and not _by_day(values[start:], case.clear.ghi[start:])):
        return None  # no sun is so, in either unit, or it does not follow the sun at all
    shape = float(np.corrcoef(values[start:][high[start:]], case.clear.ghi[start:][high[start:]])[0, 1])
    follows = _capped(6.0 * (shape - 0.3)) if np.isfinite(shape) else -4.0
    follows = follows if long else max(follows, 0.0)  # some hours about noon, under cloud, need not follow it
    clues = [
        Clue("level", _capped(a - b - 1.0), f"{top:.3g} of a clear sky, {top * reading.factor:.2f} in {reading.unit}"),
        Clue("clear sky", _capped(2.0 - b), "the brightest values are those of a clear sky then"),
        Clue("follows the sun", follows, f"r {shape:.2f}"),
        *_runs(case, better, 0.6),
    ]
    par = case.mate("par")
    if abs(np.log(reading.factor)) < 1.2 and par is None:
        return None  # cloud does as much
    days = len(np.unique(case.solar_day[start:][high[start:]]))
    if abs(np.log(reading.factor)) < 2.0 and days < case.limit(ID, "dull_days"):
        return None  # a dull day or two do as much
    if reading.factor > 1.0 and top > 0.35:
        clues.append(Clue("not so dark", -4.0, f"{top:.2f} of a clear sky is a cloudy one"))
    if par is not None:
        both = high & (case.values(par) > 20.0) & (values > 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            each = np.where(both, np.log(values * 2.05 / case.values(par)), np.nan)
        past, each = each[:start], each[start:]
        if np.isfinite(each).sum() > 10:
            off = float(np.nanmedian(each))
            odds = 0.5 * ((off / 0.2) ** 2 - ((off + np.log(reading.factor)) / 0.2) ** 2)
            if np.isfinite(past).sum() > 50:  # the same two sensors before: the factor is known closely
                leap = off - float(np.nanmedian(past)) + np.log(reading.factor)
                odds = min(odds, 4.0 - 0.5 * (leap / case.limit(ID, "par_leap")) ** 2)
            clues.append(Clue("photosynthetic light", _capped(odds), f"{np.exp(off):.3g} of what PAR lets expect"))
    return Told(clues, better)


HEAVY = 4.0
"""Logarithm of a factor from which heavy cloud does not do as much for some hours (judgement: the darkest cloud lets
through a fiftieth of a clear sky)."""

DARK = 4.0
"""Half the square of standard deviations from a clear sky beyond which another unit explains no light (judgement)."""


def _by_day(values: Floats, clear: Floats) -> bool:
    """Whether values are high when the sun is, nights included: a dead or open input does not know the sun."""
    both = np.isfinite(values) & np.isfinite(clear)
    if both.sum() < 10 or not np.std(values[both]) or not np.std(clear[both]):
        return False
    return bool(np.corrcoef(values[both], clear[both])[0, 1] > 0.3)


def _wet(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    here = values[np.isfinite(values)]
    tops = np.quantile(here, 0.98)
    if reading.factor < 10.0 or len(here) < 30:
        return None
    middles = _medians(case, channel)
    better = (middles <= 1.05).astype(float)
    at = _tail(better)
    if not len(middles[at]):
        return None
    part = middles[at]
    dry = float(np.median(part))
    clues = [
        Clue(
            "level",
            4.0 if part.max() <= 1.05 and dry > 0.2 and part.max() > 0.4 else -4.0,
            f"{dry:.2g} % in the median",
        ),
        Clue("spread", 2.0 if np.ptp(part) > 0.02 or dry < 0.99 else -2.0, f"98 % of values below {tops:.3g}"),
        *_runs(case, better),
    ]
    others = [case.values(c) for c in case.of("relative_humidity") if c.name != channel.name]
    off = [np.abs(o - reading.of(values)) for o in others if (np.isfinite(o) & np.isfinite(values)).sum() > 20]
    if off:
        apart = min(float(np.nanmedian(o)) for o in off)
        clues.append(Clue("beside", 2.0 if apart < 15.0 else -4.0, f"{apart:.0f} % from the humidity beside it then"))
    return Told(clues, better)


def _rain(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    if reading.factor < 10.0 or channel.statistic == "counter":
        return None
    wet = values[values > 0]
    if len(wet) < case.limit(ID, "tips"):
        return f"{len(wet)} wet intervals, needs {case.limit(ID, 'tips'):.0f}"
    usual = 1.2 * (case.interval_s / 600.0) ** 0.6
    high = float(np.log(np.quantile(wet, 0.95) / usual))
    turn, wide = np.log(reading.factor), case.limit(ID, "rain")
    rest = np.abs(wet / 0.01 - np.round(wet / 0.01))
    least = float(wet.min())
    declared = channel.resolution if isinstance(channel.resolution, float | int) else None
    clues = [
        Clue("level", _capped(0.5 * ((high / wide) ** 2 - ((high + turn) / wide) ** 2)),
             f"strong rain at {np.exp(high):.2f} of what is usual, {np.exp(high + turn):.1f} then"),
        Clue("steps", 1.5 if least >= 0.0095 and float((rest < 0.01).mean()) > 0.98 else -2.0,
             f"least amount {least:.3g}, steps of 0.01"),
        Clue("tips", 1.5 if abs(least - 0.01) < 1e-6 and float(np.mean(wet < 0.015)) > 0.25 else -1.0,
             f"{100 * float(np.mean(wet < 0.015)):.0f} % of wet intervals hold one tip"),
    ]  # fmt: skip
    if declared is not None:
        fits = declared * units.conversion(channel.quantity, channel.unit, case.interval_s or None).factor
        clues.append(Clue("tip size", 3.0 if fits > 3 * least else -4.0, f"the station file says {fits:g} mm a tip"))
    days = case.live_s(channel) / 86400.0
    if declared is None and days < case.limit(ID, "rain_days"):
        return f"{days:.0f} days of rain record without a tip size, needs {case.limit(ID, 'rain_days'):.0f}"
    year = float(np.nansum(values)) / days * 365.25
    clues.append(Clue("a year", _capped(1.5 * float(np.log(120.0 / max(year, 1.0)))) if days >= 14 else 0.0,
                      f"{year:.0f} mm in a year at this rate"))  # fmt: skip
    return Told(clues, np.ones(len(_medians(case, channel))))


_TELLERS: dict[str, Teller] = {
    "air_pressure": _pressure,
    **dict.fromkeys(TEMPERATURES, _temperature),
    **dict.fromkeys(WIND, _wind),
    "global_irradiance": _sun,
    "relative_humidity": _wet,
    "precipitation": _rain,
}


# ---- injection and picture

_OFTEN = {
    "near": (("wind_speed", "kn"), ("wind_speed", "mph")),
    "typical": (("wind_speed", "km/h"), ("wind_speed", "mph"), ("air_temperature", "degF"), ("air_pressure", "kPa"),
                ("air_pressure", "mmHg"), ("dew_point", "degF")),
    "gross": (("air_pressure", "inHg"), ("air_pressure", "kPa"), ("air_temperature", "K"), ("air_temperature", "degF"),
              ("global_irradiance", "kW/m2")),
}  # fmt: skip


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A channel that is written in another unit from a random row on, with the digits that loggers give that unit.

    Near: miles or knots. Typical: those with a gust beside them, kilometres an hour, Fahrenheit, mercury, kilopascals.
    Gross: what shows at once. None on a channel that the chain condemned.
    """
    ways = []
    for quantity, unit in _OFTEN[grade]:
        for channel in case.of(quantity)[:1]:
            alone = quantity == "wind_speed" and not case.of("wind_gust", extremes=True)
            if not np.isfinite(case.values(channel)).any() or case.condemned(channel) or (grade == "typical" and alone):
                continue
            reading = next((r for r in readings(case, channel) if r.unit == unit), None)
            if reading is not None:
                ways.append((channel, reading))
    if not ways:
        return None
    channel, reading = ways[int(rng.integers(len(ways)))]
    row = onset_row(case, rng)
    values = case.values(channel).copy()
    there = np.flatnonzero(np.isfinite(values))
    row = min(row, int(there[len(there) // 2]))  # it begins while the channel still has values
    values[row:] = (values[row:] - reading.plus) / reading.factor
    digit = STEPS.get(reading.unit, 0.1)
    fine = [c.model_copy(update={"resolution": min(digit, 0.01)}) if c.name == channel.name and c.resolution else c
            for c in case.station.channel]  # fmt: skip
    values[row:] = np.round(np.round(values[row:] / digit) * digit, 6)
    station = case.station.model_copy(update={"channel": fine})
    evidence = {"unit_found": reading.unit}
    return Injection((channel.name,), case.time[row], case.last, evidence, {channel.name: values}, station=station)


def picture(case: Case, suspect: Suspect) -> Figure:
    """The channel as read, and as it would be in the unit that was found."""
    from qc.write import picture as house

    channel, reading = suspect.exhibit["channel"], suspect.exhibit["reading"]
    values = case.values(channel)
    figure = house.figure(4.4)
    upper, lower = figure.subplots(2, 1, sharex=True)
    gap = np.timedelta64(round(3 * max(case.interval_s, 60.0)), "s")
    after = (case.time >= suspect.exhibit["begin"]) & (case.time <= suspect.last)
    house.line(upper, case.time, values, gap=gap, color=house.SOFT, label=f"read as {channel.unit}")
    house.line(lower, case.time, np.where(after, reading.of(values), values), gap=gap, color=house.SERIES[0],
               label=f"read as {reading.unit}")  # fmt: skip
    for axes in (upper, lower):
        axes.axvline(float(house.days(suspect.exhibit["begin"])), color=house.SERIES[1], linewidth=1.0)
        axes.set_ylabel(house.label(channel.name))
    house.time_axis(lower, case.first, case.last)
    house.visits(upper, [(v.start, v.end, v.note) for v in case.visits(channel.name)])
    house.legend(figure, upper, lower)
    return figure


FAULT = Fault(
    ID,
    rank="layout",
    needs=(QUANTITIES,),
    least_s=6 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("unit_found",),
    go="remote",
    rivals={
        "channels-swapped": "the names row and the program: a swapped channel follows another quantity",
        "channel-open": "a dead or open input does not follow the channels beside it in any unit",
        "constants-wrong": "the multiplier in the program: a unit's factor is one of a few numbers",
        "anemometer-scale": "the multiplier in the program: a unit's factor is one of a few numbers",
        "pyranometer-scale": "the multiplier in the program: a unit's factor is one of a few numbers",
        "gauge-tip-size": "the size of a tip on the gauge's plate",
        "site-facts": "the height of the barometer on a map",
    },
    visits=("replaced", "disturbed"),
)
