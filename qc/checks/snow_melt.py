"""Snow or frost that melts in an unheated gauge.

Tests: tips in the thaw under the sun: the air is near freezing and was below it within a day, the sun shines, and it
    has become warmer.
Matters: the water fell hours or days before; its time is wrong, and what the wind blew out of the funnel is lost.
Not a fault: rain and wet snow under a dark sky; a heated gauge has tips while it freezes, and is not tested within a
    day of one.
Limits: coldest and warmest: air temperature at the tip; frost: what it fell to within frost_within; rise: how much
    warmer it is than the least of the last rise_within; brightness: share of the cleanest clear sky's irradiance, at
    least, in the interval. Verdict 1: the amount may be right, the time is not. A number on a limit fails.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.windows import max_at, min_at
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import INCONSISTENT, SUN, Found, NotApplied

_US = 3_600_000_000
_ROUNDING = 1e-9  # K


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Wet rows of a sunny thaw."""
    rain, bright, t = scene.values(channel), scene.brightness, scene.companion("air_temperature")
    if bright is None:
        return NotApplied("no global_irradiance or par channel")
    assert t is not None
    limit = {key: scene.limits.number("snow-melt", key) for key in _KEYS}
    thaw = (rain > 0) & (t >= limit["coldest"]) & (t <= limit["warmest"]) & (bright >= limit["brightness"])
    rows = np.flatnonzero(thaw)
    within, lately = round(limit["frost_within"] * _US), round(limit["rise_within"] * _US)
    frost = min_at(t, scene.time, rows, within, 0) <= limit["frost"]
    warmer = t[rows] - min_at(t, scene.time, rows, lately, 0) >= limit["rise"] - _ROUNDING
    heated = max_at(np.where(t < limit["coldest"], rain, np.nan), scene.time, rows, within, 0) > 0
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[rows[frost & warmer & ~heated]] = INCONSISTENT
    tested = np.isfinite(rain) & np.isfinite(t) & np.isfinite(bright)
    return Found(tested, verdict, t, np.full(scene.rows, limit["warmest"]))


_KEYS = ("coldest", "warmest", "frost", "frost_within", "rise", "rise_within", "brightness")


def reach(limits: Limits, interval_s: float) -> Reach:
    """Back to the frost."""
    return max(limits.number("snow-melt", key) for key in ("frost_within", "rise_within")) * 3600.0, 0.0


def say(told: Told) -> str:
    """The thaw."""
    return (
        f"tips at {shown(told.worst)} degC as the sun thaws the gauge after frost (up to {shown(told.limit)} degC): "
        "the water fell earlier, as snow or frost"
    )


CHECK = Check(
    "snow-melt", stage=3, witness=SUN, quantities=("precipitation",), run=run, say=say, needs=("air_temperature",),
    reach=reach,
    asks="a value, with air temperature beside it and the sun above 10 degrees", number="air temperature", unit="degC",
)  # fmt: skip
