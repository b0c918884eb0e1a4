"""What the sun tells of the logger's clock: how far the stamps lie from the middle of what they stamp, in UTC.

First and last light of a day lie evenly about solar noon, under clouds too. Their middle gives, day by day, the shift
stamp - UTC of the middle = offset from UTC + half an interval (stamps at the end), or - half an interval (at the
start).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.datetime64]
Floats = NDArray[np.float64]

_DAY_S = 86400.0
_LEVELS = (0.003, 0.01, 0.03)
"""First light, as shares of the 99th percentile: about 3, 10 and 30 W/m2 (judgement; signatures 1.1 uses 2 to 12
W/m2).
"""


@dataclass(frozen=True)
class Shift:
    """Minutes from UTC of the middle to the stamp: their median, its uncertainty, and each day's."""

    minutes: float
    error: float
    days: int
    day: NDArray[np.int64]
    each: Floats


def noon_utc(day: NDArray[np.int64], longitude: float) -> Floats:
    """Solar noon, s since 0 h UTC of each day (days since 1970).

    Equation of time by Spencer (1971), Search 2(5), 172; from memory; within half a minute.
    """
    of_year = (
        day - (day.astype("datetime64[D]").astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64))
    ).astype(float)
    b = 2 * np.pi * of_year / 365.0
    eot = 229.18 * (
        0.000075 + 0.001868 * np.cos(b) - 0.032077 * np.sin(b) - 0.014615 * np.cos(2 * b) - 0.040849 * np.sin(2 * b)
    )
    return np.asarray((720.0 - 4.0 * longitude - eot) * 60.0)


def shift(local: Times, values: Floats, interval_s: float, longitude: float) -> Shift | None:
    """The shift of a channel of short-wave light.

    Parameters
    ----------
    local : stamps as the logger wrote them (or UTC where they carry a zone), any order, no NaT.
    values : light in any unit, NaN where there is none; missing by night counts as none.
    interval_s : s, at most 2 h, or the days have too few rows.
    longitude : degrees east.

    Returns
    -------
    Shift, or None where fewer than 3 days show their first and last light.
    """
    if interval_s > 7200 or len(local) < 20:
        return None
    order = np.argsort(local, kind="stable")
    t = local[order].astype("datetime64[us]").astype(np.int64) / 1e6
    v = values[order]
    fresh = np.concatenate(([True], np.diff(t) > 0))
    t, v = t[fresh], v[fresh]
    filled = np.isfinite(v)
    if filled.sum() < 20:
        return None
    top = float(np.quantile(v[filled], 0.99))
    if not top > 0:
        return None
    phase = _noon_phase(t, np.where(filled, np.maximum(v, 0.0), 0.0))
    v = _dark_filled(t, v, phase)
    day = np.floor((t - phase + _DAY_S / 2) / _DAY_S).astype(np.int64)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(day)) + 1, [len(day)]))
    found: dict[int, list[float]] = {}
    for a, b in itertools.pairwise(edges):
        if b - a < 0.9 * _DAY_S / interval_s:
            continue
        whole = v[a:b]
        night = (
            float(np.median(np.sort(whole[np.isfinite(whole)])[: max(1, int(0.15 * (b - a)))]))
            if np.isfinite(whole).any()
            else 0.0
        )
        if not np.isfinite(whole).any() or np.nanmax(whole) - night < 0.1 * top:
            continue
        middles = [m for level in _LEVELS if (m := _middle(t[a:b], whole - night, level * top, interval_s)) is not None]
        if middles:
            found[int(day[a])] = middles
    if len(found) < 3:
        return None
    days = np.array(sorted(found), np.int64)
    noon = noon_utc(days, longitude)
    each = np.array([float(np.median(found[int(d)])) - d * _DAY_S for d in days]) - noon
    each = (each / 60.0 + 720.0) % 1440.0 - 720.0
    middle = _circular_median(each)
    each = middle + ((each - middle + 720.0) % 1440.0 - 720.0)
    spread = 1.4826 * float(np.median(np.abs(each - np.median(each))))
    return Shift(
        float(np.median(each)), float(np.hypot(1.25 * spread / np.sqrt(len(each)), 1.0)), len(each), days, each
    )


def _circular_median(minutes: Floats) -> float:
    angle = float(np.angle(np.mean(np.exp(2j * np.pi * minutes / 1440.0)))) * 1440.0 / (2 * np.pi)
    return angle + float(np.median((minutes - angle + 720.0) % 1440.0 - 720.0))


def _noon_phase(t: Floats, v: Floats) -> float:
    """Seconds after 0 h of the stamps where the light has its middle."""
    turn = 2 * np.pi * (t % _DAY_S) / _DAY_S
    return float(np.angle(np.sum(v * np.exp(1j * turn))) % (2 * np.pi)) * _DAY_S / (2 * np.pi)


def _dark_filled(t: Floats, v: Floats, phase: float) -> Floats:
    """Cells left empty by night count as dark."""
    from_noon = np.abs((t - phase + _DAY_S / 2) % _DAY_S - _DAY_S / 2)
    bins = np.minimum((from_noon // 1800).astype(int), 23)
    empty = np.isnan(v)
    share = np.array([np.mean(empty[bins == k]) if (bins == k).any() else 0.0 for k in range(24)])
    if share[22:].max() < 0.8 or share[:8].mean() > 0.5:
        return v
    return np.where(empty & (from_noon > 4 * 3600), 0.0, v)


def _middle(t: Floats, v: Floats, level: float, interval_s: float) -> float | None:
    """The middle between first and last crossing of a level, each linear between two rows that follow each other."""
    above = np.flatnonzero(v > level)
    if not len(above):
        return None
    first, last = above[0], above[-1]
    if first == 0 or last == len(v) - 1:
        return None
    a, b, c, d = v[first - 1], v[first], v[last], v[last + 1]
    if (
        not np.isfinite([a, b, c, d]).all()
        or t[first] - t[first - 1] > 1.5 * interval_s
        or t[last + 1] - t[last] > 1.5 * interval_s
    ):
        return None
    up = t[first - 1] + (level - a) / (b - a) * (t[first] - t[first - 1])
    down = t[last] + (c - level) / (c - d) * (t[last + 1] - t[last])
    return float(up + down) / 2
