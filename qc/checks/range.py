"""Values that cannot be.

Tests: each value against what is physically possible anywhere on earth, and against the sensor's own measuring range.
Matters: a broken wire, a wrong unit or a marker read as a value gives numbers that no weather gives.
Not a fault: humidity up to 105 % is saturation with calibration error (`saturation` looks at it); a thermopile that
    reads a few W/m2 below zero in a clear night; irradiance above 1600 W/m2 for seconds at cloud edges, which is only
    doubtful.
Limits: low, high: impossible, verdict 3; low_doubtful, high_doubtful: hardly ever seen, verdict 2. A value on a limit
    passes. `range` of the station file, in the channel's unit, is the sensor's own, verdict 3.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told, shown
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, WRONG, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare with the limits of the quantity and the sensor's own range."""
    values = scene.values(channel)
    own_low, own_high = scene.own_range(channel)
    bounds = {
        key: scene.limits.find("range", f"{channel.quantity}.{key}")
        for key in ("low", "high", "low_doubtful", "high_doubtful")
    }
    if not any(bounds.values()) and np.isinf(own_low).all() and np.isinf(own_high).all():
        return NotApplied(f"no limits for {channel.quantity}, and the station file gives no range")
    verdict = np.zeros(scene.rows, np.uint8)
    limit = np.full(scene.rows, np.nan)
    for key in ("low_doubtful", "high_doubtful", "low", "high"):  # the worse ones last, so that they stand
        if (bound := bounds[key]) is not None:
            number = bound.at(scene.interval_s)
            beyond = values < number if key.startswith("low") else values > number
            verdict[beyond] = DOUBTFUL if key.endswith("doubtful") else WRONG
            limit[beyond] = number
    for beyond, own in ((values < own_low, own_low), (values > own_high, own_high)):
        nearer = beyond & ~(verdict == WRONG)
        verdict[beyond] = WRONG
        limit[nearer] = own[nearer]
    return Found(np.isfinite(values), verdict, values, limit)


def say(told: Told) -> str:
    """How far out, and against which limit."""
    side = "above" if told.worst > told.limit else "below"
    kind = "a value that cannot be" if told.verdict == WRONG else "hardly ever seen"
    return (
        f"{told.title} {shown(told.worst)} {told.unit} is {side} the limit of {shown(told.limit)} {told.unit}, {kind}"
    )


CHECK = Check("range", stage=1, witness=OWN, quantities=EVERY, run=run, say=say)
