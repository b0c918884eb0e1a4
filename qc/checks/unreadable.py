"""Cells that are no number.

Tests: cells that are neither a number in the declared decimal sign nor a declared marker.
Matters: a broken download, a second program or a loose plug shows here first.
Not a fault: words in a channel of quantity `other` are carried along.
Limits: none; a number has digits, one decimal sign, a sign and an exponent, and no thousands separator.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Told
from qc.read.numbers import UNREADABLE
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import MISSING, OWN, Found


def run(scene: Scene, channel: Channel) -> Found:
    """Verdict 7 for each such cell."""
    hit = scene.table.channels[channel.name].where(UNREADABLE)
    nothing = np.full(scene.rows, np.nan)
    return Found(np.ones(scene.rows, bool), np.where(hit, np.uint8(MISSING), np.uint8(0)), nothing, nothing)


def say(told: Told) -> str:
    """What stands there."""
    return f"{told.channel} holds '{told.cell}', which is no number ({told.values} rows); is it a marker to declare?"


CHECK = Check("unreadable", stage=1, witness=OWN, quantities=("*",), run=run, say=say, asks="a cell")
