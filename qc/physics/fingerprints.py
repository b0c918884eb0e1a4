"""Fingerprints: what the numbers of a column look like day by day, and how well that suits a quantity.

A fingerprint is made of a few figures of each day; a quantity says in which range each of them lies as a rule. What
lies outside costs half the square of its distance in units of a width, `MOST` at most: a log-likelihood with bounds
that no odd day can break.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST = 6.0
"""Most that one figure of one day counts, in log-likelihood (judgement: 400 to 1)."""


class Print(NamedTuple):
    """Figures of the days of one column, shape (days,) each: percentiles 1.5, 2, 50, 98 and 98.5 (single odd rows do
    not move them), the 97th of the magnitude in the dark, the share of zeros, the mean step from row to row over the
    spread, and the correlation with the sine of the sun's elevation; NaN where a day has too few values."""

    least: Floats
    low: Floats
    middle: Floats
    high: Floats
    most: Floats
    dark: Floats
    zeros: Floats
    rough: Floats
    sun: Floats

    @property
    def spread(self) -> Floats:
        """98th less 2nd percentile."""
        return self.high - self.low


def fingerprint(values: ArrayLike, day: Ints, sine: Floats, *, least: int) -> Print:
    """The fingerprint of one column.

    Parameters
    ----------
    values : shape (n,), NaN for none.
    day : number of the day of each row from 0 on, never falling, shape (n,).
    sine : sine of the sun's elevation, shape (n,).
    least : values that a day must have.
    """
    x = np.asarray(values, float)
    days = int(day[-1]) + 1 if len(day) else 0
    none = np.full(days, np.nan)
    rows = np.flatnonzero(np.isfinite(x))
    count = np.bincount(day[rows], minlength=days)
    if not len(rows):
        return Print(*(none.copy() for _ in range(9)))
    x, d, s = x[rows], day[rows], sine[rows]
    order = np.lexsort((x, d))
    sorted_ = x[order]
    first = np.cumsum(count) - count
    enough = count >= least

    def percentile(share: float) -> Floats:
        at = first + np.round(share * np.maximum(count - 1, 0)).astype(np.int64)
        return np.where(enough, sorted_[np.minimum(at, len(sorted_) - 1)], np.nan)

    low, middle, high = percentile(0.02), percentile(0.5), percentile(0.98)
    unlit = s < np.sin(np.radians(-6.0))
    size, night = np.abs(x[unlit]), d[unlit]
    nights = np.bincount(night, minlength=days)
    size = np.append(size[np.lexsort((size, night))], 0.0)
    at = np.cumsum(nights) - nights + np.round(0.97 * np.maximum(nights - 1, 0)).astype(np.int64)
    dark = np.where(nights > 3, size[np.minimum(at, len(size) - 1)], np.nan)
    per = np.maximum(count, 1)
    zeros = np.bincount(d, weights=x == 0.0, minlength=days) / per
    steps = np.abs(np.diff(x, prepend=x[0]))
    steps[np.diff(d, prepend=d[0]) > 0] = 0.0
    rough = np.bincount(d, weights=steps, minlength=days) / per / np.maximum(high - low, 1e-9)
    positive = np.maximum(s, 0.0)
    mean_x, mean_s = (np.bincount(d, weights=v, minlength=days) / per for v in (x, positive))
    dx, ds = x - mean_x[d], positive - mean_s[d]
    cross, xx, ss = (np.bincount(d, weights=v, minlength=days) for v in (dx * ds, dx * dx, ds * ds))
    sun = cross / np.maximum(np.sqrt(xx * ss), 1e-12)
    rest = [np.where(enough, v, np.nan) for v in (dark, zeros, rough, sun)]
    return Print(percentile(0.015), low, middle, high, percentile(0.985), *rest)


def suits(figures: Print, model: Mapping[str, tuple[float, float, float]]) -> Floats:
    """Log-likelihood of each day under a quantity, 0 at best, NaN where the day has too few values.

    `model` gives for figures of `Print` (or `spread`) the lowest and highest that are usual, and a width.
    """
    total = np.zeros(len(figures.middle))
    for name, (low, high, width) in model.items():
        value = np.asarray(getattr(figures, name))
        beyond = np.fmax(np.fmax(low - value, value - high), 0.0) / width
        total -= np.where(np.isfinite(beyond), np.minimum(0.5 * beyond**2, MOST), 0.0)
    return np.where(np.isfinite(figures.middle), total, np.nan)


def day_correlation(a: Floats, b: Floats, day: Ints, days: int) -> Floats:
    """Correlation of two columns within each day, shape (days,); NaN where either stands still or has no values."""
    here = np.isfinite(a) & np.isfinite(b)
    d = day[here]
    per = np.maximum(np.bincount(d, minlength=days), 1)
    x, y = a[here], b[here]
    x = x - (np.bincount(d, weights=x, minlength=days) / per)[d]
    y = y - (np.bincount(d, weights=y, minlength=days) / per)[d]
    xy, xx, yy = (np.bincount(d, weights=v, minlength=days) for v in (x * y, x * x, y * y))
    out = np.full(days, np.nan)
    ok = (xx > 1e-12) & (yy > 1e-12)
    out[ok] = xy[ok] / np.sqrt(xx[ok] * yy[ok])
    return out
