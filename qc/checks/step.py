"""Jumps from one value to the next.

Tests: the change from the value one interval before. Of the two values the one is blamed that its other neighbour does not support;
    where both are supported the level has changed, and the value after the jump is blamed; where neither is, both are.
Matters: loose contacts, lightning, a swapped sensor and single garbled values show as jumps.
Not a fault: gust fronts, downbursts, sunrise on an inversion; the limits are wider than the published one for one minute where
    healthy stations were seen to change faster over longer intervals.
Limits: by quantity and interval, verdict 2; one step of the declared resolution is added. A change on the limit passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qc.checks import EVERY, Check, Reach, Told, shown
from qc.limits import Limits
from qc.record import SECOND
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Floats, Found, NotApplied

_ROUNDING = 1e-9  # of the number itself: 20.3 - 17.3 is 3.0000000000000004 in doubles, and 3 is on the limit


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare each value with the one an interval before."""
    bound = scene.limits.find("step", channel.quantity)
    if bound is None:
        return NotApplied(f"no limit for {channel.quantity}")
    if scene.interval_s is None:
        return NotApplied("an event table has no steps")
    if channel.statistic in ("sd", "counter"):
        return NotApplied(f"a channel of statistic {channel.statistic} may jump")
    values, quantum = scene.values(channel), scene.quantum(channel)
    before = _neighbour(scene, values, -1)
    limit = bound.at(scene.interval_s) + np.fmax(quantum, _neighbour(scene, quantum, -1))
    limit = limit + _ROUNDING * np.fmax(np.abs(values), np.abs(before))
    change = values - before
    jumps = np.abs(change) > limit  # between a row and the one before it
    holds = np.abs(change) <= limit
    later, earlier = _neighbour(scene, holds, 1) == 1.0, _neighbour(scene, holds, -1) == 1.0
    blamed_after = jumps & (earlier | ~later)
    blamed_before = _neighbour(scene, jumps & ~earlier, 1) == 1.0
    fails = blamed_after | blamed_before
    number = np.where(blamed_after, change, -_neighbour(scene, change, 1))
    tested = np.isfinite(change) | np.isfinite(_neighbour(scene, change, 1))
    return Found(tested, np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), number, limit)


def _neighbour(scene: Scene, values: ArrayLike, steps: int) -> Floats:
    """What stands `steps` intervals later (earlier where negative), NaN where no row is there (twice `stray` is allowed)."""
    values = np.asarray(values, np.float64)
    out = np.full(len(values), np.nan)
    size = abs(steps)
    if len(values) > size:
        apart = (scene.time[size:] - scene.time[:-size]).astype(np.int64)
        near = np.abs(apart - size * (scene.table.interval_us or 0)) <= 2 * scene.table.table.stray_s * SECOND
        if steps > 0:
            out[:-size] = np.where(near, values[size:], np.nan)
        else:
            out[size:] = np.where(near, values[:-size], np.nan)
    return out


def reach(limits: Limits, interval_s: float) -> Reach:
    """Two intervals to each side: a neighbour, and what supports it."""
    return 2 * interval_s, 2 * interval_s


def say(told: Told) -> str:
    """How far it jumped."""
    way = "up" if told.worst > 0 else "down"
    return f"{told.title} jumps {way} by {shown(abs(told.worst))} {told.unit} against its neighbour; more than {shown(told.limit)} is hardly ever seen"


CHECK = Check("step", stage=2, witness=OWN, quantities=EVERY, run=run, say=say, reach=reach)
