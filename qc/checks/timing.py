"""Rows whose time cannot be right.

Tests: stamps off the grid of the table's interval by more than `stray`, stamps later than --as-of, rows of one stamp
    with different values, and stamps of a repeated autumn hour that neither the line counter nor the order of the
    file settles.
Matters: a value at the wrong time is a wrong value to everyone who joins it with another.
Not a fault: loggers that drift by seconds, where the station file says so (`stray`); a logger set to summer time,
    where it says so.
Limits: `stray` of the station file; --as-of of the command line. Without --as-of no stamp lies in the future.
"""

from __future__ import annotations

import numpy as np

from qc.checks import EVERY, Check, Told
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, INCONSISTENT, OWN, Found

SECOND = np.timedelta64(1_000_000, "us")


def run(scene: Scene, channel: Channel) -> Found:
    """Verdict 1 for off-grid, conflicting and unsettled stamps, 2 for stamps in the future; number is seconds, where
    there is one."""
    table = scene.table
    verdict = np.where(
        (table.off_grid_s > 0) | table.conflicting | table.unsettled, np.uint8(INCONSISTENT), np.uint8(0)
    )
    number = np.full(scene.rows, np.nan)
    limit = np.full(scene.rows, np.nan)
    off = table.off_grid_s > 0
    number[off], limit[off] = table.off_grid_s[off], table.table.stray_s
    if scene.as_of is not None:
        future = scene.time > scene.as_of
        verdict[future] = DOUBTFUL
        number[future] = ((scene.time - scene.as_of) / SECOND)[future]
        limit[future] = 0.0
    has_value = np.isfinite(table.channels[channel.name].values)
    return Found(has_value, np.where(has_value, verdict, np.uint8(0)), number, limit)


def say(told: Told) -> str:
    """What is wrong with the stamps."""
    one = told.values == 1
    if told.verdict == DOUBTFUL:
        what = "1 value is stamped" if one else f"{told.values} values are stamped up to"
        return f"{what} {told.worst / 3600:.1f} h in the future: look at the logger clock"
    if told.worst == told.worst:
        what = "1 stamp lies" if one else f"{told.values} stamps lie up to"
        return f"{what} {told.worst:.0f} s off the grid (allowed: {told.limit:.0f} s)"
    what = "1 stamp stands" if one else f"{told.values} stamps stand"
    return f"{what} twice with different values, or in a repeated hour that nothing settles"


CHECK = Check("timing", stage=1, witness=OWN, quantities=EVERY, run=run, say=say, number="off the grid", unit="s")
