"""Channels of many devices jump together for one value.

Tests: rows in which channels of several devices at once leave both their neighbours and come back to where they were.
Matters: a dip of the supply, a ground loop, lightning or the radio's own signal disturbs all that hangs on the logger
    at once, each channel by less than its own limit.
Not a fault: a gust front or a shower: its change stays, and so it is no excursion.
Limits: devices: how many devices, and how many quantities, verdict 2 on each channel that jumps; part: of what
    `spike` allows a single channel, but more than one step of its resolution; returns: part of the excursion by which
    the values before and after may differ; restless, share, around, intervals, longest_interval: as in `spike`. What
    lies on a limit passes. Without devices in the station file wind counts as one, and so do temperature and
    humidity, and pressures.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Reach, Told, around, reach_of_excursions, shown
from qc.limits import Limits
from qc.physics import excursions
from qc.physics.windows import Rows
from qc.record import SECOND
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, DOUBTFUL, Bools, Floats, Found, NotApplied

_ID = "common-mode"
_ROUNDING = 1e-9  # of the number itself


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Find the rows in which enough devices jump, and this channel with them."""
    if scene.interval_s is None:
        return NotApplied("an event table has no neighbours in time")
    if scene.interval_s > scene.limits.number(_ID, "longest_interval") * 3600.0:
        return NotApplied("its interval is too long for values to jump and return")
    if not _jumpy(scene, channel):
        kind = f" of statistic {channel.statistic}" if channel.statistic else ""
        return NotApplied(f"{channel.quantity}{kind} may jump by itself")
    devices = [name for name, channels in scene.instruments.items() if any(_jumpy(scene, c) for c in channels)]
    if len(devices) < scene.limits.number(_ID, "devices"):
        return NotApplied("too few devices in its table")
    if _ID not in scene.shared:
        scene.shared[_ID] = _jumps(scene)
    _, away = scene.excursions(channel)
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[scene.shared[_ID][channel.name]] = DOUBTFUL
    return Found(np.isfinite(away), verdict, away, np.copysign(_least(scene, channel), away))


def _jumpy(scene: Scene, channel: Channel) -> bool:
    """Whether a channel counts: one that `spike` has a limit for."""
    return channel.statistic not in ("sd", "counter") and scene.limits.find("spike", channel.quantity) is not None


def _least(scene: Scene, channel: Channel) -> Floats:
    part = scene.limits.number(_ID, "part") * scene.limits.number("spike", channel.quantity, scene.interval_s)
    return np.maximum(part, scene.quantum(channel))


def _jumps(scene: Scene) -> dict[str, Rows]:
    """For each channel the rows in which it jumps together with enough devices."""
    tested = {name: [c for c in channels if _jumpy(scene, c)] for name, channels in scene.instruments.items()}
    some = {c.name: _beyond(scene, c) for channels in tested.values() for c in channels}
    rows = np.flatnonzero(_together(scene, tested, some))  # few: only there is the time around worth looking at
    sure = {c.name: some[c.name][rows] & _restless(scene, c, rows) for channels in tested.values() for c in channels}
    enough = _together(scene, tested, sure)
    return {name: rows[enough & here] for name, here in sure.items()}


def _beyond(scene: Scene, channel: Channel) -> Bools:
    """Rows that leave their neighbours by more than the least, and return."""
    change, away = scene.excursions(channel)
    beyond = np.abs(away) > _least(scene, channel) + _ROUNDING * np.abs(scene.values(channel))
    rows = np.flatnonzero(beyond)  # each has a row after it
    stays = np.abs(change[rows] + change[rows + 1]) > scene.limits.number(_ID, "returns") * np.abs(away[rows])
    beyond[rows[stays]] = False
    return beyond


def _restless(scene: Scene, channel: Channel, rows: Rows) -> Bools:
    """Rows in which the jump is large against the changes around it."""
    change, away = scene.excursions(channel)
    half_us = round(around(scene.limits, _ID, scene.interval_s or 0.0) * SECOND)
    usual = excursions.usual(change, scene.time, rows, half_us, scene.limits.number(_ID, "share"))
    rounding = _ROUNDING * np.abs(scene.values(channel)[rows])
    return np.asarray(np.abs(away[rows]) > scene.limits.number(_ID, "restless") * usual + rounding)


def _together(scene: Scene, tested: dict[str, list[Channel]], jumps: dict[str, Bools]) -> Bools:
    """Rows in which enough devices and enough quantities jump: three thermometers in one puff of air do not count."""
    enough = np.ones(len(next(iter(jumps.values()))), bool)
    channels = [(device, c) for device, some in tested.items() for c in some]
    for names in ([device for device, _ in channels], [c.quantity for _, c in channels]):
        count = np.zeros(len(enough), np.int64)
        for name in dict.fromkeys(names):
            alike = [jumps[c.name] for (_, c), own in zip(channels, names, strict=True) if own == name]
            count += np.logical_or.reduce(alike)
        enough &= count >= scene.limits.number(_ID, "devices")
    return enough


def reach(limits: Limits, interval_s: float) -> Reach:
    """The time around, and the neighbours of its first and last value."""
    return reach_of_excursions(limits, _ID, interval_s)


def say(told: Told) -> str:
    """How far it jumped, and with whom."""
    way = "up" if told.worst > 0 else "down"
    return (
        f"{told.title} jumps {way} by {shown(abs(told.worst))} {told.unit} for one value, together with other devices; "
        f"{shown(abs(told.limit))} {told.unit} is the least that counts"
    )


CHECK = Check(
    _ID,
    stage=2,
    witness=DEVICE,
    quantities=EVERY,
    run=run,
    say=say,
    reach=reach,
    asks="a value, and one on either side of it",
    number="away from both neighbours",
    unit="difference",
)
