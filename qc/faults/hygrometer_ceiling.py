"""Hygrometer with a low ceiling.

Shows: after hours of rain, when the air at the station is saturated, the humidity still stays well below 100 %, event
    after event, and it never reads more in fog and dew either; or night after night it rises to one and the same value
    below saturation, and stands there for hours.
Happened: the sensing film has aged or is dirty (salt, dust, solvents, smoke), its calibration has drifted, or the
    logger cuts off what lies above.
How sure: rain that has fallen for two hours saturates the air around it nearly everywhere, so several such rains
    decide; without them only a humidity that stops dead at one value shows it, for air stands still at saturation
    alone; how the sensor errs below saturation the station's own data cannot tell.
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
from typing import TYPE_CHECKING, NamedTuple

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


class Pile(NamedTuple):
    """A highest value at which the humidity stops dead, night after night.

    `before` is the last row above it before it began (-1 for none), `first` and `last` are the rows that show it,
    `held` whether a row stands at it for long. `nights` are the times it was held, with drier air between; `share` is
    that of values at it among those within the span below it; `step` is the resolution, %; `hours` the middle of how
    long it was held.
    """

    value: float
    before: int
    first: int
    last: int
    held: Bools
    nights: int
    share: float
    step: float
    hours: float

    @property
    def told(self) -> str:
        """Its value, with the digits that its resolution is worth."""
        return f"{self.value:.{0 if self.step > 0.5 else 1}f} %"


def test(case: Case) -> Sequence[Outcome]:
    """The highest humidity of each long rain."""
    return [_one(case, channel) for channel in case.of("relative_humidity")]


def _one(case: Case, channel: Channel) -> Outcome:
    values = case.sound(channel)
    pile = _pile(case, channel, values)
    found = _by_rain(case, channel, values, pile)
    if isinstance(found, Suspect) or pile is None:
        return found
    clues = _piled(case, pile)
    if pile.share < case.limit(ID, "share") or clues[0].weight <= 0.0:
        return found
    return Suspect(
        (channel.name,),
        clues,
        {"ceiling_percent": round(pile.value, 1)},
        f"{channel.name} stops dead at {pile.told}: it was held there on {pile.nights} nights, for {pile.hours:.1f} h "
        "in the middle, and nothing lies above it; air stands still at saturation alone.",
        case.time[pile.first],
        case.time[pile.last],
        (case.time[max(pile.before, 0)], case.time[pile.first if pile.before >= 0 else 0]),
        device=case.device(channel),
        exhibit={"held": pile.held, "ceiling": pile.value, "first": pile.first, "last": pile.last},
    )


def _by_rain(case: Case, channel: Channel, values: Floats, pile: Pile | None) -> Outcome:
    """What long rains say; a value at which it stops dead is one more clue, and knows better when it began."""
    names = (channel.name,)
    if case.mate("precipitation") is None:
        return Untested(names, "no rain is measured, and it stops dead at no value", "it stops dead on more nights")
    rains = _rains(case)
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
    clues = [
        Clue("rain", weight, f"after two hours of rain it reads {ceiling:.1f} % (upper quartile of {count} rains)"),
        Clue("never higher", slope * (sound + 0.5 - top), f"in all weather it reads {top:.1f} % at most"),
        Clue("repeated", min(1.0, 0.25 * (count - need)), f"in {count} long rains"),
    ]
    if pile is not None and abs(pile.value - ceiling) < case.limit(ID, "margin"):
        clues += [clue for clue in _piled(case, pile)[:1] if clue.weight > 0.0]
        before, first, last = pile.before, pile.first, pile.last
    return Suspect(
        names,
        tuple(clues),
        {"ceiling_percent": round(ceiling, 1)},
        f"{channel.name} stays at {ceiling:.1f} % or less after {case.limit(ID, 'rain_hours'):g} h of rain "
        f"({count} rains) and never exceeds {top:.1f} %; a sound one comes to {sound:.0f} % and more.",
        case.time[first],
        case.time[last],
        (case.time[max(before, 0)], case.time[first if before >= 0 else 0]),
        device=case.device(channel),
        exhibit={"saturated": rains.saturated, "ceiling": ceiling, "first": first, "last": last},
    )


# ---- the value at which it stops dead


def _pile(case: Case, channel: Channel, values: Floats) -> Pile | None:
    """The value that most nights stop at; None where none is held on as many as are asked for.

    Held: the same value, to within the resolution, for an hour and for three rows, in air too warm for saturation over
    ice. Nights: times held, for days at most, with drier air between them: a frozen channel is none. Nothing may lie
    above it from the first to the last, in frost neither: a logger cuts off everything.
    """
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 3:
        return None
    step = max(_step(values[known]), float(case.quantum(channel).max(initial=0.0)))
    whole = np.full(case.rows, -1, np.int64)
    whole[known] = np.round(values[known] / step).astype(np.int64)
    same = np.zeros(case.rows, bool)
    same[1:] = case.consecutive[1:] & (whole[1:] == whole[:-1])
    first = np.flatnonzero(~same)
    last = np.append(first[1:], case.rows) - 1
    least = max(3, round(case.limit(ID, "held") * 3600.0 / max(case.interval_s, 1.0)))
    warm = np.append(0, np.cumsum(_liquid(case) & np.isfinite(values)))
    rows = last - first + 1
    low, high = case.limit(ID, "least_ceiling"), case.limit(ID, "stop")
    stays = (
        (rows >= least)
        & (rows * case.interval_s <= case.limit(ID, "longest") * 3600.0)
        & (warm[last + 1] - warm[first] == rows)
    )
    stays &= (whole[first] * step >= low) & (whole[first] * step <= high)
    best: tuple[int, int, NDArray[np.int64]] | None = None
    for level in np.unique(whole[first[stays]]).tolist():
        here = np.flatnonzero(stays & (whole[first] == level))
        stretch = np.searchsorted(np.flatnonzero(whole > level), first[here])
        dry = np.cumsum(values < level * step - case.limit(ID, "drier"))[first[here]]
        for one in np.unique(stretch).tolist():
            nights = len(np.unique(dry[stretch == one]))
            if nights >= case.limit(ID, "nights") and (best is None or nights > best[0]):
                best = nights, level, here[stretch == one]
    return None if best is None else _measured(case, values, whole, step, first, last, *best)


def _measured(
    case: Case, values: Floats, whole: NDArray[np.int64], step: float, first: NDArray[np.int64],
    last: NDArray[np.int64], nights: int, level: int, here: NDArray[np.int64],
) -> Pile:  # fmt: skip
    """The pile of some stays."""
    above = np.flatnonzero(whole > level)
    before, after = above[above < first[here[0]]], above[above > last[here[-1]]]
    begin, end = (int(before[-1]) if len(before) else -1), int(after[0]) if len(after) else case.rows
    at = np.flatnonzero(whole[begin + 1 : end] == level) + begin + 1
    part = values[begin + 1 : end]
    near = int((part > level * step - case.limit(ID, "span")).sum())
    held = np.zeros(case.rows, bool)
    for a, b in zip(first[here].tolist(), last[here].tolist(), strict=True):
        held[a : b + 1] = True
    shown = int(first[here[0]])
    hours = float(np.median((last - first + 1)[here])) * case.interval_s / 3600.0
    stop = int(at[-1]) if len(after) else case.rows - 1
    return Pile(float(values[at].max()), begin, shown, stop, held, nights, len(at) / max(near, 1), step, hours)


def _step(values: Floats) -> float:
    """Resolution of some values: the middle distance of those that differ, from a thousandth to one per cent."""
    different = np.diff(np.unique(np.round(values, 3)))
    return min(float(np.round(np.median(different), 3)), 1.0) if len(different) else 1.0


def _piled(case: Case, pile: Pile) -> tuple[Clue, ...]:
    """How the pile speaks: against values that are spread evenly over the span below it, and against nights whose tops
    are. Of a coarse resolution equal values say less."""
    width = case.limit(ID, "span")
    spread, days = width / pile.step, max(case.span_s / 86400.0, 1.0)
    return (
        Clue(
            "stops dead",
            float(np.log(max(pile.share, 1e-6) * spread)),
            f"{100 * pile.share:.0f} % of the values of the highest {width:g} % stand at {pile.told}",
        ),
        Clue(
            "night after night",
            float((pile.nights - 1) * np.log(spread) - np.log(days)),
            f"it is held at {pile.told} on {pile.nights} nights, for {pile.hours:.1f} h in the middle, never higher",
        ),
    )


# ---- rains


def _liquid(case: Case) -> Bools:
    """Where air is too warm for saturation over ice."""

    def make() -> Bools:
        t = case.scene.companion("air_temperature")
        return np.ones(case.rows, bool) if t is None else t >= case.limit(ID, "least_temperature")

    return case.once("hygrometer;liquid", make)


def _rains(case: Case) -> Rains:
    """Rows of rain that has fallen without a break for the hours asked for, in liquid, and not in sunshine."""
    return case.once("hygrometer;rains", lambda: _rained(case))


def _rained(case: Case) -> Rains:
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
    return Rains(ends[:, 0], ends[:, 1], saturated)


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
    """How often each humidity was read, in all weather and after two hours of rain, or where it stood still."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    first, last = suspect.exhibit["first"], suspect.exhibit["last"]
    values = case.values(channel)[first : last + 1]
    rain = "saturated" in suspect.exhibit
    shown = np.asarray(suspect.exhibit["saturated" if rain else "held"])[first : last + 1]
    edges = np.arange(40.0, 102.0, 1.0)
    with house.house():
        figure = house.figure(3.2)
        axes = figure.subplots()
        axes.axvspan(case.limit(ID, "sound"), 101.0, color="#e7efe9", label="where a sound one reads in rain")
        for rows, color, told in (
            (np.isfinite(values), "#b9bdb9", "all values"),
            (
                shown & np.isfinite(values),
                COLOURS[3],
                "after two hours of rain" if rain else "held for an hour and more",
            ),
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
    needs=(("relative_humidity",),),
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
