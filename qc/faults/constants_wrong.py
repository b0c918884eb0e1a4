"""A wrong factor or offset in the logger's program.

Shows: from one row on a channel stands higher or lower by a fixed amount or factor, keeps its shape, and nothing else
    changes.
Happened: a sensor was exchanged and its constants were not; they were typed wrongly, twice or with the wrong sign; a
    new program brought other ones.
How sure: pressure and air temperature do not jump and stay; irradiance must keep its ratio to what it is measured
    beside. A sensor that broke at that moment looks the same until the certificate is read: a pyranometer without a
    visit in the log is the likelier cause of its own step.
Check: compare factor and offset in the program with the certificate of the sensor that hangs there; compare the
    serial numbers; look what was done at that time; take a reference reading beside the sensor.
Carry: certificates, the program before and after, a reference barometer, thermometer or pyranometer.
Caution: on roofs and masts fall protection and two people, never near power lines, in lightning, ice or high wind;
    follow local codes and site rules.
Data: a line of the correction log takes the step out; mend the program first, and end the line there.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc import ratios
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, onset_row
from qc.mends import Mend
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "constants-wrong"
_JUMPS = {
    "air_pressure": "air-pressure-jump", "air_temperature": "air-temperature-jump",
    "soil_temperature": "soil-temperature-jump",
}  # fmt: skip
"""Quantities that do not jump and stay, and the number of each."""
_BESIDE = ("air_temperature", "soil_temperature", "logger_temperature", "surface_temperature", "dew_point")


def test(case: Case) -> Sequence[Outcome]:
    """Steps of pressure and temperature from one row to the next; steps of irradiance against what it goes with."""
    out: list[Outcome] = [_jumped(case, c) for c in case.of(*_JUMPS) if np.isfinite(case.values(c)).any()]
    return [*out, *ratios.outcomes(case)]


# ---- offsets: a jump that stays


class _Jump(NamedTuple):
    row: int
    size: float
    error: float


def _jumped(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    x = case.values(channel)
    least = case.limit(ID, _JUMPS[channel.quantity])
    quantum = float(case.quantum(channel).max(initial=0.0))
    least = max(least, 4.0 * quantum)
    found = [j for j in _jumps(case, x, least) if channel.quantity == "air_pressure" or _lasts(case, channel, j, least)]
    best = max(found, key=lambda j: abs(j.size), default=None)
    if best is None:
        return Cleared(names, f"no jump of {least:.3g} {channel.output_unit} and more that stays")
    end = next((j for j in found if j.row > best.row and abs(j.size + best.size) < 0.3 * abs(best.size)), None)
    begin = next((j for j in found if j.row < best.row and abs(j.size + best.size) < 0.3 * abs(best.size)), None)
    if end is None and begin is not None:  # the larger jump is the return
        best, end = begin, best
    last = case.time[end.row - 1] if end is not None else case.last
    hours = float((last - case.time[best.row]) / np.timedelta64(1, "s")) / 3600.0
    others = _others(case, channel, best.row)
    unit = channel.output_unit
    since = str(case.time[best.row])[:16].replace("T", " ")
    clues = [
        Clue("size", 1.5 + 2.0 * np.log(abs(best.size) / least), f"a jump of {best.size:+.3g} {unit} within one row"),
        Clue("stays", min(np.log(max(hours, 0.1) / 6.0), 2.0), f"it stays for {hours:.3g} h"),
        Clue(
            "others",
            1.5
            if not others
            else -3.0
            if len(others) > 1
            else float(np.interp(abs(best.size) / least, [1, 3], [-3, 0])),
            f"{', '.join(others)} jump too" if others else "no other channel jumps",
        ),
    ]
    return Suspect(
        names,
        tuple(clues),
        {"factor": 1.0, "offset": round(best.size, 2), "onset": f"{str(case.time[best.row])[:19]}Z"},
        f"{channel.name} stands {abs(best.size):.3g} {unit} {'higher' if best.size > 0 else 'lower'} from {since} UTC "
        "on than just before, keeps its shape, and nothing else changes.",
        case.time[best.row],
        last,
        (case.time[best.row - 1], case.time[best.row]),
        device=case.device(channel),
        rivals={"barometer-offset": sum(c.weight for c in clues) - 1.0} if channel.quantity == "air_pressure" else {},
        mend=Mend(
            "offset", names, case.time[best.row], last if end is not None else None, -round(best.size, 2),
            uncertainty=best.error, proposed=best.error < 0.05 * abs(best.size),
        ),
        spoils=names,
        exhibit={"kind": "offset", "row": best.row, "size": best.size},
    )  # fmt: skip


def _lasts(case: Case, channel: Channel, jump: _Jump, least: float) -> bool:
    """Whether a temperature of the day after stands off that of the day before by the jump: weather turns back.

    From day to day weather takes away or adds several kelvin: of twice the least jump a smaller share will do, and of
    any what a temperature beside it did meanwhile may be taken off.
    """
    moved = _moved(case, case.values(channel), jump)
    if moved is None:
        return abs(jump.size) > 20.0  # without a day on both sides only what no weather does
    low, high = (0.3, 1.8) if abs(jump.size) > 2.0 * least else (0.5, 1.6)
    if low < moved / jump.size < high:
        return True
    if channel.quantity == "soil_temperature" and abs(jump.size) > case.limit(ID, "soil-sharp") * _quick(case, channel):
        return True  # no weather reaches the ground within a row
    beside = [_moved(case, case.values(c), jump) for c in case.of(*_BESIDE) if c.name != channel.name]
    return any(0.5 < (moved - other) / jump.size < 1.6 for other in beside if other is not None)


def _quick(case: Case, channel: Channel) -> float:
    """The change from row to row that 1 of 200 exceeds."""
    change = np.abs(np.diff(case.values(channel)))[case.consecutive[1:]]
    change = change[np.isfinite(change)]
    return float(np.quantile(change, 0.995)) if len(change) > 50 else np.inf


def _moved(case: Case, x: Floats, jump: _Jump) -> float | None:
    """By how much the day from the jump on lies above the day before it; None without both."""
    day = round(86400.0 / max(case.interval_s, 1.0))
    before, after = x[max(0, jump.row - day) : jump.row], x[jump.row : jump.row + day]
    if min(np.isfinite(before).sum(), np.isfinite(after).sum()) < 0.8 * day:
        return None
    return float(np.nanmedian(after) - np.nanmedian(before))


def _jumps(case: Case, x: Floats, least: float) -> list[_Jump]:
    """Rows at which a channel jumps and stays for three hours, with the size: what the courses on both sides leave."""
    if case.rows < 8:
        return []
    step = np.zeros(case.rows)
    step[1:] = np.where(case.consecutive[1:], np.diff(x), 0.0)
    rows = np.flatnonzero(np.abs(np.nan_to_num(step)) > 0.75 * least)
    if len(rows) > 200:  # it jumps all the time: no step of a constant
        return []
    reach = max(3, round(3.0 * 3600.0 / max(case.interval_s, 1.0)))
    near = int(np.clip(1800.0 / max(case.interval_s, 1.0), 4, 30))
    out = []
    for row in rows:
        before, after = x[max(0, row - reach) : row], x[row : row + reach]
        near_b, near_a = before[-near:], after[:near]
        if min(np.isfinite(near_b).sum(), np.isfinite(near_a).sum()) < 3 or min(len(before), len(after)) < 3:
            continue
        tilt_b, tilt_a = (_slope(p) for p in (before[-2 * near :], after[: 2 * near]))
        centre = (len(near_b) + len(near_a)) / 2.0
        size = float(np.nanmedian(near_a) - np.nanmedian(near_b) - centre * (tilt_a + tilt_b) / 2.0)
        apart = (len(before) + len(after)) / 2.0
        wide = float(np.nanmedian(after) - np.nanmedian(before) - apart * (tilt_a + tilt_b) / 2.0)
        if bool(abs(size) > least) and 0.5 < wide / size < 1.7 and 0.6 < step[row] / size < 1.6:
            error = max(float(np.nanstd(np.diff(p))) for p in (before[-7:], after[:7]))
            if abs(size) > 3.0 * error:
                out.append(_Jump(int(row), size, error))
    return out


def _slope(x: Floats) -> float:
    """Change from row to row: from the medians of both halves."""
    half = len(x) // 2
    a, b = x[:half], x[-half:] if half else x[:0]
    if not (np.isfinite(a).any() and np.isfinite(b).any()):
        return 0.0
    return float(np.nanmedian(b) - np.nanmedian(a)) / max(len(x) - half, 1)


def _others(case: Case, channel: Channel, row: int) -> list[str]:
    """Channels that change in that row by more than in 99 of 100."""
    out = []
    for other in case.channels:
        if (
            other is channel
            or other.quantity in ("wind_direction", "precipitation")
            or (case.night[row] and "irrad" in other.quantity)
        ):
            continue
        change = np.abs(np.diff(case.values(other)))
        there = change[np.isfinite(change) & (change > 0)]
        if len(there) > 50 and change[row - 1] > 1.5 * np.percentile(there, 99):
            out.append(other.name)
    return out


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """An offset of pressure or temperature, or a factor of PAR, from a random row on. No factor of global irradiance:
    without a log it is the same data as another sensitivity of the pyranometer, which `pyranometer-scale` plants. None
    of a channel that the chain condemned, nor of PAR without the days of light that a step of its ratio needs."""
    side = round(case.limit(ID, "ratio-days"))
    able = [
        c
        for c in case.of(*_JUMPS)
        if np.isfinite(case.values(c)).mean() > 0.5
        and not case.condemned(c)
        and not _jumps(case, case.values(c), case.limit(ID, _JUMPS[c.quantity]))
    ]
    sun = [c for c in case.of("par") if np.isfinite(case.values(c)).mean() > 0.3 and len(_lit(case, c)) >= 2 * side]
    choice = [*able, *(sun if case.span_s > 12.0 * 86400.0 else [])]
    if not choice:
        return None
    channel = choice[int(rng.integers(len(choice)))]
    sign = 1.0 if rng.random() < 0.5 else -1.0
    row = onset_row(case, rng)
    x = case.values(channel).copy()
    there = np.flatnonzero(np.isfinite(x))
    row = min(row, int(there[len(there) // 2]))  # it begins while the channel still has values
    if channel in sun:
        days = _lit(case, channel)
        row = int(np.clip(row, *(np.searchsorted(case.solar_day, days[k]) for k in (side, -side))))
        size = {"near": 0.10, "typical": float(rng.uniform(0.2, 0.45)), "gross": float(rng.uniform(0.7, 1.1))}[grade]
        factor, offset = float(np.exp(sign * size)), 0.0
        x[row:] *= factor
    else:
        day = round(86400.0 / case.interval_s)  # temperatures need one to be compared with
        row = max(row, day if "temperature" in channel.quantity else 8)
        least = max(
            case.limit(ID, _JUMPS[channel.quantity]),
            4.0 * float(case.quantum(channel).max(initial=0.0)),
        )
        size = {"near": 1.3, "typical": float(rng.uniform(2.0, 3.5)), "gross": float(rng.uniform(5.0, 8.0))}[grade]
        factor, offset = 1.0, round(sign * size * least, 1)
        x[row:] += offset
    there = np.flatnonzero(np.isfinite(x[row:]))
    if not len(there):
        return None
    begin = case.time[row + there[0]]
    evidence = {"factor": factor, "offset": offset, "onset": f"{str(begin)[:19]}Z"}
    return Injection((channel.name,), begin, case.last, evidence, {channel.name: x})


def _lit(case: Case, channel: Channel) -> np.ndarray:
    """Days on which it has a ratio to what it is measured beside: none in the polar night."""
    partner = ratios.partner(case, channel)
    return ratios.of(case, channel, partner[0]).days if partner else np.zeros(0, np.int64)


def picture(case: Case, suspect: Suspect) -> Figure:
    """The values around the step, or the ratio by day, with the levels on both sides."""
    from qc.write import picture as house

    if suspect.exhibit["kind"] == "factor":
        return ratios.picture(case, suspect)
    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    figure = house.figure(2.9)
    axes = figure.subplots()
    row = int(suspect.exhibit["row"])
    wide = round(36.0 * 3600.0 / max(case.interval_s, 1.0))
    here = slice(max(0, row - wide), min(case.rows, row + wide))
    x, gap = case.values(channel), np.timedelta64(round(max(3 * case.interval_s, 1.0)), "s")
    house.line(axes, case.time[here], x[here], gap=gap, color=house.SERIES[1], label=house.label(channel.name))
    mended = np.where(np.arange(case.rows) >= row, x - suspect.exhibit["size"], np.nan)
    house.line(axes, case.time[here], mended[here], gap=gap, color=house.SOFT, label="without the step")
    axes.set_ylabel(f"{house.label(channel.name, 16)}, {channel.output_unit}")
    house.time_axis(axes, case.time[here][0], case.time[here][-1])
    house.night_shading(axes, case.time[here], case.elevation[here])
    house.visits(axes, [(v.start, v.end, v.note) for v in case.visits(channel.name)])
    house.legend(figure, axes)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",  # after the wiring: an exchanged or open channel steps too
    needs=((*_JUMPS, "global_irradiance", "par"),),
    least_s=12 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("factor", "offset", "onset"),
    go="remote",
    rivals={
        "barometer-offset": "the certificate and the program: whether the constants changed on that day",
        "pyranometer-scale": "whether there is a step, and whether the program changed on that day",
        "probe-exposed": "whether it shows only in sun and in clear calm nights",
        "unit-wrong": "whether the factor is that of a unit",
    },
    visits=("replaced", "disturbed", "note"),
)
