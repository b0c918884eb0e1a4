"""Half-days under a clear sky, and the upper envelope of clearness: what sun tests of pyranometer and clock go by.

A half-day is the part of a solar day before or after noon with the sun above some elevation. It counts as clear where
the irradiance changes from row to row as that of a clear sky does, up to one factor.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SLOPE = 0.035
"""Share of the half-day's highest irradiance, as the ratio makes it, that a change may differ by (measured on roof:
finds 10 clear half-days in 133 summer days, with ratios that scatter by 2.4 %)."""

NOISE = (3.0, 6.0)
"""W/m2 that a change may differ by on top, at 1 min and at 10 min (measured: campus, roof)."""


class HalfDays(NamedTuple):
    """Half-days with enough values, in order of time; arrays of shape (m,).

    Attributes
    ----------
    day : number of the solar day.
    afternoon : whether it is the half after noon.
    ratio : median of measured over clear. [1]
    rough : share of changes from row to row that differ from those of a clear sky by more than allowed; 1 where there
        are no two rows one after the other. [1]
    worst : greatest such difference, over the allowed one. [1]
    spread : half the width of the middle 80 % of measured over clear, over their median; infinite where that is 0. [1]
    peak : highest elevation of the sun in it. [degree]
    first, last : its first and last row.
    """

    day: Ints
    afternoon: Bools
    ratio: Floats
    rough: Floats
    worst: Floats
    spread: Floats
    peak: Floats
    first: Ints
    last: Ints

    def clear(self, *, rough: float = 0.0, low: float = 0.7, high: float = 1.3) -> Bools:
        """Which of them are clear: the strict form lets no change differ; a shadow or a single cloud makes few rough
        ones. `low`, `high`: bounds of the ratio, both left out."""
        return np.asarray((self.rough <= rough) & (self.ratio > low) & (self.ratio < high))


def half_days(
    measured: ArrayLike,
    clear: ArrayLike,
    elevation: ArrayLike,
    day: NDArray[np.int64],
    afternoon: NDArray[np.bool_],
    follows: NDArray[np.bool_],
    interval_s: float,
    *,
    above: float = 8.0,
    least_s: float = 5400.0,
) -> HalfDays:
    """All half-days that have values for long enough.

    Parameters
    ----------
    measured, clear : irradiance of the sensor and of a clear sky, shape (n,), NaN for none. [W/m2]
    elevation : of the sun in the middle of each interval, shape (n,). [degree]
    day : number of the solar day, rising, shape (n,).
    afternoon : whether the sun has passed noon, shape (n,).
    follows : whether a row lies one interval after the row before it, shape (n,).
    interval_s : [s]
    above : elevation from which rows count. [degree]
    least_s : seconds of values that a half-day needs. [s]
    """
    g, c, e = (np.asarray(a, float) for a in (measured, clear, elevation))
    rows = np.flatnonzero(np.isfinite(g) & (e > above) & (c > 1.0))
    key = day[rows] * 2 + afternoon[rows]
    if not len(rows):
        none = np.empty(0)
        count = np.empty(0, np.int64)
        return HalfDays(count, count.astype(bool), none, none, none, none, none, count, count)
    _, begin, index, size = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
    k = g[rows] / c[rows]
    ratio = grouped_quantile(k, index, 0.5)
    wide = grouped_quantile(k, index, 0.9) - grouped_quantile(k, index, 0.1)
    peak_clear = np.maximum.reduceat(c[rows], begin)
    allowed = SLOPE * peak_clear * np.clip(ratio, 0.1, 10.0) + noise(interval_s)
    pair = np.concatenate([[False], (np.diff(rows) == 1) & (np.diff(index) == 0)]) & follows[rows]
    differ = np.zeros(len(rows))
    differ[pair] = np.abs(g[rows[pair]] - g[rows[pair] - 1] - ratio[index[pair]] * (c[rows[pair]] - c[rows[pair] - 1]))
    pairs = np.add.reduceat(pair.astype(np.int64), begin)
    rough = np.add.reduceat((differ > allowed[index]).astype(np.int64), begin) / np.maximum(pairs, 1)
    enough = size * interval_s >= least_s
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(ratio > 0, 0.5 * wide / ratio, np.inf)
    return HalfDays(
        day[rows[begin]][enough],
        afternoon[rows[begin]][enough],
        ratio[enough],
        np.where(pairs > 0, rough, 1.0)[enough],
        (np.maximum.reduceat(differ, begin) / allowed)[enough],
        spread[enough],
        np.maximum.reduceat(e[rows], begin)[enough],
        rows[begin][enough],
        rows[begin + size - 1][enough],
    )


def noise(interval_s: float) -> float:
    """W/m2 by which a change may differ at an interval (s): `NOISE` in line with its logarithm, constant outside."""
    at = np.log(max(interval_s, 1.0))
    return float(np.interp(at, np.log([60.0, 600.0]), NOISE))


def grouped_quantile(values: ArrayLike, group: NDArray[np.int64], share: float) -> Floats:
    """A quantile of the values of each group.

    Parameters
    ----------
    values : shape (n,), without NaN.
    group : number of each value's group, 0 to m - 1, each at least once, shape (n,).
    share : from 0 (least) to 1 (most); in line between the two nearest values.

    Returns
    -------
    quantiles, shape (m,), in the values' unit.
    """
    x = np.asarray(values, float)
    if not len(x):
        return np.empty(0)
    order = np.lexsort((x, group))
    sorted_, of = x[order], group[order]
    begin = np.concatenate([[0], np.flatnonzero(np.diff(of)) + 1])
    size = np.diff(np.concatenate([begin, [len(x)]]))
    place = (size - 1) * share
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, size - 1)
    part = place - low
    return np.asarray(sorted_[begin + low] * (1.0 - part) + sorted_[begin + high] * part)


def diffuse_share(clearness_index: ArrayLike) -> Floats:
    """Share of global irradiance that comes from the sky, not from the sun's disc.

    Parameters
    ----------
    clearness_index : global irradiance over that of a level surface at the top of the atmosphere. [1]

    Returns
    -------
    share, same shape: made for hourly means, good within 0.1 or so for shorter ones. [1]

    References
    ----------
    Erbs, Klein and Duffie, Solar Energy 28, 293-302, 1982. Standing: from memory.
    """
    kt = np.asarray(clearness_index, float)
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    return np.asarray(np.clip(np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.8, middle, 0.165)), 0.0, 1.0))
