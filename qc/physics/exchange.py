"""From which row to which two columns carry each other's numbers.

Row by row two things speak: whether the values lie where those of the other column lie as a rule, and whether both
go on smoothly. At the row of an exchange each column goes on from where the other stood.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BINS = 32
SURE = 2.5
"""Most that one value counts, in log-likelihood (judgement: 12 to 1)."""
APART_S = 3600.0
"""Seconds after which a value is a new witness (judgement: weather keeps for an hour)."""
AS_GOOD = 3.0
"""Rows within this of the best in log-likelihood may be it too (judgement: 20 to 1)."""
SAMPLES = 20_000


class Pair(NamedTuple):
    """What is known of two quantities: a sample of values of each, and the mean step of each from row to row."""

    first: Floats
    second: Floats
    step_first: float
    step_second: float


class Border(NamedTuple):
    """The first row of the exchange, and between which two rows it is as likely; all in rows of the table."""

    at: int
    earliest: int
    latest: int


def pair(a: Floats, b: Floats, clean: NDArray[np.bool_], shown: NDArray[np.bool_]) -> Pair:
    """What two columns carry, from rows known to be as they should (`clean`) and known to be exchanged (`shown`).

    All of shape (n,), in any unit, NaN for none.
    """
    parts, steps = [], []
    for x, y in ((a, b), (b, a)):
        pieces = [x[clean], y[shown]]
        moved = np.concatenate([np.abs(np.diff(p)) for p in pieces])
        moved = moved[np.isfinite(moved)]
        known = np.concatenate(pieces)
        known = known[np.isfinite(known)]
        parts.append(known[:: max(1, len(known) // SAMPLES)])
        wide = float(np.std(known)) if len(known) else 1.0
        steps.append(max(float(np.mean(moved)) if len(moved) else 0.0, 1e-3 * wide, 1e-9))
    return Pair(parts[0], parts[1], steps[0], steps[1])


def leaning(x: Floats, known: Pair) -> Floats:
    """Log-likelihood of values under the second quantity over that under the first, shape (n,); 0 for none."""
    if not len(known.first) or not len(known.second):
        return np.zeros(len(x))
    least = min(len(known.first), len(known.second))
    both = np.concatenate([known.first[:: len(known.first) // least], known.second[:: len(known.second) // least]])
    edges = np.unique(np.quantile(both, np.arange(1, BINS) / BINS))
    share = []
    for sample in (known.first, known.second):
        count = np.bincount(np.searchsorted(edges, sample), minlength=len(edges) + 1) + 0.5
        share.append(count / count.sum())
    ratio = np.clip(np.log(share[1] / share[0]), -SURE, SURE)
    return np.where(np.isfinite(x), ratio[np.searchsorted(edges, x)], 0.0)


def taken_over(x: Floats, own: Floats, other: Floats) -> float:
    """Whether values lie as those of another column did (1), or as those of their own column did (-1); 0 in between.

    Compared are the quantiles: means of their distances, so that a spell of other weather counts by its size.
    """
    x, own, other = (v[np.isfinite(v)] for v in (x, own, other))
    if not (len(x) and len(own) and len(other)):
        return 0.0
    shares = np.linspace(0.05, 0.95, 19)
    here, mine, theirs = (np.quantile(v, shares) for v in (x, own, other))
    far, near = float(np.abs(here - mine).mean()), float(np.abs(here - theirs).mean())
    return (far - near) / max(far + near, 1e-12)


def _goes_on(step: Floats, usual: float) -> Floats:
    """Log-likelihood of a step, with tails that a jump of the weather does not break; 0 where there is none."""
    return np.asarray(-2.0 * np.log1p(np.nan_to_num(np.abs(step)) / usual))


def border(a: Floats, b: Floats, known: Pair, interval_s: float, more: Floats | None = None) -> Border:
    """The row from which on two columns are exchanged to the last row, `len(a)` where none is.

    Parameters
    ----------
    a, b : the two columns where the border is looked for, shape (n,), NaN for none.
    known : Pair
    interval_s : interval of the rows. [s]
    more : further log-likelihood of each row for the exchange, shape (n,).
    """
    n = len(a)
    rows = np.flatnonzero(np.isfinite(a) | np.isfinite(b))
    if not len(rows):
        return Border(0, 0, n)
    x, y = a[rows], b[rows]
    gain = leaning(x, known) - leaning(y, known)
    if more is not None:
        gain = gain + more[rows]
    gain *= min(1.0, interval_s / APART_S)
    level = np.append(np.cumsum(gain[::-1])[::-1], 0.0)
    first, second = known.step_first, known.step_second
    dx, dy = np.diff(x), np.diff(y)
    crossed = _goes_on(y[1:] - x[:-1], first) + _goes_on(x[1:] - y[:-1], second)
    straight = np.maximum(_goes_on(dx, first) + _goes_on(dy, second), _goes_on(dx, second) + _goes_on(dy, first))
    score = level + np.concatenate([[0.0], crossed - straight, [0.0]])
    good = np.flatnonzero(score >= score.max() - AS_GOOD)
    at = np.append(rows, n)
    return Border(int(at[int(np.argmax(score))]), int(at[good[0]]), int(at[good[-1]]))
