"""All channels of a device stand still together.

Tests: the channels of one device, and those of wind by themselves, against standing still at once: within two steps
    of their resolution for a window, or, for wind, the very same speed and direction several times running; while
    another device of the table lives. All values of the stretch are blamed, from its first on.
Matters: a digital sensor or its bus repeats the last message: each value looks sound, and short spells show nowhere
    else.
Not a fault: calm air; saturated air; a table in which nothing moves, which is the logger's affair.
Limits: window, wind_window: how long, verdict 2; quanta, least_direction: what counts as still; share: values that a
    window must hold; repeats: equal rows of wind, where resolved to repeat_speed and repeat_direction; calm,
    saturated: the air; around: how far back another device must have moved. A stretch that lasts just the window
    fails. Wind channels without a device at one height count as one device, and so do those of temperature and
    humidity.
"""

from __future__ import annotations

import math

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics import stays
from qc.physics.stays import Ends
from qc.physics.windows import Rows
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, DOUBTFUL, Bools, Floats, Found, NotApplied

_ID = "frozen"
_HOUR_US = 3_600_000_000
_WIND = ("wind_speed", "wind_gust", "wind_direction")
_AIR = (
    "air_temperature",
    "relative_humidity",
    "dew_point",
    "air_pressure",
    "sea_level_pressure",
    "surface_temperature",
)
_NO_LIFE = ("precipitation", "sunshine", "leaf_wetness", "other")  # standing still is their rule


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Find stretches of the channel's device, and of the wind channels in it."""
    if scene.interval_s is None:
        return NotApplied("an event table has no steady values")
    device = next(name for name, channels in scene.instruments.items() if channel in channels)
    together = [c for c in scene.instruments[device] if CHECK.tests(c) and c.statistic not in ("sd", "counter")]
    wind = [c for c in together if c.quantity in _WIND]
    groups = [group for group in (together, wind) if channel in group and len(group) > 1]
    if not groups:
        return NotApplied("no other channel of its device")
    strangers = [channels for name, channels in scene.instruments.items() if name != device]
    others = [c for channels in strangers for c in channels if c.quantity not in _NO_LIFE]
    if not others:
        return NotApplied("no other device in its table")
    applied = np.isfinite(scene.values(channel))
    number, limit = np.full(scene.rows, np.nan), np.full(scene.rows, np.nan)
    for group in [together] if together == wind else groups:
        key = ";".join([_ID, *(c.name for c in group)])
        if key not in scene.shared:
            scene.shared[key] = _standing(scene, group, others)
        for window_us, ends in scene.shared[key]:
            here, spread = stays.blamed(_windows(scene, channel, ends, window_us), scene.time, window_us)
            number[here], limit[here] = spread, _tolerance(scene, channel)[here]
    failed = applied & np.isfinite(number)
    return Found(applied, np.where(failed, np.uint8(DOUBTFUL), np.uint8(0)), number, limit)


def _standing(scene: Scene, group: list[Channel], others: list[Channel]) -> list[tuple[int, Rows]]:
    """Rows at which windows end in which a group stands still while others live, with the length of the windows."""
    windy = all(c.quantity in _WIND for c in group)
    hours = scene.limits.number(_ID, "wind_window" if windy else "window", scene.interval_s)
    found = [(round(hours * _HOUR_US), _joint(scene, group, round(hours * _HOUR_US)))]
    if {"wind_speed", "wind_direction"} <= {c.quantity for c in group if windy}:
        repeats = round(scene.limits.number(_ID, "repeats"))
        found.append((repeats * (scene.table.interval_us or 0), _repeated(scene, group, repeats)))
    return [(window_us, ends[_lives(scene, others, ends, window_us)]) for window_us, ends in found]


def _joint(scene: Scene, group: list[Channel], window_us: int) -> Rows:
    """Rows at which windows end in which all of a group keep within their tolerance."""
    least = math.ceil(scene.limits.number(_ID, "share") * window_us / (scene.table.interval_us or 1))
    rows = np.arange(0) if not group else None
    for channel in group:
        values, tolerance = scene.values(channel), _tolerance(scene, channel)
        circular = channel.quantity == "wind_direction"
        ends = stays.stays(values, scene.time, window_us, least, float(tolerance.max(initial=0.0)), circular=circular)
        still = ends.high - ends.low <= tolerance[ends.rows] + 1e-9 * np.abs(ends.high)
        here = ends.rows[still & ~_at_rest(scene, channel, ends)]
        rows = here if rows is None else np.intersect1d(rows, here, assume_unique=True)
        if not len(rows):
            break
    assert rows is not None
    return rows


def _repeated(scene: Scene, group: list[Channel], repeats: int) -> Rows:
    """Rows that end a run of equal wind, where it is resolved finely enough for that to be no chance."""
    same = np.zeros(scene.rows, bool)
    same[1:] = (scene.time[1:] - scene.time[:-1]).astype(np.int64) * 2 <= 3 * (scene.table.interval_us or 0)
    for channel in group:
        values, quantum = scene.values(channel), scene.quantum(channel)
        same[1:] &= values[1:] == values[:-1]
        finest = "repeat_direction" if channel.quantity == "wind_direction" else "repeat_speed"
        same &= (quantum > 0) & (quantum <= scene.limits.number(_ID, finest) * (1 + 1e-9))
        if channel.quantity == "wind_speed":
            same &= values > scene.limits.number(_ID, "calm")
    return stays.running(same, repeats - 1)


def _tolerance(scene: Scene, channel: Channel) -> Floats:
    least = scene.limits.number(_ID, "least_direction") if channel.quantity == "wind_direction" else 0.0
    return np.maximum(scene.limits.number(_ID, "quanta") * scene.quantum(channel), least)


def _at_rest(scene: Scene, channel: Channel, ends: Ends) -> Bools:
    """Windows in calm or saturated air."""
    if channel.quantity == "wind_speed":
        return ends.high <= scene.limits.number(_ID, "calm")
    if channel.quantity == "relative_humidity":
        return ends.high >= scene.limits.number(_ID, "saturated")
    return np.zeros(len(ends.rows), bool)


def _lives(scene: Scene, others: list[Channel], ends: Rows, window_us: int) -> Bools:
    """Where a channel of another device moves by more than counts as still, in the window or the time before it."""
    back_us = max(window_us, round(scene.limits.number(_ID, "around") * _HOUR_US))
    alive = np.zeros(len(ends), bool)
    for channel in others:
        moves = _windows(scene, channel, ends, back_us)
        alive |= moves.high - moves.low > _tolerance(scene, channel)[ends] + 1e-9 * np.abs(moves.high)
        if alive.all():
            break
    return alive


def _windows(scene: Scene, channel: Channel, ends: Rows, window_us: int) -> Ends:
    """How far the channel moves in the windows that end at some rows."""
    values = scene.values(channel)
    found = stays.extremes(values, scene.time, ends, window_us)
    if channel.quantity != "wind_direction":
        return found
    turned = stays.extremes(stays.turned(values), scene.time, ends, window_us)
    narrow = turned.high - turned.low < found.high - found.low
    return Ends(ends, np.where(narrow, turned.low, found.low), np.where(narrow, turned.high, found.high))


def reach(limits: Limits, interval_s: float) -> Reach:
    """The longest window to each side, and back of it where another device must move."""
    hours = max(limits.number(_ID, "window", interval_s), limits.number(_ID, "wind_window", interval_s))
    ahead = max(hours * 3600.0, limits.number(_ID, "repeats") * interval_s)
    return max(ahead, limits.number(_ID, "around") * 3600.0), ahead


def say(told: Told) -> str:
    """That it stands still, and what with it."""
    most, least = f"{shown(told.limit)} {told.unit}", f"{shown(told.worst)} {told.unit}"
    return (
        f"{told.title} stands still for {told.lasting} with all that its device measures, while another device lives: "
        f"it moves by {least} where up to {most} count as still"
    )


CHECK = Check(
    _ID,
    stage=3,
    witness=DEVICE,
    quantities=(*_WIND, *_AIR),
    run=run,
    say=say,
    reach=reach,
    number="moves within its window by",
    unit="difference",
)
