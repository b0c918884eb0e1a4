"""Times for which no row was read.

Tests: two neighbouring rows of an interval table that lie more than one and a half intervals apart.
Matters: a sum over a gap is too small, and nobody sees it in a list of good values.
Not a fault: a table that writes a row per event has no gaps.
Limits: the interval of the station file; half an interval is left to stamps that stray (judgement).
"""

from __future__ import annotations

from qc.checks import EVERY, Check, Told
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import OWN, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Gaps are no values: `qc.episodes.gaps` lists them for a table."""
    return NotApplied("gaps are listed by table")


def say(told: Told) -> str:
    """How many rows are missing."""
    return f"no rows for {told.lasting}: {told.values} of them are missing"


CHECK = Check("gap", stage=1, witness=OWN, quantities=EVERY, run=run, say=say, scope="table")
