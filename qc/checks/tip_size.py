"""Rain that is no multiple of the bucket's tip.

Tests: each total against the nearest multiple of the resolution that the station file declares, beyond the rounding
    of its last printed digit.
Matters: a wrong multiplier in the logger program, another gauge than the file says, a unit mistaken, a garbled digit.
Not a fault: a tip of 0.254 mm printed as 0.3, 0.5 and 0.8; a total printed with too few digits to tell.
Limits: rounding: share of the last printed digit that a total may be off. Verdict 2. A total on the limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Told, shown
from qc.physics.rain import last_digit
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Found, NotApplied

_ROUNDING = 1e-6  # mm: numbers in the file's unit come back from mm with a few bits lost


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Distance of wet totals from whole tips."""
    rain, tip = scene.values(channel), scene.quantum(channel)
    if channel.statistic not in (None, "total", "counter"):
        return NotApplied(f"a channel of statistic {channel.statistic} counts no tips")
    if not tip.any():
        return NotApplied("the station file gives no resolution: the size of a tip")
    rows = np.flatnonzero((rain > 0) & (tip > 0))
    printed = last_digit(np.round(rain[rows] / scene.scale(channel)[rows], 9)) * scene.scale(channel)[rows]
    nearest = np.full(scene.rows, np.nan)
    nearest[rows] = np.round(np.rint(rain[rows] / tip[rows]) * tip[rows], 9)
    off = np.abs(rain[rows] - nearest[rows]) > scene.limits.number("tip-size", "rounding") * printed + _ROUNDING
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[rows[off]] = DOUBTFUL
    return Found(np.isfinite(rain) & (tip > 0), verdict, rain, nearest)


def say(told: Told) -> str:
    """How far off."""
    return f"rain of {shown(told.worst)} mm is no whole number of tips; {shown(told.limit)} mm would be the nearest"


CHECK = Check(
    "tip-size",
    stage=2,
    witness=OWN,
    quantities=("precipitation",),
    run=run,
    say=say,
    asks="a value, and a tip size at that time",
)
