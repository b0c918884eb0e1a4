"""When did it begin? Change-points on a fault's own statistic."""

from __future__ import annotations

from heapq import heappop, heappush, heappushpop
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Change(NamedTuple):
    """A step in a series, before value `at`; `earliest` to `latest` are as good within two in log-likelihood.

    `before`, `after` are the medians on both sides; `gain` is the log-likelihood won over no step at all.
    """

    at: int
    earliest: int
    latest: int
    before: float
    after: float
    gain: float


def step(series: ArrayLike, *, least: int = 2) -> Change | None:
    """The best single step in a series of independent values with heavy tails.

    Parameters
    ----------
    series : array, shape (n,), NaN for none
        the statistic of a fault by day, half-day or event, in any unit.
    least : int
        values needed on either side.

    Returns
    -------
    Change, or None where there are fewer than `2 * least` values. Absolute deviations from the medians of both sides
    are compared with those from one median (Laplace likelihood: a maximum-likelihood step in the median, which single
    odd days do not move). The caller judges `gain` (natural logarithm) and the size of the step.
    """
    x = np.asarray(series, float)
    rows = np.flatnonzero(np.isfinite(x))
    y, n = x[rows], len(rows)
    if n < 2 * least:
        return None
    whole = float(np.abs(y - np.median(y)).sum())
    around = y - np.median(y)  # small numbers lose nothing in sums
    both = _deviations(around)[:-1] + _deviations(around[::-1])[::-1][1:]
    cost = np.full(n, np.inf)
    cost[least : n - least + 1] = both[least - 1 : n - least]
    floor = 1e-9 * (1.0 + np.abs(y).max()) * n
    for k in np.flatnonzero(cost <= cost.min() + floor).tolist():  # rounding must not choose between equals
        cost[k] = np.abs(y[:k] - np.median(y[:k])).sum() + np.abs(y[k:] - np.median(y[k:])).sum()
    best = int(np.argmin(cost))
    likelihood = -n * np.log((cost + floor) / n)
    good = np.flatnonzero(likelihood >= likelihood[best] - 2.0)
    gain = n * float(np.log((whole + floor) / (cost[best] + floor)))
    low, high = float(np.median(y[:best])), float(np.median(y[best:]))
    return Change(int(rows[best]), int(rows[good[0]]), int(rows[good[-1]]), low, high, gain)


class Stretch(NamedTuple):
    """A stretch of a series, from value `start` to `stop` (left out), that lies off what stands on both sides of it.

    `inside`, `outside` are the medians; `gain` is the log-likelihood won over one level for all.
    """

    start: int
    stop: int
    inside: float
    outside: float
    gain: float


def stretch(series: ArrayLike, *, least: int = 2) -> Stretch | None:
    """The stretch of a series that differs most from the level before and after it: what began and was set right.

    A single step cannot see it where it fills about half of the series: neither side has a level of its own then.

    Parameters
    ----------
    series : array, shape (n,), NaN for none
    least : int
        values needed in the stretch, and on either side of it.

    Returns
    -------
    Stretch, or None where there are fewer than `3 * least` values or no value stands out. The level of most values is
    that outside; the stretch is where values stand off it to one side by more than twice their scatter, in sum, four
    scatters of a value at most. As for `step`, the caller judges `gain` and size.
    """
    x = np.asarray(series, float)
    rows = np.flatnonzero(np.isfinite(x))
    y, n = x[rows], len(rows)
    if n < 3 * least:
        return None
    middle = float(np.median(y))
    away = np.abs(y - middle)
    floor = 1e-9 * (1.0 + np.abs(y).max())
    scatter = 1.4826 * float(np.median(away)) + floor
    best: Stretch | None = None
    for side in (1.0, -1.0):
        score = np.clip(side * (y - middle) / scatter, -4.0, 4.0) - 2.0
        total = np.concatenate(([0.0], np.cumsum(score)))
        risen = total - np.minimum.accumulate(total)
        stop = int(np.argmax(risen))
        start = int(np.argmin(total[: stop + 1]))
        if stop - start < least or start < least or n - stop < least:
            continue
        inner, outer = y[start:stop], np.concatenate((y[:start], y[stop:]))
        level, rest = float(np.median(inner)), float(np.median(outer))
        cost = float(np.abs(inner - level).sum() + np.abs(outer - rest).sum())
        gain = n * float(np.log((away.sum() + floor * n) / (cost + floor * n)))
        if best is None or gain > best.gain:
            best = Stretch(int(rows[start]), int(rows[stop - 1]) + 1, level, rest, gain)
    return best


def _deviations(y: Floats) -> Floats:
    """Sum of absolute deviations from their median of the first k values, for k = 1 to n, shape (n,).

    The values are held in two heaps, the lower half and the upper half, with the sum of each.
    """
    lower: list[float] = []  # negative, so that the largest comes first
    upper: list[float] = []
    low = high = 0.0
    out = np.empty(len(y))
    for k, value in enumerate(y.tolist()):
        if lower and value < -lower[0]:
            moved = -heappushpop(lower, -value)
            low += value - moved
        else:
            moved = value
        heappush(upper, moved)
        high += moved
        if len(upper) > len(lower) + 1:
            moved = heappop(upper)
            heappush(lower, -moved)
            high -= moved
            low += moved
        # of an odd number the middle one stands first in the upper half
        out[k] = high - low - (upper[0] if len(upper) > len(lower) else 0.0)
    return out


def first_true(flags: ArrayLike, *, least: int = 2) -> tuple[int, int] | None:
    """Where a run of days that show a fault begins: the last day before that does not, and the first that does.

    Parameters
    ----------
    flags : array of 0, 1 or NaN (not decidable), shape (n,)
    least : int
        days in agreement that make a begin.

    Returns
    -------
    (last clean, first that shows it), -1 for the first of both where nothing clean came before; None where the fault
    never shows on `least` decidable days in a row. The longest run that reaches the last decided day is taken, one
    day of doubt in between allowed.
    """
    x = np.asarray(flags, float)
    rows = np.flatnonzero(np.isfinite(x))
    shown = x[rows] > 0.5
    at = len(rows)
    while at and (shown[at - 1] or (at >= 2 and at < len(rows) and shown[at - 2])):
        at -= 1
    while at < len(rows) and not shown[at]:
        at += 1
    if len(rows) - at < least:
        return None
    return (int(rows[at - 1]) if at else -1), int(rows[at])
