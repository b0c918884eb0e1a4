"""One column holds what another holds.

Shows: two channels of different sensors follow each other to the last digit, up to a factor and an offset.
Happened: a line of the logger's program was copied and only half changed, two channels read one terminal, or an
    export writes one column twice.
How sure: two sensors never agree to the digit for a day; which of the two columns is the copy shows by the one whose
    numbers do not suit its quantity.
Check: compare the two lines in the logger's program and in the station file; look which terminals both read; unplug
    one sensor and look whether one column stops or both.
Carry: the logger's program, the wiring plan, a laptop.
Caution: disconnect the battery before rewiring and fuse it; on masts fall protection and two people, never near power
    lines, in lightning, ice or high wind; follow local codes and site rules.
Data: the copy's own values are lost; take them out by a line of the decision log and name the right column from then
    on.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case
from qc.copied import related
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics.runs import joined, runs
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "channels-copied"
ANY = (
    "air_temperature", "relative_humidity", "dew_point", "air_pressure", "wind_speed", "wind_gust", "wind_direction",
    "global_irradiance", "par", "precipitation", "soil_temperature", "logger_temperature", "battery_voltage",
)  # fmt: skip
"""Some channel of a station: one of these every table has."""


class _Days(NamedTuple):
    """Each day's line through two columns: correlation of their changes, standard deviation left, slope, intercept."""

    alike: Floats
    left: Floats
    slope: Floats
    intercept: Floats


def test(case: Case) -> Sequence[Outcome]:
    """Each pair of channels that no sensor shares."""
    able = [c for c in case.channels if np.isfinite(case.values(c)).any() and c.statistic not in ("sd", "counter")]
    pairs = [(a, b) for a, b in combinations(able, 2) if not related(case, a, b)]
    if not pairs:
        return [Untested(tuple(c.name for c in able), "needs two channels of different devices")]
    stride = max(1, round(600.0 / max(case.interval_s, 1.0)))
    rows = np.arange(0, case.rows, stride)
    out: list[Outcome] = [s for s in (_pair(case, rows, a, b) for a, b in pairs) if s is not None]
    blamed = {name for s in out for name in s.channels}
    rest = tuple(c.name for c in able if c.name not in blamed)
    if rest:
        out.append(Cleared(rest, f"no two of {len(able)} channels follow each other to the digit for a day"))
    return out


def _step(case: Case, channel: Channel) -> float:
    """Its resolution, or a thousandth of its spread where none is declared; in the output unit."""
    return case.once(f"{ID};step;{channel.name}", lambda: _step_of(case, channel))


def _step_of(case: Case, channel: Channel) -> float:
    quantum = case.quantum(channel)
    there = quantum[quantum > 0]
    if len(there):
        return float(there.min())
    x = case.values(channel)
    return float(np.subtract(*np.nanpercentile(x, (98, 2)))) / 1000.0


def _fits(case: Case, rows: np.ndarray, x: Floats, y: Floats, step: float) -> _Days:
    """A line for each solar day; NaN on days on which either column hardly moves."""
    day = case.solar_day[rows] - case.solar_day[0]
    days = int(day[-1]) + 1
    here = np.isfinite(x) & np.isfinite(y)
    d, u, v = day[here], x[here], y[here]
    n = np.maximum(np.bincount(d, minlength=days), 1)
    mean_u, mean_v = (np.bincount(d, weights=w, minlength=days) / n for w in (u, v))
    du, dv = u - mean_u[d], v - mean_v[d]
    uu, uv, vv = (np.bincount(d, weights=w, minlength=days) for w in (du * du, du * dv, dv * dv))
    slope = uv / np.maximum(uu, 1e-12)
    left = np.sqrt(np.maximum(np.bincount(d, weights=(dv - slope[d] * du) ** 2, minlength=days), 0.0) / n)
    turn = (np.diff(d) == 0) & (np.diff(np.flatnonzero(here)) == 1)
    cu, cv, cd = np.diff(u)[turn], np.diff(v)[turn], d[1:][turn]
    cuu, cuv, cvv = (np.bincount(cd, weights=w, minlength=days) for w in (cu * cu, cu * cv, cv * cv))
    moves = np.bincount(cd, weights=(cu != 0) & (cv != 0), minlength=days)
    alike = np.abs(cuv) / np.maximum(np.sqrt(cuu * cvv), 1e-12)
    a_day = 86400.0 / (float(np.median(np.diff(rows))) * max(case.interval_s, 1.0)) if len(rows) > 1 else 0.0
    least = min(case.limit(ID, "moves"), case.limit(ID, "share") * a_day)  # an hourly irradiance moves by day only
    told = (moves >= least) & (np.sqrt(vv / n) > case.limit(ID, "spread") * step)
    # a plain copy is one however little it moves: a pressure of calm days
    plain = (moves >= least) & (np.bincount(d, np.abs(v - u) <= 1e-6 * np.maximum(np.abs(u), 1.0), minlength=days) == n)
    told |= plain
    # printed with fewer digits than its original a copy's changes are those of the rounding: then its values tell
    coarse = np.maximum(step, np.sqrt(vv / n) / case.limit(ID, "coarse"))
    rounded = np.bincount(d, np.abs(v - u) <= 0.52 * coarse[d], minlength=days) >= 0.99 * n
    left = np.where(rounded, np.minimum(left, 0.3 * step), left)
    level = np.sqrt(np.clip(1.0 - left**2 * n / np.maximum(vv, 1e-12), 0.0, 1.0))
    alike = np.where(rounded & told, np.maximum(np.maximum(alike, level), case.limit(ID, "alike") + 1e-6), alike)
    nan = np.full(days, np.nan)
    return _Days(*(np.where(told, w, nan) for w in (alike, left, slope, mean_v - slope * mean_u)))


def _pair(case: Case, rows: np.ndarray, a: Channel, b: Channel) -> Suspect | None:
    x, y, step = case.values(a)[rows], case.values(b)[rows], max(_step(case, a), _step(case, b))
    fits = _fits(case, rows, x, y, step)
    index = np.flatnonzero(np.isfinite(fits.alike))
    same = (fits.alike > case.limit(ID, "alike")) & (fits.left < case.limit(ID, "steps") * step)
    found = joined(runs(same[index]), 1)
    if not len(found.start):
        return None
    best = int(np.argmax(found.length))
    first, last = int(found.start[best]), int(found.stop[best]) - 1
    chosen = index[first : last + 1]
    slope, intercept = float(np.median(fits.slope[chosen])), float(np.median(fits.intercept[chosen]))
    alike, left = float(np.median(fits.alike[chosen])), float(np.median(fits.left[chosen])) / step
    names, count = (a.name, b.name), len(chosen)
    if abs(slope - 1.0) < 0.002:  # a plain copy: rounding turns its line by as much
        during = np.isin(case.solar_day[rows] - case.solar_day[0], chosen) & np.isfinite(x + y)
        slope, intercept = 1.0, round(float(np.median((y - x)[during])), 6)
    onset = _onset(case, a, b, (slope, intercept), step, index, first)
    end = case.last if chosen[-1] == index[-1] else _end(case, a, b, (slope, intercept), step, int(chosen[-1]))
    return Suspect(
        names,
        (
            Clue("changes", 2.0 + np.log(0.001 / max(1.0 - alike, 1e-9)), f"they correlate by {alike:.6f}"),
            Clue("left", 3.0 - 1.5 * left, f"a line leaves {left:.2g} steps of the resolution"),
            Clue("days", min(np.log(count) + 0.5, 3.0), f"on {count} days"),
            Clue(
                "own life",
                _own(fits, index, same),
                "on other days they go their own ways" if not same[index].all() else "from the first row on",
            ),
        ),
        {"pair": list(names), "slope": round(slope, 5), "intercept": round(intercept, 4)},
        f"{b.name} is {slope:.4g} times {a.name} {'+' if intercept >= 0 else '-'} {abs(intercept):.3g} to {left:.2g} "
        f"steps of its resolution on {count} days: one column is written twice.",
        onset[1],
        end,
        onset,
        spoils=names,
        exhibit={"slope": slope, "intercept": intercept},
    )


def _own(fits: _Days, index: np.ndarray, same: np.ndarray) -> float:
    """Two columns that went their own ways on other days are no two outputs of one sensor."""
    others = fits.alike[index][~same[index]]
    return 1.5 if len(others) > 1 and np.median(others) < 0.98 else 0.0


def _onset(
    case: Case, a: Channel, b: Channel, line: tuple[float, float], step: float, index: np.ndarray, first: int
) -> tuple[np.datetime64, np.datetime64]:
    """After the last row that lies off the line before the first whole day on it."""
    number = case.solar_day - case.solar_day[0]
    before = np.flatnonzero(number < index[first])
    off = np.abs(case.values(b) - line[0] * case.values(a) - line[1])[before]
    away = before[np.isfinite(off) & (off > 4.0 * step)]
    if not len(away):
        return case.first, case.first
    row = int(away[-1])
    return case.time[row], case.time[row + 1]


def _end(case: Case, a: Channel, b: Channel, line: tuple[float, float], step: float, day: int) -> np.datetime64:
    """The last row on the line from the last whole day that lies on it: one row off it may be a glitch, two are not."""
    rows = np.flatnonzero(case.solar_day - case.solar_day[0] >= day)
    off = np.abs(case.values(b) - line[0] * case.values(a) - line[1])[rows]
    rows, off = rows[np.isfinite(off)], off[np.isfinite(off)]
    away = off > 4.0 * step
    over = np.flatnonzero(away & np.append(away[1:], True) & (case.solar_day[rows] - case.solar_day[0] > day))
    stop = int(over[0]) if len(over) else len(rows)
    last: np.datetime64 = case.time[rows[max(stop - 1, 0)]]
    return last


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """One column written into another from a random row on; near: through a line, with noise of a step."""
    able = [
        c for c in case.channels if np.isfinite(case.values(c)).mean() > 0.5 and c.statistic not in ("sd", "counter")
    ]
    able = [c for c in able if c.quantity not in ("precipitation", "sunshine", "leaf_wetness")]
    spread = {c.name: float(np.nanstd(case.values(c))) for c in able}
    pairs = [
        (a, b) for a in able for b in able
        if a is not b and not related(case, a, b)
        and spread[a.name] > 3.0 * case.limit(ID, "spread") * max(_step(case, a), _step(case, b))
    ]  # fmt: skip
    if not pairs or case.span_s < 2.0 * 86400.0:
        return None
    a, b = pairs[int(rng.integers(len(pairs)))]
    slope, intercept = (1.0, 0.0) if grade != "near" else (1.02, 0.5)
    row = onset_row(case, rng)
    y = case.values(b).copy()
    new = slope * case.values(a)[row:] + intercept
    y[row:] = new + (rng.normal(0.0, _step(case, b), len(new)) if grade == "near" else 0.0)
    pair = [c.name for c in case.channels if c in (a, b)]
    if pair[0] != a.name:
        slope, intercept = 1.0 / slope, -intercept / slope
    evidence = {"pair": pair, "slope": slope, "intercept": intercept}
    return Injection((a.name, b.name), case.time[row], case.last, evidence, {b.name: y})


def picture(case: Case, suspect: Suspect) -> Figure:
    """The one against the other, before and after; below, what is left of the line by time."""
    from qc.write import picture as house

    by = {c.name: c for c in case.channels}
    a, b = (by[n] for n in suspect.channels)
    stride = max(1, case.rows // 6000)
    x, y, when = case.values(a)[::stride], case.values(b)[::stride], case.time[::stride]
    during = (when >= suspect.first) & (when <= suspect.last)
    figure = house.figure(3.2)
    left, right = figure.subplots(1, 2, width_ratios=[2, 3])
    left.plot(x[~during], y[~during], ".", color=house.SOFT, markersize=2, label="before")
    left.plot(x[during], y[during], ".", color=house.SERIES[1], markersize=2, label="as one column")
    left.set_xlabel(house.label(a.name))
    left.set_ylabel(house.label(b.name))
    off = y - suspect.exhibit["slope"] * x - suspect.exhibit["intercept"]
    right.plot(house.days(when[~during]), off[~during], ".", color=house.SOFT, markersize=2)
    right.plot(house.days(when[during]), off[during], ".", color=house.SERIES[1], markersize=2)
    right.set_ylabel(f"{house.label(b.name, 14)} less the line")
    house.time_axis(right, case.first, case.last)
    house.legend(figure, left)
    return figure


FAULT = Fault(
    ID,
    rank="wiring",
    needs=(ANY,),
    least_s=20 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("pair", "slope", "intercept"),
    go="remote",
    rivals={
        "channels-swapped": "whether the two differ",
        "channel-open": "whether the copy is what its own quantity cannot be",
    },
    visits=("disturbed", "replaced"),
)
