"""A signal when the sun is well down.

Tests: irradiance, light and sunshine in intervals throughout which the sun stands below the horizon by more than
    twilight needs.
Matters: a clock or a zone that is hours off, a lamp, water in a connector, an offset of the logger's input; each spoils
    the day too.
Not a fault: a thermopile that reads a few W/m2 below zero in a clear night, or one above it in fog and rain (`range`
    has the lower limits); twilight; an hour that the sun sets in.
Limits: zenith: the sun must stand further down than this throughout; high, by quantity: verdict 2; high_wrong: verdict
    3. A value on a limit passes. How far the sun moves in an interval is taken as the most that it can move at that
    latitude.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Told, shown
from qc.physics.sun import fastest_change
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, SUN, WRONG, Found, NotApplied

QUANTITIES = ("global_irradiance", "diffuse_irradiance", "direct_irradiance", "reflected_irradiance", "par", "sunshine")


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare the values of the dark with what a sensor in order may read there."""
    if channel.statistic == "sd":
        return NotApplied("a standard deviation is no irradiance")
    limit = scene.limits.number("night", f"{channel.quantity}.high")
    wrong = scene.limits.number("night", f"{channel.quantity}.high_wrong")
    interval_s = scene.interval_s or 0.0
    away_s = (
        interval_s if scene.table.table.side == "instant" else interval_s / 2.0
    )  # of an instant's interval we know no side
    highest = scene.sky.position.zenith - fastest_change(scene.sky.latitude, away_s)
    values = scene.values(channel)
    dark = (highest > scene.limits.number("night", "zenith")) & np.isfinite(values)
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[dark & (values > limit)] = DOUBTFUL
    verdict[dark & (values > wrong)] = WRONG
    return Found(dark, verdict, values, np.where(verdict == WRONG, wrong, limit))


def say(told: Told) -> str:
    """How much light, in the dark."""
    return (
        f"{told.title} {shown(told.worst)} {told.unit} with the sun well down, for {told.lasting}; in the dark a "
        f"sensor in order stays at or below {shown(told.limit)} {told.unit}: clock, lamp, wet connector or offset?"
    )


CHECK = Check(
    "night", stage=2, witness=SUN, quantities=QUANTITIES, run=run, say=say, asks="a value with the sun well down"
)
