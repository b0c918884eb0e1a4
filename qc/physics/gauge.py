"""Rain gauges that a station's own weather speaks for or against: spells, a dripping funnel, chances of a tip."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import Rows, runs

Bools = NDArray[np.bool_]
Times = NDArray[np.datetime64]

HOUR_US = 3_600_000_000


class Spells(NamedTuple):
    """Stretches of blocks: number of the first and of the last block of each, in order, both included."""

    first: Rows
    last: Rows

    def __len__(self) -> int:
        """How many there are."""
        return len(self.first)

    def hours(self, time: Times, span_us: int) -> Floats:
        """Length of each, from the start of its first block to the end of its last. [h]"""
        lasting = (time[self.last] - time[self.first]).astype(np.int64) + span_us
        return np.asarray(lasting / HOUR_US)


def spells(wet: ArrayLike, time: Times, span_us: int, apart_us: int) -> Spells:
    """Wet blocks gathered into spells: blocks whose starts lie no further apart than `apart_us` belong together.

    Parameters
    ----------
    wet : booleans, shape (n,).
    time : start of each block, datetime64, never falling, shape (n,).
    span_us : length of a block. [us]
    apart_us : longest step from one wet block to the next within a spell; at least `span_us`. [us]
    """
    rows = np.flatnonzero(np.asarray(wet, bool))
    if not len(rows):
        return Spells(np.zeros(0, np.int64), np.zeros(0, np.int64))
    steps = np.diff(np.asarray(time, "datetime64[us]")[rows]).astype(np.int64)
    cut = np.flatnonzero(steps > max(int(apart_us), int(span_us)))
    return Spells(rows[np.append(0, cut + 1)], rows[np.append(cut, len(rows) - 1)])


def unbroken_spells(wet: ArrayLike, time: Times, span_us: int) -> Spells:
    """Runs of wet blocks without a dry or missing one between."""
    first, last = runs(np.asarray(wet, bool), time, span_us)
    return Spells(first, last)


def throttled(rain: ArrayLike, most: float, tip: float) -> Floats:
    """What a gauge counts whose funnel lets through `most` in an interval: the rest waits in the funnel.

    Parameters
    ----------
    rain : of each interval, NaN where missing (nothing runs then), shape (n,). [mm]
    most : in one interval. [mm]
    tip : of the bucket; 0 for one that counts any amount. [mm]
    """
    fallen = np.nan_to_num(np.asarray(rain, np.float64))
    # a queue with constant service: what came through is the least of what may have come since any earlier moment
    total = np.cumsum(fallen)
    served = np.arange(1, len(fallen) + 1) * most
    before = np.concatenate(([0.0], total[:-1])) - (served - most)  # backlog's own line at the start of each interval
    through = np.minimum(total, served + np.minimum.accumulate(before))
    steps = through if tip <= 0.0 else np.floor(through / tip + 1e-6) * tip
    out = np.diff(steps, prepend=0.0)
    return np.where(np.isfinite(np.asarray(rain, np.float64)), np.round(out, 9) + 0.0, np.nan)


def logistic(x: Floats, y: Bools, ridge: float = 1.0, rounds: int = 30) -> Floats:
    """Coefficients of a logistic regression, the first for the constant; Newton's method with a ridge.

    Parameters
    ----------
    x : features, of about unit spread, shape (n, m); no NaN.
    y : what happened, shape (n,).
    ridge : weight of the squares of all coefficients but the first; keeps them finite where classes part.

    Returns
    -------
    coefficients : shape (m + 1,).
    """
    design = np.column_stack((np.ones(len(x)), x))
    penalty = np.full(design.shape[1], float(ridge))
    penalty[0] = 1e-6
    share = np.clip(np.mean(y), 1e-6, 1 - 1e-6)
    beta = np.zeros(design.shape[1])
    beta[0] = np.log(share / (1 - share))
    for _ in range(rounds):
        p = chance(x, beta)
        gradient = design.T @ (y - p) - penalty * beta
        weight = np.maximum(p * (1 - p), 1e-9)
        step = np.linalg.solve((design * weight[:, None]).T @ design + np.diag(penalty), gradient)
        beta = beta + np.clip(step, -3.0, 3.0)
        if float(np.abs(step).max()) < 1e-6:
            break
    return beta


def chance(x: Floats, beta: Floats) -> Floats:
    """Chances by a logistic regression, shape (n,)."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(beta[0] + x @ beta[1:], -30.0, 30.0))))


def rank(values: ArrayLike) -> Floats:
    """Where each value stands among all: 0 for the lowest, 1 for the highest, ties in the middle; NaN stay."""
    x = np.asarray(values, np.float64)
    known = np.sort(x[np.isfinite(x)])
    if not len(known):
        return np.full(x.shape, np.nan)
    place = (np.searchsorted(known, x, "left") + np.searchsorted(known, x, "right")) / (2.0 * len(known))
    return np.where(np.isfinite(x), place, np.nan)
