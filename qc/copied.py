"""Whose numbers a channel shows: long before a day of them tells a copy or an exchange from other faults."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from qc.case import Case, Ints
from qc.station import Channel
from qc.verdicts import Floats

DERIVED = (
    {"air_temperature", "dew_point"}, {"air_pressure", "sea_level_pressure"}, {"global_irradiance", "par"},
    {"relative_humidity", "dew_point"}, {"global_irradiance", "diffuse_irradiance"},
)  # fmt: skip
"""Quantities that are made from each other, or of one sensor, or are the same thing under clouds, in sound tables."""


def related(case: Case, a: Channel, b: Channel) -> bool:
    """Whether two channels are of one device, or of quantities that are made from each other."""
    device = case.device(a)
    return (device is not None and device == case.device(b)) or {a.quantity, b.quantity} in DERIVED


def original(case: Case, channel: Channel, rows: Ints, blind: Collection[str] = ()) -> Channel | None:
    """The channel of another device whose numbers a channel shows in some rows.

    They must be the same to the digit in 19 of 20 rows, as converted or as they stand in the table, and move together
    (`copied-moves` of channel-open): what rests beside another at one number does not.

    Parameters
    ----------
    case : Case
    channel : Channel
    rows : rows of the table, in order, shape (n,).
    blind : names of channels that cannot be an original.
    """
    for other in case.channels:
        alike = other.quantity == channel.quantity or related(case, channel, other)
        if other is channel or alike or other.name in blind:
            continue
        converted = case.values(channel)[rows], case.values(other)[rows]
        printed = (case.table.channels[channel.name].values[rows], case.table.channels[other.name].values[rows])
        for x, y in (converted, printed):
            there = np.isfinite(x) & np.isfinite(y) & np.isfinite(converted[0] + converted[1])
            if not len(rows) or there.mean() < 0.9:
                continue
            equal = np.abs(x - y)[there] <= 1e-6 * np.maximum(np.abs(y[there]), 1.0)
            moves = np.count_nonzero((np.diff(x[there]) != 0.0) & equal[1:] & equal[:-1])
            if equal.mean() >= 0.95 and moves >= case.limit("channel-open", "copied-moves"):
                return other
    return None


def taker(case: Case, channel: Channel, first: int, last: int) -> Channel | None:
    """The channel that took a channel's place by row `first` while that one took its place, to row `last`.

    In one row, up to a quarter of a day before `first`, both leap: the other to where this one stood, and on from
    there; and since then both lie where the other one lay on the days before. Nothing that is wrong with one column
    moves another into its place.
    """
    x = case.values(channel)
    since = np.searchsorted(case.time, case.time[first] - np.timedelta64(6, "h"))
    for other in case.channels:
        if other is channel or other.quantity == channel.quantity:
            continue
        y = case.values(other)
        rows = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        rows = rows[rows <= last]
        u, v = x[rows], y[rows]
        for k in np.flatnonzero((rows >= since) & (rows <= first)):
            if _crossed(u, v, int(k), case.limit("channel-open", "crossing")):
                return other
    return None


def _crossed(x: Floats, y: Floats, k: int, steps: float) -> bool:
    """Whether `y` goes on where `x` stood from row `k` on, and `x` moves where `y` did."""
    if min(k, len(x) - k) < 6:
        return False
    near = steps * float(np.mean(np.abs(np.diff(x[:k]))))
    lands = abs(float(np.median(y[k : k + 6])) - x[k - 1]) <= near and abs(y[k] - x[k - 1]) <= near
    leaps = min(abs(y[k] - y[k - 1]), abs(x[k] - x[k - 1])) > 2.0 * near
    return bool(lands and leaps and _within(y[k:], x[:k]) and _within(x[k:], y[:k]))


def _within(now: Floats, before: Floats) -> bool:
    """Whether nine tenths lie between the extremes of another stretch, with a quarter of their distance for weather."""
    low, high = float(before.min()), float(before.max())
    room = (high - low) / 4.0
    return float(np.mean((now >= low - room) & (now <= high + room))) >= 0.9
