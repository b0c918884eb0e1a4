"""Single values that jump away and back.

Tests: how far a value leaves both its neighbours to the same side, against a limit and against the larger changes
    around; of pressure between the tropics also how far it lies off the curve through the two values on either side:
    it runs smoothly there, but with the tide of the air, which hides half of an error from its neighbours.
Matters: radio noise, a bad contact, a bird, lightning and a garbled digit show in one value and are gone in the next.
Not a fault: restless air: the time around sets the scale; gusts, which do come and go in one interval; storms, which
    are one value of an hourly table, but of several instruments; rain, irradiance and direction, which may jump any
    time and are not tested.
Limits: by quantity and interval, verdict 2, but never less than `quanta` steps of the declared resolution, or what
    rounding adds to the limit (half a step of the value and half of its neighbour) where that is less; restless:
    times the size that a share of the changes around stay below; around and intervals: how far, whichever is longer.
    The published test (4 sigma of the last 10 min) uses a spread that the spike itself makes; ours leaves its two
    changes out. curve.QUANTITY: the same for what lies off the curve, farther than the values around it do, up
    to the latitude `tropics`. company: times the limit, in tables of company_from and longer, where another instrument
    changes by `stirred` times its own limit.
    longest_interval: of a table that is tested. An excursion on the limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Reach, Told, around, in_company, of_quantity, reach_of_excursions, shown
from qc.limits import Limit, Limits
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
    quantum, least = scene.quantum(channel), bound.at(scene.interval_s)
    beside = _beside(quantum)
    rounded = least + (quantum + beside) / 2.0  # written, the two of an excursion stand so much farther apart at most
    coarsest = scene.limits.number(_ID, "quanta") * np.maximum(quantum, beside)
    limit = np.maximum(least, np.minimum(coarsest, rounded))
    if (number > limit).any():
        limit = in_company(scene, _ID, channel, limit)
    rows = np.flatnonzero(number > limit)  # few: only there is the time around worth looking at
    half_us = round(around(scene.limits, _ID, scene.interval_s) * SECOND)
    usual = excursions.usual(change, scene.time, rows, half_us, scene.limits.number(_ID, "share"))
    limit[rows] = np.fmax(limit[rows], scene.limits.number(_ID, "restless") * usual)
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[rows[number[rows] > limit[rows] + _ROUNDING * np.abs(values[rows])]] = DOUBTFUL
    off, most = _off_curve(scene, channel, change)
    bent = np.flatnonzero(np.isfinite(most) & (verdict == 0))
    if len(bent):
        away = away.copy()  # the scene's own
        verdict[bent], away[bent], limit[bent] = DOUBTFUL, off[bent], most[bent]
    return Found(np.isfinite(away), verdict, away, np.copysign(limit, away))


def _beside(quantum: Floats) -> Floats:
    """The coarser resolution of the two neighbours of a value, where the resolution depends on the value."""
    if not len(quantum) or quantum.min() == quantum.max():
        return quantum
    before, after = np.append(quantum[:1], quantum[:-1]), np.append(quantum[1:], quantum[-1:])
    return np.maximum(before, after)


def _off_curve(scene: Scene, channel: Channel, change: Floats) -> tuple[Floats, Floats]:
    """How far each value lies off the curve through those around it, and the most that may be weather.

    The limit is NaN where nothing fails, or another value around lies off farther.
    """
    bound = scene.limits.find(_ID, f"curve.{channel.quantity}")
    limit, interval_s = np.full(scene.rows, np.nan), scene.interval_s or 0.0
    if bound is None or abs(scene.station.station.latitude) > scene.limits.number(_ID, "tropics"):
        return limit, limit
    values = scene.values(channel)
    off = excursions.bends(values, change)
    quantum = scene.quantum(channel)
    steps = scene.limits.number(_ID, "quanta") * np.maximum(quantum, _beside(quantum))
    least = in_company(scene, _ID, channel, np.maximum(bound.at(interval_s), steps))
    rows = np.flatnonzero(np.abs(off) > least)  # few
    rows = rows[excursions.farthest(np.abs(off), rows)]
    half_us = round((around(scene.limits, _ID, interval_s) - 2.0 * interval_s) * SECOND)  # each looks two rows farther
    usual = excursions.usual(off, scene.time, rows, half_us, scene.limits.number(_ID, "share"), own=(-2, 2))
    most = np.fmax(least[rows], scene.limits.number(_ID, "restless") * usual)
    fails = np.abs(off[rows]) > most + _ROUNDING * np.abs(values[rows])
    limit[rows[fails]] = most[fails]
    return off, limit


def reach(limits: Limits, interval_s: float) -> Reach:
    """The time around, and the neighbours of its first and last value."""
    return reach_of_excursions(limits, _ID, interval_s)


def concerns(limit: Limit, scene: Scene, channel: Channel) -> bool:
    """Those of its quantity and of all quantities."""
    kind, _, quantity = limit.key.partition(".")
    return quantity == channel.quantity if kind == "curve" else of_quantity(limit, scene, channel)


def say(told: Told) -> str:
    """How far it left its neighbours."""
    way = "above" if told.worst > 0 else "below"
    return (
        f"{told.title} lies {shown(abs(told.worst))} {told.unit} {way} what its neighbours promise for one value; "
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
    number="away from its neighbours",
    unit="difference",
    concerns=concerns,
)
