"""Values taken while people had their hands on the sensor.

Tests: whether the interval of a value touches a line of the visit log with the effect disturbed, replaced or moved.
Matters: a covered dome, a breath on the thermometer or water poured into the gauge gives numbers like weather.
Not a fault: a sensor that is cleaned goes on measuring, a clock that is set changes no value, and a note is a note:
    these three leave nothing. Where cleaning did show in the values, a line with the effect disturbed says so.
Limits: none; from and to of the line, inclusive. Verdict 2: what was disturbed need not be wrong. A check of another
    witness that fails the same value makes it wrong.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told
from qc.errors import printable
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, PEOPLE, Found, NotApplied

EFFECTS = ("disturbed", "replaced", "moved")
_LONGEST = 200  # characters of a note that are repeated (judgement)


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Verdict 2 within a visit; a mean or a sum is touched by a visit to any part of its interval."""
    if scene.logs.visits is None:
        return NotApplied("the station file names no visit log")
    # a value tells of its interval: without its begin where stamps mark the end, without its end where the start
    span = np.timedelta64(0 if channel.statistic == "sample" else scene.table.interval_us or 0, "us")
    side, time = scene.table.table.side, scene.time
    has_value = scene.has_value(channel, estimated=False)
    notes = np.full(scene.rows, "", object)
    touched = np.zeros(scene.rows, bool)
    for visit in scene.logs.visits:
        if visit.effect in EFFECTS and channel.name in visit.channels:
            begins = (time + span > visit.start) | (time >= visit.start) if side == "start" else time >= visit.start
            ends = (time - span < visit.end) | (time <= visit.end) if side == "end" else time <= visit.end
            rows = begins & ends & has_value
            touched |= rows
            notes[rows] = f"{visit.effect}, line {visit.line} of the visit log: {_told(visit.note)}"
    nothing = np.full(scene.rows, np.nan)
    return Found(touched, np.where(touched, np.uint8(DOUBTFUL), np.uint8(0)), nothing, nothing, notes)


def _told(note: str) -> str:
    return printable(note, _LONGEST) or "no note"


def say(told: Told) -> str:
    """Who says so: the line of the log."""
    return f"{told.values} values were taken while people were at the sensor ({told.note})"


CHECK = Check("visit", stage=1, witness=PEOPLE, quantities=EVERY, run=run, say=say, asks="a visit that covers it")
