"""A channel with a broken wire or a dead sensor.

Shows: numbers that the quantity cannot have, the end of the scale, or noise without any daily course, for hours.
Happened: a wire broke, slipped from its terminal or corroded; the sensor died; the input floats, rests at a rail, or
    shows what the multiplexer read before.
How sure: values that cannot be are certain; whether wire, terminal or sensor is broken takes a multimeter.
Check: look whether each wire of the channel sits in its terminal and pull at it gently; measure the sensor's
    resistance or output at the terminals and compare it with its sheet; shorten the input and read the value; put a
    known sensor or resistor on the input; follow the cable for cuts, bites and water.
Carry: multimeter, screwdriver for the terminals, a known resistor, a spare sensor, cable and splices, the wiring
    plan.
Caution: disconnect the battery before rewiring and fuse it; on masts fall protection and two people, never near power
    lines, in lightning, ice or high wind; follow local codes and site rules.
Data: nothing can be mended; take the values out by lines of the decision log, those in between too that look sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc import copied, firstlight
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import blocks, fingerprints
from qc.physics.pressure import standard_pressure
from qc.physics.runs import runs
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "channel-open"
_SUN = ("global_irradiance", "diffuse_irradiance", "direct_irradiance", "par")
_TEMPERATURE = ("air_temperature", "dew_point", "surface_temperature", "soil_temperature", "logger_temperature")
_NOISY = {
    "air_temperature": "air-temperature-noise", "relative_humidity": "relative-humidity-noise",
    "air_pressure": "air-pressure-noise", "soil_temperature": "soil-temperature-noise",
}  # fmt: skip
"""Quantities whose steps are known, and the number of each."""

_EDGES = {
    "air_temperature": ("air-temperature-low", "air-temperature-high"),
    "dew_point": ("dew-point-low", "dew-point-high"),
    "surface_temperature": ("surface-temperature-low", "surface-temperature-high"),
    "soil_temperature": ("soil-temperature-low", "soil-temperature-high"),
    "logger_temperature": ("logger-temperature-low", "logger-temperature-high"),
    "longwave_down": ("longwave-down-low", "longwave-down-high"), "relative_humidity": ("", "relative-humidity-high"),
    "wind_speed": ("", "wind-speed-high"), "wind_gust": ("", "wind-gust-high"),
}  # fmt: skip
"""The numbers below and above which a quantity cannot be."""

QUANTITIES = (*_TEMPERATURE, "relative_humidity", "air_pressure", *_SUN, "longwave_down", "wind_speed", "wind_gust")
_TWIN = {"air_temperature": 2.0, "relative_humidity": 10.0}


def test(case: Case) -> Sequence[Outcome]:
    """Rows that cannot be, channel by channel; then those of one device against each other."""
    bad = {c.name: _bad(case, c) for c in case.of(*QUANTITIES) if np.isfinite(case.values(c)).any()}
    return [_one(case, c, bad) for c in case.of(*QUANTITIES) if c.name in bad]


def _bounds(case: Case, channel: Channel) -> tuple[float, float]:
    """What the quantity cannot be below or above at this station, in the output unit."""
    quantity = channel.quantity
    if quantity == "air_pressure":
        here = float(standard_pressure(case.sky.elevation))
        return here - case.limit(ID, "pressure"), here + case.limit(ID, "pressure") + case.sky.elevation / 7.0
    if quantity in _SUN:
        scale = 2.1 if quantity == "par" else 1.0
        return -case.limit(ID, "dark") * scale, case.limit(ID, "sun-high") * scale
    if quantity in ("wind_speed", "wind_gust"):
        return -0.5, case.limit(ID, _EDGES[quantity][1])
    low, high = _EDGES[quantity]
    return (case.limit(ID, low) if low else -np.inf), case.limit(ID, high)


def _bad(case: Case, channel: Channel) -> Bools:
    """Rows that the quantity cannot have here, or stands at the end of its sensor's scale, or in noise."""
    x = case.values(channel)
    low, high = _bounds(case, channel)
    with np.errstate(invalid="ignore"):
        out = (x < low) | (x > high)
        if channel.quantity in (*_TEMPERATURE, "air_pressure"):
            bottom, top = case.scene.own_range(channel)
            wide = np.where(np.isfinite(top - bottom), top - bottom, 0.0)
            out |= _at_end((wide > 0) & ((x <= bottom + 0.002 * wide) | (x >= top - 0.002 * wide)), x, wide)
        if channel.quantity == "relative_humidity":
            out |= (x <= case.limit(ID, "humidity-rail")) | _dry(case, x)
        if channel.quantity in _SUN:
            out |= case.night & (np.abs(x) > case.limit(ID, "night"))
            out |= _dark(case, channel, x) if channel.quantity in _SUN[:1] else False
        if channel.quantity in _NOISY:
            out |= _noise(case, channel, x)
    return np.asarray(out, bool)


def _at_end(end: Bools, x: Floats, wide: Floats) -> Bools:
    """Stretches at the end of the scale that begin or end with a leap; what gets there in steps is weather."""
    out = end.copy()
    found = runs(end)
    for a, b in zip(*found, strict=True):
        leap = 0.05 * wide[a]
        into = abs(x[a] - x[a - 1]) if a else np.inf
        away = abs(x[b] - x[b - 1]) if b < len(x) else np.inf
        if not (into > leap or away > leap):
            out[a:b] = False
    return out


def _dry(case: Case, x: Floats) -> Bools:
    """Days whose median humidity no climate has."""
    least = case.limit(ID, "humidity-day")
    if not (x < least).mean() > 0.01:
        return np.zeros(case.rows, bool)
    days, middle, _ = blocks.medians(x, case.solar_day)
    return np.asarray(blocks.spread_out(middle < least, days, case.solar_day, False), bool) & (x < 4.0 * least)


def _dark(case: Case, channel: Channel, x: Floats) -> Bools:
    """Days on which the sun stands well above the horizon for hours and the sensor sees nothing all day."""
    high = (case.elevation > case.limit(ID, "sun-elevation")) & np.isfinite(x)
    lit = high & (np.abs(x) >= case.limit(ID, "nothing"))
    days, hours = np.unique(case.solar_day[high], return_counts=True)
    days = days[hours * case.interval_s >= 3.0 * 3600.0]
    return high & np.isin(case.solar_day, days[~np.isin(days, np.unique(case.solar_day[lit]))])


def _noise(case: Case, channel: Channel, x: Floats) -> Bools:
    """Stretches of six hours in which half of the steps from row to row are larger than weather makes."""
    most = case.limit(ID, _NOISY[channel.quantity])
    step = np.full(case.rows, np.nan)
    step[1:] = np.where(case.consecutive[1:], np.abs(np.diff(x)), np.nan)
    if not np.nanmean(step > most) > 0.001:
        return np.zeros(case.rows, bool)
    block = blocks.number(case.time, 6.0)
    found, middle, _ = blocks.medians(step, block)
    return np.asarray(blocks.spread_out(middle > most, found, block, False), bool) & np.isfinite(x)


def _one(case: Case, channel: Channel, bad: dict[str, Bools]) -> Outcome:
    names, mask, x = (channel.name,), bad[channel.name], case.values(channel)
    beside = np.concatenate(([False], mask[:-1])) | np.concatenate((mask[1:], [False]))
    mask = mask & beside  # a single row is a spike
    rows = np.flatnonzero(mask)
    least = case.limit(ID, "rows")
    there = np.isfinite(x)
    if len(rows) < least:
        return Cleared(names, f"{len(rows)} of {there.sum()} values cannot be; {least:.0f} are asked for")
    first, last = int(rows[0]), int(rows[-1])
    blind = [c.name for c in case.channels if c.name in bad and bad[c.name][rows].mean() > 0.1]  # at a rail with it
    if (other := copied.original(case, channel, rows, blind)) is not None:
        why = f"moves as {other.name} does, to the digit: a sensor is read, or what the multiplexer read before"
        return Untested(names, why, "a day of it shows whether one column is written twice")
    if (other := copied.taker(case, channel, first, last)) is not None:
        return Cleared(names, f"lies where {other.name} lay before, and {other.name} where it did: both have a sensor")
    if first and _apart(case, channel, bad, 0, first - 1) > 0.5:
        first = 0  # it disagrees with a sound twin all along
    dark = channel.quantity in _SUN and float(np.median(np.abs(x[rows]))) < case.limit(ID, "nothing")
    asked = there & (case.elevation > case.limit(ID, "sun-elevation")) if dark else there
    share = float(mask[first : last + 1].sum() / max(asked[first : last + 1].sum(), 1))
    level = float(np.median(x[rows]))
    clues = [
        Clue("share", 3.5 + np.log(share), f"{share:.1%} of the values since {_day(case, first)} cannot be"),
        Clue("time", min(float(np.log(len(rows) / least)), 3.0), f"{len(rows)} such values"),
        Clue("life", 1.0, "nothing by day") if dark else _life(case, channel, x, rows),
    ]
    clues += [c for c in (_twin(case, channel, bad, first, last), _mate(case, channel, bad, rows)) if c is not None]
    if dark:
        clues += _light(case, channel, x, rows)
    if channel.quantity in _SUN:
        clues += _sunny(case, channel, x, first, last)
    unit = channel.output_unit
    low, high = float(np.min(x[rows])), float(np.max(x[rows]))
    span = f"{level:.4g} {unit}" if high - low < 0.02 * max(abs(level), 1.0) else (
        f"{low:.4g} to {high:.4g} {unit}, in the middle {level:.4g}"
    )  # fmt: skip
    onset = _onset(case, channel, x, first, share)
    return Suspect(
        names,
        tuple(clues),
        {"level": round(level, 2)},
        f"{channel.name} shows {span} in {share:.0%} of its values from {_day(case, first)} on: "
        "an input without a sensor.",
        case.time[first],
        case.time[last],
        onset,
        device=None if any(c.name == "device" for c in clues) else case.device(channel),  # one finding a channel
        spoils=names,
        exhibit={"bad": mask, "level": level},
    )


def _onset(case: Case, channel: Channel, x: Floats, first: int, share: float) -> tuple[np.datetime64, np.datetime64]:
    """Between the last value that looks sound and the first that cannot be; stretches and days are judged whole."""
    if share <= 0.9 or not first:
        return case.first, case.time[first]
    low, high = _bounds(case, channel)
    rail = channel.quantity == "relative_humidity" and x[first] <= case.limit(ID, "humidity-rail")
    if x[first] < low or x[first] > high or rail:
        before = np.flatnonzero(np.isfinite(x[:first]))
        return (case.time[before[-1]] if len(before) else case.first), case.time[first]
    if channel.quantity in _SUN:
        lit = np.flatnonzero(np.abs(x[:first]) >= case.limit(ID, "nothing"))
        return (case.time[lit[-1]] if len(lit) else case.first), case.time[first]
    room = np.timedelta64(6 if channel.quantity in _NOISY and x[first] > case.limit(ID, "humidity-day") else 24, "h")
    return max(case.first, case.time[first] - room), min(case.last, case.time[first] + room)


def _day(case: Case, row: int) -> str:
    return f"{str(case.time[row])[:16].replace('T', ' ')} UTC"


def _life(case: Case, channel: Channel, x: Floats, rows: np.ndarray) -> Clue:
    """Whether those values stand still or jump, as an input without a sensor does, or move as the weather does."""
    block = x[rows]
    near = np.diff(rows) == 1
    steps = np.abs(np.diff(block))[near]
    most = case.limit(ID, _NOISY[channel.quantity]) if channel.quantity in _NOISY else 50.0
    quantum = max(float(case.quantum(channel).max(initial=0.0)), 0.002 * max(abs(float(np.median(block))), 1.0))
    middle = float(np.median(block))
    still = float(np.mean(np.abs(block - middle) <= quantum))
    if still > 0.9:
        return Clue("life", 1.5, f"{still:.0%} of them are one value")
    jumps = float(np.percentile(steps, 98)) if len(steps) > 20 else 0.0
    if jumps > 2.0 * most:
        return Clue("life", 1.5, f"steps of up to {jumps:.3g} from row to row")
    if len(rows) < 0.2 * max(float(rows[-1] - rows[0]), 1.0):
        return Clue("life", 0.5, "they come and go")
    return Clue("life", -3.0, "they move as smoothly as weather: a scale or offset is likelier than a broken wire")


def _sound_twin(case: Case, channel: Channel, bad: dict[str, Bools]) -> Channel | None:
    """A sound sensor of the same quantity at the same place."""
    group = next((g for g in case.scene.together(channel.quantity) if channel in g), [])
    return next((c for c in group if c is not channel and c.name in bad and bad[c.name].mean() < 0.001), None)


def _apart(case: Case, channel: Channel, bad: dict[str, Bools], first: int, last: int) -> float:
    """Share of values between two rows that are far from those of a sound twin; NaN without one."""
    tolerance, twin = _TWIN.get(channel.quantity), _sound_twin(case, channel, bad)
    if tolerance is None or twin is None:
        return float("nan")
    apart = np.abs(case.values(channel) - case.values(twin))[first : last + 1]
    return float(np.mean(apart[np.isfinite(apart)] > tolerance)) if np.isfinite(apart).any() else float("nan")


def _twin(case: Case, channel: Channel, bad: dict[str, Bools], first: int, last: int) -> Clue | None:
    share, twin = _apart(case, channel, bad, first, last), _sound_twin(case, channel, bad)
    if twin is None or not np.isfinite(share):
        return None
    here = slice(first, last + 1)
    day = case.solar_day[here] - case.solar_day[first]
    alike = fingerprints.day_correlation(case.values(channel)[here], case.values(twin)[here], day, int(day[-1]) + 1)
    alike = alike[np.isfinite(alike)]
    if len(alike) >= 2 and (middle := float(np.median(alike))) > case.limit(ID, "with-twin"):
        return Clue("twin", -4.0, f"it moves as {twin.name} does (correlation {middle:.2f}): a sensor is there")
    said = f"{share:.0%} of all its values are more than {_TWIN[channel.quantity]:g} from {twin.name}"
    return Clue("twin", 6.0 * (share - 0.25), said)


def _mate(case: Case, channel: Channel, bad: dict[str, Bools], rows: np.ndarray) -> Clue | None:
    """Another channel of the same device that cannot be either: they share a cable."""
    device = case.device(channel)
    for other in case.channels:
        mate = bool(device) and other is not channel and case.device(other) == device and other.name in bad
        if mate and bad[other.name][rows[0] : rows[-1] + 1].mean() > 0.01:
            return Clue("device", 1.5, f"{other.name} of the same device shows the same")
    return None


def _light(case: Case, channel: Channel, x: Floats, rows: np.ndarray) -> list[Clue]:
    """Whether others saw light while this one saw nothing; cold days may have snow on the dome."""
    dark = rows[np.abs(x[rows]) < case.limit(ID, "nothing")]
    out = []
    others = [c for c in case.of(*_SUN) if c is not channel]
    seen = [float(np.nanmedian(case.values(c)[dark])) for c in others if np.isfinite(case.values(c)[dark]).any()]
    if seen:
        out.append(Clue("light", 2.0 if max(seen) > 20.0 else -2.0, f"others show {max(seen):.0f} W/m2 in those rows"))
    days = len(np.unique(case.solar_day[dark]))
    out.append(Clue("days", min(days - 2.0, 2.0), f"on {days} days"))
    air = case.mate("air_temperature")
    if air is not None and np.nanmedian(case.values(air)[dark]) < 2.0 and not any(s > 20.0 for s in seen):
        out.append(Clue("cold", -3.0, "below 2 degC: snow may lie on it"))
    return out


def _sunny(case: Case, channel: Channel, x: Floats, first: int, last: int) -> list[Clue]:
    """Whether the days follow the sun, upright or upside down: scale or sign are wrong then, but a sensor is there; or
    are those of light at other hours: clock or coordinates are wrong then."""
    here = slice(first, last + 1)
    day = case.solar_day[here] - case.solar_day[first]
    sine = np.maximum(np.sin(np.radians(case.elevation[here])), 0.0)
    alike = fingerprints.day_correlation(x[here], sine, day, int(day[-1]) + 1)
    alike = alike[np.isfinite(alike)]
    if len(alike) < 2 or abs(middle := float(np.median(alike))) < case.limit(ID, "follows"):
        light = firstlight.like_light(case, channel, first, last)
        if light < case.limit(ID, "light"):
            return []
        said = f"{light:.0%} of its days are those of light, at other hours"
        return [Clue("sun", -4.0, said), Clue("sensor", -3.0, "which no open input shows")]
    said = f"its days follow the sun (correlation {middle:.2f})"
    return [Clue("sun", -4.0, said), Clue("sensor", -3.0, "which no open input does")]


_RAILS = {
    "air_temperature": (-99.0, 120.0), "soil_temperature": (-60.0, 90.0), "relative_humidity": (0.0, 130.0),
    "air_pressure": (300.0, 1400.0), "global_irradiance": (0.0, -99.0), "dew_point": (-99.0, 90.0),
}  # fmt: skip


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """An input that rests at a rail or floats; for a time from a random row on."""
    able = [c for c in case.of(*_RAILS) if np.isfinite(case.values(c)).mean() > 0.5 and not _bad(case, c).any()]
    if not able:
        return None
    channel = able[int(rng.integers(len(able)))]
    row = onset_row(case, rng)
    x = case.values(channel).copy()
    n = case.rows - row
    if grade == "near":
        n = min(n, round(12 * 3600 / case.interval_s))
    rail = _RAILS[channel.quantity][int(rng.integers(2))]
    if channel.quantity == "global_irradiance":
        n = case.rows - row
        new = rng.normal(0.0, 0.3, n) if rail == 0.0 or grade == "near" else np.full(n, rail)
    elif grade == "gross" or channel.quantity not in _NOISY or rng.random() < 0.5:
        new = np.full(n, rail)
    else:
        size = case.limit(ID, _NOISY[channel.quantity])
        new = float(np.nanmedian(x)) + rng.normal(0.0, (2.0 if grade == "near" else 5.0) * size, n)
        if channel.quantity == "relative_humidity":
            new = np.clip(new, 0.0, None)
    x[row : row + n] = np.where(np.isfinite(x[row : row + n]), new, np.nan)
    level = float(np.median(new))
    return Injection((channel.name,), case.time[row], case.time[row + n - 1], {"level": level}, {channel.name: x})


def picture(case: Case, suspect: Suspect) -> Figure:
    """The raw values in grey, those that cannot be in colour, with what is possible; a twin where there is one."""
    from qc.write import picture as house

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    x, bad = case.values(channel), np.asarray(suspect.exhibit["bad"], bool)
    gap = np.timedelta64(round(max(case.interval_s * 3, 1.0)), "s")
    low, high = _bounds(case, channel)
    figure = house.figure(3.0)
    axes = figure.subplots()
    there = x[np.isfinite(x)]
    bottom, top = (
        min(float(there.min()), low if np.isfinite(low) and there.min() < low else there.min()),
        float(there.max()),
    )
    room = max((top - bottom) * 0.06, 1.0)
    sound = (max(low, bottom - room), min(high, top + room))
    axes.axhspan(*sound, color=house.NIGHT, linewidth=0, zorder=0, label="possible")
    house.line(axes, case.time, np.where(bad, np.nan, x), gap=gap, color=house.SOFT, label=house.label(channel.name))
    few = house.envelope(case.time[bad], x[bad], case.first, case.last)
    axes.plot(house.days(few.time), few.low, ".", color=house.SERIES[1], markersize=3, label="cannot be")
    axes.plot(house.days(few.time), few.high, ".", color=house.SERIES[1], markersize=3)
    group = next((g for g in case.scene.together(channel.quantity) if channel in g), [])
    for twin in [c for c in group if c is not channel and _bad(case, c).mean() < 0.001][:1]:
        house.line(axes, case.time, case.values(twin), gap=gap, color=house.SERIES[0], label=house.label(twin.name))
    axes.axhline(suspect.exhibit["level"], color=house.SERIES[1], linewidth=0.8, linestyle="--", label="level")
    axes.set_ylim(bottom - room, top + room)
    axes.set_ylabel(f"{house.label(channel.name, 16)}, {channel.output_unit}")
    house.time_axis(axes, case.first, case.last)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(channel.name)])
    house.legend(figure, axes)
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(QUANTITIES,),
    least_s=6 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("level",),
    go="drive",
    rivals={
        "wet-connector": "whether it begins within hours of rain and ends as it dries",
        "pyranometer-covered": "whether snow lay, and whether it melted off",
        "unit-wrong": "whether the values follow the weather in another unit",
    },
    visits=("disturbed", "replaced", "moved"),
)
