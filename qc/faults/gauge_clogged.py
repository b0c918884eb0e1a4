"""Rain gauge with a partly blocked funnel.

Shows: rain comes in small, even amounts hour after hour, never faster than one rate, goes on long after the rain has
    ended, or ends in a pour out of nothing when the plug lets go.
Happened: leaves, seeds, droppings, insects or a wasp nest in the funnel or its filter hold the water back.
How sure: rain is irregular and drips are not, so a few long rains decide; drizzle comes nearest, and melting snow,
    which is left out.
Check: look into funnel and filter and clean them; pour a measured half litre through slowly and count the tips; look
    for birds' perches and trees above; check that the gauge is level.
Carry: pipe cleaner and brush, clean water in a measuring jug, new filter or debris screen, bird spikes, spirit level.
Caution: nests hold wasps and droppings carry disease: gloves and glasses, and step back when insects come; never work
    in lightning, ice or high wind; follow local codes and site rules.
Data: reject times and rates of the events; a total over a whole event may hold, if the funnel did not overflow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import gauge
from qc.physics.rain import MICRO, even_tips, whole
from qc.physics.windows import Blocks, sliding_min
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "gauge-clogged"
QUANTITY = "precipitation"
_US = gauge.HOUR_US


class Event(NamedTuple):
    """One rain: its first and last block, the even run from `start` to `stop`, its hours with half of other runs.

    `total` mm, `rate` the highest of half an hour, mm/h; `pour`: ends in a pour; `sunny`: share of the even run in dry
    or sunny air.
    """

    first: int
    last: int
    start: int
    stop: int
    hours: float
    total: float
    rate: float
    pour: bool
    sunny: float


@dataclass(frozen=True)
class Rains:
    """A gauge in blocks, and the rains that are large and warm enough to tell."""

    blocks: Blocks
    amount: Floats
    events: tuple[Event, ...]
    coarse: bool


def test(case: Case) -> Sequence[Outcome]:
    """Evenness and highest rates of rains."""
    return [_one(case, channel) for channel in case.of(QUANTITY)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    if not 0.0 < case.interval_s <= 3600.0:
        return Untested(names, "events, or intervals longer than an hour")
    tip = case.quantum(channel)
    if not len(tip) or (tip < case.limit(ID, "least_tip")).any():
        return Untested(names, "no resolution, or one too fine for a tipping bucket")
    rains = _rains(case, case.values(channel))
    if not rains.events:
        return Untested(names, f"no warm rain of {case.limit(ID, 'amount'):g} mm yet",
                        f"{case.limit(ID, 'amount'):g} mm of rain")  # fmt: skip
    scores = np.array([_score(case, rains, e) for e in rains.events])
    if scores.max() <= 0.0:
        longest = max(e.hours for e in rains.events)
        return Cleared(names, f"{len(scores)} rains, even for {longest:.1f} h at most")
    total = np.concatenate(([0.0], np.cumsum(scores)))
    low = np.minimum.accumulate(total)
    last = int(np.argmax(total[1:] - low[:-1]))
    first = int(np.flatnonzero(total[: last + 1] == low[last])[-1])
    return _suspect(case, channel, rains, scores, first, last)


def _rains(case: Case, rain: Floats) -> Rains:
    coarse = case.interval_s > 1800.0
    rows = max(1, int(np.ceil(900.0 / case.interval_s)))
    blocks = Blocks(case.table.middle, round(rows * case.interval_s * 1e6))
    per_hour = _US / blocks.span_us
    amount = blocks.sum(whole(rain)) / MICRO
    most = case.limit(ID, "most")
    even = even_tips(rain, blocks, rows, case.limit(ID, "unevenness"), most / per_hour, _US, 96 * _US)
    lasting = even.lasting_us / _US
    # a block of half an hour, for rates that a single tip does not make
    pair = amount if coarse else amount + np.append(amount[1:] * _beside(blocks), 0.0)
    rate = pair * per_hour / (1.0 if coarse else 2.0)
    coldest = _coldest(case, blocks)
    events = []
    spells = gauge.spells(amount > 0, blocks.time, blocks.span_us, round(case.limit(ID, "apart") * _US))
    for first, last in zip(spells.first, spells.last, strict=True):
        part = slice(first, last + 1)
        if amount[part].sum() < case.limit(ID, "amount") or coldest[first] < case.limit(ID, "least_temperature"):
            continue
        events.append(_event(case, rain, blocks, amount, rate, lasting, int(first), int(last)))
    return Rains(blocks, amount, tuple(events), coarse)


def _beside(blocks: Blocks) -> Floats:
    """1 where the next block follows without a gap."""
    return np.asarray((np.diff(blocks.time.astype(np.int64)) == blocks.span_us).astype(float))


def _coldest(case: Case, blocks: Blocks) -> Floats:
    """The lowest temperature of the half-day before each block; warm where there is none."""
    t = case.scene.companion("air_temperature")
    if t is None:
        return np.full(len(blocks.time), 99.0)
    coldest = sliding_min(blocks.min(t), blocks.time, 12 * _US, 0)
    return np.where(np.isfinite(coldest), coldest, 99.0)


def _event(
    case: Case, rain: Floats, blocks: Blocks, amount: Floats, rate: Floats, lasting: Floats, first: int, last: int
) -> Event:
    """What one rain shows."""
    part = lasting[first : last + 1]
    at = first + int(np.argmax(part))
    hours = float(lasting[at])
    size = max(1, round(hours * _US / blocks.span_us))
    stop = min(at + size - 1, last)
    if blocks.span_us > _US // 2 and not _steady(case, rain, amount[at + 1 : stop]):
        hours = 0.0
    others = {round(float(h), 6) for h in part if h >= 2.0} - {round(hours, 6)}
    drip = amount[at : stop + 1]
    level = float(drip.mean()) if hours > 0 else np.inf
    top = float(rate[first : last + 1].max())
    pour = _pours(case, blocks, amount, stop, level) if hours >= 3.0 else False
    if blocks.span_us > _US // 2:
        others = set()
    return Event(
        first, last, at, stop, hours + 0.5 * sum(others), float(amount[first : last + 1].sum()), top, pour,
        _sunny(case, blocks, at, stop) if hours >= 2.0 else 0.0,
    )  # fmt: skip


def _steady(case: Case, rain: Floats, run: Floats) -> bool:
    """Whether hours of a run hardly differ, and hold so many tips that this says something: drizzle of two or three
    tips an hour is even by itself."""
    tip = float(np.min(rain[rain > 0], initial=np.inf))
    enough = len(run) >= 3 and run.mean() >= case.limit(ID, "tips_coarse") * tip
    return bool(enough and run.std() <= case.limit(ID, "scatter_coarse") * run.mean())


def _pours(case: Case, blocks: Blocks, amount: Floats, stop: int, level: float) -> bool:
    """Whether within hours of the drip one block holds ten times as much, and the blocks beside it no more."""
    until = blocks.time[stop] + np.timedelta64(round(case.limit(ID, "pour_within") * _US), "us")
    after = np.arange(stop + 1, np.searchsorted(blocks.time, until, side="right"))
    after = after[(after > 0) & (after < len(amount) - 1)]
    if not len(after):
        return False
    at = after[int(np.argmax(amount[after]))]
    beside = max(float(amount[at - 1]), float(amount[at + 1]))
    much = amount[at] >= max(10.0 * level, case.limit(ID, "pour"))
    return bool(much and beside <= 2.0 * level)


def _sunny(case: Case, blocks: Blocks, start: int, stop: int) -> float:
    """Share of some blocks in dry air, or under a bright sun."""
    dry = np.zeros(len(blocks.time), bool)
    rh, bright = case.scene.companion("relative_humidity"), case.scene.brightness
    if rh is not None:
        dry |= blocks.max(rh) < case.limit(ID, "dry")
    if bright is not None:
        moist = blocks.max(rh) >= case.limit(ID, "moist") if rh is not None else False
        dry |= (blocks.min(bright) > case.limit(ID, "sunny")) & ~np.asarray(moist)
    return float(dry[start : stop + 1].mean())


def _score(case: Case, rains: Rains, event: Event) -> float:
    """How much one rain speaks for a drip, ln odds."""
    if event.rate > case.limit(ID, "most") and not event.pour:
        return -2.0
    usual, slope = ("usual_coarse", 0.25) if rains.coarse else ("usual", 0.8)
    return float(np.clip(slope * (event.hours - case.limit(ID, usual)), -1.0, 4.0))


def _suspect(case: Case, channel: Channel, rains: Rains, scores: Floats, first: int, last: int) -> Outcome:
    names, blocks = (channel.name,), rains.blocks
    chosen = rains.events[first : last + 1]
    usual = case.limit(ID, "usual_coarse" if rains.coarse else "usual")
    shown = [e for e in chosen if e.hours > usual + 0.5]
    if not shown:
        return Cleared(names, f"{len(scores)} rains, even for {max(e.hours for e in chosen):.1f} h at most")
    clues = [Clue("even", min(4.0, float(scores[first : last + 1].sum())),
                  f"{len(shown)} rains drip evenly, up to {max(e.hours for e in shown):.1f} h")]  # fmt: skip
    if len(chosen) >= 2:
        rates = np.log(np.array([e.rate for e in chosen if not e.pour]))
        spread = float(np.std(rates)) if len(rates) >= 2 else 1.0
        gain = (len(rates) - 1) * np.log(case.limit(ID, "spread") / max(spread, case.limit(ID, "least_spread")))
        clues.append(Clue("one rate", float(np.clip(gain, -3.0, 4.0)),
                          f"its {len(rates)} highest rates lie at {np.exp(np.median(rates)):.1f} mm/h, "
                          f"within a factor of {np.exp(2 * spread):.1f}"))  # fmt: skip
    if any(e.pour for e in shown):
        clues.append(Clue("pour", 3.0, "out of the drip comes a pour in a single interval: the plug lets go"))
    sunny = max(e.sunny for e in shown)
    if sunny > 0.1:
        clues.append(Clue("dry air", min(3.0, 8.0 * sunny), f"{100 * sunny:.0f} % of a drip fall in dry or sunny air"))
    before = _before(case, rains, shown[0])
    start = case.time[_row(case, blocks.time[shown[0].start])]
    sure = next((e for e in shown if e.hours >= usual + 2.0 or e.pour), shown[-1])  # gentle rain may come before
    hold = min(sure.stop, sure.start + int(3.0 * _US / blocks.span_us))
    end = max(shown[-1].last, shown[-1].stop + 1)
    if any(e.pour for e in shown[-1:]):
        end = int(np.searchsorted(blocks.time, blocks.time[shown[-1].stop] + np.timedelta64(
            round(case.limit(ID, "pour_within") * _US), "us")))  # fmt: skip
    finish = case.time[_row(case, blocks.time[min(end, len(blocks.time) - 1)])]
    hours = sum(e.hours for e in shown)
    return Suspect(
        names,
        tuple(clues),
        {"events": len(shown)},
        f"{channel.name} drips evenly in {len(shown)} rain{'s' * (len(shown) > 1)}, {hours:.0f} h in all, at "
        f"{np.median([e.rate for e in shown]):.1f} mm/h or less; sound rain is even for {usual:g} h at most.",
        start,
        finish,
        (before, case.time[_row(case, blocks.time[hold])]),
        device=case.device(channel),
        spoils=names,
        exhibit={"start": blocks.time[shown[0].first], "stop": blocks.time[min(end, len(blocks.time) - 1)]},
    )


def _before(case: Case, rains: Rains, event: Event) -> np.datetime64:
    """The last time before an event at which the gauge let through more than this event ever did."""
    more = np.flatnonzero(rains.amount[: event.start] > 1.5 * float(rains.amount[event.start : event.stop + 1].max()))
    if not len(more):
        return case.first
    moment: np.datetime64 = case.time[_row(case, rains.blocks.time[more[-1]])]
    return moment


def _row(case: Case, moment: np.datetime64) -> int:
    return int(np.clip(np.searchsorted(case.table.middle, moment), 0, case.rows - 1))


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A funnel that lets through so many tips an hour, from a random row on; totals hold."""
    channel = case.mate(QUANTITY)
    if channel is None or not 0.0 < case.interval_s <= 3600.0:
        return None
    tip = float(np.max(case.quantum(channel), initial=0.0))
    if tip < case.limit(ID, "least_tip"):
        return None
    row = onset_row(case, rng)
    most = {"near": 20.0, "typical": 7.0, "gross": 5.0}[grade] * float(rng.uniform(0.9, 1.1)) * tip
    values = case.values(channel).copy()
    before = _rains(case, values)
    values[row:] = gauge.throttled(values[row:], most * case.interval_s / 3600.0, tip)
    rains = _rains(case, values)
    usual = case.limit(ID, "usual_coarse" if rains.coarse else "usual")
    since = [e for e in rains.events if rains.blocks.time[e.first] >= case.time[row]]
    held = [e for e in since if e.total > 0.8 * most * (usual + 1.0) and e.rate < 2.0 * most]
    waits = np.cumsum(np.nan_to_num(case.values(channel))) - np.cumsum(np.nan_to_num(values))
    waiting = rains.blocks.max(waits)  # mm in the funnel
    backed = sum(waiting[e.first : e.last + 1].max() > 0.5 * most * usual for e in held)
    if backed < {"near": 1, "typical": 2, "gross": 4}[grade] or not before.events:
        return None
    last = case.time[_row(case, rains.blocks.time[held[-1].last])]
    return Injection((channel.name,), case.time[row], last, {"events": len(held)}, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Rain of each interval around the first event; gaps between tips over time below it."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    around = np.timedelta64(12 * 3600, "s")
    start, stop = suspect.exhibit["start"], suspect.exhibit["stop"]
    stop = min(stop, start + np.timedelta64(6 * 86_400, "s"))
    near = (case.time >= start - around) & (case.time <= stop + around)
    rain = case.values(channel)
    wet = np.flatnonzero(rain > 0)
    gaps = np.diff(case.time[wet]) / np.timedelta64(60, "s")  # min
    with house.house():
        figure = house.figure(4.2)
        upper, lower = figure.subplots(2, 1, sharex=True)
        inside = near & (case.time >= suspect.first) & (case.time <= suspect.last) & (rain > 0)
        for rows, color, told in (
            (near & (rain > 0) & ~inside, "#8b8f8c", "rain"),
            (inside, COLOURS[3], "rain that drips"),
        ):
            upper.vlines(house.days(case.time[rows]), 0.0, rain[rows], color=color, linewidth=1.3, label=told)
        upper.set_ylim(bottom=0.0)
        upper.set_ylabel(f"{house.label(channel.name)}, mm")
        here = near[wet[1:]]
        lower.plot(
            house.days(case.time[wet[1:]][here]), gaps[here], linestyle="none", marker=".", markersize=3,
            color=house.SERIES[2], label="gap between tips",
        )  # fmt: skip
        lower.set_yscale("log")
        lower.set_yticks([1, 10, 60, 600, 1440, 14400], ["1 min", "10 min", "1 h", "10 h", "1 d", "10 d"])
        lower.minorticks_off()
        lower.set_ylabel("since the tip before")
        for axes in (upper, lower):
            house.night_shading(axes, case.time[near], case.elevation[near])
        first, last = case.time[near][0], case.time[near][-1]
        spans = [(v.start, v.end, v.effect) for v in case.visits(channel.name)]
        house.one_over_the_other(upper, lower, first, last, clock=case.logger_clock, spans=spans)
        house.legend(figure, upper, lower)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=((QUANTITY,),),
    least_s=2 * 86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("events",),
    go="next-visit",
    rivals={
        "gauge-noise": "whether the tips follow rain; a pulse on the lead comes without any",
        "gauge-double-tip": "the size of single tips: pour a measured amount through",
    },
    visits=("cleaned", "disturbed"),
)
