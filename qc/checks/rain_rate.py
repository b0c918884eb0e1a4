"""More rain in a time than it rains.

Tests: sums of rain over 1 min to 1 h (a longer interval by itself), on every window that holds a value, against the
    most that is seen in that time. Of a window that has more, those values are blamed that rain harder than its mean
    may.
Matters: a bouncing reed contact, a running total read as amounts, a gauge that is emptied or tested, a wrong unit.
Not a fault: tropical downpours: a tenth of the limits' rate in an hour is a heavy shower anywhere.
Limits: most by duration: verdict 2. What no record reaches is left to `range`. A sum on the limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.rain import MICRO, whole
from qc.physics.windows import max_at, near, sliding_sum
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied

_LONGEST_S = 3600.0


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """The worst window of each value that could be to blame."""
    if not scene.interval_s:
        return NotApplied("an event table has no rates")
    rain = scene.values(channel)
    verdict, number = np.zeros(scene.rows, np.uint8), rain.copy()
    limit = np.full(scene.rows, scene.limits.number("rain-rate", "most", scene.interval_s))
    amount = whole(rain)
    for duration in _durations(scene.limits, scene.interval_s):
        most = scene.limits.number("rain-rate", "most", duration)
        hard = np.flatnonzero(rain > most * scene.interval_s / duration)  # any window with too much holds such a row
        if not len(hard):
            continue
        back = round((duration - scene.interval_s) * 1e6)
        here = np.flatnonzero(near(scene.time, hard, 2 * back, 2 * back))  # their windows whole, and little else
        sums = sliding_sum(amount[here], scene.time[here], back, 0) / MICRO
        worst = max_at(sums, scene.time[here], np.searchsorted(here, hard), 0, back)
        over = worst > most
        new = hard[over & (verdict[hard] == 0)]  # the shortest duration tells
        verdict[new], number[new], limit[new] = DOUBTFUL, worst[over & (verdict[hard] == 0)], most
    return Found(np.isfinite(rain), verdict, number, limit)


def _durations(limits: Limits, interval_s: float) -> list[float]:
    """The interval itself, and the longer durations of the limit up to an hour, s."""
    steps = limits["rain-rate.most"].value
    longer = [] if isinstance(steps, float) else [d for d, _ in steps if interval_s < d <= _LONGEST_S]
    return [interval_s, *longer]


def reach(limits: Limits, interval_s: float) -> Reach:
    """The longest window to each side."""
    longest = max(_durations(limits, interval_s)) - interval_s
    return longest, longest


def say(told: Told) -> str:
    """How much in all."""
    return f"rain adds up to {shown(told.worst)} mm where {shown(told.limit)} mm is the most that is seen in that time"


CHECK = Check(
    "rain-rate", stage=2, witness=OWN, quantities=("precipitation",), run=run, say=say, reach=reach, number="sum"
)
