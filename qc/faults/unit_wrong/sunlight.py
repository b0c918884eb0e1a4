"""Global irradiance in another unit: against a clear sky, and photosynthetic light beside it."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    ID,
    Reading,
    Told,
    block_starts,
    capped,
    lasting,
    tail,
)
from qc.firstlight import PAR_OF_GLOBAL
from qc.station import Channel
from qc.verdicts import Floats

HEAVY = 4.0
"""Logarithm of a factor from which heavy cloud does not do as much for some hours (judgement: the darkest cloud lets
through a fiftieth of a clear sky)."""

DARK = 4.0
"""Half the square of standard deviations from a clear sky beyond which another unit explains no light (judgement)."""


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    least = 15.0 if abs(np.log(reading.factor)) < 3.0 else 5.0  # a factor of 1000 shows in a winter sun too
    high = (case.elevation > least) & np.isfinite(values)
    if high.sum() * case.interval_s < case.limit(ID, "sun_hours") * 3600.0:
        return "too little high sun"
    k = np.where(high, values / np.maximum(case.clear.ghi, 1.0), np.nan)
    rows = np.flatnonzero(np.isfinite(values))
    first = block_starts(case, rows)

    def make() -> Floats:
        parts = [p[np.isfinite(p)] for p in np.split(k[rows], first[1:])]
        return np.array([np.quantile(p, 0.9) if len(p) > 3 else np.nan for p in parts])

    by_block = case.once(f"{ID};bright above {least:g};{channel.name}", make)

    def fit(top: Floats) -> Floats:
        off = np.log(np.maximum(top, 1e-6))
        return np.asarray(0.5 * (off / np.where(off > 0, 0.25, 0.8)) ** 2)

    here, there = fit(by_block), fit(by_block * reading.factor)
    better = np.where(np.isfinite(by_block), (there < here).astype(float), np.nan)
    at = tail(better)
    if not np.isfinite(by_block[at]).any():
        return None
    start = rows[first[at.start]]
    top = float(np.quantile(k[start:][np.isfinite(k[start:])], 0.95))
    a, b = float(fit(np.array([top]))[0]), float(fit(np.array([top * reading.factor]))[0])
    long = (len(values) - start) * case.interval_s >= 86400.0
    if at.start and not long and abs(np.log(reading.factor)) < HEAVY:
        return None  # heavy cloud towards the end of a record
    if b > DARK or (long and not _by_day(values[start:], case.clear.ghi[start:])):
        return None  # no sun is so, in either unit, or it does not follow the sun at all
    shape = float(np.corrcoef(values[start:][high[start:]], case.clear.ghi[start:][high[start:]])[0, 1])
    follows = capped(6.0 * (shape - 0.3)) if np.isfinite(shape) else -4.0
    follows = follows if long else max(follows, 0.0)  # some hours about noon, under cloud, need not follow it
    clues = [
        Clue("level", capped(a - b - 1.0), f"{top:.3g} of a clear sky, {top * reading.factor:.2f} in {reading.unit}"),
        Clue("clear sky", capped(2.0 - b), "the brightest values are those of a clear sky then"),
        Clue("follows the sun", follows, f"r {shape:.2f}"),
        *lasting(better, 0.6),
    ]
    par = case.mate("par")
    if abs(np.log(reading.factor)) < 1.2 and par is None:
        return None  # cloud does as much
    days = len(np.unique(case.solar_day[start:][high[start:]]))
    if abs(np.log(reading.factor)) < 2.0 and days < case.limit(ID, "dull_days"):
        return None  # a dull day or two do as much
    if reading.factor > 1.0 and top > 0.35:
        clues.append(Clue("not so dark", -4.0, f"{top:.2f} of a clear sky is a cloudy one"))
    if par is not None:
        both = high & (case.values(par) > 20.0) & (values > 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            each = np.where(both, np.log(values * PAR_OF_GLOBAL / case.values(par)), np.nan)
        past, each = each[:start], each[start:]
        if np.isfinite(each).sum() > 10:
            off = float(np.nanmedian(each))
            odds = 0.5 * ((off / 0.2) ** 2 - ((off + np.log(reading.factor)) / 0.2) ** 2)
            if np.isfinite(past).sum() > 50:  # the same two sensors before: the factor is known closely
                leap = off - float(np.nanmedian(past)) + np.log(reading.factor)
                odds = min(odds, 4.0 - 0.5 * (leap / case.limit(ID, "par_leap")) ** 2)
            clues.append(Clue("photosynthetic light", capped(odds), f"{np.exp(off):.3g} of what PAR lets expect"))
    return Told(clues, better)


def _by_day(values: Floats, clear: Floats) -> bool:
    """Whether values are high when the sun is, nights included: a dead or open input does not know the sun."""
    both = np.isfinite(values) & np.isfinite(clear)
    if both.sum() < 10 or not np.std(values[both]) or not np.std(clear[both]):
        return False
    return bool(np.corrcoef(values[both], clear[both])[0, 1] > 0.3)
