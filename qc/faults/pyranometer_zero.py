"""Pyranometer with a zero offset.

Shows: at night, when there is nothing to measure, the irradiance stays at another value than zero, clear or cloudy.
Happened: an offset in the logger's program, a leak or a ground loop in the cable, or electronics that drift.
How sure: a thermopile may read down to -5 W/m2 under a clear sky, so only what lies beyond is blamed; with the receiver
    covered at the station the answer is certain.
Check: read the value with the receiver covered by a dark cloth for five minutes; look for water and corrosion in the
    connector; compare the offset in the logger's program with the certificate; compare the value with the charge
    controller on and off.
Carry: dark cloth, multimeter, contact spray, the calibration certificate.
Caution: work on roofs and masts with fall protection and two people, never in lightning, ice or high wind, never near
    power lines; follow local codes and site rules.
Data: the offset is in the values of the day too; subtract it by a line of the correction log once it is known to be
    the same by day.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.mends import Mend
from qc.physics import onset
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "pyranometer-zero"
QUANTITIES = ("global_irradiance", "diffuse_irradiance", "reflected_irradiance", "par")


def test(case: Case) -> Sequence[Outcome]:
    """Medians of the nights against what a thermopile shows."""
    return [_one(case, channel) for channel in case.of(*QUANTITIES)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    values = np.where(case.night, case.sound(channel), np.nan)
    here = values[np.isfinite(values)]
    need = case.limit(ID, "nights")
    nights, medians = _by_night(case, values)
    if len(nights) < need:
        when = case.first + np.timedelta64(round((need + 1) * 86400), "s")
        return Untested(names, f"has {len(nights)} nights with values, needs {need:.0f}", f"{str(when)[:19]}Z")
    if (here == 0.0).mean() > case.limit(ID, "zeros"):
        return Untested(names, "its nights are exact zeros: the logger cuts off what lies below")
    change = onset.step(medians, least=2)
    spread = max(case.limit(ID, "spread"), float(case.quantum(channel).max(initial=0.0)))
    start = 0
    if change is not None and change.gain > 3.0 and abs(change.after - change.before) > 2.0 * spread:
        start = change.at
    level = float(np.median(medians[start:]))
    low, high = case.limit(ID, "low"), case.limit(ID, "high") + spread
    beyond = max(level - high, low - level) / spread
    if beyond <= 0.0:
        return Cleared(names, f"median of {len(nights)} nights {level:.1f} W/m2, {low:.0f} to {high:.1f} is sound")
    rows = np.flatnonzero(np.isin(case.solar_day, nights[start:]) & np.isfinite(case.values(channel)))
    begin = case.time[rows[0]]
    before = begin
    if change is not None and start:
        before, begin = _turn(case, values, nights[start - 1], 0.5 * (change.before + change.after), level)
    return Suspect(
        names,
        (
            Clue("level", 1.5 + beyond, f"the nights lie at {level:.1f} W/m2"),
            Clue("nights", min(float(len(nights) - start), 3.0), f"in {len(nights) - start} nights"),
        ),
        {"offset_w_m2": round(level, 1)},
        f"{channel.name} reads {level:.1f} W/m2 at night ({len(nights) - start} nights); a sound one stays between "
        f"{low:.0f} and {high:.1f} W/m2.",
        begin,
        case.time[rows[-1]],
        (before, begin),
        device=case.device(channel),
        mend=Mend("offset", names, begin, None, -round(level, 1), uncertainty=spread / np.sqrt(len(nights) - start)),
        exhibit={"nights": nights, "medians": medians, "start": start},
    )


def _turn(
    case: Case, values: Floats, day: np.int64, middle: float, level: float
) -> tuple[np.datetime64, np.datetime64]:
    """The last night value on the sound side within two days, and the first one after it."""
    rows = np.flatnonzero(np.isfinite(values) & (case.solar_day >= day) & (case.solar_day <= day + 2))
    sound = np.flatnonzero((values[rows] > middle) != (level > middle))
    last = int(sound[-1]) if len(sound) else 0
    return case.time[rows[last]], case.time[rows[min(last + 1, len(rows) - 1)]]


def _by_night(case: Case, values: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Solar days with at least ten night values, and their medians."""
    rows = np.flatnonzero(np.isfinite(values))
    days, first = np.unique(case.solar_day[rows], return_index=True)
    parts = np.split(values[rows], first[1:]) if len(rows) else []
    enough = [len(part) >= min(10, 3 * 3600 / max(case.interval_s, 1.0)) for part in parts]
    medians = np.array([np.median(p) for p, e in zip(parts, enough, strict=True) if e])
    return days[np.array(enough, bool)] if len(days) else days, medians


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """An offset by day and night from a random row on."""
    channel = case.mate(*QUANTITIES[:1])
    if channel is None:
        return None
    dark = case.values(channel)[case.night & np.isfinite(case.values(channel))]
    if not len(dark) or (dark == 0.0).mean() > case.limit(ID, "zeros"):
        return None
    size = {"near": 4.0, "typical": 12.0, "gross": 40.0}[grade]
    row = onset_row(case, rng)
    values = case.values(channel).copy()
    values[row:] += size
    nights = values[row:][case.night[row:] & np.isfinite(values[row:])]
    if not len(nights):
        return None
    evidence = {"offset_w_m2": float(np.median(nights))}
    return Injection((channel.name,), case.time[row], case.last, evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Night medians by day, with the band of a sound pyranometer."""
    from qc.write import page
    from qc.write import picture as house

    drawn, axes = house.framed(2.6)
    nights = np.asarray(suspect.exhibit["nights"]).astype("datetime64[D]").astype("datetime64[us]")
    medians = np.asarray(suspect.exhibit["medians"])
    at = house.days(nights)
    begin = int(suspect.exhibit["start"])
    axes.axhspan(case.limit(ID, "low"), case.limit(ID, "high"), color=house.NIGHT, label="sound")
    axes.plot(at[:begin], medians[:begin], "o", color=house.SOFT, markersize=4, label="median of a night")
    axes.plot(at[begin:], medians[begin:], "X", color=page.COLOURS[3], markersize=5, label="with the offset")
    axes.set_ylabel("W/m2 at night")
    house.time_axis(axes, nights[0], nights[-1])
    house.legend(drawn, axes)
    return drawn


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(QUANTITIES,),
    least_s=2 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("offset_w_m2",),
    go="next-visit",
    rivals={"constants-wrong": "the offset in the logger's program against the certificate"},
    visits=("replaced", "disturbed"),
)
