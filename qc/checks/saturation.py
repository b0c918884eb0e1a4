"""Humidity above saturation, or far from it in the middle of long rain.

Tests: humidity against what a sensor in calibration shows in fog; and, well above freezing, after hours of rain without
    a dry hour and without sunshine, against the least that such air holds.
Matters: a hygrometer that died low, dried out or lost its reference; a wrong multiplier; a humidity in other units.
Not a fault: 100 to 103 % in fog, rain and dew; a top of 90 % below 0 degC, which is ice saturation; a dry hour's rain
    that falls through dry air; a top a few percent too low, which only many rains prove (diagnosis:
    hygrometer-ceiling); humidity at a gauge that drips under a clear sky, where the gauge is the doubtful one.
Limits: high: verdict 2. rain_least: verdict 2, where rain_hours have rain in each hour, at least rain_rate on average,
    temperature above rain_temperature and clearness below rain_clearness throughout. A value on a limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.spells import count_near
from qc.physics.windows import sliding_sum
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Bools, Found, NotApplied

_HOUR = 3600.0


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare with the upper limit, and in long rain with the lower."""
    if channel.statistic == "sd":
        return NotApplied("a standard deviation is no humidity")
    values = scene.values(channel)
    verdict = np.zeros(scene.rows, np.uint8)
    high = scene.limits.number("saturation", "high")
    limit = np.full(scene.rows, high)
    verdict[values > high] = DOUBTFUL
    least = scene.limits.number("saturation", "rain_least")
    dry = values < least
    if channel.statistic != "min" and dry.any():
        dry &= _long_rain(scene, channel, dry)
        verdict[dry], limit[dry] = DOUBTFUL, least
    return Found(np.isfinite(values), verdict, values, limit)


def _long_rain(scene: Scene, channel: Channel, asked: Bools) -> Bools:
    """Rows, among those asked for, that long liquid rain without sunshine leads up to."""
    number = scene.limits.number
    rain, air = scene.companion("precipitation"), scene.partner(channel, "air_temperature")
    nothing = np.zeros(scene.rows, bool)
    if rain is None or air is None:
        return nothing
    hours = number("saturation", "rain_hours")
    back = round(hours * _HOUR * 1e6)
    time = scene.time.astype("datetime64[us]").astype(np.int64)
    wet = np.flatnonzero(rain > 0.0)
    if not len(wet):
        return nothing
    # a spell of rain goes on while no dry stretch is longer than an hour; when it began before that is no matter
    hour, since = round(_HOUR * 1e6), time[wet]
    began = np.maximum.accumulate(np.where(np.diff(since, prepend=since[0]) > hour, since, since[0]))
    rows = np.flatnonzero(asked)
    last = np.searchsorted(wet, rows, side="right") - 1
    rows, last = rows[last >= 0], last[last >= 0]
    rows = rows[(time[rows] - since[last] <= hour) & (time[rows] - began[last] >= back)]
    if not len(rows):
        return nothing
    # thousandths of a mm are whole numbers: their sum is exact
    fallen = sliding_sum(np.round(np.nan_to_num(rain) * 1e3).astype(np.int64), scene.time, back - 1, 0)[rows]
    spoilt = ~(scene.values(air) > number("saturation", "rain_temperature"))
    if scene.clearness is not None:
        spoilt |= scene.clearness > number("saturation", "rain_clearness")
    found = nothing.copy()
    enough = fallen >= round(number("saturation", "rain_rate") * hours * 1e3)
    found[rows] = enough & (count_near(spoilt, scene.time, rows, back - 1, 0) == 0)
    return found


def reach(limits: Limits, interval_s: float) -> Reach:
    """The hours of rain and the hour before them."""
    return (limits.number("saturation", "rain_hours") + 1.0) * _HOUR, 0.0


def say(told: Told) -> str:
    """Above what, or in which rain."""
    shows = f"{told.title} {shown(told.worst)} %"
    if told.worst > told.limit:
        return (
            f"{shows} for {told.lasting}: air holds 100 %, a sensor in calibration shows {shown(told.limit)} % at most"
        )
    return (
        f"{shows} after hours of unbroken rain above freezing, in which air holds {shown(told.limit)} % at least: "
        "a dead or dry hygrometer?"
    )


CHECK = Check("saturation", stage=3, witness=OWN, quantities=("relative_humidity",), run=run, say=say, reach=reach)
