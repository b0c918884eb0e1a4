"""The published limits taken literally: range, step and persistence alone, as the baseline of `tests.bench.seeded`.

Range, step and least change in 60 min: AWS-QC (from memory). Hourly tables: steps of WMO-305 in 1 h (from memory)
where it has one, and EPA's windows (published). A step blames the later value; a window that stands still blames all
its values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.physics.stays import turned
from qc.record import TableRecord

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

RANGE = {
    "air_temperature": (-80.0, 60.0), "dew_point": (-80.0, 35.0), "relative_humidity": (0.0, 100.0),
    "air_pressure": (500.0, 1100.0),
    "wind_speed": (0.0, 75.0), "wind_gust": (0.0, 150.0), "wind_direction": (0.0, 360.0),
    "global_irradiance": (0.0, 1600.0),
}  # fmt: skip
"""AWS-QC (from memory), output units."""
STEP = {
    "air_temperature": 3.0, "dew_point": 2.0, "relative_humidity": 10.0, "air_pressure": 0.5, "wind_speed": 10.0,
    "global_irradiance": 800.0,
}  # fmt: skip
"""Doubtful step in 1 min: AWS-QC (from memory); dew point 2 to 3 K there."""
STEP_HOUR = {"air_temperature": 4.0, "dew_point": 6.0, "air_pressure": 3.0}
"""Step in 1 h: WMO-305 (from memory)."""
STILL = {
    "air_temperature": ((1.0, 0.1),), "dew_point": ((1.0, 0.1),), "relative_humidity": ((1.0, 1.0),),
    "air_pressure": ((1.0, 0.1),),
    "wind_speed": ((1.0, 0.5),), "wind_direction": ((1.0, 10.0),),
}  # fmt: skip
"""Hours and least change: AWS-QC (from memory)."""
STILL_HOUR = {
    "air_temperature": ((12.0, 0.5),), "dew_point": ((12.0, 0.5),), "wind_speed": ((3.0, 0.1), (12.0, 0.5)),
    "wind_direction": ((3.0, 1.0), (18.0, 10.0)),
}  # fmt: skip
"""Hours and least change for hourly tables: EPA (published)."""
LONGER = (1, 2, 3, 6, 12, 24, 36)


@dataclass(frozen=True)
class Baseline:
    """Range, step limit and factor on the windows for one channel; None: the test is left out."""

    low: float
    high: float
    step: float | None
    longer: float | None


def published(quantity: str, interval_s: float) -> Baseline:
    """The limits as they stand."""
    hourly = interval_s >= 3600.0
    low, high = RANGE.get(quantity, (-np.inf, np.inf))
    return Baseline(low, high, (STEP_HOUR if hourly else {}).get(quantity, STEP.get(quantity)), 1.0)


def equal(table: TableRecord, name: str, quantity: str, healthy: Bools, allowed: int) -> Baseline:
    """The published limits, loosened just so far that they leave at most `allowed` flags on healthy rows."""
    start = published(quantity, table.table.interval_s or 0.0)
    step, low, high = start.step, start.low, start.high
    values = table.channels[name].values[healthy]
    if len(values) and ((values < low) | (values > high)).sum() > allowed:
        low, high = min(low, float(values.min())), max(high, float(values.max()))
    if step is not None:
        change = np.abs(_change(table, table.channels[name].values))
        sizes = np.sort(change[healthy & np.isfinite(change)])[::-1]
        step = max(step, float(sizes[allowed]) if len(sizes) > allowed else step)
    for longer in LONGER:
        if (_still(table, name, quantity, longer) & healthy).sum() <= allowed:
            return Baseline(low, high, step, longer)
    return Baseline(low, high, step, None)


def flags(table: TableRecord, name: str, quantity: str, baseline: Baseline) -> Bools:
    """Rows that range, step or persistence flag."""
    values = table.channels[name].values
    found = (values < baseline.low) | (values > baseline.high)
    if baseline.step is not None:
        found |= np.abs(_change(table, values)) > baseline.step + 1e-9
    if baseline.longer is not None:
        found |= _still(table, name, quantity, baseline.longer)
    return np.asarray(found)


def _change(table: TableRecord, values: Floats) -> Floats:
    """Change from the row an interval before; NaN where there is none."""
    change = np.full(len(values), np.nan)
    follows = (table.time[1:] - table.time[:-1]).astype(np.int64) * 2 <= 3 * (table.interval_us or 0)
    change[1:] = np.where(follows, values[1:] - values[:-1], np.nan)
    return change


def _still(table: TableRecord, name: str, quantity: str, longer: float) -> Bools:
    """Rows in windows without the least change."""
    values, interval = table.channels[name].values, table.table.interval_s or 0.0
    still = np.zeros(len(values), bool)
    speed = next((table.channels[c].values for c in ("ws",) if c in table.channels), None)
    for hours, least in (STILL_HOUR if interval >= 3600.0 else STILL).get(quantity, ()):
        size = round(hours * longer * 3600.0 / interval) + 1  # values from t - window to t
        if not 1 < size <= len(values):
            continue
        tested = values if quantity != "relative_humidity" else np.where(values < 95.0, values, np.nan)
        if quantity in ("wind_speed", "wind_direction") and speed is not None:
            tested = np.where(speed > 0.1, tested, np.nan)
        spread = _spread(tested, size)
        if quantity == "wind_direction":
            spread = np.fmin(spread, _spread(turned(tested), size))
        whole = (table.time[size - 1 :] - table.time[: -size + 1]).astype(np.int64) == (size - 1) * (
            table.interval_us or 0
        )
        ends = np.flatnonzero((spread < least - 1e-9) & whole)
        marks = np.zeros(len(values) + 1, np.int64)
        np.add.at(marks, ends, 1)
        np.add.at(marks, ends + size, -1)
        still |= np.cumsum(marks)[:-1] > 0
    return still


def _spread(values: Floats, size: int) -> Floats:
    """Largest less smallest of each window of `size` rows; NaN where a value is missing."""
    high, low, width = values, values, 1
    while width < size:  # doubling: a window is two shorter ones that overlap
        shift = min(width, size - width)
        high, low = np.maximum(high[:-shift], high[shift:]), np.minimum(low[:-shift], low[shift:])
        width += shift
    return np.asarray(high - low)
