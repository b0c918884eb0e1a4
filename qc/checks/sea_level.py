"""Pressure that leaves the plausible band once it is reduced to sea level.

Tests: station pressure reduced to sea level with the station's own air temperature (MetPy), against a band; where the
    temperature is missing, against the band by the standard atmosphere's temperature at that height.
Matters: a barometer that reports sea-level pressure as station pressure, a wrong elevation, a wrong unit, a sensor
    that died.
Not a fault: deep lows and winter highs; the climate's file may narrow the band, and the band widens with elevation,
    since a reduction through air that is not there is a convention (methods differ by 1.7 hPa at 950 m).
Limits: low, high: world records of sea-level pressure, beyond them verdict 3; low_doubtful, high_doubtful: verdict 2;
    widening: hPa added to both ends per 1000 m of elevation. A value on a limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Told, shown
from qc.physics.pressure import sea_level_pressure
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, WRONG, Found, NotApplied

_STANDARD = (15.0, 0.0065)  # degC at sea level and K/m: U.S. Standard Atmosphere 1976, published


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Reduce and compare."""
    if channel.statistic == "sd":
        return NotApplied("a standard deviation is no pressure")
    elevation = scene.station.station.elevation + (channel.height or 0.0)
    standard = _STANDARD[0] - _STANDARD[1] * elevation
    temperature = scene.companion("air_temperature")
    temperature = (
        np.full(scene.rows, standard) if temperature is None else np.where(np.isnan(temperature), standard, temperature)
    )
    values = scene.values(channel)
    reduced = sea_level_pressure(values, np.clip(temperature, -90.0, 60.0), elevation)
    wider = scene.limits.number("sea-level", "widening") * max(elevation, 0.0) / 1000.0
    low, high, low_doubtful, high_doubtful = (
        scene.limits.number("sea-level", key) + sign * wider
        for key, sign in (("low", -1), ("high", 1), ("low_doubtful", -1), ("high_doubtful", 1))
    )
    verdict = np.zeros(scene.rows, np.uint8)
    limit = np.full(scene.rows, np.nan)
    for beyond, number, code in (
        (reduced < low_doubtful, low_doubtful, DOUBTFUL), (reduced > high_doubtful, high_doubtful, DOUBTFUL),
        (reduced < low, low, WRONG), (reduced > high, high, WRONG),
    ):  # fmt: skip
        verdict[beyond], limit[beyond] = code, number
    return Found(np.isfinite(reduced), verdict, reduced, limit)


def say(told: Told) -> str:
    """What it would be at sea level."""
    side = "above" if told.worst > told.limit else "below"
    seen = "seen nowhere on earth" if told.verdict == WRONG else "hardly ever seen"
    reduced = f"{told.title} reduced to sea level is {shown(told.worst, 5)} hPa"
    return f"{reduced}, {side} {shown(told.limit, 5)} hPa: {seen}; elevation, unit or sensor?"


CHECK = Check("sea-level", stage=2, witness=OWN, quantities=("air_pressure",), run=run, say=say)
