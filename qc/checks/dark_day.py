"""Too little light under a high sun.

Tests: global irradiance or light, as a share of the cleanest clear sky's, that stays below what the darkest clouds
    leave, without a break, for hours with the sun well up and above the station's horizon.
Matters: a cover left on, snow on the dome, a broken wire or a dead sensor gives values that look like a dull day.
Not a fault: thunderstorms and thick fog, which leave one or two percent for an hour; an eclipse, which is dark for
    minutes; a sun behind what `[[horizon]]` says. Under a closed canopy of trees the check means nothing: override it,
    or set the horizon.
Limits: least_elevation of the sun; short_share over short_hours, long_share over long_hours: share of the clear sky
    that must be reached at least once; verdict 2. A value on a limit passes. par_per_watt: light in sunlight.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.spells import unbroken
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, SUN, Found, NotApplied

_SPANS = ("short", "long")


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Look for unbroken runs of next to no light, of the two lengths."""
    if channel.statistic in ("sd", "min"):
        return NotApplied(f"a channel of statistic {channel.statistic} is no mean")
    if not scene.interval_s:
        return NotApplied("an event table has no runs")
    values = scene.values(channel)
    high = (scene.sun_elevation > scene.limits.number("dark-day", "least_elevation")) & scene.above_horizon
    tested = high & np.isfinite(values)
    clear = scene.sky.clear.ghi * (
        scene.limits.number("dark-day", "par_per_watt") if channel.quantity == "par" else 1.0
    )
    fails = np.zeros(scene.rows, bool)
    limit = np.full(scene.rows, np.nan)
    for span in _SPANS:
        least = scene.limits.number("dark-day", f"{span}_share") * clear
        span_us = round(scene.limits.number("dark-day", f"{span}_hours") * 3600e6)
        runs = unbroken(tested & (values < least), scene.time, span_us, scene.table.interval_us or 1)
        fails |= runs
        limit[runs] = least[runs]
    return Found(tested, np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), values, limit)


def reach(limits: Limits, interval_s: float) -> Reach:
    """The longer run, to either side."""
    seconds = max(limits.number("dark-day", f"{span}_hours") for span in _SPANS) * 3600.0
    return seconds, seconds


def say(told: Told) -> str:
    """How little, and what the darkest cloud leaves."""
    return (
        f"{told.title} {shown(told.worst)} {told.unit} under a high sun, where the darkest clouds leave "
        f"{shown(told.limit)} {told.unit}; so for {told.lasting} on end: covered, snowed over, or a broken wire?"
    )


CHECK = Check(
    "dark-day",
    stage=3,
    witness=SUN,
    quantities=("global_irradiance", "par"),
    run=run,
    say=say,
    reach=reach,
    asks="a value with the sun high above the horizon",
)
