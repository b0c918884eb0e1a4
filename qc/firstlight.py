"""What first and last light of a table tell of its clock and its coordinates: shared by the tests of both.

Days of the channel of light that shows them best; how many minutes stamps are late on each; the pieces that this
series falls into, or its drift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.case import TYPICAL_AIR, Case
from qc.physics import clear_sky, daily_course, onset, sun, twilight
from qc.physics.twilight import Level
from qc.record import SECOND, Times
from qc.sky import Sky
from qc.station import Channel
from qc.verdicts import Bools, Floats

Ints = NDArray[np.int64]

LIGHT = ("global_irradiance", "par", "diffuse_irradiance", "reflected_irradiance")
COURSES = {
    "air_temperature": (14.5, 2.5), "logger_temperature": (14.5, 2.5), "surface_temperature": (13.5, 2.5),
    "relative_humidity": (2.5, 2.5), "charge_voltage": (12.0, 1.0), **dict.fromkeys(LIGHT, (12.0, 1.0)),
}  # fmt: skip
"""Hour of mean solar time at which the wave of a day peaks in a sound channel, and how far it strays, by quantity, h
(judgement; from memory: air is warmest about two hours after noon, and driest then). A channel of light has a peak at
noon whatever its scale, and so has a solar panel (measured on otter-fell and invented A: 11.8 to 12.4 h)."""

COURSE_STRAYS = 0.75
"""h; what weather moves the mean course of a channel between one time and another, beside what its days scatter
(judgement)."""

SURER = 1.5
"""Channels with a daily course that is less sure than that of the surest by this factor do not speak (judgement)."""

ALONE = 180.0
"""min; a clock that is further off must show in a second channel: first and last light of one channel alone may be
those of no light (judgement)."""

AGAINST = -3.0
"""Log-odds from which the other channels speak against it."""

TOO_LITTLE = 45.0
"""min; less does not show in daily courses (judgement)."""

CREEPS = 0.05
"""A step by less of what the whole series is off by is none: at wrong coordinates noon creeps with the season
(measured: 7 of 173 min within two weeks of March on campus, latitude and longitude exchanged)."""

BLOCK_S = 600.0
"""s; finer tables are averaged to it first: sooner done, and less noise in the dark (judgement)."""

DAYLIGHT = 100.0, 1600.0
"""W/m2; what the brightest hours of a fortnight reach anywhere, but for the polar winter (judgement)."""

PAR_OF_GLOBAL = 2.05
"""umol of PAR for each J of global irradiance (common practice: 2.0 to 2.1; measured on roof)."""

MOST_BRIGHT = 2000
"""Rows that `brightness` looks at, evenly over the record."""

SIDEREAL = 1.0
"""min; what a sound clock may seem to be off by: horizon, response, model (measured: roof -2.4 with a pyranometer that
is clipped at night, -0.5 with its PAR sensor; campus 0.0, forest 0.5)."""

FEW = ((4, 7.0), (7, 5.0))
"""min; spread of single days to reckon with where there are fewer than so many (measured on roof, campus, forest: 3 to
6 in the median, worst mean of two healthy days 19, of three 11)."""

EXPECTED = np.array([-1.7, -0.7, -0.1, 0.7])
"""degrees; usual elevation of the sun without refraction at each of `twilight.LEVELS` (measured on roof, campus, forest
and coast: medians of the four within 0.8 degree of it)."""

STRAYS = 2.5
"""min; how far noon of sound stations lies from where it should, weather, horizon, lag and model included: rms of 51
pieces of 14 to 60 days (measured: roof -2.7 to 0.1, campus -0.7 to 1.1, forest 0.9 to 3.2, invented A and B 0.6 to
4.8). Two causes of nearly the same minutes are told apart by no less."""

ZONES = {60: 0.2, 120: 0.05, 180: 0.02, 720: 0.05}
"""Share of zones that are wrong by so many minutes, to either side (judgement: summer time and the next zone are most
of it; 12 h is noon taken for midnight)."""

OWN_ZONE, WHOLE_HOURS, QUARTERS = 0.1, 0.004, 0.001
"""Share of zones that are wrong by the station's own distance from UTC, to either side; by any other whole hour; by any
other quarter (judgement: a logger left on UTC or set to local time; few zones lie at half and quarter hours)."""

ROOM = 700.0
"""min; what the density of wrong clocks is held against: clocks set wrong by hand are spread evenly in the logarithm of
5 min to 12 h, one of 35 min weighs nothing then (computed)."""

PER_INTERVAL = 1 / 20
"""More of it, as a share of the interval: intervals are long against twilight (measured: coast, hourly, 14-day means
within 3.5 min rms 2 after `twilight.light` is taken off)."""


@dataclass(frozen=True)
class Piece:
    """Days `start` to `stop` (excluded) of the series between which the clock stays; `drift` is per day, 0 for none."""

    start: int
    stop: int
    level: Level


@dataclass(frozen=True)
class FirstLight:
    """The series of one table.

    Parameters
    ----------
    channel : Channel
        of the light.
    row : array, shape (days,)
        a row of the table in the middle of each day's light.
    each : array, shape (days,)
        minutes that stamps are late, by day.
    height : array, shape (days,)
        elevation of the sun at first and last light less what it should be, degrees, had stamps been set right.
    pieces : tuple of Piece
        in order of time; one where the clock stayed.
    drift : Drift, optional
        where a drift tells the series better than steps.
    systematic : float
        min; standard error that no number of days takes away.
    """

    channel: Channel
    row: Ints
    each: Floats
    height: Floats
    crossings: twilight.Crossings
    pieces: tuple[Piece, ...]
    drift: Drift | None
    systematic: float
    spread: float

    @property
    def days(self) -> int:
        """Days that show both first and last light."""
        return int(np.isfinite(self.each).sum())

    def most_days(self, case: Case) -> bool:
        """Whether most days on which the sun rises and the channel has values behave like light: what is said of the
        whole record needs that."""
        up = (case.elevation > 5.0) & np.isfinite(case.values(self.channel))
        return self.days >= 0.5 * len(np.unique(case.solar_day[up]))

    @property
    def odd_height(self) -> float:
        """How far the sun stands from where it should at first light, degrees: the median of the days. Other
        coordinates make days too long in one season and too short in another, so the sign counts for nothing."""
        return middle(np.abs(self.height))

    @property
    def whole(self) -> Level:
        """One level for the whole series."""
        return twilight.level(self.each)

    def sigma(self, level: Level) -> float:
        """Standard error of a level, the systematic part included; few days are not trusted to agree. [min]"""
        day = next((spread for least, spread in FEW if level.days < least), 0.0)
        return float(np.hypot(max(level.error, day / np.sqrt(max(level.days, 1))), self.systematic))


@dataclass(frozen=True)
class Drift:
    """A clock that runs fast (or slow) by `per_day` minutes from day `start` of the series on; `base` before it."""

    start: int
    per_day: float
    error: float
    base: float
    end: float


def of(case: Case) -> FirstLight | None:
    """The series of a table, made once; None where no channel of light shows a day."""

    def make() -> FirstLight | None:
        found = [one for channel in case.of(*LIGHT)[:3] if (one := _series(case, channel)) is not None]
        return min(found, key=_worth, default=None)

    return case.once("first light", make)


def _worth(one: FirstLight) -> float:
    return one.spread / float(np.sqrt(max(one.days, 1)))


def elevation_at(case: Case, latitude: float | None = None, longitude: float | None = None) -> twilight.Elevation:
    """Elevation of the sun without refraction, degrees, at the station or elsewhere, as a function of UTC.

    In a straight line between times 5 min apart: within 0.004 degree (computed), and once for all. Outside the record
    and a day to each side the nearest value.
    """
    sky = case.sky
    where = sky.latitude if latitude is None else latitude, sky.longitude if longitude is None else longitude

    def make() -> tuple[Ints, Floats]:
        days = np.unique(case.time.astype("datetime64[D]"))
        days = np.unique(np.concatenate((days - 1, days, days + 1)))
        begins = days.astype("datetime64[us]").astype(np.int64)
        grid = (begins[:, None] + np.arange(288) * 300_000_000).reshape(-1).view("datetime64[us]")
        return grid.astype(np.int64), 90.0 - sun.position(grid, *where, sky.elevation).zenith

    grid_us, high = case.once(f"sun;{where}", make)

    def elevation(time: Times) -> Floats:
        return np.asarray(np.interp(time.astype("datetime64[us]").astype(np.int64), grid_us, high))

    return elevation


def blocks(case: Case, channel: Channel) -> tuple[Times, Floats, float, Ints]:
    """Middles, values, interval and a row of the table for each block: means of 10 min of a finer table."""
    middle, values = case.table.middle, case.values(channel)
    interval = case.interval_s
    if not 0 < interval < BLOCK_S:
        return middle, values, interval, np.arange(case.rows)
    us = middle.astype("datetime64[us]").astype(np.int64)
    key = us // round(BLOCK_S * SECOND)
    first = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    good = np.isfinite(values)
    count = np.add.reduceat(good.astype(np.int64), first)
    total = np.add.reduceat(np.where(good, values, 0.0), first)
    mean = np.where(count * interval >= 0.5 * BLOCK_S, total / np.maximum(count, 1), np.nan)
    when = ((key[first] * 2 + 1) * round(BLOCK_S * SECOND) // 2).view("datetime64[us]")
    return when, mean, BLOCK_S, first


def scale(case: Case, values: Floats) -> float:
    """What light is divided by to be W/m2, where its unit must be wrong; 1 where it may be right (judgement: within a
    factor of 3 of a clear sky, or bright as daylight is somewhere: coordinates may be wrong as well)."""
    here = values[np.isfinite(values)]
    top = float(np.quantile(here, 0.99)) if len(here) else 0.0
    clear = float(np.quantile(case.clear.ghi, 0.99)) if case.rows else 0.0
    if top <= 0 or clear <= 0 or 1 / 3 <= top / clear <= 3 or DAYLIGHT[0] <= top <= DAYLIGHT[1]:
        return 1.0
    return top / clear


def like_light(case: Case, channel: Channel, first: int, last: int) -> float:
    """Share of the days between two rows on which a channel behaves like light, at whatever hours; 0 of fewer than 3
    days."""
    found, rows = case.once(f"crossings;{channel.name}", lambda: _crossings(case, channel))
    inside = np.arange(case.rows)[first : last + 1]
    days = len(np.unique(case.solar_day[inside[np.isfinite(case.values(channel)[inside])]]))
    if found is None or days < 3:
        return 0.0
    at = rows[found.row]
    return float(((at >= first) & (at <= last)).sum()) / days


def _crossings(case: Case, channel: Channel) -> tuple[twilight.Crossings | None, Ints]:
    if not case.rows or not case.interval_s or case.interval_s > 2 * 3600:
        return None, np.empty(0, np.int64)
    middle, values, interval, rows = blocks(case, channel)
    values = values / (PAR_OF_GLOBAL if channel.quantity == "par" else 1.0)
    return twilight.crossings(middle, values / scale(case, values), case.sky.longitude, interval), rows


def _series(case: Case, channel: Channel) -> FirstLight | None:
    if not case.rows or not case.interval_s or case.interval_s > 2 * 3600:
        return None
    middle, values, interval, rows = blocks(case, channel)
    values = values / (PAR_OF_GLOBAL if channel.quantity == "par" else 1.0)
    values = values / scale(case, values)
    elevation = elevation_at(case)
    found = twilight.crossings(middle, values, case.sky.longitude, interval)
    if found is None:
        return None
    by_level = twilight.errors(found, elevation, case.sky.longitude)
    each = twilight.daily(by_level)
    if not np.isfinite(each).any():
        return None
    each = _unwrapped(each)
    expected = np.broadcast_to(EXPECTED, found.rise.shape)
    if interval >= twilight.COARSE_S:
        for _ in range(3):  # which part of an interval the light falls into depends on the error sought
            each, expected = _less_bias(found, by_level, each, middle, interval, elevation, case.sky.longitude)
    seen = np.isfinite(each)
    found = twilight.Crossings(
        found.day[seen], found.rise[seen], found.fall[seen], rows[found.row[seen]], found.night, found.noise
    )
    each, expected = each[seen], expected[seen]
    spread = _spread(each)
    systematic = float(np.hypot(SIDEREAL, PER_INTERVAL * interval / 60.0))
    pieces = _pieces(each, spread, max(3.0 * systematic, CREEPS * abs(float(np.median(each)))))
    late = np.empty(len(each))
    for piece in pieces:
        late[piece.start : piece.stop] = piece.level.mean
    height = twilight.daily(twilight.heights(found, elevation, late) - expected)
    drift = _drift(found.day, each, spread, pieces)
    return FirstLight(channel, found.row, each, height, found, pieces, drift, systematic, spread)


def elsewhere(case: Case, found: FirstLight, latitude: float, longitude: float) -> tuple[float, float]:
    """How far noon is off (min), and the sun at first light (degrees, the middle one), had the station stood there.

    Long intervals are put right as in the series itself. 720 min and 90 degrees where no day can be judged there.
    """

    def exact(time: Times) -> Floats:
        return 90.0 - sun.position(time, latitude, longitude, case.sky.elevation).zenith

    coarse = case.interval_s >= twilight.COARSE_S
    elevation = elevation_at(case, latitude, longitude) if coarse else exact
    by_level = twilight.errors(found.crossings, elevation, longitude)
    each = twilight.daily(by_level)
    if not np.isfinite(each).any():
        return 720.0, 90.0
    each = _unwrapped(each)
    expected = np.broadcast_to(EXPECTED, found.crossings.rise.shape)
    if coarse:
        for _ in range(3):
            each, expected = _less_bias(
                found.crossings, by_level, each, case.table.middle, case.interval_s, elevation, longitude
            )
    if not np.isfinite(each).any():
        return 720.0, 90.0
    late = np.full(len(each), twilight.level(each).mean)
    height = twilight.daily(twilight.heights(found.crossings, elevation, late) - expected)
    return float(late[0]), middle(np.abs(height))


def brightness(case: Case, latitude: float, longitude: float, late: float = 0.0) -> float | None:
    """How bright the bright hours are beside a clear sky of usual air at a place: logarithm of the ratio.

    Parameters
    ----------
    latitude, longitude : of the place. [degree]
    late : by which stamps are late there. [min]

    Returns
    -------
    ln of the 0.9 quantile of measured over clear with the sun above 15 degrees; None without global irradiance or with
    fewer than 3 h of such rows. It knows a latitude at the equinoxes too, when days are alike everywhere.
    """
    channel = case.mate("global_irradiance")
    if channel is None or not case.interval_s:
        return None
    when, values, interval, _ = blocks(case, channel)
    lit = np.flatnonzero(values > 20.0)
    lit = lit[:: max(1, len(lit) // MOST_BRIGHT)]
    sky = Sky(when[lit] - np.timedelta64(round(late * 60e6), "us"), latitude, longitude, case.sky.elevation)
    clear = clear_sky.ineichen(sky.position.apparent_zenith, TYPICAL_AIR, sky.elevation, sky.extraterrestrial).ghi
    high = sky.position.zenith < 75.0
    if high.sum() * interval * max(1, len(lit) // MOST_BRIGHT) < 3 * 3600.0:
        return None
    return float(np.log(np.quantile(values[lit][high] / clear[high], 0.9)))


def usual(case: Case, minutes: float, sigma: float) -> float:
    """Log-odds of so many minutes among clocks that are wrong since before the first row, against `ROOM`.

    Half of them are set wrong by hand, spread in the logarithm of the minutes; half to another zone, by `ZONES`, by the
    station's own distance from UTC or, rarely, by another quarter of an hour (judgement).

    Parameters
    ----------
    minutes, sigma : what is seen and its standard error, `STRAYS` not counted. [min]
    """
    off = abs((minutes + 720.0) % 1440.0 - 720.0)
    wide = float(np.hypot(sigma, STRAYS))
    by_hand = 0.5 / (2.0 * np.log(720.0 / 5.0) * max(off, 5.0))
    quarter = np.arange(-720.0, 720.0, 15.0)
    share = np.where(quarter % 60.0 == 0.0, WHOLE_HOURS, QUARTERS)
    for apart_, one in ZONES.items():
        share[np.abs(quarter) == apart_] = one
    for own in {zone_of(case), 60.0 * round(case.sky.longitude / 15.0)} - {0.0}:
        at = np.abs(np.abs(quarter) - abs(own)) < 1.0
        share[at] = np.maximum(share[at], OWN_ZONE)
    share[quarter == 0.0] = 0.0
    missed = ((minutes - quarter + 720.0) % 1440.0 - 720.0) / wide
    zones = 0.5 * float((share * np.exp(-0.5 * missed**2)).sum()) / (wide * np.sqrt(2 * np.pi))
    return float(np.log(ROOM * (by_hand + zones)))


def zone_of(case: Case) -> float:
    """Minutes by which local time lies ahead of UTC as the station file has it, in the middle of the record."""
    from datetime import datetime

    from qc.read.clock import parse_offset, zone

    declared = case.station.clock[-1]
    if declared.utc_offset:
        return parse_offset(declared.utc_offset) / 60.0
    if not declared.time_zone or not case.rows:
        return 0.0
    second = int(case.time[case.rows // 2].astype("datetime64[s]").astype(np.int64))
    there = datetime.fromtimestamp(second, zone(declared.time_zone)).utcoffset()
    return there.total_seconds() / 60.0 if there else 0.0


def _unwrapped(each: Floats) -> Floats:
    """Minutes about their middle, so that a clock that is half a day off does not tear the series."""
    good = each[np.isfinite(each)]
    middle = float(np.angle(np.mean(np.exp(2j * np.pi * good / 1440.0)))) * 1440.0 / (2 * np.pi)
    return np.asarray(middle + (each - middle + 720.0) % 1440.0 - 720.0)


def _less_bias(
    found: twilight.Crossings,
    by_level: Floats,
    each: Floats,
    middle: Times,
    interval: float,
    elevation: twilight.Elevation,
    longitude: float,
) -> tuple[Floats, Floats]:
    """The series and the expected heights, less what a modelled twilight shows in the same long intervals."""
    late = _running(each)
    rows = np.arange(len(middle))
    by_row = np.interp(rows, found.row, late)
    true = middle - (by_row * 60e6).astype("timedelta64[us]")
    order = np.argsort(true, kind="stable")  # a step back of the clock lets stamps meet
    model = twilight.modelled(true[order], interval, elevation)
    shown = twilight.crossings(true[order], model, longitude, interval)
    expected = np.full(found.rise.shape, np.nan)
    if shown is None:
        return each, expected
    bias = twilight.errors(shown, elevation, longitude)
    heights = twilight.heights(shown, elevation, np.zeros(len(shown.day)))
    at = np.searchsorted(true[order], true[found.row])
    near = np.clip(np.searchsorted(shown.row, at), 0, len(shown.row) - 1)
    left = np.maximum(near - 1, 0)
    near = np.where(np.abs(shown.row[left] - at) < np.abs(shown.row[near] - at), left, near)
    return twilight.daily(by_level - bias[near]) + 0.0 * each, heights[near]


def _running(each: Floats, half: int = 3) -> Floats:
    """Medians of a week about each day."""
    good = np.where(np.isfinite(each), each, np.nan)
    out = np.array([middle(good[max(0, n - half) : n + half + 1]) for n in range(len(each))])
    return np.where(np.isfinite(out), out, middle(good))


def middle(x: Floats) -> float:
    """The median of what is there; 0 of nothing."""
    x = x[np.isfinite(x)]
    return float(np.median(x)) if len(x) else 0.0


def _spread(each: Floats) -> float:
    """Spread of single days from the differences of neighbours, which steps and drifts do not widen. [min]"""
    if len(each) < 3:
        return 5.0
    return max(1.4826 / float(np.sqrt(2.0)) * float(np.median(np.abs(np.diff(each)))), 1.0)


MOST_PIECES = 6


def _pieces(each: Floats, spread: float, least: float) -> tuple[Piece, ...]:
    """The series cut at its steps, one after the other: each must win 6 in log-likelihood and be worth four times its
    own error, and `least` min (judgement); then at both ends of a stretch."""
    edges = [0, len(each)]
    while len(edges) <= MOST_PIECES:
        best: tuple[float, int] | None = None
        for a, b in pairwise(edges):
            change = onset.step(each[a:b], least=2)
            if change is None:
                continue
            error = spread * np.sqrt(1.0 / change.at + 1.0 / (b - a - change.at))
            size = abs(change.after - change.before)
            if change.gain > 6.0 and size > max(least, 3.5 * error) and (best is None or change.gain > best[0]):
                best = change.gain, a + change.at
        if best is None:
            among = [_stretch(each, a, b, spread, least) for a, b in pairwise(edges)]
            both = max((s for s in among if s is not None), default=None)
            if both is None:
                break
            edges = sorted({*edges, *both[1:]})
            continue
        edges = sorted({*edges, best[1]})
    return tuple(Piece(a, b, twilight.level(each[a:b])) for a, b in pairwise(edges))


def _stretch(each: Floats, a: int, b: int, spread: float, least: float) -> tuple[float, int, int] | None:
    """What is won by a stretch within days `a` to `b`, and its edges: a clock that was wrong for about half of them and
    was set right shows no single step. It must win 9 (judgement: half as much again as one step)."""
    found = onset.stretch(each[a:b])
    if found is None or found.gain <= 9.0:
        return None
    inside = found.stop - found.start
    error = spread * np.sqrt(1.0 / inside + 1.0 / (b - a - inside))
    if abs(found.inside - found.outside) <= max(least, 3.5 * error):
        return None
    return found.gain, a + found.start, a + found.stop


def _cost(residual: Floats, spread: float) -> float:
    return float(np.minimum((residual / spread) ** 2, 9.0).sum()) / 2.0


def _drift(day: Ints, each: Floats, spread: float, pieces: tuple[Piece, ...]) -> Drift | None:
    """A line that begins somewhere, where it tells the series better than steps do (Bayesian information)."""
    n = len(each)
    if n < 10:
        return None
    flat = np.empty(n)
    for piece in pieces:
        flat[piece.start : piece.stop] = piece.level.mean
    t = (day - day[0]).astype(float)
    best: tuple[float, int, Floats, float] | None = None
    for start in range(0, n - 7, max(1, n // 60)):
        ramp = np.maximum(t - t[start], 0.0)
        design = np.column_stack((np.ones(n), ramp))
        weight = np.ones(n)
        for _ in range(4):
            root = np.sqrt(weight)[:, None]
            answer = np.linalg.lstsq(design * root, each * root[:, 0], rcond=None)[0]
            residual = each - design @ answer
            weight = (np.abs(residual) <= 3.0 * spread).astype(float) + 1e-6
        cost = _cost(residual, spread)
        if best is None or cost < best[0]:
            inverse = np.linalg.pinv((design * weight[:, None]).T @ design)
            best = cost, start, answer, float(np.sqrt(inverse[1, 1])) * spread
    assert best is not None
    cost, start, answer, error = best
    steps = _cost(each - flat, spread) + np.log(n) * (len(pieces) - 0.5)
    if abs(answer[1]) < 5.0 * error or cost + 1.5 * np.log(n) >= steps:
        return None
    return Drift(start, float(answer[1]), error, float(answer[0]), float(answer[0] + answer[1] * (t[-1] - t[start])))


@dataclass(frozen=True)
class Witness:
    """What the daily courses of the other channels say of stamps that are late: log-odds for it, and in words."""

    log_odds: float
    said: str


def witness(case: Case, found: FirstLight, minutes: float, off: Piece, sound: Sequence[Piece] = ()) -> Witness | None:
    """Whether the other channels moved along with first and last light: a clock moves them all.

    Against the same channel in `sound` days, where there are some, else against when such a channel peaks. The middle
    one of the surest channels counts: light and panels know noon better than the air does. None for few minutes, and
    where no other channel has a daily course.
    """
    if abs(minutes) < TOO_LITTLE:
        return None
    told = []
    for channel in case.of(*COURSES):
        if channel.name == found.channel.name:
            continue
        day, wave = _waves(case, channel)
        here = daily_course.course(wave[_inside(case, found, day, off)])
        if here is None:
            continue
        before = np.zeros(len(day), bool)
        for piece in sound:
            before |= _inside(case, found, day, piece)
        past = daily_course.course(wave[before]) if before.sum() >= 3 else None
        hour, strays = COURSES[channel.quantity]
        if past is not None:
            hour, strays = past.hour, float(np.hypot(past.error, COURSE_STRAYS))
        sigma = float(np.hypot(here.error, strays))
        moved = daily_course.apart(here.hour - hour)
        missed = daily_course.apart(moved - minutes / 60.0)
        odds = float(np.clip(((moved / sigma) ** 2 - (missed / sigma) ** 2) / 2.0, -6.0, 6.0))
        told.append((sigma, odds, f"{channel.name} {60.0 * moved:+.0f} +- {60.0 * sigma:.0f} min"))
    if not told:
        return None
    surest = min(sigma for sigma, _, _ in told)
    told = [one for one in told if one[0] <= SURER * surest]
    odds = float(np.median([o for _, o, _ in told]))
    return Witness(odds, "daily courses moved: " + ", ".join(text for _, _, text in told[:3]))


def _waves(case: Case, channel: Channel) -> tuple[Ints, NDArray[np.complex128]]:
    """Days by mean solar time as the stamps tell it, and the daily wave of a channel in each; made once."""

    def make() -> tuple[Ints, NDArray[np.complex128]]:
        middle, values, _, _ = blocks(case, channel)
        us = middle.astype("datetime64[us]").astype(np.int64) + round(case.sky.longitude * 240 * SECOND)
        day_us = 86_400 * SECOND
        return daily_course.waves(us // day_us, us % day_us / (3600.0 * SECOND), values)

    return case.once(f"daily wave;{channel.name}", make)


def _inside(case: Case, found: FirstLight, day: Ints, piece: Piece) -> Bools:
    """Days that lie within a piece as a whole; its edges count where it has few."""
    rows = found.row[piece.start : piece.stop]
    first, last = case.solar_day[rows[0]], case.solar_day[rows[-1]]
    room = 1 if last - first > 3 else 0
    return np.asarray(
        (day >= first + (room if piece.start else 0)) & (day <= last - room * (piece.stop < len(found.row)))
    )
