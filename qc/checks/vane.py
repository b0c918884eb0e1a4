"""A vane that stands still while the wind blows.

Tests: the arc that holds all directions of a window, where the wind blows for at least half of it and its speed
    varies.
Matters: a seized bearing, ice, a loose coupling, a broken potentiometer, a bird: a direction that looks sound.
Not a fault: light wind, that leaves the vane where it is; steady trade winds, for which longer intervals have longer
    windows; a head whose speed stands still too is left to `frozen`.
Limits: window by interval; arc: an arc of this and less fails, verdict 2 on all directions of the window; blowing:
    speed from which the wind counts; share of the window that it must blow, present: share that must have a direction;
    least_change of the speed within the window.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.wind import circular_range
from qc.physics.windows import Blocks, sliding_max, sliding_min, sliding_sum
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied

_BLOCK_S = 600.0  # rows of shorter intervals are looked at in blocks of this length
_ROUNDING = 1e-9  # degrees, m/s and shares


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """The narrowest arc of all windows that hold a value."""
    speed_of = scene.partner(channel, "wind_speed")
    if speed_of is None or channel.statistic in ("max", "min", "sd"):
        return NotApplied("no mean speed and direction of one place in the table")
    if not scene.table.interval_us or _span_s(scene.limits, scene.table.interval_us / 1e6) == 0.0:
        return NotApplied("events, or intervals too long for the window")
    direction, speed = scene.values(channel), scene.values(speed_of)
    interval = scene.table.interval_us
    blocks = Blocks(scene.table.middle, max(round(_BLOCK_S * 1e6), interval))
    span = round(_span_s(scene.limits, interval / 1e6) * 1e6)
    blows = np.isfinite(direction) & (speed >= scene.limits.number("vane", "blowing"))
    lasting = sliding_sum(blocks.sum(blows), blocks.time, span - 1, 0) * interval
    known = sliding_sum(blocks.sum(np.isfinite(direction)), blocks.time, span - 1, 0) * interval
    windy = lasting >= (scene.limits.number("vane", "share") - _ROUNDING) * span
    windy &= known >= (scene.limits.number("vane", "present") - _ROUNDING) * span
    high = sliding_max(blocks.max(speed), blocks.time, span - 1, 0)
    low = sliding_min(blocks.min(speed), blocks.time, span - 1, 0)
    windy &= high - low >= scene.limits.number("vane", "least_change") - _ROUNDING
    arc = np.where(windy, circular_range(direction, blocks, span - 1), np.nan)
    narrowest = sliding_min(arc, blocks.time, 0, span - 1)[blocks.of_row]
    limit = scene.limits.number("vane", "arc")
    tested = np.isfinite(direction) & np.isfinite(narrowest)
    fails = tested & (narrowest <= limit)
    return Found(tested, np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), narrowest, np.full(scene.rows, limit))


def _span_s(limits: Limits, interval_s: float) -> float:
    """The window in s; 0 where it would hold less than three intervals."""
    span = limits.number("vane", "window", interval_s) * 3600.0
    return span if 3.0 * interval_s <= span else 0.0


def reach(limits: Limits, interval_s: float) -> Reach:
    """The window to each side, and a block more."""
    span = _span_s(limits, interval_s)
    reached = span + max(_BLOCK_S, interval_s) if span else 0.0
    return reached, reached


def say(told: Told) -> str:
    """How little it moved."""
    return (
        f"wind direction stays within {shown(told.worst)} degrees for {told.lasting} while the wind blows; "
        f"{shown(told.limit)} degrees and less is a vane that does not turn"
    )


CHECK = Check(
    "vane",
    stage=3,
    witness=OWN,
    quantities=("wind_direction",),
    run=run,
    say=say,
    needs=("wind_speed",),
    reach=reach,
    asks="a value within a whole window in which the wind blows and changes",
    number="narrowest arc",
)
