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

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from qc import copied
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row, until
from qc.faults.unit_wrong import humidity, pressure, rain, sunlight, temperature, wind
from qc.faults.unit_wrong.reading import (
    ID,
    QUANTITIES,
    TEMPERATURES,
    WIND,
    Reading,
    Teller,
    Told,
    block_starts,
    narrowed,
    readings,
)
from qc.faults.unit_wrong.returned import put_right
from qc.mends import Mend
from qc.moments import utc_text
from qc.physics import onset
from qc.station import Channel

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STEPS = {"inHg": 0.01, "mmHg": 0.1, "kPa": 0.01, "Pa": 10.0, "kW/m2": 0.001, "inches": 0.01, "1": 0.01}
"""What a logger's last digit is worth in a unit (common practice: two decimals of inches, of mercury and of rain)."""

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
    if not case.interval_s:
        return Untested((channel.name,), "a table of events", None)
    if (short := _short(case, channel)) is not None:
        return short
    if channel.statistic == "sd":
        return None
    for back in put_right(case, channel):
        found = until(case, channel, back, lambda c, ch: _short(c, ch) or _judged(c, ch))
        if isinstance(found, Suspect):
            return _ended(found, case.time[back])
    return _judged(case, channel)


def _short(case: Case, channel: Channel) -> Untested | None:
    live, need = case.live_s(channel), case.limit(ID, "hours") * 3600.0
    if live >= need:
        return None
    why = f"{live / 3600:.1f} h of values, needs {need / 3600:.0f}"
    return Untested((channel.name,), why, "it has values for 6 h")


def _ended(suspect: Suspect, back: np.datetime64) -> Suspect:
    """What was in another unit up to a moment, and is in the declared one since."""
    return replace(
        suspect,
        clues=(*suspect.clues, Clue("put right", 2.0, f"in the declared unit from {utc_text(back)} on")),
        summary=f"{suspect.summary} From {utc_text(back)} on it is in the declared unit.",
    )


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
    first = block_starts(case, rows)
    begin_row, before_row = int(rows[0]), None
    run = onset.first_true(told.better, least=min(2, int(np.isfinite(told.better).sum())))
    run = run or onset.first_true(told.better, least=1)  # the last block alone: it did not begin before
    if run is not None and run[0] >= 0:
        a, b = first[run[0]], (first[run[1] + 1] if run[1] + 1 < len(first) else len(rows))
        before_row, begin_row = narrowed(values, rows[a:b], reading)
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
    if before_row is not None and (other := copied.taker(case, channel, begin_row, case.rows - 1)) is not None:
        return Cleared((channel.name,), f"it lies where {other.name} lay before, and {other.name} where it did")
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


_TELLERS: dict[str, Teller] = {
    "air_pressure": pressure.judge,
    **dict.fromkeys(TEMPERATURES, temperature.judge),
    **dict.fromkeys(WIND, wind.judge),
    "global_irradiance": sunlight.judge,
    "relative_humidity": humidity.judge,
    "precipitation": rain.judge,
}

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
        for edge in (suspect.exhibit["begin"], *((suspect.last,) if suspect.mend and suspect.mend.last else ())):
            axes.axvline(float(house.days(edge)), color=house.SERIES[1], linewidth=1.0)
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
