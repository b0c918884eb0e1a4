"""An anemometer that ice holds.

Tests: hours of wind at rest, at or below freezing in air nearly saturated over ice, where another wind channel was
    not calm, or where the wind stopped short: it blew, and within two hours the cups stood.
Matters: an iced cup or vane reads a calm that was none, just in the weather that people ask about.
Not a fault: freezing fog and clear cold nights are calm too; but there the wind has long been weak before (measured
    on estuary), and gusts are weak as well; the lull of a clear evening, in which the air cools fast.
Limits: hold: hours at rest; still: speed that counts as rest; temperature and humidity over ice: the weather of ice;
    awake: what another wind channel must show in half of the values of hold to each side; blew: the wind that must
    have blown within stop before the rest began; cooling: how far the air may have cooled in that time. Verdict 2;
    long freezes are flagged for as long as onset after the wind stopped. A value on a limit fails.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.humidity import saturation_vapour_pressure
from qc.physics.windows import Rows, max_at, runs
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, DOUBTFUL, Bools, Floats, Found, NotApplied

_US = 3_600_000_000


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Runs of rest in icing weather, and what else the wind did."""
    if channel.statistic in ("sd", "min") or not scene.table.interval_us:
        return NotApplied("no mean or gust of an interval")
    if scene.table.interval_us > scene.limits.number("icing", "hold") * _US:
        return NotApplied("intervals longer than the hours of rest")
    values = scene.values(channel)
    t, rh = scene.companion("air_temperature"), scene.companion("relative_humidity")
    assert t is not None and rh is not None
    icy = _at_rest_in_ice(scene, values, t, rh)
    hold = round(scene.limits.number("icing", "hold") * _US)
    fails = np.zeros(scene.rows, bool)
    for first, last in zip(*runs(icy, scene.time, scene.table.interval_us * 3 // 2), strict=True):
        if int((scene.time[last] - scene.time[first]).astype(np.int64)) + scene.table.interval_us >= hold:
            rows = np.arange(first, last + 1)
            fails[rows] = _stopped_short(scene, values, t, rows) | _others_awake(scene, channel, rows, hold)
    limit = np.full(scene.rows, scene.limits.number("icing", "still"))
    tested = np.isfinite(values) & np.isfinite(t) & np.isfinite(rh)
    return Found(tested, np.where(fails, np.uint8(DOUBTFUL), np.uint8(0)), values, limit)


def _at_rest_in_ice(scene: Scene, values: Floats, t: Floats, rh: Floats) -> Bools:
    icy = (values <= scene.limits.number("icing", "still")) & (t <= scene.limits.number("icing", "temperature"))
    rows = np.flatnonzero(icy)
    over_ice = rh[rows] * saturation_vapour_pressure(t[rows]) / saturation_vapour_pressure(t[rows], "ice")
    icy[rows] = np.round(over_ice, 6) >= scene.limits.number("icing", "humidity")
    return icy


def _stopped_short(scene: Scene, values: Floats, t: Floats, rows: Rows) -> Bools:
    """Whether the wind blew shortly before the run began, and no clear evening stilled it; for the rows of a run that
    can see its beginning."""
    stop = round(scene.limits.number("icing", "stop") * _US)
    onset = round(scene.limits.number("icing", "onset") * _US)
    blew = max_at(values, scene.time, rows[:1], stop, 0)[0] >= scene.limits.number("icing", "blew")
    cooled = np.round(max_at(t, scene.time, rows[:1], stop, 0)[0] - t[rows[0]], 6)
    blew = blew & (cooled <= scene.limits.number("icing", "cooling"))
    return np.asarray(blew & ((scene.time[rows] - scene.time[rows[0]]).astype(np.int64) <= onset))


def _others_awake(scene: Scene, channel: Channel, rows: Rows, hold: int) -> Bools:
    """Whether another wind channel was not calm in half of its values of the run within `hold` to each side."""
    awake = np.zeros(len(rows), bool)
    stamps = scene.time[rows].astype(np.int64)
    first, after = np.searchsorted(stamps, stamps - hold), np.searchsorted(stamps, stamps + hold, side="right")
    for other in scene.of("wind_speed", "wind_gust"):
        if other is not channel and other.statistic not in ("sd", "min"):
            values = scene.values(other)[rows]
            masks = (values >= scene.limits.number("icing", "awake"), np.isfinite(values))
            blows, there = (np.concatenate(([0], np.cumsum(mask))) for mask in masks)
            seen = there[after] - there[first]
            awake |= (seen > 0) & (2 * (blows[after] - blows[first]) >= seen)
    return awake


def reach(limits: Limits, interval_s: float) -> Reach:
    """Back to the wind before the rest began, or over a run of rest; ahead over a run of rest."""
    hold, stop, onset = (limits.number("icing", key) * 3600.0 for key in ("hold", "stop", "onset"))
    if interval_s > hold:
        return 0.0, 0.0
    return max(onset + stop, hold) + 1.5 * interval_s, hold + 1.5 * interval_s


def say(told: Told) -> str:
    """The rest, and why it is not believed."""
    return (
        f"{told.title} stays at {shown(told.limit)} m/s or less for {told.lasting} in freezing, nearly saturated air, "
        "although the wind blew just before or elsewhere on the mast: iced"
    )


CHECK = Check(
    "icing", stage=3, witness=DEVICE, quantities=("wind_speed", "wind_gust"), run=run, say=say,
    needs=("air_temperature", "relative_humidity"), reach=reach,
    asks="a value, with air temperature and humidity beside it",
)  # fmt: skip
