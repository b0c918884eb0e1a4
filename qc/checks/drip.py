"""A blocked funnel that drains long after the rain.

Tests: hours of small totals that hardly change from one quarter hour to the next. Real rain is irregular; a blocked
    funnel drips by the head of water in it, evenly. Shorter even stretches before such hours, and the last tips and
    the pour after them, belong to the same event, dry values between them included: a gauge that is blocked measures
    no dryness either.
Matters: amount and time of the rain are wrong, and the next rain is lost until somebody cleans the funnel.
Not a fault: drizzle that falls evenly for four hours (estuary); a siphon that empties in seconds; snow that melts in
    the gauge: near freezing the check does not apply.
Limits: hold: hours of even tips, no total above most, neighbours alike within unevenness tips; even stretches of
    hold_before count from before ahead of them, tips until after. Not tested: intervals above longest_interval, where
    rain looks even by itself, tips below least_tip (no bucket), where the air was below least_temperature in the last
    warm_for. Verdict 2.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.rain import bridged, even_tips
from qc.physics.windows import Blocks, sliding_min
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied

_US = 3_600_000_000
_HOURS = ("hold", "hold_before", "before", "after", "tip_within", "warm_for")


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Runs of even tips, and what belongs to them."""
    us = {key: round(scene.limits.number("drip", key) * _US) for key in _HOURS}
    longest = scene.limits.number("drip", "longest_interval") * 60.0
    if not scene.interval_s or scene.interval_s > longest:
        return NotApplied("events, or intervals so long that rain looks even by itself")
    if (scene.quantum(channel) < scene.limits.number("drip", "least_tip")).any():
        return NotApplied("no resolution, or one too fine for a tipping bucket")
    rain, t = scene.values(channel), scene.companion("air_temperature")
    assert t is not None
    rows_in_block = _rows_in_block(scene.limits, scene.interval_s)
    blocks = Blocks(scene.table.middle, round(rows_in_block * scene.interval_s * 1e6))
    most = scene.limits.number("drip", "most") * blocks.span_us / _US
    unevenness = scene.limits.number("drip", "unevenness")
    even = even_tips(rain, blocks, rows_in_block, unevenness, most, us["tip_within"], us["hold"])
    long, short = even.lasting_us >= us["hold"], even.lasting_us >= us["hold_before"]
    event = bridged(blocks.time, short, long, us["before"])
    event |= bridged(blocks.time, long, blocks.max(rain) > 0, us["after"])
    coldest = sliding_min(blocks.min(t), blocks.time, us["warm_for"], 0)
    warm = coldest >= scene.limits.number("drip", "least_temperature")
    lasting = np.where(long, even.lasting_us / _US, np.nan)
    tested = np.isfinite(rain) & warm[blocks.of_row]
    fails = tested & event[blocks.of_row]
    verdict = np.where(fails, np.uint8(DOUBTFUL), np.uint8(0))
    return Found(tested, verdict, lasting[blocks.of_row], np.full(scene.rows, us["hold"] / _US))


def _rows_in_block(limits: Limits, interval_s: float) -> int:
    """Rows that fill a block."""
    return max(1, int(-(-limits.number("drip", "block") * 60.0 // interval_s)))


def reach(limits: Limits, interval_s: float) -> Reach:
    """From a value to the far end of an event that it belongs to, and what decides there."""
    hold, hold_before, before, after, tip, warm = (limits.number("drip", key) * 3600.0 for key in _HOURS)
    if not interval_s or interval_s > limits.number("drip", "longest_interval") * 60.0:
        return 0.0, 0.0
    block = 2 * _rows_in_block(limits, interval_s) * interval_s
    back = max(before + hold_before + tip, after + hold + tip, warm)
    return back + block, max(before, after) + hold + tip + block


def say(told: Told) -> str:
    """How long, and what it looks like."""
    even = "even" if told.worst != told.worst else f"even for {shown(told.worst)} h and more"
    return f"tips {even} within {told.lasting}: a blocked funnel; rain is not even for {shown(told.limit)} h on end"


CHECK = Check(
    "drip", stage=3, witness=OWN, quantities=("precipitation",), run=run, say=say, needs=("air_temperature",),
    reach=reach,
    asks="a value, with the air above freezing for hours before it", number="even for", unit="h",
)  # fmt: skip
