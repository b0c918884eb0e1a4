"""Values that the climate of the site does not know.

Tests: each value against the limits of the climate that the station file names.
Matters: a wrong unit, a bad contact or another station's file often gives values that are possible somewhere, but not
    here.
Not a fault: a new record: a value beyond a limit is only doubtful. A station file without a climate is not tested.
Limits: QUANTITY.low and QUANTITY.high of the climate's file, verdict 2, set wide. A value on a limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told, shown
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare with both limits."""
    low, high = (scene.limits.find("climate", f"{channel.quantity}.{end}") for end in ("low", "high"))
    if low is None and high is None:
        climate = scene.station.station.climate
        return NotApplied(f"no limits for {channel.quantity} in {climate or 'a station file without a climate'}")
    if channel.statistic == "sd":
        return NotApplied("a channel of statistic sd is no level")
    values = scene.values(channel)
    limit, fails = np.full(scene.rows, np.nan), np.zeros(scene.rows, bool)
    for bound, sign in ((low, -1.0), (high, 1.0)):
        if bound is not None:
            number = bound.at(scene.interval_s)
            beyond = sign * values > sign * number
            fails |= beyond
            limit[beyond] = number
    return Found(np.isfinite(values), np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), values, limit)


def say(told: Told) -> str:
    """How far out."""
    side = "above" if told.worst > told.limit else "below"
    limit = f"{shown(told.limit)} {told.unit}"
    return f"{told.title} {shown(told.worst)} {told.unit} is {side} {limit}, the limit of this climate"


CHECK = Check("climate", stage=1, witness=OWN, quantities=EVERY, run=run, say=say)
