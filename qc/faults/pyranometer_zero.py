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
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row, until
from qc.mends import Mend
from qc.physics import fingerprints, onset
from qc.physics.half_days import grouped_quantile
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "pyranometer-zero"
QUANTITIES = ("global_irradiance", "diffuse_irradiance", "reflected_irradiance")


def test(case: Case) -> Sequence[Outcome]:
    """Medians of the nights against what a thermopile shows."""
    return [_one(case, channel) for channel in case.of(*QUANTITIES)]


def _one(case: Case, channel: Channel) -> Outcome:
    """As the record stands; where its last nights are sound again, the record before them on its own."""
    outcome, back = _judged(case, channel), _back(case, channel)
    earlier = until(case, channel, back, _judged) if back is not None else None
    return earlier if isinstance(earlier, Suspect) else outcome


def _back(case: Case, channel: Channel) -> int | None:
    """The row after the last of some nights with an offset that two sound ones or more follow to the end."""
    values = np.where(case.night, case.values(channel), np.nan)
    nights, medians, _ = _by_night(case, values)
    least, most = _sound(case, channel)
    odd = (medians < least) | (medians > most)
    need = round(case.limit(ID, "nights"))
    last = int(np.flatnonzero(odd)[-1]) if odd.any() else len(odd)
    if last + 2 >= len(odd) or last + 1 < need or not odd[last + 1 - need : last + 1].all():
        return None
    level, usual = float(np.median(medians[last + 1 - need : last + 1])), float(np.median(medians[last + 1 :]))
    rows = np.flatnonzero(np.isfinite(values) & (case.solar_day <= nights[last + 1]))
    return int(rows[np.abs(values[rows] - level) < np.abs(values[rows] - usual)][-1]) + 1


def _sound(case: Case, channel: Channel) -> tuple[float, float]:
    """Between what the median of a sound night lies, the scatter of nights above it included, W/m2."""
    return case.limit(ID, "low"), case.limit(ID, "high") + _spread(case, channel)


def _spread(case: Case, channel: Channel) -> float:
    return max(case.limit(ID, "spread"), float(np.nanmax(case.quantum(channel), initial=0.0)))


def _judged(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    values = np.where(case.night, case.values(channel), np.nan)
    need = case.limit(ID, "nights")
    nights, medians, scatter = _by_night(case, values)
    if len(nights) < need:
        when = case.first + np.timedelta64(round((need + 1) * 86400), "s")
        after = f"{str(when)[:19]}Z" if when > case.last else f"{need:.0f} nights with values"
        return Untested(names, f"has {len(nights)} nights with values, needs {need:.0f}", after)
    here = values[np.isfinite(values)]
    if (here == 0.0).mean() > case.limit(ID, "zeros"):
        return Untested(names, "its nights are exact zeros: the logger cuts off what lies below")
    start, low, high = _begin(case, nights, medians)
    spread, (least, most) = _spread(case, channel), _sound(case, channel)
    level = float(np.median(medians[start:]))
    beyond = max(level - most, least - level) / spread
    if beyond <= 0.0:
        return Cleared(names, f"median of {len(nights)} nights {level:.1f} W/m2, {least:.0f} to {most:.1f} is sound")
    follows = _follows(case, channel, int(nights[start]))
    if follows < case.limit(ID, "sun"):  # wander of an open input, or another quantity: its nights are no zero of light
        what = f"its days do not follow the sun (correlation {follows:.2f}): no column of light stands here"
        return Untested(names, what, "what stands in this column is known (channels-swapped, channel-open)")
    day = case.values(channel)[(case.elevation > 10.0) & (case.solar_day >= nights[start])]
    day = day[np.isfinite(day)]
    swing = float(np.quantile(day, 0.95)) - level if len(day) else float("nan")
    past = float(np.median(medians[: max(1, start - 1)])) if start else None  # the night before may be half spoilt
    count = len(nights) - start
    wander = _wander(medians[start:], scatter[start:])
    odd = max(0.0, wander - 1.5 * spread) / max(abs(level), spread)
    clues = [
        Clue("level", 0.5 + 0.5 * beyond, f"the nights lie at {level:.1f} W/m2, {beyond:.1f} times the scatter beyond"),
        Clue("nights", min(0.3 * count, 3.0), f"in {count} nights"),
        # a lamp, or a leak after rain, comes and goes; an offset stays
        Clue(
            "steady", float(np.interp(odd, [0.1, 0.3, 0.6], [1.5, -1.0, -4.0])),
            f"it moves by {wander:.1f} W/m2 within nights and between them",
        ),
    ]  # fmt: skip
    if np.isfinite(swing):  # a dead channel reads the same by day
        said = f"by day it goes {swing:.0f} W/m2 beyond that"
        clues.append(Clue("lives by day", float(np.interp(swing, [5.0, 30.0, 100.0], [-4.0, -1.0, 1.0])), said))
    usual_most = case.limit(ID, "electronics")
    huge = abs(level) / usual_most
    if huge > 1.0:  # amplifiers and inputs do not drift so far; a line of the program may say so
        said = f"electronics drift by {usual_most:.0f} W/m2 at most"
        clues.append(Clue("size", float(np.interp(huge, [1.0, 3.0], [-1.0, -4.0])), said))
    if past is not None:
        clues.append(
            Clue("own past", float(min(1.5, 0.3 * abs(level - past) / spread)), f"before, it lay at {past:.1f}")
        )
    rows = np.flatnonzero(np.isin(case.solar_day, nights[start:]) & np.isfinite(values))
    begin = case.time[rows[0]]
    usual = past if past is not None else case.limit(ID, "usual")
    error = spread / np.sqrt(count) if past is not None else case.limit(ID, "unknown")
    amount = -round(level - usual, 1)
    first = begin if start else case.first
    return Suspect(
        names,
        tuple(clues),
        {"offset_w_m2": round(level, 1)},
        f"{channel.name} reads {level:.1f} W/m2 at night ({count} nights); a sound one stays between {least:.0f} and "
        f"{most:.1f} W/m2.",
        first,
        case.last,
        (low, high),
        device=case.device(channel),
        mend=Mend(
            "offset", names, first, None, amount, uncertainty=round(float(error), 2),
            proposed=bool(error < 0.1 * abs(amount) and huge <= 1.0),
        ),
        exhibit={"nights": nights, "medians": medians, "start": start},
    )  # fmt: skip


def _begin(case: Case, nights: NDArray[np.int64], medians: Floats) -> tuple[int, np.datetime64, np.datetime64]:
    """The first night with the offset, and the times between which it came; 0 and the first row where it always was."""
    change = onset.step(medians, least=2)
    spread = case.limit(ID, "spread")
    if change is None or change.gain < 3.0 or abs(change.after - change.before) < 2.0 * spread:
        return 0, case.first, case.first
    if abs(change.before) > abs(change.after):
        return 0, case.first, case.first  # it came before, and went or shrank
    start = change.at
    dark = np.flatnonzero(case.night)
    day = case.solar_day[dark]
    clean, sure = nights[max(change.earliest - 1, 0)], nights[min(change.latest, len(nights) - 1)]
    # a solar day holds two halves of nights: it may have come between them
    return start, case.time[dark[day == clean][0]], case.time[dark[day == sure][-1]]


def _follows(case: Case, channel: Channel, first: int) -> float:
    """Median correlation within days, from solar day `first` on, with the sine of the sun above the horizon; infinite
    where fewer than two days have a sun above 10 degrees and values that move."""
    here = case.solar_day >= first
    if not here.any():
        return float("inf")
    day = case.solar_day[here] - case.solar_day[here][0]
    sine = np.maximum(np.sin(np.radians(case.elevation[here])), 0.0)
    days = int(day[-1]) + 1
    high = np.bincount(day, sine > np.sin(np.radians(10.0)), minlength=days) * case.interval_s > 3 * 3600.0
    alike = fingerprints.day_correlation(case.values(channel)[here], sine, day, days)[high]
    alike = alike[np.isfinite(alike)]
    return float(np.median(alike)) if len(alike) >= 2 else float("inf")


def _wander(medians: Floats, scatter: Floats) -> float:
    """How much nights differ from each other, and within: 1.48 times the median deviation of the medians, or the median
    of the scatters of single nights, whichever is more. W/m2"""
    apart = 1.48 * float(np.median(np.abs(medians - np.median(medians))))
    return max(apart, float(np.median(scatter)))


def _by_night(case: Case, values: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Solar days with at least ten night values or three hours of them, their medians, and half their middle 80 %."""
    rows = np.flatnonzero(np.isfinite(values))
    none = np.empty(0)
    if not len(rows):
        return np.empty(0, np.int64), none, none
    days, index, count = np.unique(case.solar_day[rows], return_inverse=True, return_counts=True)
    keep = count >= min(10.0, 3 * 3600.0 / max(case.interval_s, 1.0))
    low, middle, high = (grouped_quantile(values[rows], index, q) for q in (0.1, 0.5, 0.9))
    return days[keep], middle[keep], 0.5 * (high - low)[keep]


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """An offset by day and night from a random row on."""
    channel = case.mate(*QUANTITIES[:1])
    if channel is None:
        return None
    nights = case.values(channel)[case.night]
    nights = nights[np.isfinite(nights)]
    if not len(nights) or (nights == 0.0).mean() > case.limit(ID, "zeros"):
        return None
    up, down = {"near": (4.0, -6.0), "typical": (12.0, -14.0), "gross": (40.0, -40.0)}[grade]
    size = up if rng.random() < 0.5 else down
    row = onset_row(case, rng)
    values = case.values(channel).copy()
    values[row:] += size
    late = np.where(case.night & (np.arange(case.rows) >= row), values, np.nan)
    if len(_by_night(case, late)[0]) < 4:
        return None
    evidence = {"offset_w_m2": float(np.nanmedian(late))}
    return Injection((channel.name,), case.time[row], case.last, evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Night medians by day, with the band of a sound pyranometer."""
    from qc.write import page
    from qc.write import picture as house

    drawn, axes = house.framed(2.9, top=0.55)
    nights = np.asarray(suspect.exhibit["nights"]).astype("datetime64[D]").astype("datetime64[us]")
    medians = np.asarray(suspect.exhibit["medians"])
    at = house.days(nights)
    begin = int(suspect.exhibit["start"])
    axes.axhspan(case.limit(ID, "low"), case.limit(ID, "high"), color=house.NIGHT, label="sound")
    axes.plot(at[:begin], medians[:begin], "o", color=house.SOFT, markersize=4, label="median of a night")
    axes.plot(at[begin:], medians[begin:], "X", color=page.COLOURS[3], markersize=5, label="with the offset")
    axes.set_ylabel("W/m2 at night")
    house.time_axis(axes, nights[0], nights[-1], clock=case.logger_clock)
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(suspect.channels[0])])
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
    rivals={
        "constants-wrong": "the offset in the logger's program against the certificate",
        "channel-open": "a dead channel reads the same by day",
        "channels-swapped": "whether the numbers rise and fall with the sun",
        "pyranometer-reversed": "a reversed one is below zero by day",
    },
    visits=("replaced", "disturbed"),
)
