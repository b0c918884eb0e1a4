"""Fixed shade: directions from which the sun's beam never arrives, while it does on both sides of them.

Clearness (irradiance over that of a clear sky) is compared with its own level of the same hours. Clouds make it dark at
any azimuth; an obstacle makes it dark at the same azimuths on every day on which the beam arrives beside them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.half_days import grouped_quantile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CELL = 2.0
"""Width of the azimuth cells that are searched, degrees; edges are fitted finer."""

DARK, OPEN = 0.75, 0.9
"""Clearness over its own level: below the first the beam is cut, above the second it arrives (measured: on clear
half-days of roof and campus it stays within 4 % of its level above 10 degrees)."""

SMOOTH = 0.07
"""How far clearness lies from its level at most under a clear sky (measured: as above)."""

FLANK = 12.0
"""Degrees on both sides of a shadow in which the beam must arrive for a day to decide."""

SURE = 0.97
"""Probability that a shaded direction is dark on a day on which the beam arrives beside it (judgement)."""


class Rows(NamedTuple):
    """What a search goes by, arrays of shape (n,), in order of time.

    Attributes
    ----------
    clearness : irradiance over that of a clear sky. [1]
    azimuth, width : middle of the sun's azimuth in the interval, and how far it moves in it. [degree]
    elevation : of the sun. [degree]
    day : number of the solar day.
    hour : mean solar time, from 0 to below 24. [h]
    """

    clearness: Floats
    azimuth: Floats
    width: Floats
    elevation: Floats
    day: Ints
    hour: Floats


class Shadow(NamedTuple):
    """A direction that is dark whenever the beam arrives beside it.

    Attributes
    ----------
    azimuth_from, azimuth_to : edges. [degree]
    top : highest elevation at which it was found dark. [degree]
    depth : share of clearness lost in it. [1]
    dark, clear : days on which it was dark while the beam arrived beside it; on which the beam arrived in it.
    all_dark : all days on which it was dark, those of a closed sky too.
    before : the last day before the first of `dark` on which the beam arrived in it; None where there is none.
    by_chance : share of days on which another window of this width, at the same station, is dark while the beam
        arrives beside it. [1]
    gain : log-likelihood of the days for a fixed shadow over clouds.
    wander : how far the shadows of single days lie apart, 1.48 times their median deviation; NaN for one day. [degree]
    wander_clock : the same by the hour at which they lie, times the speed of the sun. [degree]
    depth_spread : 1.48 times the median deviation of the ratios in it. [1]
    two_sided : whether the beam arrives on both sides of it.
    """

    azimuth_from: float
    azimuth_to: float
    top: float
    depth: float
    dark: Ints
    clear: Ints
    all_dark: Ints
    before: int | None
    by_chance: float
    gain: float
    wander: float
    wander_clock: float
    depth_spread: float
    two_sided: bool


def azimuth_rate(latitude: float, elevation: ArrayLike, azimuth: ArrayLike) -> Floats:
    """How fast the sun's azimuth runs, degrees per hour: 15 (sin lat - cos lat tan e cos A), from spherical
    trigonometry (computed).

    Parameters
    ----------
    latitude, elevation, azimuth : degrees.
    """
    phi, e, a = np.radians(latitude), np.radians(np.asarray(elevation, float)), np.radians(np.asarray(azimuth, float))
    return np.asarray(15.0 * (np.sin(phi) - np.cos(phi) * np.tan(e) * np.cos(a)))


def overlap(azimuth: ArrayLike, width: ArrayLike, first: ArrayLike, last: ArrayLike) -> Floats:
    """Share of an interval of the sun's way, `width` around `azimuth`, that lies between two azimuths. All in
    degrees, broadcast against each other."""
    a, w = np.asarray(azimuth, float), np.maximum(np.asarray(width, float), 1e-6)
    inside = np.minimum(a + w / 2, last) - np.maximum(a - w / 2, first)
    return np.asarray(np.clip(inside / w, 0.0, 1.0))


def levels(rows: Rows, slot_s: float, *, hours: float = 3.0, share: float = 0.8) -> Floats:
    """The level of clearness around each row: a high quantile over some hours before and after it on the same day.

    Parameters
    ----------
    rows : Rows
    slot_s : interval of the rows. [s]
    hours : to either side. [h]
    share : the quantile; what is left above it may be shaded for `1 - share`... of the time and not lower the level.

    Returns
    -------
    level, shape (n,), NaN where fewer than six values stand around or the level is none (0 and below: no light).
    """
    if not len(rows.day):
        return np.empty(0)
    slots = round(86_400 / slot_s)
    slot = np.minimum((rows.hour * 3600.0 / slot_s).astype(np.int64), slots - 1)
    days, day = np.unique(rows.day, return_inverse=True)
    half = max(1, round(hours * 3600.0 / slot_s))
    stride = max(1, round(1800.0 / slot_s))
    table = np.full((len(days), slots + 2 * half), -np.inf)
    good = np.isfinite(rows.clearness)
    table[day[good], slot[good] + half] = rows.clearness[good]
    view = np.lib.stride_tricks.sliding_window_view(table, 2 * half + 1, axis=1)[:, ::stride]
    ordered = np.sort(view, axis=2)
    count = np.isfinite(ordered).sum(axis=2)
    place = np.minimum((2 * half + 1 - count) + np.floor((count - 1) * share).astype(np.int64), 2 * half)
    found = np.take_along_axis(ordered, np.maximum(place, 0)[:, :, None], axis=2)[:, :, 0]
    found = np.where((count >= 6) & (found > 0.0), found, np.nan)
    at = np.minimum(np.round(slot / stride).astype(np.int64), found.shape[1] - 1)
    return np.asarray(found[day, at])


class _Cells(NamedTuple):
    """Ratio of clearness to its level by day and azimuth cell, shape (days, cells), NaN for none; the elevation."""

    days: Ints
    ratio: Floats
    elevation: Floats


def _cells(rows: Rows, ratio: Floats) -> _Cells:
    days, day = np.unique(rows.day, return_inverse=True)
    count = round(360.0 / CELL)
    low = np.floor((rows.azimuth - rows.width / 2) / CELL).astype(np.int64)
    high = np.floor((rows.azimuth + rows.width / 2) / CELL).astype(np.int64)
    sums = np.zeros((3, len(days) * count))
    for step in range(int(min((high - low).max(initial=0), 20)) + 1):
        cell = low + step
        here = np.isfinite(ratio) & (cell <= high) & (cell >= 0) & (cell < count)
        weight = overlap(rows.azimuth[here], rows.width[here], cell[here] * CELL, (cell[here] + 1) * CELL)
        key = day[here] * count + cell[here]
        for line, values in enumerate((weight, weight * ratio[here], weight * rows.elevation[here])):
            sums[line] += np.bincount(key, values, minlength=len(days) * count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(sums[0] > 1e-9, sums[1:] / sums[0], np.nan)
    return _Cells(days, mean[0].reshape(-1, count), mean[1].reshape(-1, count))


FLOOR = 10.0
"""Elevation of the sun from which darkness is looked for, degrees: what hides it below is taken for the landscape
(judgement; the bound of siting class 3, ISO 19289, from memory). Rows below it still tell the sky beside a shadow."""

LOWEST = 8.0
"""Elevation of the sun from which rows tell an edge, degrees: lower down haze and landscape dim the beam by themselves
(measured on roof: clearness at 6 to 8 degrees lies at 0.8 of its level)."""

KINDS = 4
"""Skies beside a window: closed (the beam arrives in less than 0.3 of the rows there), broken, open (from 0.7 on), and
as smooth as a clear one. Of each, the station's own record tells how often it is dark by chance."""


WIDTHS = (2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0)
"""Widths of windows that serve as control, degrees."""


class Days(NamedTuple):
    """What the days say of a window of azimuths, arrays of shape (m,): the day, the median ratio in the window, the
    sun's mean elevation there, the kind of sky beside it; and whether the sun is mostly up before and after it."""

    day: Ints
    ratio: Floats
    elevation: Floats
    kind: Ints
    sides: tuple[bool, bool]


def window_days(
    rows: Rows, ratio: Floats, first: float, last: float, *, top: float = 90.0, sides: tuple[bool, bool] = (True, True)
) -> Days:
    """Days on which the sun crosses a window of azimuths and is up beside it.

    Parameters
    ----------
    rows : Rows
        in order of azimuth.
    ratio : clearness over its level, shape (n,). [1]
    first, last : edges of the window. [degree]
    top : rows with the sun higher than this do not count inside. [degree]
    sides : whether the sky is looked at before and after it. A side on which the sun is not up is left out.
    """
    most = FLANK + 2.5 * float(rows.width.max(initial=0.0)) + 2.0
    some = slice(*np.searchsorted(rows.azimuth, (first - most, last + most)))
    rows, ratio = _take(rows, some), ratio[some]
    good = np.isfinite(ratio)
    inside = good & (overlap(rows.azimuth, rows.width, first, last) > 0.6)
    inside &= (rows.elevation <= top) & (rows.elevation > FLOOR)
    days, at = np.unique(rows.day[inside], return_inverse=True)
    count = len(days)
    if not count:
        none = np.empty(0)
        return Days(days, none, none, np.empty(0, np.int64), (False, False))
    low, high = rows.azimuth - rows.width / 2, rows.azimuth + rows.width / 2
    margin = np.maximum(1.0, 0.5 * rows.width)
    reach = FLANK + margin + rows.width
    known = good & np.isin(rows.day, days)
    before = (low >= first - reach) & (high <= first - margin)
    after = (low >= last + margin) & (high <= last + reach)
    shown = np.zeros((2, count), bool)
    opened, level = np.ones(count), np.ones(count)
    for side, beside in enumerate((before, after)):
        if not sides[side]:
            continue
        here = known & beside
        day = np.searchsorted(days, rows.day[here])
        number = np.bincount(day, minlength=count)
        shown[side] = number > 0
        for least, mask in ((opened, ratio[here] > OPEN), (level, np.abs(ratio[here] - 1.0) < SMOOTH)):
            share = np.bincount(day, mask.astype(float), minlength=count) / np.maximum(number, 1)
            np.minimum(least, np.where(number > 0, share, 1.0), out=least)
    kind = np.where(opened < 0.3, 0, np.where(opened < 0.7, 1, np.where(level < 0.7, 2, 3)))
    keep = shown.any(axis=0)
    up = (bool(shown[0].mean() > 0.5), bool(shown[1].mean() > 0.5))
    mean = np.bincount(at, rows.elevation[inside], minlength=count) / np.bincount(at, minlength=count)
    return Days(days[keep], grouped_quantile(ratio[inside], at, 0.5)[keep], mean[keep], kind[keep], up)


class Chances:
    """How often windows of azimuths are dark by chance: the control of a shadow is the clouds of the same station.

    Parameters
    ----------
    rows : Rows
        in order of azimuth.
    ratio : clearness over its level, shape (n,). [1]
    """

    def __init__(self, rows: Rows, ratio: Floats) -> None:
        self.rows, self.ratio = rows, ratio
        self._known: dict[tuple[float, tuple[bool, bool]], list[tuple[float, Floats]]] = {}

    def of(self, first: float, last: float, sides: tuple[bool, bool]) -> tuple[float, ...]:
        """Share of days on which other windows of about the same width are dark, for each kind of sky beside them.

        Of the whole day or of the same half of it, whichever is cloudier. Half a day is added to those dark and those
        clear, so that few days never make certain.
        """
        width = min(WIDTHS, key=lambda w: abs(np.log(w / (last - first))))
        counts = np.full((2, KINDS, 2), 0.5)  # whole day or same half; kind of sky; dark or clear
        for start, found in self._windows(width, sides):
            if start < last + 2.0 and start + width > first - 2.0:
                continue
            counts[0] += found
            if (start + width / 2 < 180.0) == (0.5 * (first + last) < 180.0):
                counts[1] += found
        share = np.clip((counts[:, :, 0] / counts.sum(axis=2)).max(axis=0), 0.005, 0.95)
        return tuple(np.minimum.accumulate(share).tolist())  # a clearer sky is never darker

    def _windows(self, width: float, sides: tuple[bool, bool]) -> list[tuple[float, Floats]]:
        key = (width, sides)
        if key not in self._known and len(self.rows.azimuth):
            lowest, highest = float(self.rows.azimuth[0]), float(self.rows.azimuth[-1])
            self._known[key] = []
            for start in np.arange(lowest, highest - width, max(width, 6.0)):
                days = window_days(self.rows, self.ratio, float(start), float(start + width), sides=sides)
                dark, clear = (
                    np.bincount(days.kind[m], minlength=KINDS) for m in (days.ratio < DARK, days.ratio > OPEN)
                )
                self._known[key].append((float(start), np.stack((dark, clear), axis=1).astype(float)))
        return self._known.get(key, [])


def best_run(gains: ArrayLike) -> tuple[Floats, Ints, Ints]:
    """The run of days with the greatest sum, for each column.

    Parameters
    ----------
    gains : log-likelihood won by each day, shape (days, columns), 0 where a day does not decide.

    Returns
    -------
    greatest sum, first day and last day of its run, shape (columns,); 0, 0, -1 where no day wins.
    """
    g = np.atleast_2d(np.asarray(gains, float))
    columns = g.shape[1]
    best, running = np.zeros(columns), np.zeros(columns)
    start, first, last = (np.zeros(columns, np.int64) for _ in range(3))
    last -= 1
    for day, row in enumerate(g):
        fresh = running <= 0
        start[fresh] = day
        running = np.where(fresh, 0.0, running) + row
        better = running > best + 1e-12
        best[better], first[better], last[better] = running[better], start[better], day
    return best, first, last


def _gains(cells: _Cells, beside: _Cells, around: int = 15) -> Floats:
    """Log-likelihood for a shadow by day and cell: what is dark while most cells around it are open speaks for one."""
    known = np.isfinite(beside.ratio)
    opened = known & (beside.ratio > OPEN)

    def near(mask: Bools, reach: int) -> Ints:
        padded = np.cumsum(np.pad(mask, ((0, 0), (reach + 1, reach))).astype(np.int64), axis=1)
        return padded[:, 2 * reach + 1 :] - padded[:, : -2 * reach - 1]

    count = near(known, around) - near(known, 1)
    clear = near(opened, around) - near(opened, 1)
    chance = np.clip((count - clear + 0.5) / (count + 1.0), 1.0 - SURE, SURE)
    gains = np.where(cells.ratio < DARK, np.log(SURE / chance), 0.0)
    gains = np.where(cells.ratio > OPEN, np.log((1.0 - SURE) / (1.0 - chance)), gains)
    return np.asarray(np.where(count >= 3, gains, 0.0))


def trace(rows: Rows, slot_s: float, *, least: float = 3.5, most: int = 12) -> list[Shadow]:
    """Fixed shadows in a record, the clearest first; of two that overlap the clearer one.

    Parameters
    ----------
    rows : Rows
        with the sun above any known horizon; blocks of 5 min and more.
    slot_s : their interval. [s]
    least : log-likelihood that a cell must win to be looked at.
    most : shadows at most.
    """
    ratio = rows.clearness / levels(rows, slot_s)
    cells = _cells(rows, np.where(rows.elevation > FLOOR, ratio, np.nan))
    beside = _cells(rows, ratio)
    if len(cells.days) < 2:
        return []
    gains = _gains(cells, beside)
    order = np.argsort(rows.azimuth, kind="stable")
    rows, ratio = _take(rows, order), ratio[order]
    chances = Chances(rows, ratio)
    found: list[Shadow] = []
    for _ in range(2 * most):
        best, first, last = best_run(gains)
        cell = int(np.argmax(best))
        if best[cell] < least:
            break
        run = slice(int(first[cell]), int(last[cell]) + 1)
        low, high = cell, cell
        total = gains[run].sum(axis=0)
        while low > 0 and total[low - 1] > 0.3 * best[cell]:
            low -= 1
        while high < gains.shape[1] - 1 and total[high + 1] > 0.3 * best[cell]:
            high += 1
        span = (int(cells.days[run][0]), int(cells.days[run][-1]))
        shadow = _shadow(chances, low * CELL, (high + 1) * CELL, span, slot_s)
        gains[run, max(low - 1, 0) : high + 2] = 0.0
        if shadow is not None:
            gains[run, int(shadow.azimuth_from / CELL) : int(shadow.azimuth_to / CELL) + 1] = 0.0
            found.append(shadow)
    found.sort(key=lambda s: -_quality(s))
    out: list[Shadow] = []
    for one in found:
        if all(one.azimuth_from >= s.azimuth_to or one.azimuth_to <= s.azimuth_from for s in out):
            out.append(one)
    return out[:most]


def _quality(s: Shadow) -> float:
    """What decides between two shadows that overlap: a gain beyond that of a dozen days counts no more than the
    sameness of the days (judgement). [ln]"""
    same = [x if np.isfinite(x) else 1.0 for x in (s.depth_spread, s.wander)]
    return min(s.gain, 40.0) - 40.0 * same[0] - 3.0 * same[1] + 5.0 * s.two_sided


def _shadow(chances: Chances, low: float, high: float, span: tuple[int, int], slot_s: float) -> Shadow | None:
    """A shadow from the cells that show it: edges, depth, height, the days that speak for and against it."""
    rows, ratio = chances.rows, chances.ratio
    within = (rows.day >= span[0]) & (rows.day <= span[1])
    inside = within & (overlap(rows.azimuth, rows.width, low, high) > 0.6) & np.isfinite(ratio)
    inside &= rows.elevation > FLOOR
    dark = inside & (ratio < DARK)
    if dark.sum() < 3:
        return None
    near = within & np.isin(rows.day, np.unique(rows.day[dark])) & (rows.elevation > LOWEST)
    a, b, depth = low, high, 0.7
    for _ in range(3):  # wide ones grow out of the cells that showed first
        before = a, b
        a, b, depth = edges(_take(rows, near), ratio[near], a, b)
        if abs(a - before[0]) < 5.0 and abs(b - before[1]) < 5.0:
            break
    cut = 1.0 - 0.5 * depth
    seen = window_days(rows, ratio, a, b)
    top = _top(seen, cut, span)
    days = window_days(rows, ratio, a, b, top=top + 0.5)
    if len(days.day) < 2:
        return None
    is_dark, is_clear = days.ratio < cut, days.ratio > max(OPEN, cut)
    chance = chances.of(a, b, days.sides)
    by_day = np.array(chance)[days.kind]
    gains = np.where(is_dark, np.log(SURE / by_day), np.where(is_clear, np.log((1 - SURE) / (1 - by_day)), 0.0))
    gain, first, last = best_run(gains[:, None])
    if last[0] < 0:
        return None
    run = np.arange(len(days.day))
    run = (run >= first[0]) & (run <= last[0])
    shown = days.day[run & is_dark & (days.kind >= 2)]
    if len(shown) < 2:
        return None
    lit = np.isin(rows.day, shown) & np.isfinite(ratio) & (overlap(rows.azimuth, rows.width, a, b) > 0.6)
    lit &= (rows.elevation > FLOOR) & (rows.elevation <= top + 0.5) & (ratio < cut)
    if not lit.any():
        return None
    whole = shown[np.isin(shown, days.day[days.elevation < top - 2.0])]  # not half above the top
    placed = whole if len(whole) >= 3 else shown
    wander, by_hour, spread, two = _edges_by_day(rows, ratio, (a, b, depth), placed, slot_s)
    earlier = days.day[is_clear & (days.kind >= 1) & (days.day < shown[0])]
    return Shadow(
        a, b, float(rows.elevation[lit].max()), depth, shown, days.day[run & is_clear], days.day[run & is_dark],
        int(earlier[-1]) if len(earlier) else None,
        chance[2], float(gain[0]), wander, by_hour, spread, two,
    )  # fmt: skip


def _top(days: Days, cut: float, span: tuple[int, int]) -> float:
    """The elevation that parts dark days below from clear ones above best; days of a closed sky say nothing."""
    here = (days.day >= span[0]) & (days.day <= span[1]) & (days.kind >= 1)
    e, dark, clear = days.elevation[here], days.ratio[here] < cut, days.ratio[here] > max(OPEN, cut)
    if not dark.any():
        return 90.0
    order = np.argsort(e, kind="stable")
    below = np.concatenate([[0], np.cumsum(clear[order])])  # clear days below each bound
    above = dark.sum() - np.concatenate([[0], np.cumsum(dark[order])])  # dark days above it
    at = int(np.flatnonzero(below + above == (below + above).min())[-1])
    return float(0.5 * (e[order][at - 1] + e[order][at])) if 0 < at < len(e) else 90.0


def _take(rows: Rows, mask: Bools | Ints | slice) -> Rows:
    return Rows(
        rows.clearness[mask],
        rows.azimuth[mask],
        rows.width[mask],
        rows.elevation[mask],
        rows.day[mask],
        rows.hour[mask],
    )


def edges(rows: Rows, ratio: Floats, low: float, high: float) -> tuple[float, float, float]:
    """Edges and depth of a shadow that explain the ratios around a window best (least absolute deviations).

    Rows that lie in the shadow for a part of their interval lose that part of its depth; so edges come out finer than
    the sun moves in an interval.

    Parameters
    ----------
    rows : Rows
    ratio : clearness over its level, shape (n,). [1]
    low, high : edges of the cells that show it. [degree]

    Returns
    -------
    first and last azimuth [degree], and depth [1].
    """
    near = np.isfinite(ratio) & (overlap(rows.azimuth, rows.width, low - FLANK, high + FLANK) > 0.99)
    near &= (ratio < 1.15) if near.any() else near
    az, width, r = rows.azimuth[near], rows.width[near], np.minimum(ratio[near], 1.0)
    core = overlap(az, width, low + 0.25 * (high - low), high - 0.25 * (high - low)) > 0.5
    depths = _depths(r[core]) or (0.7,)
    first, last, depth = low, high, depths[0]
    for reach, step in ((6.0, 1.0), (1.5, 0.25), (0.3, 0.1)):
        a = np.arange(first - reach, min(first + reach, last - 0.5) + step / 2, step)
        b = np.arange(max(last - reach, first + 0.5), last + reach + step / 2, step)
        away = 1e-6 * (np.abs(a - first)[:, None] + np.abs(b - last)[None, :])
        away[b[None, :] <= a[:, None]] = np.inf
        costs = np.repeat(away[None], len(depths), axis=0)
        for line, edge in enumerate(a):
            share = overlap(az[:, None], width[:, None], edge, b[None, :])
            for k, trial in enumerate(depths):
                costs[k, line] += np.abs(r[:, None] - (1.0 - trial * share)).sum(axis=0)
        k, i, j = (int(n) for n in np.unravel_index(int(np.argmin(costs)), costs.shape))
        first, last, depth = float(a[i]), float(b[j]), depths[k]
        depths = _depths(r[overlap(az, width, first, last) > 0.9]) or (depth,)
    return first, last, depth


def _depths(ratio: Floats) -> tuple[float, ...]:
    """Depths that the rows within a shadow speak for, none without rows: their middle one, and that of the deepest
    fifth, since in a narrow shadow most rows lie at an edge and lose a part only."""
    if not len(ratio):
        return ()
    return tuple(float(np.clip(1.0 - np.quantile(ratio, q), 0.15, 1.0)) for q in (0.5, 0.2))


def _edges_by_day(
    rows: Rows, ratio: Floats, shadow: tuple[float, float, float], days: Ints, slot_s: float
) -> tuple[float, float, float, bool]:
    """How far the shadows of single days lie apart, by azimuth and by the clock; the scatter of depths; whether the
    beam arrives on both sides.

    Where it does, a day's shadow is placed by the middle of what is lost; else by its one edge, from the sum of it.
    """
    first, last, depth = shadow
    near = np.isin(rows.day, days) & np.isfinite(ratio)
    near &= overlap(rows.azimuth, rows.width, first - FLANK, last + FLANK) > 0.99
    some, r = _take(rows, near), ratio[near]
    if not len(days) or not near.any():
        return float("nan"), float("nan"), float("nan"), False
    at, count = np.searchsorted(days, some.day), len(days)

    def seen(mask: Bools) -> Bools:
        return np.asarray(np.bincount(at[mask], minlength=count) > 0)

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(at, values, minlength=count))

    before, after = seen(some.azimuth < first), seen(some.azimuth > last)
    lost = np.clip(1.0 - r, 0.0, None) / max(depth, 0.1)
    lost = np.where(lost > 0.15, lost, 0.0)  # the level itself is no better known
    hours = slot_s / 3600.0
    two = bool((before & after).mean() > 0.5)
    good = (before & after) if two else (before | after)
    with np.errstate(invalid="ignore", divide="ignore"):
        azimuth = total(lost * some.width * some.azimuth) / total(lost * some.width)
        hour = total(lost * some.hour) / total(lost)
        if not two:
            rising = float(after.mean()) >= float(before.mean())
            sign = 1.0 if rising else -1.0
            edge, start = np.full(count, np.inf), np.full(count, np.inf)
            np.minimum.at(edge, at, sign * some.azimuth - some.width / 2)
            np.minimum.at(start, at, sign * some.hour)
            edge = np.maximum(edge, first if rising else -last)  # the sun may rise in it
            azimuth = sign * edge + sign * total(lost * some.width)
            hour = sign * start + sign * total(lost) * hours
    good &= np.isfinite(azimuth) & np.isfinite(hour)
    rate = float(np.median(some.width)) / hours
    inner = overlap(some.azimuth, some.width, first, last) > 0.9
    spread = _scatter(r[inner])
    return _scatter(azimuth[good]), _scatter(hour[good]) * rate, spread, two


def _scatter(values: Floats) -> float:
    """1.48 times the median deviation from the median; NaN for less than two values."""
    if len(values) < 2:
        return float("nan")
    return 1.48 * float(np.median(np.abs(values - np.median(values))))
