"""Wind speed and direction that contradict each other.

Tests: where the logger codes calm as direction 0 and north as 360: speed without direction, or direction without
    speed. Everywhere else: cups that stay at rest for hours under a high sun while the vane turns. In calm most
    loggers hold the last vane angle, so a direction without speed says nothing by itself, and calm nights are not
    tested: vanes turn in air that moves no cups.
Matters: cups blocked by a spider's web, an insect or a worn bearing; a broken reed contact; a lost channel.
Not a fault: calm nights and fogs, however long; a vane that swings in light air.
Limits: coded: 1 where the logger codes calm as 0 and north as 360 (set it in the station file): verdict 1 on both.
    window: how long the cups are at still or below, with the sun above high_sun all along and the vane turning by
    turn or more: verdict 2 on the speed. A number on a limit fails for turn, and passes for the others.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.wind import circular_range
from qc.physics.windows import Blocks, sliding_count, sliding_max, sliding_min, sliding_sum
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, INCONSISTENT, OWN, Bools, Floats, Found, NotApplied

_BLOCK_S = 600.0  # rows of shorter intervals are looked at in blocks of this length
_HOUR_US = 3_600_000_000


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Look for coded contradictions, or for cups at rest."""
    speed_of = channel if channel.quantity == "wind_speed" else scene.partner(channel, "wind_speed")
    vane = channel if channel.quantity == "wind_direction" else scene.partner(channel, "wind_direction")
    if speed_of is None or vane is None or {speed_of.statistic, vane.statistic} & {"max", "min", "sd"}:
        return NotApplied("no mean speed and direction of one place in the table")
    values, speed, direction = scene.values(channel), scene.values(speed_of), scene.values(vane)
    both = np.isfinite(speed) & np.isfinite(direction)
    if scene.limits.number("calm", "coded") != 0.0:
        contrary = both & ((speed > scene.quantum(speed_of)) & (direction == 0) | (speed == 0) & (direction != 0))
        return Found(both, np.where(contrary, np.uint8(INCONSISTENT), np.uint8(0)), values, np.zeros(scene.rows))
    if channel is vane:
        return NotApplied("the logger may hold the last vane angle in calm")
    if not scene.interval_s or scene.interval_s > scene.limits.number("calm", "window") * 3600.0:
        return NotApplied("events, or intervals longer than the window")
    tested, fails = _at_rest(scene, speed, direction)
    still = np.full(scene.rows, scene.limits.number("calm", "still"))
    return Found(both & tested, np.where(both & fails, np.uint8(DOUBTFUL), np.uint8(0)), speed, still)


def _at_rest(scene: Scene, speed: Floats, direction: Floats) -> tuple[Bools, Bools]:
    """Rows in a whole window of high sun, and those in one where the cups stood and the vane turned."""
    interval = scene.table.interval_us or 1
    blocks = Blocks(scene.table.middle, max(round(_BLOCK_S * 1e6), interval))
    span = round(scene.limits.number("calm", "window") * _HOUR_US)
    back = span - 1
    rows = sliding_sum(blocks.sum(np.isfinite(speed)), blocks.time, back, 0)
    sun = sliding_min(blocks.min(scene.sun_elevation), blocks.time, back, 0)
    whole = (rows * interval >= span) & (sun > scene.limits.number("calm", "high_sun"))
    rest = sliding_max(blocks.max(speed), blocks.time, back, 0) <= scene.limits.number("calm", "still")
    hit = whole & rest
    if hit.any():  # the dearest part last, and seldom
        hit &= circular_range(direction, blocks, back) >= scene.limits.number("calm", "turn")
    reached = [sliding_count(found, blocks.time, 0, back)[blocks.of_row] > 0 for found in (whole, hit)]
    return reached[0], reached[1]


def reach(limits: Limits, interval_s: float) -> Reach:
    """The window to each side, and a block more."""
    span = limits.number("calm", "window") * 3600.0
    reached = span + max(_BLOCK_S, interval_s) if interval_s <= span else 0.0
    return reached, reached


def say(told: Told) -> str:
    """What contradicts what."""
    if told.verdict == DOUBTFUL:
        return (
            f"wind speed stays at {shown(told.limit)} m/s or less for {told.lasting} of high sun while the vane turns"
        )
    return (
        f"{told.title} {shown(told.worst)} {told.unit} contradicts its fellow: the logger codes calm as speed 0 with "
        "direction 0, and north as 360 degrees"
    )


CHECK = Check(
    "calm", stage=2, witness=OWN, quantities=("wind_speed", "wind_direction"), run=run, say=say,
    needs=("wind_speed", "wind_direction"), reach=reach,
    asks="speed and direction beside each other, within hours of high sun without a gap",
)  # fmt: skip
