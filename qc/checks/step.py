"""Jumps from one value to the next.

Tests: the change from the value one interval before. Of the two values the one is blamed that its other neighbour
    does not support; where both are supported the level has changed, and the value after the jump is blamed; where
    neither is, both are.
Matters: loose contacts, lightning, a swapped sensor and single garbled values show as jumps.
Not a fault: gust fronts, downbursts, sunrise on an inversion; the limits are wider than the published one for one
    minute where healthy stations were seen to change faster over longer intervals; storms, in which other instruments
    of an hourly table change far too.
Limits: by quantity and interval, verdict 2; one step of the declared resolution is added; company: times that, where
    another instrument changes far (company_from and stirred of `spike`). A change on the limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Reach, Told, in_company, shown
from qc.limits import Limits
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied

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
    change, limit = np.full(scene.rows, np.nan), np.full(scene.rows, np.nan)
    change[1:] = np.where(scene.follows[1:], values[1:] - values[:-1], np.nan)
    rounding = _ROUNDING * np.fmax(np.abs(values[1:]), np.abs(values[:-1]))
    limit[1:] = bound.at(scene.interval_s) + np.fmax(quantum[1:], quantum[:-1]) + rounding
    size = np.abs(change)
    if (size > limit).any():
        limit = in_company(scene, "step", channel, limit)
    jumps = np.flatnonzero(size > limit)  # between a row and the one before it
    earlier = size[jumps - 1] <= limit[jumps - 1]
    later = np.append(size <= limit, False)[jumps + 1]
    after, before = jumps[earlier | ~later], jumps[~earlier] - 1
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[after] = verdict[before] = DOUBTFUL
    number, against = change.copy(), limit.copy()
    number[before], against[before] = -change[before + 1], limit[before + 1]
    number[after], against[after] = change[after], limit[after]
    tested = np.isfinite(change)
    tested[:-1] |= tested[1:].copy()
    return Found(tested, verdict, number, against)


def reach(limits: Limits, interval_s: float) -> Reach:
    """Two intervals to each side: a neighbour, and what supports it."""
    return 2 * interval_s, 2 * interval_s


def say(told: Told) -> str:
    """How far it jumped."""
    way = "up" if told.worst > 0 else "down"
    size, most = shown(abs(told.worst)), shown(told.limit)
    return f"{told.title} jumps {way} by {size} {told.unit} against its neighbour; more than {most} is hardly ever seen"


CHECK = Check(
    "step",
    stage=2,
    witness=OWN,
    quantities=EVERY,
    run=run,
    say=say,
    reach=reach,
    asks="a value, and another one interval before or after it",
    number="change",
    unit="difference",
)
