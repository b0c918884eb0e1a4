"""Pressure that changes in three hours as no weather makes it.

Tests: the change over three hours; of two values that far apart the one is blamed that the other side does not support,
    as in `step`. Where the wind blew hard within the hours around, or no wind is measured, the limit of tropical
    cyclones holds.
Matters: a barometer that drifts for an hour, a blocked vent, a logger that mixes two stations: each single step is
    small.
Not a fault: deep lows, which change by up to 15 hPa and bring their wind; the eye of a hurricane; a thunderstorm's
    high.
Limits: change without a storm's wind, change_storm with it, verdict 2; storm_wind, storm_gust. One step of the declared
    resolution is added; a change on the limit passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.record import SECOND
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Floats, Found, NotApplied

_SPAN_S = 3 * 3600


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare each value with the one three hours before."""
    if channel.statistic == "sd":
        return NotApplied("a standard deviation is no pressure")
    if not scene.interval_s or scene.interval_s > _SPAN_S:
        return NotApplied("the table has no value every three hours")
    values = scene.values(channel)
    change = np.round(values - _shifted(scene, values, -1), 6)
    least = scene.limits.number("tendency", "change")
    limit = np.full(scene.rows, least)
    fails = np.zeros(scene.rows, bool)
    number = change
    if (np.abs(change) > least).any():
        storm = _storm(scene)
        quantum = scene.quantum(channel)
        limit = np.where(storm, scene.limits.number("tendency", "change_storm"), least)
        limit = np.round(limit + np.fmax(quantum, _shifted(scene, quantum, -1)), 6)
        jumps, holds = np.abs(change) > limit, np.abs(change) <= limit
        later, earlier = _shifted(scene, holds, 1) == 1.0, _shifted(scene, holds, -1) == 1.0
        after = jumps & (earlier | ~later)
        before = _shifted(scene, jumps & ~earlier, 1) == 1.0
        fails = after | before
        number = np.where(after, change, -_shifted(scene, change, 1))
        limit = np.where(after, limit, _shifted(scene, limit, 1))
    return Found(
        np.isfinite(change), np.where(fails & np.isfinite(change), np.uint8(DOUBTFUL), np.uint8(0)), number, limit
    )


def _storm(scene: Scene) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Where the wind blew hard around it, or nobody knows."""
    winds = [(scene.companion("wind_speed"), "storm_wind"), (_gust(scene), "storm_gust")]
    hard = np.zeros(scene.rows, bool)
    known = np.zeros(scene.rows, bool)
    for wind, key in winds:
        if wind is not None:
            hard |= wind >= scene.limits.number("tendency", key)
            known |= np.isfinite(wind)
    return scene.within(hard, 2 * _SPAN_S, 2 * _SPAN_S) | ~scene.within(known, _SPAN_S, 0.0)


def _gust(scene: Scene) -> Floats | None:
    gusts = scene.of("wind_gust")
    return scene.values(gusts[0]) if gusts else None


def _shifted(scene: Scene, values: ArrayLike, spans: int) -> Floats:
    """What stands `spans` times three hours later (earlier where negative); NaN where no row is there."""
    time = scene.time.astype("datetime64[us]").astype(np.int64)
    wanted = time + spans * _SPAN_S * SECOND
    slack = round(2 * scene.table.table.stray_s * SECOND)
    row = np.minimum(np.searchsorted(time, wanted - slack), max(len(time) - 1, 0))
    return np.where(np.abs(time[row] - wanted) <= slack, np.asarray(values, np.float64)[row], np.nan)


def reach(limits: Limits, interval_s: float) -> Reach:
    """A value three hours away, and what supports it; the wind as long."""
    return 3.0 * _SPAN_S, 3.0 * _SPAN_S


def say(told: Told) -> str:
    """How fast it went."""
    way = "rises" if told.worst > 0 else "falls"
    seen = f"more than {shown(told.limit)} hPa is hardly ever seen with the wind that blew"
    return f"{told.title} {way} by {shown(abs(told.worst))} hPa in three hours; {seen}"


CHECK = Check(
    "tendency",
    stage=3,
    witness=OWN,
    quantities=("air_pressure", "sea_level_pressure"),
    run=run,
    say=say,
    reach=reach,
    asks="a value, and another three hours before it",
    number="change in three hours",
)
