"""Single values that jump away and back.

Tests: how far a value leaves both its neighbours to the same side, against a limit and against the larger changes
    around.
Matters: radio noise, a bad contact, a bird, lightning and a garbled digit show in one value and are gone in the next.
Not a fault: restless air: the time around sets the scale; gusts, which do come and go in one interval; rain,
    irradiance and direction, which may jump any time and are not tested.
Limits: by quantity and interval, verdict 2, but never less than `quanta` steps of the declared resolution; restless:
    times the size that a share of the changes around stay below; around and intervals: how far, whichever is longer.
    The published test (4 sigma of the last 10 min) uses a spread that the spike itself makes; ours leaves its two
    changes out. longest_interval: of a table that is tested. An excursion on the limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics import excursions
from qc.record import SECOND
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Floats, Found, NotApplied

_ID = "spike"
_ROUNDING = 1e-9  # of the number itself


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare each excursion with its limit."""
    bound = scene.limits.find(_ID, channel.quantity)
    if bound is None:
        return NotApplied(f"no limit for {channel.quantity}")
    if scene.interval_s is None:
        return NotApplied("an event table has no neighbours in time")
    if scene.interval_s > scene.limits.number(_ID, "longest_interval") * 3600.0:
        return NotApplied("its interval is too long for neighbours to support a value")
    if channel.statistic in ("sd", "counter"):
        return NotApplied(f"a channel of statistic {channel.statistic} may jump")
    values = scene.values(channel)
    change, away = scene.excursions(channel)
    number = np.abs(away)
    limit = np.maximum(
        bound.at(scene.interval_s), scene.limits.number(_ID, "quanta") * _coarsest(scene.quantum(channel))
    )
    rows = np.flatnonzero(number > limit)  # few: only there is the time around worth looking at
    half_us = round(_around(scene.limits, scene.interval_s) * SECOND)
    around = excursions.usual(change, scene.time, rows, half_us, scene.limits.number(_ID, "share"))
    limit[rows] = np.fmax(limit[rows], scene.limits.number(_ID, "restless") * around)
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[rows[number[rows] > limit[rows] + _ROUNDING * np.abs(values[rows])]] = DOUBTFUL
    return Found(np.isfinite(away), verdict, away, np.copysign(limit, away))


def _coarsest(quantum: Floats) -> Floats:
    """The coarsest resolution of a value and its neighbours, where the resolution depends on the value."""
    if not len(quantum) or quantum.min() == quantum.max():
        return quantum
    out = quantum.copy()
    np.maximum(out[1:], quantum[:-1], out=out[1:])
    np.maximum(out[:-1], quantum[1:], out=out[:-1])
    return out


def _around(limits: Limits, interval_s: float) -> float:
    """Seconds to each side that set the scale."""
    return max(limits.number(_ID, "around") * 60.0, limits.number(_ID, "intervals") * interval_s)


def reach(limits: Limits, interval_s: float) -> Reach:
    """The time around, and the neighbour of its first value."""
    if interval_s > limits.number(_ID, "longest_interval") * 3600.0:
        return 0.0, 0.0
    span = _around(limits, interval_s)
    return span + 1.5 * interval_s, max(span, 1.5 * interval_s)


def say(told: Told) -> str:
    """How far it left its neighbours."""
    way = "above" if told.worst > 0 else "below"
    return (
        f"{told.title} lies {shown(abs(told.worst))} {told.unit} {way} both its neighbours for one value; "
        f"at this time up to {shown(abs(told.limit))} {told.unit} may be weather"
    )


CHECK = Check(
    _ID,
    stage=2,
    witness=OWN,
    quantities=EVERY,
    run=run,
    say=say,
    reach=reach,
    asks="a value, and one on either side of it",
    number="away from both neighbours",
    unit="difference",
)
