"""Battery or logger outside what they can work with.

Tests: battery voltage against the limits of a lead-acid battery of its nominal voltage (6, 12, 24 or 48 V, whichever
    most values of the day before fit); the temperature of the logger against the range that loggers are made for.
Matters: below the cut-off a battery is harmed and loggers brown out, so that all values become suspect; above the
    other limit the charger fails.
Not a fault: a dip while the radio sends; a lithium iron phosphate battery, which stays higher. Panels are not tested.
Limits: low, high: of a 12 V battery, in proportion for the others, verdict 2; band: voltage up to which a value
    counts as of a nominal one, over that; lookback: the day; logger_low, logger_high, verdict 2. A value on a limit
    passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limit, Limits
from qc.physics import windows
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Floats, Found, NotApplied

_NOMINAL = (6.0, 12.0, 24.0, 48.0)  # V
_LOGGER = "logger_temperature"


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare with the limits of the battery's nominal voltage, or of the logger."""
    if channel.statistic == "sd":
        return NotApplied("a channel of statistic sd is no level")
    values = scene.values(channel)
    if channel.quantity == _LOGGER:
        low, high = (np.full(scene.rows, scene.limits.number("supply", f"logger_{end}")) for end in ("low", "high"))
    else:
        nominal = _nominal(scene, values)
        low, high = (scene.limits.number("supply", end) * (nominal / 12.0) for end in ("low", "high"))
    if np.isnan(low).all() and np.isfinite(values).any():
        return NotApplied("no nominal voltage fits its values")
    fails = (values < low) | (values > high)
    limit = np.where(values > high, high, low)
    return Found(
        np.isfinite(values) & np.isfinite(low), np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), values, limit
    )


def _nominal(scene: Scene, values: Floats) -> Floats:
    """Nominal voltage at each row: the one that most values of the day before fit, the lower of two; or NaN."""
    top = scene.limits.number("supply", "band")
    back_us = round(scene.limits.number("supply", "lookback") * 3_600_000_000)
    nominal, most = np.full(scene.rows, np.nan), np.zeros(scene.rows, np.int64)
    there = np.isfinite(values)
    for volts in _NOMINAL:
        fits = (values > top * volts / 2) & (values <= top * volts)
        if there.any() and (fits == there).all():
            return np.full(scene.rows, volts)  # what the counts would say, at once
        if fits.any():
            count = windows.sliding_count(fits, scene.time, back_us, 0)
            nominal[count > most] = volts
            most = np.maximum(most, count)
    return nominal


def reach(limits: Limits, interval_s: float) -> Reach:
    """The day before."""
    return limits.number("supply", "lookback") * 3600.0, 0.0


def concerns(limit: Limit, scene: Scene, channel: Channel) -> bool:
    """Those of the logger for the logger, the others for the battery."""
    return limit.key.startswith("logger_") == (channel.quantity == _LOGGER)


def say(told: Told) -> str:
    """How low or high, and what to think of it."""
    side = "above" if told.worst > told.limit else "below"
    meaning = "look at the charger" if side == "above" else "it runs empty: look at panel, charger and battery"
    if told.quantity == _LOGGER:
        meaning = "outside what loggers are made for"
    number, limit = f"{shown(told.worst)} {told.unit}", f"{shown(told.limit)} {told.unit}"
    return f"{told.title} {number} is {side} {limit} for {told.lasting}: {meaning}"


CHECK = Check(
    "supply",
    stage=3,
    witness=OWN,
    quantities=("battery_voltage", _LOGGER),
    run=run,
    say=say,
    reach=reach,
    asks="a value that fits a nominal voltage",
    concerns=concerns,
)
