"""Hygrometer with a low ceiling.

Shows: after hours of rain, when the air at the station is saturated, the humidity still stays well below 100 %, event
    after event, and it never reads more in fog and dew either.
Happened: the sensing film has aged or is dirty (salt, dust, solvents, smoke), its calibration has drifted, or the
    logger cuts off what lies above.
How sure: rain that has fallen for two hours saturates the air around it nearly everywhere, so several such rains
    decide; how the sensor errs below saturation the station's own data cannot tell.
Check: hold a freshly wetted and wrung cloth around the shield for half an hour and read the value, which should come
    to 97 % or more; compare it with a hand-held hygrometer in the shade and wind, at noon and after sunset; look for
    salt, dust and insects at the filter; compare slope and offset in the logger's program with the certificate.
Carry: hand-held hygrometer, cloth and clean water, new filter cap, exchange probe with its certificate.
Caution: put up and climb a ladder only on firm ground, with a second person, and never in lightning, ice or high
    wind; follow local codes and site rules.
Data: humidity near saturation is too low, and what is derived from it too (dew point, evaporation); do not stretch
    the scale, for its error at lower humidity is not known: exchange the probe, compare both for a week, then decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import gauge, onset
from qc.physics.gauge import HOUR_US
from qc.physics.windows import Blocks, sliding_count
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "hygrometer-ceiling"


@dataclass(frozen=True)
class Rains:
    """Rains that lasted: first and last saturated row of each, and whether each row of the table is saturated."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    saturated: Bools


def test(case: Case) -> Sequence[Outcome]:
    """The highest humidity of each long rain."""
    return [_one(case, channel) for channel in case.of("relative_humidity")]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    values, rains = case.sound(channel), _rains(case)
    need = int(case.limit(ID, "events"))
    tops = _tops(values, rains)
    known = np.flatnonzero(np.isfinite(tops))
    if len(known) < need:
        hours = case.limit(ID, "rain_hours")
        why = f"has {len(known)} liquid rains of more than {hours:g} h without a break, needs {need}"
        return Untested(names, why, f"{hours:g} h of rain")
    start, stop = _segment(case, tops, need)
    ceiling = float(np.nanpercentile(tops[start:stop], 75))
    before, first, last = _period(case, values, rains, tops, start, stop, ceiling)
    part = tops[(rains.first >= first) & (rains.last <= last)]
    ceiling = float(np.nanpercentile(part, 75))
    every = values[first : last + 1][_liquid(case)[first : last + 1]]
    top = float(np.nanpercentile(every, 99.9)) if np.isfinite(every).any() else np.nan
    if ceiling < case.limit(ID, "least_ceiling"):
        return Untested(names, f"it reads {ceiling:.1f} % in rain: no ceiling, but a channel that says nothing")
    sound, slope = case.limit(ID, "sound"), case.limit(ID, "slope")
    count = int(np.isfinite(part).sum())
    weight = slope * (sound - ceiling)
    if weight < 0.5 or count < need or top > case.limit(ID, "never_above"):
        return Cleared(names, f"{count} long rains reach {ceiling:.1f} % (upper quartile), the highest is {top:.1f} %")
    clues = (
        Clue("rain", weight, f"after two hours of rain it reads {ceiling:.1f} % (upper quartile of {count} rains)"),
        Clue("never higher", slope * (sound + 0.5 - top), f"in all weather it reads {top:.1f} % at most"),
        Clue("repeated", min(1.0, 0.25 * (count - need)), f"in {count} long rains"),
    )
    return Suspect(
        names,
        clues,
        {"ceiling_percent": round(ceiling, 1)},
        f"{channel.name} stays at {ceiling:.1f} % or less after {case.limit(ID, 'rain_hours'):g} h of rain "
        f"({count} rains) and never exceeds {top:.1f} %; a sound one comes to {sound:.0f} % and more.",
        case.time[first],
        case.time[last],
        (case.time[before], case.time[first]),
        device=case.device(channel),
        exhibit={"saturated": rains.saturated, "ceiling": ceiling, "first": first, "last": last},
    )


def _liquid(case: Case) -> Bools:
    """Where air is too warm for saturation over ice."""
    if "hygrometer;liquid" not in case.shared:
        t = case.scene.companion("air_temperature")
        warm = np.ones(case.rows, bool) if t is None else t >= case.limit(ID, "least_temperature")
        case.shared["hygrometer;liquid"] = warm
    out: Bools = case.shared["hygrometer;liquid"]
    return out


def _rains(case: Case) -> Rains:
    """Rows of rain that has fallen without a break for the hours asked for, in liquid, and not in sunshine."""
    if "hygrometer;rains" in case.shared:
        out: Rains = case.shared["hygrometer;rains"]
        return out
    rain = case.scene.companion("precipitation")
    assert rain is not None
    span = round(max(case.limit(ID, "pause") * 60.0, case.interval_s) * 1e6)
    hours = np.timedelta64(round(case.limit(ID, "rain_hours") * 3600), "s")
    blocks = Blocks(case.table.middle, span)
    wet = gauge.unbroken_spells(blocks.max(rain) > 0, blocks.time, span)
    long = wet.hours(blocks.time, span) <= case.limit(ID, "longest")
    saturated = np.zeros(case.rows, bool)
    bounds = []
    bright = case.scene.brightness
    for first, last in zip(wet.first[long], wet.last[long], strict=True):
        begin = np.searchsorted(case.time, blocks.time[first] + hours)
        end = np.searchsorted(case.time, blocks.time[last] + np.timedelta64(span, "us"), side="right")
        if end <= begin:
            continue
        whole = slice(int(np.searchsorted(case.time, blocks.time[first])), int(end))
        if np.nansum(rain[whole]) < case.limit(ID, "amount"):
            continue
        rows = np.arange(begin, end)
        rows = rows[_liquid(case)[rows]]
        if bright is not None:
            rows = rows[~(bright[rows] > case.limit(ID, "sunny"))]
        if len(rows) * case.interval_s >= 1800.0:
            saturated[rows] = True
            bounds.append((rows[0], rows[-1]))
    ends = np.array(bounds, np.int64).reshape(-1, 2)
    case.shared["hygrometer;rains"] = Rains(ends[:, 0], ends[:, 1], saturated)
    return _rains(case)


def _tops(values: Floats, rains: Rains) -> Floats:
    """The highest humidity of each rain."""
    held = np.where(rains.saturated, values, np.nan)
    parts = [held[a : b + 1] for a, b in zip(rains.first, rains.last, strict=True)]
    return np.array([np.nanmax(p) if np.isfinite(p).any() else np.nan for p in parts])


def _segment(case: Case, tops: Floats, need: int) -> tuple[int, int]:
    """Rains from which to which the ceiling was lowest: all of them, or those on one side of a step."""
    change = onset.step(tops, least=need)
    if change is None or change.gain < case.limit(ID, "gain"):
        return 0, len(tops)
    highs = [float(np.nanpercentile(part, 75)) for part in (tops[: change.at], tops[change.at :])]
    if max(highs) < case.limit(ID, "sound") - 1.0 or abs(highs[0] - highs[1]) < case.limit(ID, "margin"):
        return 0, len(tops)
    return (change.at, len(tops)) if highs[1] < highs[0] else (0, change.at)


def _period(
    case: Case, values: Floats, rains: Rains, tops: Floats, start: int, stop: int, ceiling: float
) -> tuple[int, int, int]:
    """The last row before it began, the first and the last row that show it.

    It began after the last value above the ceiling (values of odd rows, one in a thousand, where no rain comes after
    it). The first rain at the ceiling shows it; or, before that rain, the second time that the air stays at it for two
    hours, having been drier in between: sound air may stay there once.
    """
    last = case.rows - 1 if stop == len(tops) else int(rains.last[stop - 1])
    margin = case.limit(ID, "margin")
    above = np.flatnonzero(values[: last + 1] > ceiling + margin + 1.0)
    low: list[int] = []
    before = 0
    for few in (0, int(0.001 * (last - rains.first[start]))):
        before = int(above[-1 - few]) if len(above) > few else -1
        low = [i for i in range(start, stop) if rains.first[i] > before and tops[i] <= ceiling + margin]
        if low:
            break
    if not low or before < 0:
        return 0, 0, last
    shown = int(rains.first[low[0]])
    at = values >= ceiling - margin
    stays = at & (sliding_count(at, case.time, 0, 3 * HOUR_US) * case.interval_s >= 7200.0)
    dry = values < ceiling - case.limit(ID, "drier")
    row = before
    for _ in range(2):
        for mask in (dry, stays):
            found = np.flatnonzero(mask[row:shown])
            row += int(found[0]) if len(found) else shown - row
    return before, row, last


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A cut-off, or a scale that is squeezed above 70 %, from a random row on."""
    channel = case.mate("relative_humidity")
    if channel is None or case.mate("precipitation") is None or np.nanpercentile(case.values(channel), 99) > 103.0:
        return None
    row, squeezed = onset_row(case, rng), bool(rng.random() < 0.5)
    rains = _rains(case)
    tops = _tops(case.values(channel), rains)
    here = (rains.first >= row) & np.isfinite(tops)
    ceiling = {"near": 92.0, "typical": 90.0, "gross": 84.0}[grade] + float(rng.uniform(-1.0, 1.0))
    if here.sum() < case.limit(ID, "events") + 1 or np.percentile(tops[here], 75) < case.limit(ID, "sound") + 1.0:
        return None
    values = case.values(channel).copy()
    after = values[row:]
    if squeezed:
        values[row:] = np.where(after > 70.0, 70.0 + (after - 70.0) * (ceiling - 70.0) / 30.0, after)
    else:
        values[row:] = np.minimum(after, ceiling)
    truth = float(np.percentile(_tops(values, rains)[here], 75))
    return Injection((channel.name,), case.time[row], case.last, {"ceiling_percent": truth}, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """How often each humidity was read, in all weather and after two hours of rain."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    first, last = suspect.exhibit["first"], suspect.exhibit["last"]
    values = case.values(channel)[first : last + 1]
    saturated = np.asarray(suspect.exhibit["saturated"])[first : last + 1]
    edges = np.arange(40.0, 102.0, 1.0)
    with house.house():
        figure = house.figure(3.2)
        axes = figure.subplots()
        axes.axvspan(case.limit(ID, "sound"), 101.0, color="#e7efe9", label="where a sound one reads in rain")
        for rows, color, told in (
            (np.isfinite(values), "#b9bdb9", "all values"),
            (saturated & np.isfinite(values), COLOURS[3], "after two hours of rain"),
        ):
            share, _ = np.histogram(values[rows], edges)
            axes.stairs(100.0 * share / max(share.sum(), 1), edges, fill=color == "#b9bdb9", color=color, label=told)
        axes.axvline(suspect.exhibit["ceiling"], color=house.INK, linestyle="--", linewidth=0.8, label="its ceiling")
        axes.set_xlim(40.0, 101.0)
        axes.set_xlabel(f"{house.label(channel.name)}, %")
        axes.set_ylabel("share of values, % in each 1 %")
        house.legend(figure, axes, columns=4)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=(("relative_humidity",), ("precipitation",)),
    least_s=3 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("ceiling_percent",),
    go="next-visit",
    rivals={
        "constants-wrong": "the dry end: a wrong constant moves noon values by as much, an aged film does not; the "
        "certificate against the logger's program",
        "gauge-noise": "tips without rain: look at the sky of the times that count as rain",
    },
    visits=("replaced", "disturbed"),
)
