"""All channels of a device go missing together.

Tests: rows in which no channel of a device that the station file names holds a value, while another device does.
Matters: a loose plug, a bus that hangs or a supply that sags takes all channels of a device; a broken sensor takes
    one.
Not a fault: a row that holds nothing at all; a column that did not yet stand in the table.
Limits: channels: how many must share the device. Verdict 7, as for any value that is missing. A lone row counts.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told
from qc.read.numbers import ABSENT
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, MISSING, Bools, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Verdict 7 where the whole device is missing."""
    device = next(name for name, channels in scene.devices.items() if channel in channels)
    together = scene.devices[device]
    if len(together) < scene.limits.number("dropout", "channels"):
        return NotApplied("no other channel of its device")
    others = [c for name, channels in scene.devices.items() if name != device for c in channels]
    if not others:
        return NotApplied("no other device in its table")
    here = ~np.logical_or.reduce([_has_value(scene, c) for c in together])
    asked = ~np.logical_or.reduce([scene.table.channels[c.name].where(ABSENT) for c in together])
    lives = np.zeros(scene.rows, bool)
    if here.any():
        lives = np.logical_or.reduce([_has_value(scene, c) for c in others])
    nothing = np.full(scene.rows, np.nan)
    return Found(asked, np.where(here & asked & lives, np.uint8(MISSING), np.uint8(0)), nothing, nothing)


def _has_value(scene: Scene, channel: Channel) -> Bools:
    """Whether the table holds a value, whatever earlier stages thought of it."""
    return np.isfinite(scene.table.channels[channel.name].values)


def say(told: Told) -> str:
    """For how long."""
    rows = f"{told.lasting} ({told.values} rows)"
    return f"{told.channel} is missing for {rows} with all channels of its device, while other devices report"


CHECK = Check(
    "dropout",
    stage=3,
    witness=DEVICE,
    quantities=EVERY,
    run=run,
    say=say,
    asks="a cell for every channel of its device",
)
