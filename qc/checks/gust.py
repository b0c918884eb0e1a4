"""Gusts that do not go with the mean wind of their interval.

Tests: the gust against the mean of its own interval, which it cannot be below; in strong wind also against the mean
    times the greatest gust factor, where the mean is the largest of its interval and the two beside it.
Matters: swapped columns, a wrong unit or multiplier of one of the two, garbled pulses, a gust register that is never
    filled.
Not a fault: thunderstorm outflows and gust fronts, for which the factor has an allowance; gust factors without limit
    in light wind; an hourly table whose mean is that of the last ten minutes.
Limits: factor by interval (in-land terrain, 3 s gusts) times allowance by interval, only where the mean is above
    least_mean: verdict 2 on the gust. Gust below the mean by more than slack and one step of either resolution:
    verdict 1 on both, as either may be the wrong one. A gust on a limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, INCONSISTENT, OWN, Bools, Floats, Found, NotApplied

_LONGEST_S = 3600.0  # the wind of the hour beside may belong to the same front, that of the day beside does not
_ROUNDING = 1e-9  # m/s: 3.3 - 3.2 is 0.0999... in doubles


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare the gust with the mean, and the mean with the gust."""
    gusts = [g for g in scene.of("wind_gust") if g.statistic != "sample"]
    if channel.quantity == "wind_speed":
        gust = next((g for g in gusts if scene.partner(g, "wind_speed") is channel), None)
        mean: Channel | None = channel
    else:
        gust, mean = (channel if channel in gusts else None), scene.partner(channel, "wind_speed")
    if gust is None or mean is None:
        return NotApplied("no gust and mean of one anemometer in the table")
    peak, speed = scene.values(gust), scene.values(mean)
    slack = scene.limits.number("gust", "slack") + scene.quantum(gust) + scene.quantum(mean) + _ROUNDING
    below = peak < speed - slack
    both = np.isfinite(peak) & np.isfinite(speed)
    if channel is mean:
        return Found(both, np.where(below, np.uint8(INCONSISTENT), np.uint8(0)), speed, peak + slack)
    strong = speed > scene.limits.number("gust", "least_mean")
    factor, allowance = (scene.limits.number("gust", key, scene.interval_s) for key in ("factor", "allowance"))
    most = factor * allowance * _around(scene, speed) + _ROUNDING
    verdict = np.where(strong & (peak > most), np.uint8(DOUBTFUL), np.uint8(0))
    verdict[below] = INCONSISTENT
    return Found(both, verdict, peak, np.where(strong & ~below, most, speed - slack))


def _around(scene: Scene, speed: Floats) -> Floats:
    """The largest mean of each interval and the two beside it."""
    around = speed.copy()
    if scene.rows > 1 and scene.table.interval_us and scene.table.interval_us <= _LONGEST_S * 1e6:
        beside: Bools = (scene.time[1:] - scene.time[:-1]).astype(np.int64) * 2 <= 3 * scene.table.interval_us
        around[1:] = np.where(beside, np.fmax(around[1:], speed[:-1]), around[1:])
        around[:-1] = np.where(beside, np.fmax(around[:-1], speed[1:]), around[:-1])
    return around


def reach(limits: Limits, interval_s: float) -> Reach:
    """One interval to each side, a stray stamp included."""
    beside = 1.5 * interval_s if interval_s <= _LONGEST_S else 0.0
    return beside, beside


def say(told: Told) -> str:
    """How gust and mean contradict each other."""
    if told.quantity == "wind_speed":
        return f"mean wind {shown(told.worst)} m/s is above its interval's gust; {shown(told.limit)} m/s is the most"
    if told.worst < told.limit:
        return f"wind gust {shown(told.worst)} m/s is below its interval's mean; {shown(told.limit)} m/s is the least"
    return f"wind gust {shown(told.worst)} m/s is above {shown(told.limit)} m/s, the most that gusts reach in such wind"


CHECK = Check(
    "gust", stage=2, witness=OWN, quantities=("wind_speed", "wind_gust"), run=run, say=say,
    needs=("wind_speed", "wind_gust"), reach=reach,
    asks="mean and gust beside each other",
)  # fmt: skip
