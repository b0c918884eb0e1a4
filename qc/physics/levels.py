"""The level of an irradiance over a clear sky's, day by day, and lasting steps in it.

A day's level is a high quantile of its clearness: what the sun gave where clouds let it. Weeks of such days have an
upper envelope that weather hardly moves, so that a step in it is a step of the sensor.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.half_days import grouped_quantile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Levels(NamedTuple):
    """Natural logarithms of levels in order of time, arrays of shape (m,), and the day of each."""

    day: Ints
    value: Floats


class Step(NamedTuple):
    """A lasting step between the levels of two stretches of days.

    Attributes
    ----------
    at : index of the first level after it.
    size : natural logarithm of the ratio, after over before.
    error : how much such a difference scatters at other times of the same record, and by the number of days.
    before, after : levels on both sides. [ln]
    number : levels used before and after.
    """

    at: int
    size: float
    error: float
    before: float
    after: float
    number: tuple[int, int]


def daily(ratio: ArrayLike, day: Ints, good: Bools, *, share: float, least: int) -> Levels:
    """Levels of days: the logarithm of a quantile of the ratios of each day.

    Parameters
    ----------
    ratio : shape (n,), NaN for none; those that are not above 0 count as none. [1]
    day : number of the solar day, rising, shape (n,).
    good : rows to use, shape (n,).
    share : the quantile.
    least : rows that a day needs.
    """
    r = np.asarray(ratio, float)
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(good & np.isfinite(r))
    days, index, count = np.unique(day[rows], return_inverse=True, return_counts=True)
    if not len(days):
        return Levels(days, np.empty(0))
    level = grouped_quantile(r[rows], index, share)
    keep = (count >= least) & (level > 0)
    return Levels(days[keep], np.log(level[keep]))


def envelope(levels: ArrayLike, share: float) -> float:
    """The upper envelope of some levels: a quantile of them; NaN for none."""
    x = np.asarray(levels, float)
    return float(np.quantile(x, share)) if len(x) else float("nan")


def step(levels: Levels, *, share: float, least: int, most: int, floor: float) -> Step | None:
    """The greatest step against its error, between stretches of at most `most` levels on either side.

    Parameters
    ----------
    levels : Levels
    share : quantile that makes the envelope of a stretch (0.5: the median).
    least, most : levels that a stretch needs and takes.
    floor : error below which none is believed. [ln]

    Returns
    -------
    Step, or None where there are fewer than twice `least` levels. The first and last tenth of a long record serve too;
    no season is long enough to matter within a stretch.
    """
    n = len(levels.value)
    if n < 2 * least:
        return None
    places = np.arange(least, n - least + 1)
    x = levels.value
    before, after = _ahead(x[::-1], most, share)[n - places], _ahead(x, most, share)[places]
    size = after - before
    best = int(np.argmax(np.abs(size) * np.sqrt(_pairs(places, n, most))))
    far = np.abs(places - places[best]) > most
    own = 1.48 * float(np.median(np.abs(size[far] - np.median(size[far])))) if far.sum() >= 20 else 0.0
    k = int(places[best])
    single = 1.48 * float(np.median(np.abs(np.diff(x)))) / np.sqrt(2.0) if n > 2 else 0.0
    first, last = min(k, most), min(n - k, most)
    error = max(floor, own, 1.25 * single * float(np.sqrt(1.0 / first + 1.0 / last)))
    return Step(k, float(size[best]), error, float(before[best]), float(after[best]), (first, last))


def _ahead(x: Floats, most: int, share: float) -> Floats:
    """A quantile of up to `most` values from each place on, shape (n,)."""
    n = len(x)
    padded = np.concatenate([x, np.full(most - 1, np.inf)])
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(padded, most), axis=1)
    place = (np.minimum(most, n - np.arange(n)) - 1) * share
    low = np.floor(place).astype(np.int64)
    rows = np.arange(n)
    first, second = ordered[rows, low], ordered[rows, np.minimum(low + 1, most - 1)]
    part = place - low
    return np.asarray(np.where(part > 0, first * (1.0 - part) + np.where(part > 0, second, 0.0) * part, first))


def _pairs(places: Ints, n: int, most: int) -> Floats:
    """Harmonic mean of the levels on both sides: what the error of a difference goes by."""
    first, last = np.minimum(places, most), np.minimum(n - places, most)
    return np.asarray(1.0 / (1.0 / first + 1.0 / last))


def compared(levels: Levels, day: int, *, share: float, most: int) -> tuple[float, int, int]:
    """The step of other levels at a given day, and how many stand before and after it; NaN where a side is empty."""
    k = int(np.searchsorted(levels.day, day))
    before, after = levels.value[max(0, k - most) : k], levels.value[k : k + most]
    return envelope(after, share) - envelope(before, share), len(before), len(after)
