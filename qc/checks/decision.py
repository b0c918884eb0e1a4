"""What a reviewer decided about values.

Tests: whether a line of the decision log covers the value's stamp; of several the one decided last, of those the last
    line.
Matters: a person who has looked knows more than any rule. The decision stands, up or down, whatever checks left.
Not a fault: a value decided good keeps the checks that it failed beside it, so that nothing is hidden.
Limits: none; from and to of the line, inclusive. Verdict 0 to 3 as decided. A missing value cannot be decided.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told
from qc.errors import printable
from qc.logs import VERDICTS
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import PEOPLE, Found, NotApplied

_LONGEST = 200  # characters of a reason that are repeated (judgement)


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """The decided verdict, from the first stage on: no stage condemns what was decided good."""
    if scene.logs.decisions is None:
        return NotApplied("the station file names no decision log")
    has_value = scene.has_value(channel, changed=False, estimated=False)
    verdict = np.zeros(scene.rows, np.uint8)
    notes = np.full(scene.rows, "", object)
    decided = np.zeros(scene.rows, bool)
    for one in sorted(scene.logs.decisions, key=lambda d: (d.decided, d.line)):  # the latest last, so that it stands
        if channel.name in one.channels:
            rows = one.covers(scene.time) & has_value
            by = f" by {printable(one.by, 60)}" if one.by else ""
            reason = printable(one.reason, _LONGEST) or "no reason given"
            decided |= rows
            verdict[rows] = one.verdict
            notes[rows] = f"{VERDICTS[one.verdict]}{by}, line {one.line} of the decision log: {reason}"
    nothing = np.full(scene.rows, np.nan)
    return Found(decided, verdict, nothing, nothing, notes)


def say(told: Told) -> str:
    """The decision, who took it, and why."""
    return f"{told.values} values were decided {told.note}"


CHECK = Check(
    "decision", stage=1, witness=PEOPLE, quantities=EVERY, run=run, say=say, asks="a line of the log that covers it"
)
