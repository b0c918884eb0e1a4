"""Means, sums and extremes of hours, days and months: pure functions of arrays.

Groups are numbered from 0 to `many` - 1; `group` says for each value in which it lies. Sums run in the order of the
values, one by one, so that the same values give the same bits anywhere; results are rounded where noise begins.

Completeness rules: two thirds of the samples is the 66 % of AWS-QC (Zahumensky 2004, from memory), there for 1 min
values; 75 % is the same source's for wind means. Months: not computed with more than 5 days missing in all or more than
3 in a row (the 3/5 rule, published: handbook 9), or with 11 days or more, or 5 or more in a row (WMO-No. 1203 (2017),
from memory). A sum needs every sample (WMO-No. 1203 asks for every day of a monthly sum, from memory; that a day needs
all of its samples is our judgement: a part that is missing can only have added to it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.verdicts import CHANGED, ESTIMATED, GOOD, MISSING

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_DECIMALS = 6  # behind it there is only the noise of sums and of sines
_STILL = 1e-6  # a resultant below this share of the mean speed points nowhere (judgement)


@dataclass(frozen=True)
class SampleRule:
    """An hour or a day has a mean where at least `parts` / `of` of the expected samples were used."""

    name: str
    parts: int
    of: int
    told: str

    def holds(self, used: Ints, expected: Ints) -> Bools:
        """Whether enough samples were used, in whole numbers: exactly on the bound is enough."""
        return np.asarray((used * self.of >= expected * self.parts) & (used > 0))


@dataclass(frozen=True)
class DayRule:
    """A month has a mean where at most `missing` days in all and at most `in_a_row` consecutive ones have none."""

    name: str
    missing: int
    in_a_row: int
    told: str

    def holds(self, has_mean: Bools) -> bool:
        """Whether the days of one month, in their order and from its first to its last, are enough."""
        lacking = ~has_mean
        return bool(has_mean.any() and lacking.sum() <= self.missing and longest_run(lacking) <= self.in_a_row)


SAMPLE_RULES = {
    "2/3": SampleRule("2/3", 2, 3, "at least two thirds of the expected samples (AWS-QC asks for 66 %, from memory)"),
    "75%": SampleRule("75%", 3, 4, "at least 75 % of the expected samples (as AWS-QC asks of wind means, from memory)"),
}
DAY_RULES = {
    "3/5": DayRule("3/5", 5, 3, "at most 5 days in all, and at most 3 in a row, have none (the 3/5 rule)"),
    "11/5": DayRule(
        "11/5", 10, 4, "fewer than 11 days in all, and fewer than 5 in a row, have none (WMO-No. 1203, from memory)"
    ),
}


def longest_run(mask: Bools) -> int:
    """Length of the longest unbroken run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def counted(group: Ints, many: int, of: Bools | None = None) -> Ints:
    """How many values lie in each group (of those where `of` is true)."""
    return np.bincount(group if of is None else group[of], minlength=many).astype(np.int64)


def sums(values: Floats, group: Ints, many: int, used: Bools) -> Floats:
    """Sum of the used values of each group, NaN where there is none. Unit: that of the values."""
    found = np.bincount(group[used], values[used], many).astype(np.float64)
    return np.where(np.bincount(group[used], minlength=many) > 0, found, np.nan)


def means(values: Floats, group: Ints, many: int, used: Bools) -> Floats:
    """Mean of the used values of each group, NaN where there is none. Unit: that of the values."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.bincount(group[used], values[used], many) / np.bincount(group[used], minlength=many)


def extremes(values: Floats, group: Ints, many: int, used: Bools) -> tuple[Floats, Floats]:
    """Lowest and highest of the used values of each group, NaN where there is none. `group` must rise."""
    low, high = np.full(many, np.nan), np.full(many, np.nan)
    of, kept = group[used], values[used]
    if len(of):
        starts = np.flatnonzero(np.concatenate(([True], of[1:] != of[:-1])))
        low[of[starts]], high[of[starts]] = np.minimum.reduceat(kept, starts), np.maximum.reduceat(kept, starts)
    return low, high


def components(direction: Floats, speed: Floats) -> tuple[Floats, Floats]:
    """East and north part of where the wind comes from: `direction` in degrees from north, parts in the unit of the
    speed."""
    turned = np.radians(direction)
    return speed * np.sin(turned), speed * np.cos(turned)


def resultant(east: Floats, north: Floats, speed: Floats) -> tuple[Floats, Floats, Floats]:
    """Vector mean from mean components and the mean scalar speed.

    Returns
    -------
    direction : from where, 0 to below 360; NaN where the vectors cancel out or there was no wind. [degree]
    length : speed of the vector mean. [unit of the speed]
    steadiness : length over scalar mean speed: 1 where the direction never changed, near 0 where it came from all
        sides; NaN without wind. [1]
    """
    length = np.hypot(east, north)
    with np.errstate(invalid="ignore", divide="ignore"):
        steadiness = np.where(speed > 0, length / speed, np.nan)
        still = ~(length > _STILL * speed)
        direction = np.where(still, np.nan, np.mod(np.degrees(np.arctan2(east, north)), 360.0))
    direction = rounded(direction)
    return np.where(direction >= 360.0, 0.0, direction), rounded(length), rounded(steadiness)


def aggregate_verdict(codes: NDArray[np.uint8], group: Ints, many: int, used: Bools, there: Bools) -> NDArray[np.uint8]:
    """The verdict of each group's own value, from what was used: 7 where there is none (`there` is false); else 6 where
    an estimate was used, else 5 where a changed value was, else 0. Values that may not be used were not."""
    out = np.full(many, GOOD, np.uint8)
    for code in (CHANGED, ESTIMATED):
        out[counted(group, many, used & (codes == code)) > 0] = code
    return np.where(there, out, np.uint8(MISSING))


def rounded(values: Floats) -> Floats:
    """Without the noise behind the sixth decimal; never -0.0."""
    return np.round(values, _DECIMALS) + 0.0
