"""First and last light: what they tell of a clock, of a longitude and of a latitude.

By day of the light the rows are sought between which the irradiance rises through a low level for the first time, and
falls through it for the last time. In truth the sun stands equally high at both; how far stamps must be moved until it
does is the error of the clock. Twilight comes through clouds, and knows neither the tilt of a sensor nor its scale.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.physics.vectors import Floats

Ints = NDArray[np.int64]
Times = NDArray[np.datetime64]
Elevation = Callable[[Times], Floats]

LEVELS = (1.0, 2.0, 3.0, 5.0)
"""W/m2 above the night: first light (measured on roof, campus, forest: a day's error has a spread of 1.9 to 5 min at 1
to 3 W/m2, 5 to 10 min at 8; below 1 W/m2 noise and clipping rule)."""

COARSE_S = 900.0
"""s; from this interval on the crossings of a modelled twilight are taken off (`bias`)."""

BRIGHT = 15.0
"""W/m2 above the night that a day must reach at least, and `STRAYS` times what the nights stray (judgement: the darkest
days of December on campus reach 30)."""

STRAYS = 4.0

NEGATIVE = 20.0
"""W/m2 below the night, beyond what nights stray, that no light reads by day or night (judgement: pyranometers cool to
-5 to -15 under a clear sky)."""

OFFSET = 15.0
"""W/m2 between the dark of a half night and that of the record beyond which the night has an offset of its own, if it
keeps within as much (judgement: no sensor's zero moves so far)."""

LIT = 0.8
"""Share of the rows between first and last light that must be light too (judgement)."""

_DAY = 86_400_000_000  # microseconds
_HOUR = 3_600_000_000
_MINUTE = 60_000_000


class Crossings(NamedTuple):
    """First and last light of each day, at each level, and what else the days show.

    Attributes
    ----------
    day : number of the day from one middle of the dark to the next, rising, shape (days,).
    rise, fall : microseconds UTC since 1970 as the stamps tell it, NaN where not seen, shape (days, levels). [us]
    row : a row of the table in the middle of the day, shape (days,).
    night : median of the nights. [as values]
    noise : what half nights stray above it at most, 85th percentile. [as values]
    """

    day: Ints
    rise: Floats
    fall: Floats
    row: Ints
    night: float
    noise: float


def light_hour(solar_us: Ints, values: Floats) -> Floats:
    """Hour of the day about which the light of each day lies, smoothed over a week, by row.

    Parameters
    ----------
    solar_us : mean local solar time as the stamps tell it, rising, shape (n,). [us]
    values : light, NaN for none, shape (n,).

    Returns
    -------
    hours from 0 to below 24, whole, shape (n,); 12 on a sound station. NaN where all is dark.
    """
    day = solar_us // _DAY
    known, at = np.unique(day, return_inverse=True)
    weight = np.where(np.isfinite(values), np.maximum(values, 0.0), 0.0)
    turn = np.exp(2j * np.pi * (solar_us % _DAY) / _DAY)
    east = np.bincount(at, weight * turn.real, minlength=len(known))
    north = np.bincount(at, weight * turn.imag, minlength=len(known))
    wide = min(7, len(known))
    kernel = np.ones(wide)
    week = [np.convolve(part, kernel, mode="same")[: len(known)] for part in (east, north)]
    turned = np.arctan2(week[1], week[0]) % (2 * np.pi)
    hour = np.round(turned * 12.0 / np.pi) % 24.0
    return np.asarray(np.where(np.hypot(week[0], week[1]) > 0, hour, np.nan)[at])


def crossings(
    middle: Times, values: Floats, longitude: float, interval_s: float, levels: tuple[float, ...] = LEVELS
) -> Crossings | None:
    """First and last light of each day.

    Parameters
    ----------
    middle : UTC of the middle of each interval as the stamps tell it, rising, shape (n,).
    values : light, NaN for none, shape (n,). [W/m2]
    longitude : positive east; only tells days from each other. [degree]
    interval_s : of the table. [s]
    levels : above the night and its noise. [W/m2]

    Returns
    -------
    Crossings, or None where no day shows first and last light. Between two rows the logarithm of the light is taken
    as linear in time, as twilight nearly is. Cells that are empty in most nights count as dark. What jumps for a single
    row is left out, and so are days that do not behave like light: too faint, far below the night, or dark again
    between first and last light.
    """
    if len(middle) < 20:
        return None
    us = middle.astype("datetime64[us]").astype(np.int64)
    solar = us + round(longitude * 240_000_000)
    hour = light_hour(solar, values)
    rows = np.flatnonzero(np.isfinite(hour))
    if len(rows) < 20:
        return None
    us, solar, hour, x = us[rows], solar[rows], hour[rows], held(values)[rows]
    from_noon = (solar - (hour * _HOUR).astype(np.int64) + _DAY // 2) % _DAY - _DAY // 2
    day = (solar - (hour * _HOUR).astype(np.int64) + _DAY // 2) // _DAY
    x = _dark_filled(x, from_noon)
    nights = _nights(x, day, from_noon)
    if nights is None:
        return None
    base, by_row, noise = nights
    lit = x - by_row
    good = np.isfinite(lit)
    lit, us, day, index = lit[good], us[good], day[good], rows[good]
    days, first = np.unique(day, return_index=True)
    ends = np.append(first[1:], len(day))
    apart = np.append(np.diff(us) <= 1.5 * interval_s * 1e6, False) & np.append(day[1:] == day[:-1], False)
    rise = np.full((len(days), len(levels)), np.nan)
    fall = np.full((len(days), len(levels)), np.nan)
    for n, level in enumerate(levels):
        high = noise + level
        above = lit > high
        here = np.flatnonzero(above)
        place = np.searchsorted(days, day[here])
        up = np.full(len(days), -1)
        down = np.full(len(days), -1)
        up[place[::-1]], down[place] = here[::-1], here  # the first and the last of each day
        found = up >= 0
        a = np.where(found & (up > first), up - 1, -1)
        ok = (a >= 0) & apart[a]
        rise[ok, n] = _between(us, lit, a[ok], high, noise)
        b = np.where(found & (down < ends - 1), down, -1)
        ok = (b >= 0) & apart[b]
        fall[ok, n] = _between(us, lit, b[ok], high, noise)
        if n == 0:
            count = np.add.reduceat(above.astype(np.int64), first)
            filled = count >= LIT * (down - up + 1)
    bright = np.maximum.reduceat(lit, first) > max(BRIGHT, STRAYS * noise)
    never_below = np.minimum.reduceat(lit, first) > -(NEGATIVE + noise)
    seen = np.isfinite(rise).any(axis=1) & np.isfinite(fall).any(axis=1) & filled & bright & never_below
    if not seen.any():
        return None
    middle_row = index[(first + ends - 1) // 2]
    return Crossings(days[seen], rise[seen], fall[seen], middle_row[seen], base, noise)


def held(values: Floats) -> Floats:
    """Medians of three rows: what jumps for a single row is gone, what rises or falls stays as it is; shape (n,).

    Rows that lack, or stand beside one that lacks, stay as they are.
    """
    out = values.copy()
    if len(values) > 2:
        a, b, c = values[:-2], values[1:-1], values[2:]
        middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
        out[1:-1] = np.where(np.isfinite(middle), middle, b)
    return out


def _nights(x: Floats, day: Ints, from_noon: Ints) -> tuple[float, Floats, float] | None:
    """What the dark reads, the same by row, and what it strays above that: the greatest value of half nights, their
    85th percentile.

    A half night that stands farther off than any sensor's own zero, and still, has an offset: that is its dark, unless
    it lies far below zero (light that is reversed). Lamps, lightning and days torn by a clock that was set are no
    noise. (Tried: a dark of its own for each half night. It follows the cloud of the night and not of the twilight:
    days scatter by 8.4 min on campus, not 5.7.)
    """
    dark = (np.abs(from_noon) > 11 * _HOUR) & np.isfinite(x)
    rows = np.flatnonzero(dark)
    if len(rows) < 3:
        return None
    whole = float(np.quantile(x[rows], 0.5, method="lower"))  # one that is there, where half the nights have an offset
    key = 2 * (day - day[0]) + (from_noon > 0)
    halves, part = np.unique(key[rows], return_inverse=True)
    most, least = np.full(len(halves), -np.inf), np.full(len(halves), np.inf)
    np.maximum.at(most, part, x[rows])
    np.minimum.at(least, part, x[rows])
    middle = (most + least) / 2.0
    apart = (np.abs(middle - whole) > OFFSET) & (most - least < OFFSET) & (middle > -OFFSET)
    dark_of = np.where(apart, middle, whole)
    by_row = np.full(len(x), whole)
    place = np.minimum(np.searchsorted(halves, key), len(halves) - 1)
    own = halves[place] == key
    by_row[own] = dark_of[place[own]]
    return whole, by_row, max(float(np.quantile(most - dark_of, 0.85)), 0.0)


def _dark_filled(x: Floats, from_noon: Ints) -> Floats:
    """Cells left empty in most nights count as dark."""
    slot = np.minimum(np.abs(from_noon) // (_HOUR // 2), 23).astype(np.int64)
    empty = np.isnan(x)
    count = np.maximum(np.bincount(slot, minlength=24), 1)
    share = np.bincount(slot, empty, minlength=24) / count
    if share[22:].max() < 0.8 or share[:8].mean() > 0.5:
        return x
    return np.where(empty & (np.abs(from_noon) > 4 * _HOUR), 0.0, x)


def _between(us: Ints, lit: Floats, a: Ints, level: float, noise: float) -> Floats:
    """When the light passes a level between rows `a` and `a + 1`, by its logarithm. [us]"""
    floor = 0.3 + 0.3 * noise  # below it there is no light to take a logarithm of
    low, high = np.log(np.maximum(lit[a], floor)), np.log(np.maximum(lit[a + 1], floor))
    share = np.clip((np.log(level) - low) / np.where(high == low, 1.0, high - low), 0.0, 1.0)
    return np.asarray(us[a] + share * (us[a + 1] - us[a]))


def errors(found: Crossings, elevation: Elevation, longitude: float) -> Floats:
    """How many minutes stamps are late, by day and level: moved back by them, the sun stands equally high at first and
    last light.

    Parameters
    ----------
    found : Crossings
    elevation : elevation of the sun without refraction for UTC times, degrees.
    longitude : positive east, to begin with. [degree]

    Returns
    -------
    minutes, shape (days, levels), NaN where a level was not crossed both times. Within +-12 h.
    """
    both = np.isfinite(found.rise) & np.isfinite(found.fall)
    out = np.full(found.rise.shape, np.nan)
    if not both.any():
        return out
    rise, fall = found.rise[both].astype(np.int64), found.fall[both].astype(np.int64)
    solar = (rise + fall) // 2 + round(longitude * 240_000_000)
    late = np.asarray((solar % _DAY) / _MINUTE - 720.0)
    for _ in range(2):
        low, high = (_at(elevation, rise, late + side) - _at(elevation, fall, late + side) for side in (-10.0, 10.0))
        slope = np.where(high == low, np.nan, high - low)
        late = late + np.clip(-10.0 - 20.0 * low / slope, -120.0, 120.0)
    out[both] = (late + 720.0) % 1440.0 - 720.0
    return out


def _at(elevation: Elevation, us: Ints, late: Floats) -> Floats:
    return elevation((us - (late * _MINUTE).astype(np.int64)).view("datetime64[us]"))


def heights(found: Crossings, elevation: Elevation, late: Floats) -> Floats:
    """Elevation of the sun at first and last light, their mean, by day and level, once stamps are moved back.

    Parameters
    ----------
    found : Crossings
    elevation : elevation of the sun without refraction for UTC times, degrees.
    late : minutes that stamps are late, shape (days,).

    Returns
    -------
    degrees, shape (days, levels); on a sound station about -2 to 1, whatever the latitude and the season.
    """
    both = np.isfinite(found.rise) & np.isfinite(found.fall)
    out = np.full(found.rise.shape, np.nan)
    wide = np.broadcast_to(late[:, None], both.shape)[both]
    rise, fall = found.rise[both].astype(np.int64), found.fall[both].astype(np.int64)
    out[both] = (_at(elevation, rise, wide) + _at(elevation, fall, wide)) / 2.0
    return out


def daily(by_level: Floats) -> Floats:
    """One number a day from those of its levels: their median, where at least two levels (or the only one) show it."""
    enough = np.isfinite(by_level).sum(axis=1) >= min(2, by_level.shape[1])
    out = np.full(len(by_level), np.nan)
    if enough.any():
        out[enough] = np.nanmedian(by_level[enough], axis=1)
    return out


def light(elevation: Floats) -> Floats:
    """Irradiance of a usual sky about sunrise: 3.2 ln(1 + exp(elevation / 1 degree)), by elevation in degrees. [W/m2]

    Measured on roof, campus and forest: levels of 1, 2, 3, 5 W/m2 at -1, 0, 0.6 and 1.4 degrees (medians). Good for
    the shape of first light only.
    """
    return np.asarray(3.2 * np.logaddexp(0.0, np.asarray(elevation, float)))


def modelled(middle: Times, interval_s: float, elevation: Elevation, parts: int = 6) -> Floats:
    """Means of `light` over each interval, shape (n,). [W/m2]"""
    step = interval_s / parts
    total = np.zeros(len(middle))
    for part in range(parts):
        off = np.timedelta64(round((part + 0.5 - parts / 2) * step * 1e6), "us")
        total += light(elevation(np.asarray(middle.astype("datetime64[us]") + off)))
    return total / parts


class Level(NamedTuple):
    """A robust mean, its standard error, the spread of single days, and how many days it is of."""

    mean: float
    error: float
    spread: float
    days: int


def level(each: Floats, *, least_spread: float = 1.0) -> Level:
    """A robust mean of days: those further than 2.5 spreads from the median are left out.

    Parameters
    ----------
    each : one number a day, NaN for none. [min]
    least_spread : no spread of days is taken to be smaller. [min]

    Returns
    -------
    Level; NaN without days.
    """
    x = each[np.isfinite(each)]
    if not len(x):
        return Level(np.nan, np.nan, np.nan, 0)
    middle = float(np.median(x))
    spread = max(1.4826 * float(np.median(np.abs(x - middle))), least_spread)
    kept = x[np.abs(x - middle) <= 2.5 * spread]
    return Level(float(kept.mean()), spread / float(np.sqrt(max(len(kept), 1))), spread, len(x))
