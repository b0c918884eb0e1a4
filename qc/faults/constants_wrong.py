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
Data: a line of the correction log takes the step out; mend the program first, and end the line there. Where no level
    tells which side of a single jump is the sound one, none is proposed: look what was done that day.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc import copied, ratios
from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, onset_row
from qc.mends import Mend
from qc.physics import heights
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
_EITHER = "It began or ended there: the jump may as well have set right what stood off before it."
_BESIDE = ("air_temperature", "soil_temperature", "logger_temperature", "surface_temperature", "dew_point")


def test(case: Case) -> Sequence[Outcome]:
    """Steps of pressure and temperature from one row to the next; steps of irradiance against what it goes with."""
    out: list[Outcome] = [_jumped(case, c) for c in case.of(*_JUMPS) if np.isfinite(case.values(c)).any()]
    return [*out, *ratios.outcomes(case)]


# ---- offsets: a jump that stays


class _Jump(NamedTuple):
    """A jump into `row` from the last value before it, in row `before`; `least` is what no weather makes meanwhile."""

    before: int
    row: int
    size: float
    error: float
    least: float


def _least(case: Case, channel: Channel, apart_s: float) -> float:
    """The least jump between two values so far apart: over a gap weather has the time of the gap."""
    quantum = float(case.quantum(channel).max(initial=0.0))
    return max(case.limits.number(ID, _JUMPS[channel.quantity], apart_s or None), 4.0 * quantum)


def _jumped(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    jumps = _jumps(
        case, channel, share=0.7
    )  # what was set right goes back by as much, a little less than the least too
    found = [j for j in jumps if abs(j.size) > j.least]
    found = [j for j in found if channel.quantity == "air_pressure" or _lasts(case, channel, j)]
    best = max(found, key=lambda j: abs(j.size), default=None)
    if best is None:
        least = _least(case, channel, case.interval_s)
        return Cleared(names, f"no jump of {least:.3g} {channel.output_unit} and more that stays")
    back = [j for j in jumps if abs(j.size + best.size) < 0.3 * abs(best.size)]
    end = next((j for j in back if j.row > best.row), None)
    begin = next((j for j in back[::-1] if j.row < best.row), None)
    if end is None and begin is not None:  # the larger jump is the return
        best, end = begin, best
    stretch = np.arange(best.row, case.rows if end is None else end.before + 1)
    if (other := copied.original(case, channel, stretch)) is not None:
        return Cleared(names, f"from its jump on it shows the numbers of {other.name}, to the digit: no constant does")
    if (other := copied.taker(case, channel, int(stretch[0]), int(stretch[-1]))) is not None:
        return Cleared(names, f"from its jump on it lies where {other.name} lay, and {other.name} where it did")
    odds, levels = _side(case, channel, best) if end is None else (-np.inf, "")
    odd = f"{levels}: it was set right then" if odds >= case.limit(ID, "odd-before") else None
    told = abs(odds) >= case.limit(ID, "odd-before")  # which side is wrong; a stretch between two jumps is
    size = best.size if odd is None else -best.size
    last = case.time[end.before] if end is not None else case.last if odd is None else case.time[best.before]
    first = case.time[best.row] if odd is None else case.first
    hours = float((last - first) / np.timedelta64(1, "s")) / 3600.0
    others = _others(case, channel, best)
    unit = channel.output_unit
    when = str(case.time[best.row])[:16].replace("T", " ")
    span = f"from {when} UTC on than just before" if odd is None else f"until {when} UTC than from then on"
    sure = float(np.log(abs(best.size) / best.least))
    clues = [
        Clue("size", 1.5 + 2.0 * sure, f"a jump of {best.size:+.3g} {unit} {_within(case, best)}"),
        Clue("stays", min(np.log(max(hours, 0.1) / 6.0), 2.0), f"it stays for {hours:.3g} h"),
        Clue(
            "others",
            1.5
            if not others
            else -3.0
            if len(others) > 1
            else float(np.interp(abs(best.size) / best.least, [1, 3], [-3, 0])),
            f"{', '.join(others)} jump too" if others else "no other channel jumps",
        ),
    ]
    clues += [Clue("before", 0.0, odd)] if odd is not None else []
    closed = end is not None or odd is not None
    return Suspect(
        names,
        tuple(clues),
        {"factor": 1.0, "offset": round(size, 2), "onset": f"{str(first)[:19]}Z"},
        f"{channel.name} stands {abs(size):.3g} {unit} {'higher' if size > 0 else 'lower'} {span}, keeps its shape, "
        "and nothing else changes." + ("" if told else f" {_EITHER}"),
        first,
        last,
        (case.time[best.before], case.time[best.row]) if odd is None else (case.first, case.first),
        device=case.device(channel),
        rivals={"barometer-offset": sum(c.weight for c in clues) - 1.0} if channel.quantity == "air_pressure" else {},
        mend=Mend(
            "offset", names, first if odd is None else None, last if closed else None, -round(size, 2),
            uncertainty=best.error, proposed=told and best.error < 0.05 * abs(best.size),
        ),
        spoils=names,
        exhibit={"kind": "offset", "row": best.row, "size": size, "before": odd is not None},
    )  # fmt: skip


def _side(case: Case, channel: Channel, jump: _Jump) -> tuple[float, str]:
    """By how much (ln odds) what stood before a jump is odder than what stands after it, and both levels in words: the
    jump set it right, or below 0 it set it wrong; 0 where nothing tells. A pressure is held against that of the height,
    a temperature against others of the station."""
    x, parts = case.values(channel), (slice(0, jump.before + 1), slice(jump.row, None))
    if channel.quantity == "air_pressure":
        warm, high = case.warmth, case.sky.elevation
        usual, said = np.full(case.rows, heights.usual_pressure(high, warm)), f"what is usual at {high:.0f} m"
        days = [np.isfinite(x[p]).sum() * case.interval_s / 86400.0 for p in parts]
        wide = [heights.pressure_spread_at(case.sky.latitude, d, high, warm) for d in days]
    else:
        beside = next((c for c in case.of(*_BESIDE[:-1]) if c is not channel and c.name != channel.name), None)
        if beside is None:
            return 0.0, ""
        usual, said, wide = case.values(beside), beside.name, [case.limit(ID, "beside")] * 2
    off = [x[p] - usual[p] for p in parts]
    if min(np.isfinite(o).sum() for o in off) * case.interval_s < 86400.0:
        return 0.0, ""
    levels = [float(np.nanmedian(o)) for o in off]
    odds = 0.5 * ((levels[0] / wide[0]) ** 2 - (levels[1] / wide[1]) ** 2)
    return float(odds), f"{levels[0]:+.3g} {channel.output_unit} from {said} before, {levels[1]:+.3g} after"


def _within(case: Case, jump: _Jump) -> str:
    apart = float((case.time[jump.row] - case.time[jump.before]) / np.timedelta64(1, "m"))
    return "within one row" if apart * 60.0 <= 1.5 * case.interval_s else f"over a gap of {apart:.0f} min"


def _lasts(case: Case, channel: Channel, jump: _Jump) -> bool:
    """Whether a temperature of the day after stands off that of the day before by the jump: weather turns back.

    From day to day weather takes away or adds several kelvin: of twice the least jump a smaller share will do, and of
    any what a temperature beside it did meanwhile may be taken off.
    """
    moved = _moved(case, case.values(channel), jump)
    if moved is None:
        return abs(jump.size) > 20.0  # without a day on both sides only what no weather does
    low, high = (0.3, 1.8) if abs(jump.size) > 2.0 * jump.least else (0.5, 1.6)
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
    before, after = x[max(0, jump.before + 1 - day) : jump.before + 1], x[jump.row : jump.row + day]
    if min(np.isfinite(before).sum(), np.isfinite(after).sum()) < 0.8 * day:
        return None
    return float(np.nanmedian(after) - np.nanmedian(before))


def _jumps(case: Case, channel: Channel, *, share: float = 1.0) -> list[_Jump]:
    """Rows at which a channel jumps and stays for three hours, with the size: what the courses on both sides leave.

    Who sets constants often loses rows by it: values may lie up to an hour apart (or one row of a longer interval).
    """
    x, interval = case.values(channel), max(case.interval_s, 1.0)
    here = np.flatnonzero(np.isfinite(x))
    if len(here) < 8:
        return []
    y = x[here]
    seconds = (case.time[here] - case.time[here[0]]) / np.timedelta64(1, "s")
    apart, step = np.diff(seconds), np.diff(y)
    beside = np.diff(here) == 1
    known = np.where(beside, case.consecutive[here[1:]], False) | (apart <= max(case.limit(ID, "gap"), 2.0 * interval))
    least = _least(case, channel, case.interval_s)
    steps = np.flatnonzero(known & (np.abs(step) > 0.75 * share * least)) + 1
    if len(steps) > 200:  # it jumps all the time: no step of a constant
        return []
    reach = max(3, round(3.0 * 3600.0 / interval))
    near = int(np.clip(1800.0 / interval, 4, 30))
    out = []
    for k in steps.tolist():
        first = int(np.searchsorted(seconds, seconds[k - 1] - (reach - 0.5) * interval))
        stop = int(np.searchsorted(seconds, seconds[k] + (reach - 0.5) * interval))
        before, after = y[first:k], y[k:stop]
        if min(len(before), len(after)) < 3:
            continue
        near_b, near_a = before[-near:], after[:near]
        tilt_b, tilt_a = (_slope(p) for p in (before[-2 * near :], after[: 2 * near]))
        tilt, lost = (tilt_a + tilt_b) / 2.0, max(float(apart[k - 1]) / interval - 1.0, 0.0)
        size = float(np.median(near_a) - np.median(near_b) - ((len(near_b) + len(near_a)) / 2.0 + lost) * tilt)
        wide = float(np.median(after) - np.median(before) - ((len(before) + len(after)) / 2.0 + lost) * tilt)
        most = _least(case, channel, float(apart[k - 1])) if lost else least
        if (
            bool(abs(size) > share * most)
            and 0.5 < wide / size < 1.7
            and 0.6 < (step[k - 1] - lost * tilt) / size < 1.6
        ):
            error = max(float(np.std(np.diff(p))) for p in (before[-7:], after[:7]))
            if abs(size) > 3.0 * error:
                out.append(_Jump(int(here[k - 1]), int(here[k]), size, error, most))
    return out


def _slope(x: Floats) -> float:
    """Change from row to row: from the medians of both halves."""
    half = len(x) // 2
    a, b = x[:half], x[-half:] if half else x[:0]
    if not (np.isfinite(a).any() and np.isfinite(b).any()):
        return 0.0
    return float(np.nanmedian(b) - np.nanmedian(a)) / max(len(x) - half, 1)


def _others(case: Case, channel: Channel, jump: _Jump) -> list[str]:
    """Channels that change there by more than in 99 of 100, over as long."""
    out = []
    apart = float((case.time[jump.row] - case.time[jump.before]) / np.timedelta64(1, "s"))
    lag = min(max(round(apart / max(case.interval_s, 1.0)), 1), case.rows - 1)
    for other in case.channels:
        if (
            other is channel
            or other.quantity in ("wind_direction", "precipitation")
            or (case.night[jump.row] and "irrad" in other.quantity)
        ):
            continue
        x = case.values(other)
        change = np.abs(x[lag:] - x[:-lag])
        there = change[np.isfinite(change) & (change > 0)]
        if len(there) > 50 and abs(x[jump.row] - x[jump.before]) > 1.5 * np.percentile(there, 99):
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
        if np.isfinite(case.values(c)).mean() > 0.5 and not case.condemned(c) and not _jumps(case, c)
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
    wrong = (np.arange(case.rows) < row) if suspect.exhibit["before"] else (np.arange(case.rows) >= row)
    mended = np.where(wrong & (case.time <= suspect.last), x - suspect.exhibit["size"], np.nan)
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
