"""Vane that is stuck.

Shows: the direction keeps to one narrow arc for hours or days while the speed shows wind that changes.
Happened: a dry or dirty bearing, ice, a bent tail that touches, a loose counterweight, or the vane's shaft that turns
    freely in its hub.
How sure: wind that blows keeps no vane within a few degrees for half a day; the speed of the same hours shows that it
    blew. Trade winds come nearest, and are judged by the station's own quietest hours.
Check: look from the ground whether the vane follows the wind; turn it by hand and feel for drag and dirt; read the
    value at four directions a quarter turn apart; look for a bent tail or a loose set screw; after frost look again at
    noon.
Carry: binoculars, compass, exchange vane or bearing kit, cleaning cloth, hexagon keys.
Caution: the mast is climbed only with fall protection and two people, or tilted down by two; never in lightning, ice
    or high wind, never near power lines; follow local codes and site rules.
Data: directions of that time say nothing: reject them; the speed may be kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Cleared, Clue, Fault, Grade, Injection, Outcome, Suspect, Untested
from qc.physics import humidity
from qc.physics.stays import turned
from qc.physics.wind import circular_range
from qc.physics.windows import Blocks, sliding_count, sliding_max, sliding_min
from qc.station import Channel
from qc.verdicts import Bools, Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ID = "vane-stuck"
QUANTITY = "wind_direction"
_US = 3_600_000_000


@dataclass(frozen=True)
class Windy:
    """A vane in blocks: lowest and highest speed, where it blows, arc of each whole window that ends at a block.

    `arc` is NaN where the window is not whole, does not blow, or the speed stands still too.
    """

    blocks: Blocks
    blows: Bools
    arc: Floats
    window_us: int


def test(case: Case) -> Sequence[Outcome]:
    """Arcs of windy hours."""
    return [_one(case, channel) for channel in case.of(QUANTITY)]


def _one(case: Case, channel: Channel) -> Outcome:
    names = (channel.name,)
    direction, speed_of = case.values(channel), case.scene.partner(channel, "wind_speed")
    if speed_of is None or not case.interval_s:
        return Untested(names, "no mean wind speed of an interval beside it")
    windy = _windy(case, direction, case.values(speed_of))
    hours = windy.window_us / _US
    if not np.isfinite(windy.arc).any():
        why = f"no {hours:g} h in which the wind blew at {case.limit(ID, 'blowing'):g} m/s in half of the time"
        return Untested(names, why, f"{hours:g} h of wind")
    limit = case.limit(ID, "arc")
    narrowest = float(np.nanmin(windy.arc))
    if narrowest > limit:
        return Cleared(names, f"narrowest arc of {hours:g} windy hours {narrowest:.1f} degrees")
    first, last, centre = _period(case, direction, windy)
    return _suspect(case, channel, windy, direction, first, last, centre)


def _windy(case: Case, direction: Floats, speed: Floats) -> Windy:
    span = max(600.0, case.interval_s)
    blocks = Blocks(case.table.middle, round(span * 1e6))
    window = round(max(case.limit(ID, "window") * 3600.0, 3.0 * span) * 1e6)
    back = window - blocks.span_us
    low, high = blocks.min(speed), blocks.max(speed)
    blows = (high + low) / 2.0 >= case.limit(ID, "blowing")
    there = sliding_count(blocks.sum(np.isfinite(direction)) > 0, blocks.time, back, 0) * blocks.span_us
    enough = (sliding_count(blows, blocks.time, back, 0) * 2 * blocks.span_us >= window) & (there >= 0.9 * window)
    wind = np.where(blows, low, np.nan)
    lively = sliding_max(np.where(blows, high, np.nan), blocks.time, back, 0) - sliding_min(wind, blocks.time, back, 0)
    enough &= lively >= case.limit(ID, "least_change") - 1e-9
    seen = np.where(blows[blocks.of_row] if len(direction) else np.zeros(0, bool), direction, np.nan)
    arc = np.where(enough, circular_range(seen, blocks, back), np.nan)
    return Windy(blocks, blows, arc, window)


def _period(case: Case, direction: Floats, windy: Windy) -> tuple[int, int, float]:
    """First and last row of the longest time in one arc around a window that is stuck, and its middle direction."""
    blocks, limit = windy.blocks, case.limit(ID, "arc")
    ends = np.flatnonzero(windy.arc <= limit)
    best = (0, -1, np.nan)
    done = -1
    for end in ends:
        if end <= done:
            continue
        begin = np.searchsorted(blocks.time, blocks.time[end] - np.timedelta64(windy.window_us - blocks.span_us, "us"))
        rows = np.flatnonzero((blocks.of_row >= begin) & (blocks.of_row <= end) & np.isfinite(direction))
        rows = rows[windy.blows[blocks.of_row[rows]]]
        centre = _middle(direction[rows])
        away = np.abs((direction - centre + 180.0) % 360.0 - 180.0) > limit
        outside = np.flatnonzero(away)
        at = int(np.searchsorted(outside, rows[0]))
        first = int(outside[at - 1]) + 1 if at else 0
        after = int(np.searchsorted(outside, rows[-1]))
        last = int(outside[after]) - 1 if after < len(outside) else len(direction) - 1
        if last - first > best[1] - best[0]:
            best = (first, last, centre)
        done = int(blocks.of_row[last])
    return best


def _middle(direction: Floats) -> float:
    """Median of directions that lie within less than half a circle, degrees."""
    plain = direction % 360.0
    return float(np.median(plain)) if np.ptp(plain) < 180.0 else float((np.median(turned(plain)) + 180.0) % 360.0)


def _suspect(
    case: Case, channel: Channel, windy: Windy, direction: Floats, first: int, last: int, centre: float
) -> Outcome:
    names, blocks = (channel.name,), windy.blocks
    inside = np.zeros(len(blocks.time), bool)
    inside[blocks.of_row[first] : blocks.of_row[last] + 1] = True
    stuck_hours = float((inside & windy.blows).sum() * blocks.span_us / _US)
    hours, window = float((case.time[last] - case.time[first]) / np.timedelta64(1, "h")), windy.window_us / _US
    touched = sliding_count(inside, blocks.time, windy.window_us, windy.window_us) > 0
    own = windy.arc[(windy.arc > case.limit(ID, "arc")) & ~touched]
    quiet = float(np.quantile(own, 0.01)) if len(own) >= case.limit(ID, "own_windows") else np.nan
    arc = max(float(np.nanmin(windy.arc[inside])), 0.5)
    narrow = np.log(quiet / max(arc, 0.5)) if np.isfinite(quiet) else 0.5
    frost = _frost(case, first, last)
    clues = [
        Clue("still", 2.0 + 1.5 * (2.0 * stuck_hours / window - 1.0), f"{stuck_hours:.1f} h of wind in one arc"),
        Clue("narrow", min(3.0, 1.5 * float(narrow)), _narrow_said(arc, quiet, window)),
        Clue("lasting", min(2.5, hours / 24.0), f"it keeps to the arc for {hours:.0f} h, through all weather"),
    ]
    if frost > 0.5:
        clues.append(Clue("ice", -4.0 * frost, f"{100 * frost:.0f} % of that time were frost near saturation"))
    begin = case.time[max(first - 1, 0)]
    return Suspect(
        names,
        tuple(clues),
        {"direction_deg": round(centre % 360.0, 1)},
        f"{channel.name} keeps within {case.limit(ID, 'arc'):g} degrees of {centre % 360.0:.0f} degrees for "
        f"{hours:.0f} h, {stuck_hours:.0f} h of them with wind.",
        case.time[first],
        case.time[last],
        (begin, case.time[_settled(direction, first, last, centre)]),
        device=case.device(channel),
        spoils=names,
        exhibit={"first": first, "last": last},
    )


def _settled(direction: Floats, first: int, last: int, centre: float) -> int:
    """First row from which on the vane moves no more than in the middle of the period."""
    away = np.abs((direction[first : last + 1] - centre + 180.0) % 360.0 - 180.0)
    quarter = len(away) // 4
    core = away[quarter : len(away) - quarter]
    play = float(np.nanmax(core)) if np.isfinite(core).any() else 0.0
    beyond = np.flatnonzero(away[: len(away) // 2] > play + 1e-9)
    return first + (int(beyond[-1]) + 1 if len(beyond) else 0)


def _narrow_said(arc: float, quiet: float, hours: float) -> str:
    own = f"; its own quietest {hours:g} h lie at {quiet:.0f} degrees" if np.isfinite(quiet) else ""
    return f"narrowest arc {arc:.1f} degrees or less{own}"


def _frost(case: Case, first: int, last: int) -> float:
    """Share of a period in frost and air that is nearly saturated over ice."""
    t, rh = case.scene.companion("air_temperature"), case.scene.companion("relative_humidity")
    if t is None or rh is None:
        return 0.0
    t, rh = t[first : last + 1], rh[first : last + 1]
    known = np.isfinite(t) & np.isfinite(rh)
    over_ice = rh / humidity.ice_saturation(t) * 100.0
    icy = known & (t <= case.limit(ID, "frost")) & (over_ice >= case.limit(ID, "near_ice"))
    return float(icy.sum() / known.sum()) if known.any() else 0.0


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """A vane that stays where it is: half a day with some play, days with a little, or to the end with none."""
    channel = case.mate(QUANTITY)
    speed_of = None if channel is None else case.scene.partner(channel, "wind_speed")
    if channel is None or speed_of is None or not case.interval_s:
        return None
    speed, values = case.values(speed_of), case.values(channel).copy()
    window = case.limit(ID, "window")
    hours, play = {
        "near": (1.5 * window, 1.2),
        "typical": (float(rng.uniform(24.0, 120.0)) + window, 0.5),
        "gross": (np.inf, 0.0),
    }[grade]
    rows = min(hours * 3600.0 / case.interval_s, 2.0 * case.rows)
    latest = case.rows - min(rows, 0.6 * case.rows)
    for _ in range(20):
        first = int(rng.integers(0, max(1, int(latest))))
        last = int(min(first + rows, case.rows)) - 1
        blows = float(np.mean(speed[first : last + 1] >= case.limit(ID, "blowing")))
        known = np.isfinite(values[first : last + 1]).mean()
        windy = blows * (last - first) * case.interval_s / 3600.0
        enough = blows >= 0.35 or (blows > 0.1 and windy > 48.0)
        if enough and known > 0.8 and np.nanstd(speed[first : last + 1]) > 0.3:
            break
    else:
        return None
    held = values[first : last + 1]
    centre = float(held[np.isfinite(held)][0])
    jitter = np.clip(rng.normal(0.0, 1.0, len(held)), -2.0, 2.0) * play / 2.0
    values[first : last + 1] = np.where(np.isfinite(held), np.mod(centre + jitter, 360.0), np.nan)
    evidence = {"direction_deg": centre}
    return Injection((channel.name,), case.time[first], case.time[last], evidence, {channel.name: values})


def picture(case: Case, suspect: Suspect) -> Figure:
    """Every direction over time, the speed below it."""
    from qc.write import picture as house
    from qc.write.page import COLOURS

    channel = next(c for c in case.channels if c.name == suspect.channels[0])
    speed_of = case.scene.partner(channel, "wind_speed")
    around = max((suspect.last - suspect.first) // 2, np.timedelta64(86_400_000_000, "us"))
    near = (case.time >= suspect.first - around) & (case.time <= suspect.last + around)
    inside = near & (case.time >= suspect.first) & (case.time <= suspect.last)
    direction, first, last = case.values(channel), case.time[near][0], case.time[near][-1]
    gap = np.timedelta64(round(3e6 * case.interval_s), "us")
    with house.house():
        figure = house.figure(4.2)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        for rows, color, told in (
            (near & ~inside, "#9a9e9b", "direction"),
            (inside, COLOURS[3], "direction while it stays"),
        ):
            step = max(1, int(rows.sum()) // 4000)
            upper.plot(
                house.days(case.time[rows][::step]), direction[rows][::step], linestyle="none", marker=".",
                markersize=2.5, color=color, label=told,
            )  # fmt: skip
        upper.set_ylim(0, 360)
        upper.set_yticks([0, 90, 180, 270, 360])
        upper.set_ylabel(f"{house.label(channel.name)}, degrees")
        if speed_of is not None:
            house.line(lower, case.time[near], case.values(speed_of)[near], gap=gap, label="speed")
            lower.set_ylabel(f"{house.label(speed_of.name)}, m/s")
        for axes in (upper, lower):
            house.night_shading(axes, case.time[near], case.elevation[near])
        spans = [(v.start, v.end, v.effect) for v in case.visits(channel.name)]
        house.one_over_the_other(upper, lower, first, last, clock=case.logger_clock, spans=spans)
        house.legend(figure, upper, lower)
    return figure


FAULT = Fault(
    ID,
    rank="sensor",
    needs=((QUANTITY,), ("wind_speed",)),
    least_s=6 * 3600.0,
    test=test,
    inject=inject,
    picture=picture,
    keys=("direction_deg",),
    go="next-visit",
    rivals={
        "sensor-frozen": "whether the speed of the same head stands still too",
        "channel-open": "a direction at 0 or at the end of the range: measure the potentiometer at the terminals",
        "anemometer-iced": "whether it frees itself when the frost ends",
    },
    visits=("replaced", "moved", "disturbed"),
)
