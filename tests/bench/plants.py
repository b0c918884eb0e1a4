"""What can be done to an invented station for some days, and be set right again: the plants of `tests.bench.nights`.

A plant says which faults of the book may be said of it, how long it lasts (at least what the book promises to need),
and what weather and sun it needs to be shown at all, measured on the healthy rows of those days. Durations and bounds
of needs without another word are judgement.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from qc.case import Case
from qc.faults import Grade, Injection, registry
from qc.physics.pressure import standard_pressure
from qc.station import Channel
from qc.verdicts import Bools, Floats
from tests.bench.invented import CHANNELS

Spoil = Callable[[Floats, Floats], Floats]
"""(values, the share of the stretch that has passed at each) -> what stands there then."""

Make = Callable[[Case, np.random.Generator], Injection | None]
"""(healthy rows of the stretch, chance) -> what is done to them; None where it cannot be."""

Need = Callable[[Case, Case], str]
"""(healthy rows of the stretch, the same with the four weeks before) -> why it cannot be shown then; empty: it can."""


@dataclass(frozen=True)
class Plant:
    """What is done to a station for some days, and the faults of the book that may be said of it.

    Parameters
    ----------
    name : str
    faults : tuple of str
        the first is what was planted; the others say the same.
    days : int
    make : callable
    needs : tuple of callable
    bounded : bool
        whether values that a sound sensor cannot report end at its bounds (`qc.injection.Files.planted`).
    file : callable, optional
        what is done to the text of the station file, where that is what is wrong.
    """

    name: str
    faults: tuple[str, ...]
    days: int
    make: Make
    needs: tuple[Need, ...] = ()
    bounded: bool = False
    file: Callable[[str], str] | None = None


# ---- ways of planting


def spoilt(spoil: Spoil, *names: str, digit: float | None = None) -> Make:
    """All values of some channels, put through a function of the values and the share of the stretch that has passed.

    `digit`: the step that a logger prints in another unit.
    """

    def make(case: Case, rng: np.random.Generator) -> Injection | None:
        found = {c.name: c for c in case.channels if c.name in names}
        if len(found) < len(names):
            return None
        share = np.arange(case.rows) / case.rows
        values = {}
        for name, channel in found.items():
            x = case.values(channel)
            known = np.isfinite(x)
            values[name] = x.copy()
            values[name][known] = spoil(x[known], share[known])
        fine = None
        if digit is not None:
            told = [c.model_copy(update={"resolution": digit}) if c.name in names else c for c in case.station.channel]
            fine = case.station.model_copy(update={"channel": told})
            values = {n: np.round(np.round(x / digit) * digit, 9) for n, x in values.items()}
        return Injection(tuple(names), case.first, case.last, {}, values, station=fine)

    return make


def held(x: Floats, share: Floats) -> Floats:
    """The first value again and again."""
    return np.full(len(x), x[0])


def worn(case: Case, rng: np.random.Generator) -> Injection | None:
    """Cups whose bearing starts in stronger wind only: the middle of the wind by day."""
    ws = by_name(case, "ws")
    threshold = float(np.nanmedian(case.values(ws)[case.elevation > 5.0]))
    values = {}
    for channel in (ws, by_name(case, "gust")):
        x = case.values(channel)
        values[channel.name] = np.sqrt(np.maximum(x * x - threshold**2, 0.0))
    return Injection(("ws", "gust"), case.first, case.last, {}, values)


def ahead(minutes: float) -> Make:
    """A clock that is ahead."""

    def make(case: Case, rng: np.random.Generator) -> Injection | None:
        return Injection((), case.first, case.last, {}, ahead_s=np.full(case.rows, 60.0 * minutes))

    return make


def nothing(case: Case, rng: np.random.Generator) -> Injection | None:
    """No value changes: the station file does."""
    return Injection((), case.first, case.last, {})


def booked(fault: str, grade: Grade) -> Make:
    """As the fault book plants it; of twelve tries the one that begins first."""

    def make(case: Case, rng: np.random.Generator) -> Injection | None:
        one = registry()[fault]
        if any(case.mate(*quantities) is None for quantities in one.needs):
            return None
        tries = [one.inject(case, grade, rng) for _ in range(12)]
        return min((t for t in tries if t is not None), key=lambda t: t.first, default=None)

    return make


def written(key: str, value: Callable[[float], float]) -> Callable[[str], str]:
    """A number of the station file, put through a function."""

    def change(text: str) -> str:
        return re.sub(rf"(?m)^{key} = (\S+)$", lambda m: f"{key} = {value(float(m[1]))!r}", text)

    return change


def other_side(text: str) -> str:
    """Stamps that mark the begin."""
    return text.replace('stamps = "end"', 'stamps = "start"')


# ---- what must be there to be seen


def by_name(case: Case, name: str) -> Channel:
    """A channel of an invented station; KeyError where it has none."""
    found = next((c for c in case.channels if c.name == name), None)
    if found is None:
        raise KeyError(name)
    return found


def hours(case: Case, rows: Bools) -> float:
    """Hours of some rows."""
    return float(rows.sum()) * case.interval_s / 3600.0


def has(*names: str) -> Need:
    """The station must have some channels."""

    def need(case: Case, before: Case) -> str:
        lacks = [n for n in names if n not in {c.name for c in case.channels}]
        return f"it has no {CHANNELS[lacks[0]][0]}" if lacks else ""

    return need


def at_least(least: float, unit: str, what: str, figure: Callable[[Case], float]) -> Need:
    """A figure of the stretch must not be smaller."""

    def need(case: Case, before: Case) -> str:
        x = figure(case)
        return "" if x >= least else f"{what} {x:.3g}{unit and ' ' + unit}, needs {least:g}"

    return need


def noon(case: Case) -> float:
    """The sun's elevation at the lowest noon, degrees."""
    tops = _tops(case, case.elevation)
    return float(tops.min()) if len(tops) else -90.0


def _tops(case: Case, x: Floats) -> Floats:
    """The highest value of each whole solar day."""
    days, place, rows = np.unique(case.solar_day, return_inverse=True, return_counts=True)
    tops = np.full(len(days), -np.inf)
    np.fmax.at(tops, place, x)
    return np.asarray(tops[rows >= 0.9 * 86400.0 / case.interval_s])


def azimuth_rate(case: Case) -> float:
    """Degrees of azimuth an hour, in the middle, that the sun goes between 12 and 60 degrees of elevation: where it
    climbs straight up, as in the tropics about the equinox, no azimuth has sun on either side of it."""
    rate = np.abs((np.diff(case.azimuth) + 180.0) % 360.0 - 180.0) * 3600.0 / case.interval_s
    rows = (case.elevation[1:] > 12.0) & (case.elevation[1:] < 60.0) & case.consecutive[1:]
    return float(np.median(rate[rows])) if rows.any() else 0.0


def dark_nights(case: Case) -> float:
    """Nights with two hours and more of the sun well down."""
    _, rows = np.unique(case.solar_day[case.night], return_counts=True)
    return float((rows * case.interval_s >= 2 * 3600.0).sum())


def twilights(case: Case) -> float:
    """Share of days on which the sun rises and sets."""
    high, low = _tops(case, case.elevation), -_tops(case, -case.elevation)
    return float(((high > 5.0) & (low < -3.0)).mean()) if len(high) else 0.0


def windy(case: Case) -> float:
    """Hours with 3 m/s and more."""
    return hours(case, case.values(by_name(case, "ws")) >= 3.0)


def stirred(case: Case) -> float:
    """Sunny hours with wind that turns any cup."""
    ws, sun = (case.values(by_name(case, n)) for n in ("ws", "ghi"))
    return hours(case, (ws >= 1.5) & (sun >= 300.0))


def middle_wind(case: Case) -> float:
    """Middle wind by day, m/s."""
    by_day = case.values(by_name(case, "ws"))[case.elevation > 5.0]
    return float(np.nanmedian(by_day)) if len(by_day) else 0.0


def sunny(case: Case) -> float:
    """Hours with 200 W/m2 and more."""
    return hours(case, case.values(by_name(case, "ghi")) >= 200.0)


def lowest_sun(case: Case) -> float:
    """How far below zero the logger writes light, W/m2: nights of a thermopile."""
    return -float(np.nanmin(case.values(by_name(case, "ghi"))))


def moved_noon(case: Case) -> float:
    """Minutes by which noon moves where the sign of the longitude is lost."""
    return 8.0 * abs(case.station.station.longitude)


def in_feet(case: Case) -> float:
    """Metres that a height in feet is too great."""
    return (1.0 / 0.3048 - 1.0) * case.station.station.elevation


def reduced(case: Case) -> float:
    """What a reduction to sea level adds, hPa."""
    z = case.station.station.elevation
    return float(standard_pressure(0.0) - standard_pressure(z))


def interval(case: Case) -> float:
    """Interval, min."""
    return case.interval_s / 60.0


def light_or_companion(case: Case, before: Case) -> str:
    """A factor of global shows beside another sensor of light, else against a clear sky under a high sun alone."""
    beside = {c.name for c in case.channels} & {"par", "dni"}
    low, least = noon(case), 10.0 if beside else 25.0
    with_it = " beside another sensor of light" if beside else " without another sensor of light"
    return "" if low >= least else f"noon sun at {low:.0f} degrees, needs {least:g}{with_it}"


def humid(case: Case, before: Case) -> str:
    """A ceiling of humidity shows where the air is saturated: in liquid rain, or in humid nights."""
    rh, rain, t = (case.values(by_name(case, n)) for n in ("rh", "rain", "t"))
    rains = _spells(case, (rain > 0) & (rh >= 95.0) & (t > -1.0), 6.0, 1.0)
    _, rows = np.unique(case.solar_day[(rh >= 95.0) & (t > -1.0)], return_counts=True)
    nights = int((rows * case.interval_s >= 3 * 3600.0).sum())
    return "" if rains >= 3 or nights >= 8 else f"{rains} long rains (needs 3) and {nights} humid days (needs 8)"


def rainy(lost_hours: float, past: int, past_hours: float) -> Need:
    """Wet hours during the stretch, and before it enough rains to know what rain looks like here."""

    def need(case: Case, before: Case) -> str:
        old = _wet(before) & (before.time < case.first)
        lost = hours(case, _hourly(case, _wet(case)))
        if lost < lost_hours:
            return f"{lost:.0f} wet hours, needs {lost_hours:g}"
        known, wet = _spells(before, old, 6.0, 0.0), hours(before, _hourly(before, old))
        if known < past or wet < past_hours:
            return f"{known} rains in {wet:.0f} wet hours in the weeks before, needs {past} in {past_hours:g}"
        return ""

    return need


def _wet(case: Case) -> Bools:
    warm = case.values(by_name(case, "t")) > 2.0
    return np.asarray((case.values(by_name(case, "rain")) > 0) & warm)


def _hourly(case: Case, rows: Bools) -> Bools:
    """Rows of the hours in which one of some rows lies."""
    hour = case.table.middle.astype("datetime64[h]").astype(np.int64)
    return np.isin(hour, hour[rows])


def _spells(case: Case, rows: Bools, pause_h: float, least_h: float) -> int:
    """How many groups some rows make, parted by a pause, that last so long from first to last."""
    at = np.flatnonzero(rows)
    if not len(at):
        return 0
    gap = np.diff(at) * case.interval_s > pause_h * 3600.0
    first, last = at[np.concatenate([[True], gap])], at[np.concatenate([gap, [True]])]
    return int(((last - first + 1) * case.interval_s >= least_h * 3600.0).sum())


# ---- the plants

_LIGHT = at_least(0.8, "", "days with sunrise and sunset are a share of", twilights)
_DARK = (at_least(5.0, "", "dark nights", dark_nights),)
_NOON_15 = at_least(15.0, "degrees", "noon sun at", noon)

PLANTS: tuple[Plant, ...] = (
    Plant("vane hangs", ("vane-stuck", "sensor-frozen"), 12, spoilt(held, "wd"),
          (at_least(48.0, "h", "wind of 3 m/s for", windy),)),
    Plant("pyranometer reads 25 W/m2 at night", ("pyranometer-zero",), 20, spoilt(lambda x, s: x + 25.0, "ghi"),
          _DARK),
    Plant("humidity stops at 86 %", ("hygrometer-ceiling",), 25, spoilt(lambda x, s: np.minimum(x, 86.0), "rh"),
          (humid,)),
    Plant("air temperature in degF", ("unit-wrong",), 14, spoilt(lambda x, s: x * 1.8 + 32.0, "t")),
    Plant("barometer repeats itself", ("sensor-frozen",), 6, spoilt(held, "p")),
    Plant("pyranometer factor 0.7", ("pyranometer-scale", "constants-wrong"), 21, spoilt(lambda x, s: 0.7 * x, "ghi"),
          (light_or_companion,)),
    Plant("broken wire", ("channel-open",), 8, spoilt(lambda x, s: np.full(len(x), -50.0), "t")),
    Plant("two columns exchanged", ("channels-swapped",), 10, booked("channels-swapped", "typical")),
    Plant("air 15 K too warm", ("constants-wrong",), 10, spoilt(lambda x, s: x + 15.0, "t")),
    Plant("wind in km/h", ("unit-wrong",), 14, spoilt(lambda x, s: 3.6 * x, "ws"),
          (at_least(1.5, "m/s", "middle wind by day", middle_wind),)),
    Plant("clock 1 h slow", ("clock-offset",), 14, ahead(-60.0), (_LIGHT,)),
    Plant("clock wrong, from the book", ("clock-offset",), 21, booked("clock-offset", "typical"), (_LIGHT,)),
    Plant("station file: stamps on the other side", ("stamp-side", "clock-offset"), 10, nothing,
          (_LIGHT, at_least(10.0, "min", "interval of", interval)), file=other_side),
    Plant("pyranometer shaded, from the book", ("pyranometer-shaded",), 30, booked("pyranometer-shaded", "typical"),
          (_NOON_15, at_least(8.0, "degrees/h", "azimuth of the sun goes by", azimuth_rate)), bounded=True),
    Plant("gauge clogged, from the book", ("gauge-clogged",), 28, booked("gauge-clogged", "typical"), (), bounded=True),
    Plant("gauge noise, from the book", ("gauge-noise",), 14, booked("gauge-noise", "typical"), (), bounded=True),
    Plant("gauge dead in rains", ("gauge-open",), 7, spoilt(lambda x, s: 0.0 * x, "rain"), (rainy(12.0, 12, 60.0),)),
    Plant("cups held", ("anemometer-stalled",), 5, spoilt(lambda x, s: 0.0 * x, "ws", "gust"),
          (at_least(8.0, "h", "sunny wind for", stirred),)),
    Plant("bearing worn", ("anemometer-stalled",), 21, worn,
          (at_least(24.0, "h", "sunny wind for", stirred), at_least(1.5, "m/s", "middle wind by day", middle_wind))),
    Plant("pressure at sea level, from the book", ("barometer-reduced",), 12, booked("barometer-reduced", "typical"),
          (at_least(15.0, "hPa", "a reduction adds", reduced),)),
    Plant("device drops out, from the book", ("bus-dropout",), 12, booked("bus-dropout", "typical")),
    Plant("battery fails, from the book", ("battery-failing",), 16, booked("battery-failing", "typical"),
          (at_least(14.0, "", "dark nights", dark_nights),), bounded=True),
    Plant("fan stops, from the book", ("shield-heating",), 25, booked("shield-heating", "typical"), (), bounded=True),
    Plant("pyranometer reversed", ("pyranometer-reversed",), 6, spoilt(lambda x, s: -x, "ghi"),
          (at_least(10.0, "h", "sun of 200 W/m2 for", sunny),
           at_least(0.1, "W/m2", "the logger writes light below zero by", lowest_sun))),
    Plant("column copied, from the book", ("channels-copied",), 10, booked("channels-copied", "typical")),
    Plant("supply disturbed, from the book", ("supply-disturbed",), 10, booked("supply-disturbed", "typical")),
    Plant("tracker astray, from the book", ("tracker-astray",), 20, booked("tracker-astray", "typical"),
          (has("dni", "dhi"), _NOON_15), bounded=True),
    Plant("wind head repeats itself", ("sensor-frozen",), 4, spoilt(held, "ws", "gust", "wd")),
    Plant("barometer 8 hPa too high", ("constants-wrong",), 12, spoilt(lambda x, s: x + 8.0, "p")),
    Plant("quanta factor 1.5", ("constants-wrong",), 21, spoilt(lambda x, s: 1.5 * x, "par"),
          (has("par"), _NOON_15)),
    Plant("pyranometer factor 1.35", ("pyranometer-scale", "constants-wrong"), 21,
          spoilt(lambda x, s: 1.35 * x, "ghi"), (light_or_companion,)),
    Plant("dead input, from the book", ("channel-open",), 8, booked("channel-open", "typical")),
    Plant("pressure in inHg", ("unit-wrong",), 8, spoilt(lambda x, s: x / 33.8639, "p", digit=0.01)),
    Plant("light in kW/m2", ("unit-wrong",), 6, spoilt(lambda x, s: x / 1000.0, "ghi", digit=0.001),
          (at_least(10.0, "h", "sun of 200 W/m2 for", sunny),)),
    Plant("station file: height in feet", ("site-facts",), 8, nothing,
          (at_least(500.0, "m", "feet for metres add", in_feet),),
          file=written("elevation", lambda z: round(z / 0.3048, 1))),
    Plant("station file: sign of the longitude lost", ("site-facts", "clock-offset"), 8, nothing,
          (_LIGHT, at_least(16.0, "min", "noon moves by", moved_noon)), file=written("longitude", lambda x: -x)),
    Plant("device freezes, from the book", ("sensor-frozen",), 6, booked("sensor-frozen", "typical"), (), bounded=True),
    Plant("pyranometer offset, from the book", ("pyranometer-zero",), 20, booked("pyranometer-zero", "typical"),
          _DARK, bounded=True),
)  # fmt: skip
"""38 of them. A wrong fact of the station file is put into the file itself, and taken out again."""
