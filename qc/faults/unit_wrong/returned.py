"""A unit that was wrong for a while: the row from which a channel is in the declared one again."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults.unit_wrong.reading import (
    LEAP,
    LEAST,
    MENDS,
    TEMPERATURES,
    WIND,
    levels,
    readings,
)
from qc.faults.unit_wrong.sunlight import HEAVY
from qc.faults.unit_wrong.wind import daily, ratio_of
from qc.physics import onset
from qc.station import Channel
from qc.verdicts import Floats

LEAST_LEAP = dict.fromkeys(TEMPERATURES, LEAP)
"""Leaps by less are not looked at for a unit that was put right, output units."""


def put_right(case: Case, channel: Channel) -> list[int]:
    """Rows from which a channel may be in the declared unit again, the last one first."""
    if channel.quantity == "precipitation":
        return []  # no two rains are alike
    if channel.quantity in WIND:
        days, _ = daily(case, channel)
        return _stepped_back(case, channel, days, ratio_of(case, channel), 0.4)
    if channel.quantity == "global_irradiance":
        bright = case.clearness(channel)
        rows = np.flatnonzero(bright > 0.0)
        days, first = np.unique(case.solar_day[rows], return_index=True)
        tops = np.log(np.maximum.reduceat(bright[rows], first)) if len(rows) else None
        return _stepped_back(case, channel, days, tops, HEAVY)  # a change of weather does as much as less
    return _leapt_back(case, channel)


def _leapt_back(case: Case, channel: Channel) -> list[int]:
    """After leaps that another unit explains the other way about, where what follows goes with it."""
    values = case.values(channel)
    rows = np.flatnonzero(np.isfinite(values))
    x = values[rows]
    if len(x) < 3:
        return []
    leap = np.abs(np.diff(x))
    plain = leap > max(8.0 * float(np.median(leap)), LEAST_LEAP.get(channel.quantity, 0.0))
    found: set[int] = set()
    for reading in readings(case, channel) if plain.any() else ():
        fits = plain & (np.abs(x[1:] - reading.of(x[:-1])) < 0.2 * leap)
        for at in np.flatnonzero(fits)[-MENDS:].tolist():
            before, after = levels(x, at)
            if len(x) - at > LEAST and abs(after - reading.of(np.array(before))) < abs(after - before):
                found.add(int(rows[at + 1]))
    return sorted(found, reverse=True)


def _stepped_back(case: Case, channel: Channel, days: Floats, series: Floats | None, least: float) -> list[int]:
    """The first row of the day on which a logarithm by day steps by a unit's factor, the other way about: the last
    step of the series, or the one before which it stepped into that unit. Factors below `least` are left out."""
    if series is None:
        return []
    turns = [turn for r in readings(case, channel) if abs(turn := float(np.log(r.factor))) > least]
    start = 0
    while (change := onset.step(series[start:], least=2)) is not None and change.gain > 3.0:
        jump = change.after - change.before
        if any(abs(jump - turn) < 0.35 * abs(turn) for turn in turns):
            return [int(np.searchsorted(case.solar_day, days[start + change.at]))]
        if not any(abs(jump + turn) < 0.35 * abs(turn) for turn in turns):
            break
        start += change.at
    return []
