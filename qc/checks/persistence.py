"""Values that stand still longer than the weather does.

Tests: stretches in which a channel keeps within two steps of the resolution that the station file declares, for a
    window that depends on quantity, resolution and interval. All values of the stretch are blamed, from its first on.
Matters: a frozen register, a blocked cup or vane and a dead sensor repeat plausible numbers for days; no limit sees
    them.
Not a fault: humidity near saturation (over ice below 0 degC); calm, and a vane in it; light air, which has more time;
    temperature in fog, long rain or melting snow, which has up to twice the time; irradiance by night; whole hPa for
    half a day. Rain, soil, snow, battery and what has no resolution in the station file are not tested.
Limits: QUANTITY.to_R: window for resolutions up to R, verdict 2; quanta: steps that a stretch may span
    (QUANTITY.quanta_to_R where it differs), but at least QUANTITY.least; share, span, least_values: what a window must
    hold; calm, saturated, melting, patience, longest: the weather; light: the most of light air, whose window is
    QUANTITY.light_to_R; daylight, no_beam: the sun. A stretch that spans just that and lasts just the window fails.
"""

from __future__ import annotations

import math

import numpy as np

from qc.checks import EVERY, Check, Reach, Told, of_quantity, shown
from qc.limits import Limit, Limits
from qc.physics import humidity, stays, windows
from qc.physics.stays import Ends
from qc.quantities import quantities
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, OWN, Bools, Floats, Found, NotApplied

_ID = "persistence"
_HOUR_US = 3_600_000_000
_BY_DAY = ("global_irradiance", "diffuse_irradiance", "direct_irradiance", "reflected_irradiance", "par")
_PATIENT = ("air_temperature", "dew_point", "surface_temperature")


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Find the stretches, one resolution of the channel after the other."""
    classes = _classes(scene.limits, channel.quantity)
    if not classes:
        return NotApplied(f"no window for {channel.quantity}")
    if scene.interval_s is None:
        return NotApplied("an event table has no steady values")
    if channel.statistic in ("sd", "counter"):
        return NotApplied(f"a channel of statistic {channel.statistic} may stand still")
    if channel.quantity == "wind_direction" and scene.companion("wind_speed") is None:
        return NotApplied("no wind_speed channel")
    values, quantum = _tested(scene, channel), scene.quantum(channel)
    applied, number, limit = np.zeros(scene.rows, bool), np.full(scene.rows, np.nan), np.full(scene.rows, np.nan)
    steps = {float(q) for q in quantum[:1]} if _constant(quantum) else {float(q) for q in np.unique(quantum)}
    why = "the station file gives no resolution" if steps <= {0.0} else "its resolution is too coarse"
    for step in sorted(steps - {0.0}):
        window = next((limit for finest, limit in classes if step <= finest * (1 + 1e-9)), None)
        if window is None:
            continue
        window_us = round(window.at(scene.interval_s) * _HOUR_US)
        if _least(scene, window_us) < scene.limits.number(_ID, "least_values"):
            why = f"a window of {shown(window_us / _HOUR_US)} h holds too few values"
            continue
        applied |= (quantum == step) & np.isfinite(values)
        tolerance = _tolerance(scene.limits, window, step)
        for length_us, ends in _stretches(scene, channel, values, window, tolerance):
            kept = ends if _constant(quantum) else ends.take(_all_of_step(scene, quantum, step, ends, length_us))
            here, spread = stays.blamed(kept, scene.time, length_us)
            fresh = np.isfinite(values[here]) & np.isnan(number[here])
            number[here[fresh]], limit[here[fresh]] = spread[fresh], tolerance
    if not applied.any() and np.isfinite(values).any():
        return NotApplied(why)
    failed = applied & np.isfinite(number)
    return Found(applied, np.where(failed, np.uint8(DOUBTFUL), np.uint8(0)), number, limit)


def _classes(limits: Limits, quantity: str) -> list[tuple[float, Limit]]:
    """Resolutions and the window up to each, finest first."""
    start = f"{_ID}.{quantity}.to_"
    found = [(float(name.removeprefix(start)), limits[name]) for name in limits if name.startswith(start)]
    return sorted(found, key=lambda entry: entry[0])


def _tolerance(limits: Limits, window: Limit, step: float) -> float:
    quanta = limits.find(_ID, window.key.replace(".to_", ".quanta_to_")) or limits[f"{_ID}.quanta"]
    least = limits.find(_ID, f"{window.key.split('.')[0]}.least")
    return max(quanta.at(None) * step, least.at(None) if least else 0.0)


def _constant(quantum: Floats) -> bool:
    return not len(quantum) or bool(quantum.min() == quantum.max())


def _least(scene: Scene, window_us: int) -> int:
    """Values that a window must hold."""
    return math.ceil(scene.limits.number(_ID, "share") * window_us / (scene.table.interval_us or 1))


def _tested(scene: Scene, channel: Channel) -> Floats:
    values = scene.values(channel)
    if channel.quantity not in _BY_DAY:
        return values
    lit = scene.sun_elevation > scene.limits.number(_ID, "daylight")
    if channel.quantity == "direct_irradiance":
        lit = lit & (np.abs(values) > scene.limits.number(_ID, "no_beam"))
    return np.where(lit, values, np.nan)


def _stretches(
    scene: Scene, channel: Channel, values: Floats, window: Limit, tolerance: float
) -> list[tuple[int, Ends]]:
    """Windows that stay and that no weather explains, with their length."""
    window_us, light = round(window.at(scene.interval_s) * _HOUR_US), _light(scene.limits, window)
    circular = channel.quantity == "wind_direction"

    def still(length_us: int) -> Ends:
        span_us = round(scene.limits.number(_ID, "span") * length_us) - (scene.table.interval_us or 0)
        least = _least(scene, length_us)
        return stays.stays(values, scene.time, length_us, least, tolerance, circular=circular, span_us=span_us)

    ends = still(window_us)
    calm = scene.limits.number(_ID, "calm" if light is None else "light")
    quiet = _quiet(scene, channel, ends, window_us, calm) if len(ends.rows) else np.zeros(0, bool)
    found = [(window_us, ends.take(~quiet))]
    if channel.quantity in _PATIENT and quiet.any():
        longer = round(_patient(scene.limits, window_us / _HOUR_US) * _HOUR_US)
        found.append((longer, still(longer)))
    if light is not None and quiet.any():
        longer = round(light.at(scene.interval_s) * _HOUR_US)
        ends = still(longer)
        found.append((longer, ends.take(ends.high > scene.limits.number(_ID, "calm"))))
    return found


def _light(limits: Limits, window: Limit) -> Limit | None:
    """The window of light air that goes with one of wind, where it has one."""
    return limits.find(_ID, window.key.replace(".to_", ".light_to_"))


def _patient(limits: Limits, hours: float) -> float:
    """Length of a window of so many hours in quiet weather."""
    return min(hours * limits.number(_ID, "patience"), limits.number(_ID, "longest"))


def _quiet(scene: Scene, channel: Channel, ends: Ends, window_us: int, calm: float) -> Bools:
    """Windows in weather that lets a channel stand still."""
    if channel.quantity in _PATIENT:
        melting = scene.limits.number(_ID, "melting")
        damp = scene.companion("relative_humidity")
        lowest = np.nan if damp is None else stays.extremes(damp, scene.time, ends.rows, window_us).low
        foggy = lowest >= _saturation(scene, ends, window_us)
        return np.asarray((ends.low >= -melting) & (ends.high <= melting) | foggy)
    if channel.quantity == "relative_humidity":
        return ends.high >= _saturation(scene, ends, window_us)
    if channel.quantity in ("wind_speed", "wind_gust"):
        return ends.high <= calm
    if channel.quantity == "wind_direction" and (speed := scene.companion("wind_speed")) is not None:
        blows = windows.sliding_count(speed > calm, scene.time, window_us - 1, 0)[ends.rows]
        return blows * 2 < _least(scene, window_us)
    return np.zeros(len(ends.rows), bool)


def _saturation(scene: Scene, ends: Ends, window_us: int) -> Floats:
    """Humidity from which the air counts as saturated, %: over ice where it is below 0 degC in the window."""
    temperature = scene.companion("air_temperature")
    ceiling = np.full(len(ends.rows), 100.0)
    if temperature is not None:
        ceiling = humidity.ice_saturation(stays.extremes(temperature, scene.time, ends.rows, window_us).low)
    return ceiling * scene.limits.number(_ID, "saturated") / 100.0


def _all_of_step(scene: Scene, quantum: Floats, step: float, ends: Ends, window_us: int) -> Bools:
    """Windows in which the coarsest resolution is `step`, at their end too."""
    coarsest = stays.extremes(quantum, scene.time, ends.rows, window_us).high
    return np.asarray((quantum[ends.rows] == step) & (coarsest == step))


def reach(limits: Limits, interval_s: float) -> Reach:
    """The longest window to each side: a stretch is blamed from its first value on."""
    hours = 0.0
    for quantity in quantities():
        for _, window in _classes(limits, quantity):
            usual, light = window.at(interval_s), _light(limits, window)
            hours = max(hours, usual, _patient(limits, usual) if quantity in _PATIENT else 0.0)
            hours = max(hours, light.at(interval_s) if light else 0.0)
    return hours * 3600.0, hours * 3600.0


def concerns(limit: Limit, scene: Scene, channel: Channel) -> bool:
    """Of the windows of its quantity the one of its resolution."""
    if not of_quantity(limit, scene, channel) or "to_" not in limit.key:
        return of_quantity(limit, scene, channel)
    coarsest = float(scene.quantum(channel).max(initial=0.0))
    classes = (finest for finest, _ in _classes(scene.limits, channel.quantity) if coarsest <= finest * (1 + 1e-9))
    return float(limit.key.partition("to_")[2]) == next(classes, None)


def say(told: Told) -> str:
    """How still, for how long, and what it should have done."""
    if not told.limit:
        return f"{told.title} stands still for {told.lasting}: the very same value throughout"
    most, least = f"{shown(told.limit)} {told.unit}", f"{shown(told.worst)} {told.unit}"
    return (
        f"{told.title} stands still for {told.lasting}: in no window of it does it move by more than {most}, "
        f"in the stillest by {least}; a sensor that works moves more"
    )


CHECK = Check(
    _ID,
    stage=3,
    witness=OWN,
    quantities=EVERY,
    run=run,
    say=say,
    reach=reach,
    asks="a value of a resolution that has a window (of sunlight: by day)",
    number="moves within its window by",
    unit="difference",
    concerns=concerns,
)
