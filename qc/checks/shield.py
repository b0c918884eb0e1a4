"""Air temperature that follows the sun.

Tests: at the edges of clouds, where the irradiance jumps within minutes and the wind is weak, by how much the
    temperature moves with it. The air itself hardly does in so short a time; a probe that the sun reaches does.
Matters: a shield that fell off, a probe that slipped out of it, a fan that died: sunny values are degrees too high,
    nights are not.
Not a fault: a naturally ventilated shield, which adds some tenths within minutes (and 2 to 4 K for hours of calm
    sunshine: an hour's table cannot show that, and diagnosis: shield-heating looks at it); a cold pool or a gust front
    that comes with the cloud.
Limits: edge: least jump of irradiance within `minutes`; wind: more blows the heat away; slope: K per 1000 W/m2; share
    of the edges within window_hours to either side that must move by more, of at least `edges` of them; irradiance:
    values under less are not blamed. Verdict 2. A share on the limit passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.spells import count_near
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, SUN, Bools, Floats, Found, NotApplied

Rows = NDArray[np.int64]
_SLOWEST_S = 900.0  # in a longer interval the air itself follows the sun; judgement


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Count the cloud edges that the temperature follows."""
    if channel.statistic not in (None, "mean", "sample"):
        return NotApplied(f"a channel of statistic {channel.statistic} has no cloud edges")
    if not scene.interval_s or scene.interval_s > _SLOWEST_S:
        return NotApplied("cloud edges need a table of 15 min or less")
    number = scene.limits.number
    sun = scene.companion("global_irradiance")
    if sun is None:
        return NotApplied("no mean of global_irradiance")
    values = scene.values(channel)
    bright = sun >= number("shield", "irradiance")
    tested = np.isfinite(values) & bright & _weak_wind(scene)
    share, verdict = np.full(scene.rows, np.nan), np.zeros(scene.rows, np.uint8)
    edges, follows = _edges(scene, values, sun)
    rows = np.flatnonzero(tested) if follows.any() else np.zeros(0, np.int64)
    half = round(number("shield", "window_hours") * 3600e6)
    of, hits = (count_near(mask, scene.time, rows, half, half) for mask in (edges, follows))
    share[rows] = np.round(100.0 * hits / np.maximum(of, 1), 6)
    verdict[rows[(of >= number("shield", "edges")) & (share[rows] > number("shield", "share"))]] = DOUBTFUL
    return Found(tested, verdict, share, np.full(scene.rows, number("shield", "share")))


def _edges(scene: Scene, values: Floats, sun: Floats) -> tuple[Bools, Bools]:
    """Rows in weak wind by which the light has jumped, and those of them where the temperature went along."""
    number = scene.limits.number
    edges, follows = np.zeros(scene.rows, bool), np.zeros(scene.rows, bool)
    rows = np.flatnonzero(_weak_wind(scene) & (scene.sun_elevation > 0.0))
    before = _rows_before(scene, rows, max(number("shield", "minutes") * 60.0, scene.interval_s or 0.0))
    rows, before = rows[before >= 0], before[before >= 0]
    rise, light = values[rows] - values[before], sun[rows] - sun[before]
    jump = (np.abs(light) >= number("shield", "edge")) & np.isfinite(rise)
    rows, rise, light = rows[jump], rise[jump], light[jump]
    edges[rows] = True
    follows[rows] = np.round(rise * np.sign(light) * 1000.0 - number("shield", "slope") * np.abs(light), 6) > 0.0
    return edges, follows


def _weak_wind(scene: Scene) -> Bools:
    """Where the wind is weak, or nobody measures it."""
    wind = scene.companion("wind_speed")
    return np.ones(scene.rows, bool) if wind is None else wind < scene.limits.number("shield", "wind")


def _rows_before(scene: Scene, rows: Rows, seconds: float) -> Rows:
    """The row so long before each of some rows, -1 where there is none (`stray` is allowed)."""
    time = scene.time.astype("datetime64[us]").astype(np.int64)
    slack = round(2 * scene.table.table.stray_s * 1e6)
    wanted = time[rows] - round(seconds * 1e6)
    row = np.searchsorted(time, wanted - slack)
    return np.asarray(np.where(time[row] <= wanted + slack, row, -1))


def reach(limits: Limits, interval_s: float) -> Reach:
    """The edges of a day, and the value before the first of them."""
    half = limits.number("shield", "window_hours") * 3600.0
    return half + max(limits.number("shield", "minutes") * 60.0, interval_s) + interval_s, half


def say(told: Told) -> str:
    """At how many cloud edges it went along."""
    return (
        f"{told.title} follows the sun: at {shown(told.worst)} % of the cloud edges in weak wind it moves along "
        f"with the light ({shown(told.limit)} % is the most for a sound one): probe out of its shield, or fan dead?"
    )


CHECK = Check(
    "shield",
    stage=3,
    witness=SUN,
    quantities=("air_temperature",),
    needs=("global_irradiance",),
    run=run,
    say=say,
    reach=reach,
    asks="a value in strong sun and weak wind",
    number="cloud edges followed",
    unit="%",
)
