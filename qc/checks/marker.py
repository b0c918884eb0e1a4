"""Cells that hold a missing-value marker.

Tests: cells equal to one of the markers that the station file declares for the layout or the channel, as a word or as
    a number.
Matters: -9999 read as a value ruins every mean; a marker says that the logger asked the sensor and got nothing.
Not a fault: an empty cell where the logger leaves out a value by design (irradiance at night, say).
Limits: `missing` of the station file. Markers are declared there, never guessed from a table.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told
from qc.read.numbers import MARKER
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import MISSING, OWN, Found


def run(scene: Scene, channel: Channel) -> Found:
    """Verdict 7 for each marker."""
    hit = scene.table.channels[channel.name].where(MARKER)
    nothing = np.full(scene.rows, np.nan)
    return Found(np.ones(scene.rows, bool), np.where(hit, np.uint8(MISSING), np.uint8(0)), nothing, nothing)


def say(told: Told) -> str:
    """Which marker, for how long."""
    cell = f"the marker '{told.cell}'" if told.cell else "an empty cell"
    return f"{told.channel} holds {cell} instead of a value for {told.lasting} ({told.values} rows)"


CHECK = Check("marker", stage=1, witness=OWN, quantities=EVERY, run=run, say=say)
