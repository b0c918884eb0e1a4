"""Anemometer that stalls.

Shows: the speed lies at its lowest value for hours of the day in which the sun stirs the air and the vane moves, more
    often than it ever did before.
Happened: a worn or dirty bearing that starts only in stronger wind, cups held by a web, an insect, a leaf or a cable
    tie, or a pulse lead or reed contact that has failed.
How sure: calm by day is rare where the wind was alive before; without an own healthy past a sheltered place looks the
    same, and nights and fog are not judged at all.
Check: watch the cups in a light wind from the ground; spin them by hand and listen, a good bearing runs down smoothly
    over many seconds; count pulses at the terminals for ten turns by hand; compare with a hand-held meter beside it.
Carry: exchange anemometer or bearing kit, hand-held wind meter, multimeter, soft brush.
Caution: the mast is climbed only with fall protection and two people, or tilted down by two; never in lightning, ice
    or high wind, never near power lines; follow local codes and site rules.
Data: reject the speeds at the floor; with a worn bearing the speeds above it are low too, most in light wind, and no
    constant mends them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested, onset_row
from qc.physics import humidity
from qc.physics.wind import circular_range
from qc.physics.windows import Blocks, sliding_count
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "anemometer-stalled"
QUANTITY = "wind_speed"
_US = 3_600_000_000


@dataclass(frozen=True)
class Days:
    """Blocks in which the air should move (`awake`), those at the floor, and by solar day their share there.

    `still` is the speed that counts as the floor, m/s; `number` the solar days that have enough blocks.
    """

    blocks: Blocks
    speed: Floats
    awake: Bools
    floor: Bools
    still: float
    day: NDArray[np.int64]
    number: NDArray[np.int64]
    share: Floats


def test(case: Case) -> Sequence[Outcome]:
    """Share of the day at the floor."""
    return [_one(case, channel) for channel in case.of(QUANTITY)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    if not 0.0 < case.interval_s <= 3600.0:
        return Untested(names, "events, or intervals longer than an hour")
    days = _days(case, channel)
    if not len(days.number):
        why = f"no day with {case.limit(ID, 'hours'):g} h of sun, free of ice, and with speeds"
        return Untested(names, why, "a day of sun")
    rare = case.limit(ID, "rare")
    score, outcomes = days.share - rare, []
    for _ in range(3):  # a dead head may have more of such days than the cups that stall at another time
        best = _stretch(score)
        if best is None:
            break
        outcomes.append(_suspect(case, channel, days, *best))
        score = np.where((np.arange(len(score)) >= best[0]) & (np.arange(len(score)) <= best[1]), -9.0, score)
    suspects = [o for o in outcomes if isinstance(o, Suspect)]
    if suspects:
        return max(suspects, key=lambda o: o.log_odds)
    if outcomes:
        return outcomes[0]
    why = f"of {len(days.number)} days none lies at {days.still:.2g} m/s for {100 * rare:.0f} % of its sunny hours"
    return Cleared(names, why)


def _days(case: Case, channel: Channel) -> Days:
    values, span = case.values(channel), max(600.0, case.interval_s)
    blocks = Blocks(case.table.middle, round(span * 1e6))
    speed = blocks.max(values)
    known = np.isfinite(speed)
    least = float(np.min(speed[known])) if known.any() else 0.0
    quantum = float(case.quantum(channel).max(initial=0.0))
    still = max(case.limit(ID, "still"), min(least, case.limit(ID, "offset")) + quantum) + 1e-9
    elevation = blocks.max(case.elevation)
    day = np.floor_divide(blocks.time.astype(np.int64) + round(case.sky.longitude * 240e6), 24 * _US)
    top = _by_day(day, elevation)
    high = (elevation > 3.0) & ((elevation > case.limit(ID, "sun")) | (elevation > 0.6 * top))
    awake = known & high & ~_dark(case, blocks, high & known) & ~_icy(case, blocks)
    floor = awake & (speed <= still)
    number, at = np.unique(day[awake], return_inverse=True)
    hours = np.bincount(at, minlength=len(number)) * span / 3600.0
    share = np.bincount(at, weights=floor[awake].astype(float), minlength=len(number)) * span / 3600.0 / hours
    enough = hours >= case.limit(ID, "hours")
    return Days(blocks, speed, awake, floor, still, day, number[enough], share[enough])


def _by_day(day: NDArray[np.int64], values: Floats) -> Floats:
    """The highest value of each block's day."""
    starts = np.flatnonzero(np.diff(day, prepend=day[0] - 1)) if len(day) else np.zeros(0, np.int64)
    high = np.maximum.reduceat(values, starts) if len(day) else values
    return np.asarray(np.repeat(high, np.diff(np.append(starts, len(day)))))


def _dark(case: Case, blocks: Blocks, high: Bools) -> Bools:
    """Thick cloud, fog and the hours beside it, where irradiance or humidity tell.

    Nothing where it is so in most of the record: irradiance or humidity are broken then, or this is such a place.
    """
    bright, rh = case.scene.brightness, case.scene.companion("relative_humidity")
    out, beside = np.zeros(len(blocks.time), bool), round(case.limit(ID, "beside_fog") * _US)
    if bright is not None:
        dark = blocks.max(bright) < case.limit(ID, "dark")
        out |= dark if (dark & high).sum() * 2 < high.sum() else False
    if rh is not None:
        foggy = (blocks.min(rh) >= case.limit(ID, "foggy")) & (blocks.max(case.elevation) > 10.0)
        if (foggy & high).sum() * 2 < high.sum():
            out |= sliding_count(foggy, blocks.time, beside, beside) > 0
    return out


def _icy(case: Case, blocks: Blocks) -> Bools:
    """Frost in air nearly saturated over ice: what stands there is iced."""
    t, rh = case.scene.companion("air_temperature"), case.scene.companion("relative_humidity")
    if t is None:
        return np.zeros(len(blocks.time), bool)
    cold = blocks.min(t) <= case.limit(ID, "frost")
    if rh is None:
        return cold
    moist = blocks.max(100.0 * rh / humidity.ice_saturation(t)) >= case.limit(ID, "near_ice")
    return np.asarray(cold & moist)


def _stretch(score: Floats) -> tuple[int, int] | None:
    """First and last of the days whose scores sum up to the most; None where no score is above zero."""
    if not len(score) or float(score.max()) <= 0.0:
        return None
    total = np.concatenate(([0.0], np.cumsum(score)))
    low = np.minimum.accumulate(total)
    last = int(np.argmax(total[1:] - low[:-1]))
    return int(np.flatnonzero(total[: last + 1] == low[last])[-1]), last


def _suspect(case: Case, channel: Channel, days: Days, first: int, last: int) -> Outcome:
    names, blocks = (channel.name,), days.blocks
    inside = (days.day >= days.number[first]) & (days.day <= days.number[last])
    here, there = inside & days.awake, ~inside & days.awake & np.isin(days.day, days.number)
    share, floor = float(days.floor[here].mean()), days.floor & inside
    past = float(days.floor[there].mean()) if len(days.number) - (last - first + 1) >= 3 else np.nan
    hours = float(floor.sum() * blocks.span_us / _US)
    if hours < case.limit(ID, "least_hours"):
        return Cleared(names, f"{hours:.1f} sunny hours at {days.still:.2g} m/s or less at most on end")
    alive = _alive(case, channel, blocks, floor)
    own = 1.2 * np.log(share / (past + 0.02)) - 1.0 if np.isfinite(past) else -1.0
    said = f"{100 * past:.1f} % on its other days" if np.isfinite(past) else "no other days to compare with"
    clues = [
        Clue("share", min(3.0, 2.0 * np.log(share / case.limit(ID, "calm_share"))),
             f"{100 * share:.0f} % of the sunny hours lie at {days.still:.2g} m/s or less"),
        Clue("own past", float(own), said),
        Clue("hours", min(3.0, float(np.log(hours / 4.0))), f"{hours:.1f} sunny hours at rest"),
    ]  # fmt: skip
    if np.isfinite(alive):
        clues.append(Clue("vane", float(np.interp(alive, [0.0, 0.3, 0.5, 1.0], [-4.0, -1.0, 0.0, 2.0])),
                          f"the vane moves in {100 * alive:.0f} % of them"))  # fmt: skip
    at = np.flatnonzero(floor)
    between = days.awake[at[0] : at[-1] + 1]
    held = float(days.floor[at[0] : at[-1] + 1].sum() / between.sum()) >= case.limit(ID, "blocked")
    before, shown, end = _bounds(case, channel, days, at, held=held, whole=last == len(days.number) - 1)
    if not held:  # a worn bearing turns in between: two days of doubt
        early = np.flatnonzero(days.day == days.number[first - 2])[0] if first >= 2 else 0
        moment = min(blocks.time[early], case.time[before])
        before = max(int(np.searchsorted(case.time, moment, side="right")) - 1, 0)
    start = before + 1 if held and before else shown
    sure = _sure(case, days, at) if held else shown
    still_hours = float((case.values(channel)[start : end + 1] <= days.still).sum()) * case.interval_s / 3600.0
    winds = days.speed[there]
    threshold = np.nan if held or len(winds) < 100 else float(np.quantile(winds, min(share, 0.99)))
    told = "blocked" if held else f"starts at about {threshold:.1f} m/s" if np.isfinite(threshold) else "worn"
    return Suspect(
        names,
        tuple(clues),
        {"hours": round(still_hours, 1), "threshold_m_s": round(threshold, 1)},
        f"{channel.name} lies at {days.still:.2g} m/s or less in {100 * share:.0f} % of the sunny hours of "
        f"{last - first + 1} days ({said}): {told}.",
        case.time[start],
        case.time[end],
        (case.time[before], case.time[max(sure, shown)]),
        device=case.device(channel),
        spoils=tuple(c.name for c in _together(case, channel)),
        exhibit={"days": days.number, "share": days.share, "first": first, "last": last},
    )


def _together(case: Case, channel: Channel) -> list[Channel]:
    """The speed and the gust of the same cups."""
    gust = case.scene.partner(channel, "wind_gust")
    gusts = [c for c in case.scene.of("wind_gust") if gust is None or c.height == channel.height]
    return [channel, *gusts]


def _alive(case: Case, channel: Channel, blocks: Blocks, floor: Bools) -> float:
    """Share of the blocks at rest among which the vane turns by more than a stuck one; NaN where nothing tells.

    Only directions of blocks at rest count: a head that dies and comes back turns in between. An exact 0 may be how
    the logger writes calm; directions that gather around it at rest alone are a head that sends zeros.
    """
    vane = case.scene.partner(channel, "wind_direction")
    if vane is None:
        return np.nan
    direction = case.values(vane)
    seen = np.where(floor[blocks.of_row] & (direction != 0.0), direction, np.nan)
    north = np.abs((seen + 180.0) % 360.0 - 180.0) <= case.limit(ID, "north")
    everywhere = float(np.mean(np.abs((direction + 180.0) % 360.0 - 180.0) <= case.limit(ID, "north")))
    if north.sum() > max(0.6, 2.0 * everywhere) * max(int(np.isfinite(seen).sum()), 1):
        return 0.0
    half = max(_US, 2 * blocks.span_us)
    arc = circular_range(seen, blocks, half, half)
    count = sliding_count(floor & (blocks.sum(np.isfinite(seen)) > 0), blocks.time, half, half)
    known = floor & np.isfinite(arc) & (count >= 3)
    return float((arc[known] > case.limit(ID, "turn")).mean()) if known.any() else np.nan


def _bounds(
    case: Case, channel: Channel, days: Days, floor: NDArray[np.int64], *, held: bool, whole: bool
) -> tuple[int, int, int]:
    """Last row before it began, first row that shows it, last row that does; `whole`: it lasts to the end."""
    values, blocks = case.values(channel), days.blocks
    shown = int(np.clip(np.searchsorted(case.time, blocks.time[floor[0]], side="right"), 0, case.rows - 1))
    after = blocks.time[floor[-1]] + np.timedelta64(blocks.span_us, "us")
    end = int(np.clip(np.searchsorted(case.time, after, side="right") - 1, shown, case.rows - 1))
    above = values > days.still
    moving = np.flatnonzero(above[:shown])
    before = int(moving[-1]) if len(moving) else 0
    if held:  # through the night to the next value that moves
        later = np.flatnonzero(above[end + 1 :])
        end = end + int(later[0]) if len(later) else case.rows - 1
    return before, shown, case.rows - 1 if whole and not held else end


def _sure(case: Case, days: Days, floor: NDArray[np.int64]) -> int:
    """First row of the longest run at the floor, awake hour after awake hour: calm may have come before."""
    awake = np.flatnonzero(days.awake[floor[0] : floor[-1] + 1]) + floor[0]
    moving = np.flatnonzero(np.append(~days.floor[awake], True))
    length = np.diff(np.append(-1, moving)) - 1
    best = int(np.argmax(length))
    block = awake[moving[best] - length[best]]
    return int(np.clip(np.searchsorted(case.time, days.blocks.time[block], side="right"), 0, case.rows - 1))


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A bearing that starts late, from a random row on; or cups that are held for some time."""
    channel = case.mate(QUANTITY)
    if channel is None or not 0.0 < case.interval_s <= 3600.0:
        return None
    days, before = _days(case, channel), case.values(channel)
    if len(days.number) < 4 or days.share.mean() > 0.1:
        return None
    floor = max(float(np.nanmin(before)), 0.0)
    worn = bool(rng.random() < 0.5)
    if worn:
        row, end = onset_row(case, rng), case.rows - 1
        sunny = days.awake & (days.blocks.time >= case.time[row])
        share = {"near": 0.25, "typical": 0.5, "gross": 0.8}[grade] + float(rng.uniform(-0.05, 0.05))
        if sunny.sum() * days.blocks.span_us < 24 * _US:
            return None
        threshold = float(np.quantile(days.speed[sunny], share))
    else:
        hours = {"near": 8.0, "typical": float(rng.uniform(36.0, 96.0)), "gross": float(rng.uniform(150.0, 400.0))}
        rows = round(hours[grade] * 3600.0 / case.interval_s)
        row = int(rng.integers(0, max(1, case.rows - rows)))
        if grade == "near":  # a day's eight hours, from some time in the morning on
            morning = np.flatnonzero((case.solar_hour[row:] >= 7.0) & (case.solar_hour[row:] < 9.0))
            row = row + int(morning[0]) if len(morning) else row
        end, threshold = min(row + rows, case.rows) - 1, np.inf
        sunny = days.awake & (days.blocks.time >= case.time[row]) & (days.blocks.time < case.time[end])
        if sunny.sum() * days.blocks.span_us < {"near": 4, "typical": 8, "gross": 20}[grade] * _US:
            return None
    changed = {}
    for one in _together(case, channel):
        values = case.values(one).copy()
        part = values[row : end + 1]
        passed = np.sqrt(np.maximum(part * part - threshold * threshold, 0.0)) if worn else np.zeros(len(part))
        values[row : end + 1] = np.where(np.isfinite(part), np.maximum(passed, floor), np.nan)
        changed[one.name] = values
    hours_at_rest = float((changed[channel.name][row : end + 1] <= days.still).sum()) * case.interval_s / 3600.0
    evidence = {"hours": hours_at_rest, "threshold_m_s": threshold if worn else np.nan}
    return Injection((channel.name,), case.time[row], case.time[end], evidence, changed)


def picture(case: Case, suspect: Suspect) -> Figure:
    """The speed over time; below it the share of each day's sunny hours that lies at the floor."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    around = max((suspect.last - suspect.first) // 2, np.timedelta64(3 * 86_400_000_000, "us"))
    near = (case.time >= suspect.first - around) & (case.time <= suspect.last + around)
    inside = near & (case.time >= suspect.first) & (case.time <= suspect.last)
    first, last = case.time[near][0], case.time[near][-1]
    gap = np.timedelta64(round(3e6 * case.interval_s), "us")
    days = np.asarray(suspect.exhibit["days"]).astype("datetime64[D]").astype("datetime64[us]")
    shown = (days >= first - np.timedelta64(1, "D")) & (days <= last)
    share = 100.0 * np.asarray(suspect.exhibit["share"])
    number = np.arange(len(days))
    bad = (number >= suspect.exhibit["first"]) & (number <= suspect.exhibit["last"])
    with house.house():
        figure = house.figure(4.2)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        speed = case.values(channel)
        house.line(upper, case.time[near], speed[near], gap=gap, color="#9a9e9b", label="speed")
        house.line(upper, case.time[inside], speed[inside], gap=gap, color=COLOURS[3], label="speed meanwhile")
        upper.set_ylabel(f"{house.label(channel.name)}, m/s")
        for rows, color in ((shown & ~bad, "#9a9e9b"), (shown & bad, COLOURS[3])):
            lower.bar(house.days(days[rows]) + 0.5, share[rows], width=0.8, color=color)
        lower.set_ylim(0, 100)
        lower.set_ylabel("sunny hours\nat rest, %")
        house.night_shading(upper, case.time[near], case.elevation[near])
        spans = [(v.start, v.end, v.effect) for v in case.visits(channel.name)]
        house.one_over_the_other(upper, lower, first, last, clock=case.logger_clock, spans=spans)
        house.legend(figure, upper)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=((QUANTITY,),),
    least_s=86400.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("hours", "threshold_m_s"),
    go="next-visit",
    rivals={
        "anemometer-iced": "whether it frees itself when the frost ends",
        "sensor-frozen": "whether the vane of the same head stands still too",
        "channel-open": "pulses at the terminals while the cups are turned by hand",
        "anemometer-sheltered": "a new obstacle beside the mast; a shelter takes by sector, a bearing by speed",
    },
    visits=("replaced", "disturbed"),
)
