"""Pyranometer with its two wires exchanged.

Shows: the irradiance goes down below zero as the sun goes up, and stands a little above zero at night; where the logger
    cuts off what is negative, the day is zero and only clear nights are not.
Happened: the two wires of the sensor are exchanged at the terminals or in a connector, or the program's factor has the
    wrong sign.
How sure: six hours of daylight prove it where negative values are kept; where they are cut off, a dead sensor may look
    the same and only clear nights speak.
Check: read the value with a lamp held over the sensor: it must rise; compare the colours of the wires at the terminals
    with the wiring plan, and at every connector between; look for a minus sign in the factor of the logger's program;
    measure the sensor's voltage at its own leads in daylight.
Carry: wiring plan, lamp, multimeter, small screwdriver, calibration certificate.
Caution: on roofs and masts with fall protection and two people, never in lightning, ice or high wind; do not pull wires
    that carry the supply: disconnect the battery first.
Data: a line `negate` of the correction log brings the values back where negative ones were kept; what was cut off is
    lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.mends import Mend
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "pyranometer-reversed"
QUANTITIES = ("global_irradiance", "diffuse_irradiance", "reflected_irradiance", "par")


def test(case: Case) -> Sequence[Outcome]:
    """The sign of the values under the sun, and what is left of it where it was cut off."""
    return [_one(case, channel) for channel in case.of(*QUANTITIES)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    values = case.values(channel)
    lit = (case.elevation > case.limit(ID, "elevation")) & np.isfinite(values)
    hour = 3600.0 / max(case.interval_s, 1.0)
    need = case.limit(ID, "hours")
    if lit.sum() < need * hour:
        told = f"has {lit.sum() / hour:.1f} h with the sun above {case.limit(ID, 'elevation'):.0f} degrees"
        return Untested(names, f"{told}, needs {need:.0f}", f"{need:.0f} h of daylight")
    rows = np.flatnonzero(lit)
    least = case.limit(ID, "share") * case.clear.ghi[rows]
    wrong, right = values[rows] < -least, values[rows] > least
    first, last = _run(wrong, right)
    if first < 0 or wrong[first : last + 1].sum() < need * hour:
        floored = _floored(case, channel, rows, values)
        if floored is not None:
            return floored
        told = f"positive in {right.sum() / hour:.0f} h of daylight, negative in {wrong.sum() / hour:.1f} h"
        return Cleared(names, told)
    run = slice(first, last + 1)
    hours = float(wrong[run].sum()) / hour
    pure = float(wrong[run].sum()) / max(int((wrong | right)[run].sum()), 1)
    x, mu = values[rows[run]], np.sin(np.radians(case.elevation[rows[run]]))
    follows = float(np.corrcoef(x, mu)[0, 1]) if np.ptp(x) > 0 and np.ptp(mu) > 0 else 0.0
    deep = float(np.quantile(x, 0.05)) / (2.0 if channel.quantity == "par" else 1.0)
    clues = (
        Clue("hours", 1.0 + 0.5 * hours, f"negative for {hours:.0f} h of daylight"),
        Clue("pure", float(np.interp(pure, [0.7, 0.9, 0.98], [-4.0, 1.0, 4.0])), f"in {100 * pure:.0f} % of them"),
        Clue(
            "upside down", float(np.interp(-follows, [-0.3, 0.0, 0.5, 0.9], [-3.0, 0.0, 2.0, 3.0])),
            f"it goes with the height of the sun by a correlation of {follows:.2f}",
        ),
        Clue("depth", float(np.interp(-deep, [30, 90, 150, 300], [-3.0, -1.5, 0.0, 2.0])), f"down to {deep:.0f}"),
        *_nights(case, values, rows[first], rows[last]),
    )  # fmt: skip
    sound = np.flatnonzero(right[:first])
    before = int(rows[sound[-1]]) if len(sound) else 0
    low = before + np.flatnonzero(
        (values[before : rows[first] + 1] < -2.0) & (case.elevation[before : rows[first] + 1] > 0)
    )
    begin = int(low[0]) if len(low) else int(rows[first])
    if not len(sound) and begin * case.interval_s < 86_400.0:
        begin = 0  # nothing but a night before it
    ends = right[last + 1 :].any()
    until = case.time[rows[last]] if ends else None
    return Suspect(
        names,
        clues,
        {"factor": -1.0},
        f"{channel.name} is below zero for {hours:.0f} h of daylight, down to {np.min(x):.0f}: its wires are exchanged "
        "or its factor has the wrong sign.",
        case.time[begin],
        case.time[rows[last]] if ends else case.last,
        (case.time[before], case.time[begin]),
        device=case.device(channel),
        mend=Mend("negate", names, case.time[begin], until, proposed=pure > 0.98),
        exhibit={"channel": channel.name},
    )


def _nights(case: Case, values: Floats, first: int, last: int) -> tuple[Clue, ...]:
    """What is negative at night as well is no irradiance from the sun."""
    dark = np.flatnonzero(case.night[first : last + 1] & np.isfinite(values[first : last + 1])) + first
    if len(dark) * case.interval_s < 3600.0:
        return ()
    middle = float(np.median(values[dark]))
    return (Clue("nights", float(np.interp(middle, [-25.0, -8.0, 0.0], [-4.0, 0.0, 0.5])), f"{middle:.1f} at night"),)


def _run(wrong: Bools, right: Bools) -> tuple[int, int]:
    """First and last row of the stretch in which negative values outnumber positive ones most; -1, -1 for none."""
    total = np.concatenate([[0], np.cumsum(wrong.astype(np.int64) - right.astype(np.int64))])
    low = np.minimum.accumulate(total)
    end = int(np.argmax(total - low))
    if total[end] - low[end] <= 0:
        return -1, -1
    start = int(np.flatnonzero(total[:end] == low[end])[-1])
    inside = start + np.flatnonzero(wrong[start:end])
    return int(inside[0]), int(inside[-1])


def _floored(case: Case, channel: Channel, rows: np.ndarray, values: Floats) -> Suspect | None:
    """Days at the floor and nights above it: what a reversed sensor leaves where negative values are cut off."""
    names = (channel.name,)
    day = values[rows[case.clear.ghi[rows] > 200.0]]
    night = values[case.night & np.isfinite(values)]
    hour = 3600.0 / max(case.interval_s, 1.0)
    if len(day) < case.limit(ID, "hours") * hour or len(night) < case.limit(ID, "hours") * hour:
        return None
    floor, above = float(np.quantile(day, 0.98)), float(np.quantile(night, 0.8))
    if floor > case.limit(ID, "floor") or above < floor + case.limit(ID, "above"):
        return None
    if float(np.quantile(night, 0.98)) > case.limit(ID, "glow"):
        return None  # light at night is a matter of the clock or the coordinates: cold alone makes no more
    dark = float((night > floor + 0.2).mean())
    seen = rows[case.clear.ghi[rows] > 200.0]
    return Suspect(
        names,
        (
            Clue("floor", 3.0, f"by day it stays at or below {floor:.1f}"),
            Clue(
                "nights",
                float(np.interp(above - floor, [0.3, 1.0, 2.5], [0.0, 2.5, 4.0])),
                f"at night it reaches {above:.1f}",
            ),
            Clue("often", float(np.interp(dark, [0.1, 0.5], [0.0, 2.0])), f"in {100 * dark:.0f} % of the night"),
        ),
        {"factor": -1.0},
        f"{channel.name} stays at {floor:.1f} by day and rises to {above:.1f} at night: its wires are exchanged, and "
        "what is below zero is cut off.",
        case.time[seen[0]],
        case.time[seen[-1]],
        (case.first, case.first),
        device=case.device(channel),
        rivals={"channel-open": 3.0},
        spoils=names,
        exhibit={"channel": channel.name},
    )


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Exchanged wires: for the last seven hours of daylight, from a random row on, or from the first row on."""
    channel = case.mate(*QUANTITIES[:1])
    if channel is None:
        return None
    values = case.values(channel)
    lit = np.flatnonzero((case.elevation > case.limit(ID, "elevation")) & np.isfinite(values))
    hours = round(7 * 3600.0 / max(case.interval_s, 1.0))
    if len(lit) < 2 * hours:
        return None
    row = {"near": int(lit[-hours]), "typical": onset_row(case, rng), "gross": 0}[grade]
    reversed_ = np.where(np.arange(case.rows) >= row, -values, values)
    first = case.time[row]
    return Injection((channel.name,), first, case.last, {"factor": -1.0}, {channel.name: reversed_})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Values around the onset with the nights shaded, and what a clear sky gives."""
    from qc.write import page
    from qc.write import picture as house

    channel = next(c for c in case.channels if c.name == suspect.exhibit["channel"])
    span = np.timedelta64(4, "D")
    first, last = max(case.first, suspect.onset[1] - span), min(case.last, suspect.onset[1] + span)
    rows = (case.time >= first) & (case.time <= last)
    drawn, axes = house.framed(3.2, top=0.55)
    house.night_shading(axes, case.time[rows], case.elevation[rows])
    gap = np.timedelta64(round(2.5 * case.interval_s), "s")
    values = case.values(channel)
    during = (case.time >= suspect.first) & (case.time <= suspect.last)
    house.line(axes, case.time[rows], case.clear.ghi[rows], gap=gap, color=house.LINE, label="a clear sky, W/m2")
    house.line(
        axes, case.time[rows], np.where(during, np.nan, values)[rows], gap=gap, color=house.SOFT, label=channel.name
    )
    house.line(
        axes, case.time[rows], np.where(during, values, np.nan)[rows], gap=gap, color=page.COLOURS[3],
        label=f"{channel.name}, reversed",
    )  # fmt: skip
    axes.axhline(0.0, color=house.INK, linewidth=0.7)
    axes.set_ylabel("umol/m2/s" if channel.quantity == "par" else "W/m2")
    house.time_axis(axes, first, last, clock=case.logger_clock)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(channel.name)])
    house.legend(drawn, axes)
    return drawn


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(QUANTITIES,),
    least_s=4 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("factor",),
    go="next-visit",
    rivals={
        "channel-open": "a dead channel does not move with the sun, nor with a lamp",
        "channels-swapped": "net longwave is negative by night as well: the wiring plan",
    },
    visits=("replaced", "disturbed", "moved"),
)
