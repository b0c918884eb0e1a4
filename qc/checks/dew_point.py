"""A dew point above the air temperature, or at odds with the humidity.

Tests: dew point against air temperature; against the dew point that temperature and humidity give, with what the steps
    of all three leave open; and the dew point that temperature and humidity give against the dampest air on earth.
Matters: swapped columns, a wrong multiplier, one of two sensors that died, a pair that a wet connector lifts together.
Not a fault: other formulas in the logger (some tenths); steps of one percent in dry air; below 0 degC a dew point over
    ice, or a humidity over ice: every reading of the two passes, since tables do not tell which is meant.
Limits: above: K over the air temperature, verdict 2 on the dew point and 1 on the temperature; odds: K, verdict 1 on
    dew point and humidity; dampest: degC, verdict 2 on temperature and humidity. A value on a limit passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.checks import Check, Told, shown
from qc.physics import humidity
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, INCONSISTENT, OWN, Floats, Found, NotApplied

QUANTITIES = ("dew_point", "air_temperature", "relative_humidity")
_LEAST = 0.5  # %: half a step below it leaves the dew point open, so no reading of it is held against a lower one


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare the three with one another, as far as they are there."""
    if channel.statistic in ("max", "min", "sd"):
        return NotApplied(f"a channel of statistic {channel.statistic} has no dew point beside it")
    trio = {q: channel if channel.quantity == q else scene.partner(channel, q) for q in QUANTITIES}
    dew, air, damp = (trio[q] for q in QUANTITIES)
    if air is None or (dew is None and damp is None):
        return NotApplied(
            "no air_temperature channel" if air is None else "no dew_point and no relative_humidity channel"
        )
    key = "dew-point " + " ".join(c.name for c in (dew, air, damp) if c)
    if key not in scene.shared:
        scene.shared[key] = _compare(scene, dew, air, damp)
    applied, fails = scene.shared[key]
    verdict = np.zeros(scene.rows, np.uint8)
    number, limit = np.full(scene.rows, np.nan), np.full(scene.rows, np.nan)
    for rows, blame, value, bound in fails:  # the worse one last, so that it stands
        if code := blame.get(channel.quantity):
            verdict[rows], number[rows], limit[rows] = code, value, bound
    return Found(applied & np.isfinite(scene.values(channel)), verdict, number, limit)


_Fails = tuple[NDArray[np.int64], dict[str, int], Floats, Floats]


def _compare(
    scene: Scene, dew: Channel | None, air: Channel, damp: Channel | None
) -> tuple[NDArray[np.bool_], list[_Fails]]:
    t = scene.values(air)
    applied = np.zeros(scene.rows, bool)
    fails: list[_Fails] = []
    given = None
    if damp is not None:
        rh = scene.values(damp)
        given = humidity.dew_point(t, rh)
        applied |= np.isfinite(given)
        dampest = scene.limits.number("dew-point", "dampest")
        rows = np.flatnonzero(given > dampest)
        blame = {"air_temperature": DOUBTFUL, "relative_humidity": DOUBTFUL}
        fails.append((rows, blame, given[rows], np.full(len(rows), dampest)))
    if dew is None:
        return applied, fails
    td = scene.values(dew)
    if damp is not None and given is not None:
        odds = scene.limits.number("dew-point", "odds")
        rows = np.flatnonzero(np.abs(td - given) > odds)
        low, high = _open(scene, rows, air, damp)
        room = odds + scene.quantum(dew)[rows] / 2.0
        low, high = np.round(low - room, 6), np.round(high + room, 6)
        beyond = (td[rows] < low) | (td[rows] > high)
        nearer = np.where(td[rows] > high, high, low)
        blame = {"dew_point": INCONSISTENT, "relative_humidity": INCONSISTENT}
        fails.append((rows[beyond], blame, td[rows][beyond], nearer[beyond]))
    above = scene.limits.number("dew-point", "above")
    applied |= np.isfinite(td) & np.isfinite(t)
    rows = np.flatnonzero(td - t > above)
    frost = humidity.dew_point_of(humidity.saturation_vapour_pressure(np.minimum(t[rows], 0.0)), "ice")
    step = (scene.quantum(dew) + scene.quantum(air))[rows] / 2.0
    top = np.round(np.where(t[rows] < 0.0, frost, t[rows]) + step + above, 6)
    beyond = td[rows] > top
    fails.append(
        (rows[beyond], {"air_temperature": INCONSISTENT, "dew_point": DOUBTFUL}, td[rows][beyond], top[beyond])
    )
    return applied, fails


def _open(scene: Scene, rows: NDArray[np.int64], air: Channel, damp: Channel) -> tuple[Floats, Floats]:
    """The lowest and the highest dew point that the two leave open: half a step each way, and over water or ice."""
    t, rh = scene.values(air)[rows], scene.values(damp)[rows]
    step_t, step_rh = scene.quantum(air)[rows] / 2.0, scene.quantum(damp)[rows] / 2.0
    cold = t < 0.0
    ends = []
    for sign, pick in ((-1.0, np.fmin), (1.0, np.fmax)):
        share = np.maximum(rh + sign * step_rh, _LEAST if sign < 0 else 0.0) / 100.0
        at = t + sign * step_t
        over_water = share * humidity.saturation_vapour_pressure(at)
        over_ice = share * humidity.saturation_vapour_pressure(np.minimum(at, 0.0), "ice")
        end = humidity.dew_point_of(over_water)
        for vapour, over in ((over_water, "ice"), (over_ice, "ice"), (over_ice, "water")):
            end = np.where(cold, pick(end, humidity.dew_point_of(vapour, over)), end)  # type: ignore[arg-type]
        ends.append(end)
    return ends[0], ends[1]


def say(told: Told) -> str:
    """Which of the three lies where."""
    if told.quantity == "relative_humidity" or (told.quantity == "air_temperature" and told.verdict == DOUBTFUL):
        return (
            f"{told.title} goes with a dew point of {shown(told.worst)} degC, where {shown(told.limit)} degC is the "
            f"bound: one of the sensors, or the pair, is wrong"
        )
    if told.quantity == "air_temperature":
        return (
            f"{told.title} lies below a dew point of {shown(told.worst)} degC by more than steps and formulas explain"
        )
    side = "above" if told.worst > told.limit else "below"
    bound = f"{shown(told.limit)} degC, the bound by air temperature and humidity"
    return f"{told.title} {shown(told.worst)} degC is {side} {bound}"


CHECK = Check(
    "dew-point",
    stage=2,
    witness=OWN,
    quantities=QUANTITIES,
    run=run,
    say=say,
    asks="values of air temperature and of humidity or dew point beside each other",
    number="dew point",
    unit="degC",
)
