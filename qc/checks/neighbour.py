"""Values at odds with what all neighbours say.

Tests: for each neighbour a regression of the station on it over six hours to either side, the hour around the value
    left out (after You and Hubbard 2006; of pressures the ratio of their means). The lines give what the station should
    read; their mean, weighted by standard errors, is the estimate. A value fails that leaves the band of all lines by
    more than so many standard errors.
Matters: it sees errors that are likely values: of a few kelvin, where the station alone can only see what never comes.
Not a fault: fronts and gust fronts, which reach a neighbour earlier or later: the band holds all that each neighbour
    read within an hour to either side, so it is wide while they change or disagree; storms, in which the errors allowed
    grow. Errors that last for most of an hour and longer move the regression itself: they are left to diagnosis. One
    neighbour alone does not tell who of the two is wrong. Rain and irradiance differ by showers and clouds, wind by
    gusts and terrain, and are left out.
Limits: by quantity, verdict 2: errors, in standard errors, and least, below which no difference counts; one step of the
    declared resolution is added to that. storm, storm_wind; front_hours; half_hours, apart_hours, lone; neighbours,
    least_share, distance, height, longest. A value on a limit passes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.neighbours import QUANTA, Neighbour, quanta
from qc.physics.regression import lines
from qc.physics.windows import sliding_max, sliding_min
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, NEIGHBOUR, Bools, Floats, Found, NotApplied

PRESSURES = ("air_pressure", "sea_level_pressure")
QUANTITIES = ("air_temperature", "dew_point", "relative_humidity", *PRESSURES)
_HOUR = 3600_000_000  # us


class Word(NamedTuple):
    """What one neighbour says of each row, in quanta, NaN where nothing: estimate, its standard error, and the band."""

    says: Floats
    error: Floats
    low: Floats
    high: Floats


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Ask every neighbour."""
    number, quantity = scene.limits.number, channel.quantity
    if not scene.neighbours:
        return NotApplied("no neighbour given")
    if channel.statistic not in (None, "mean", "vector-mean", "sample"):
        return NotApplied(f"a channel of statistic {channel.statistic} is not compared")
    if not scene.interval_s:
        return NotApplied("rows of events are not of one time")
    longest = number("neighbour", "longest")
    if scene.interval_s > longest * 3600.0:
        return NotApplied(f"the interval is longer than {shown(longest)} h")
    least = number("neighbour", f"{quantity}.least") * QUANTA
    beside = _beside(scene, channel)
    need = round(number("neighbour", "neighbours"))
    if len(beside) < need:
        near = (
            f"within {shown(number('neighbour', 'distance'))} km and {shown(number('neighbour', 'height'))} m of height"
        )
        return NotApplied(
            f"it takes {need} neighbours {near} with {quantity} at intervals that fit, there are {len(beside)}"
        )
    own = scene.values(channel)
    words = [_word(scene, own, values, least, quantity) for values in beside]
    told = np.stack([np.isfinite(w.says) for w in words])
    applied = np.isfinite(own) & (told.sum(axis=0) >= need)
    weights = np.stack([np.where(np.isfinite(w.says), 1.0 / np.fmax(w.error, 1.0) ** 2, 0.0) for w in words])
    whole = np.where(applied, weights.sum(axis=0), np.nan)
    estimate = (weights * np.stack([np.where(np.isfinite(w.says), w.says, 0.0) for w in words])).sum(axis=0) / whole
    error = np.sqrt(told.sum(axis=0) / whole)  # 1 / s'^2 is the mean of 1 / s^2 (You and Hubbard)
    low, high = np.fmin.reduce([w.low for w in words]), np.fmax.reduce([w.high for w in words])
    errors = number("neighbour", f"{quantity}.errors") * np.where(_storm(scene), number("neighbour", "storm"), 1.0)
    room = np.fmax(errors * error, least) + scene.quantum(channel) * QUANTA
    read = np.rint(own * QUANTA)
    above, below = read > high + room, read < low - room
    verdict = np.where(applied & (above | below), np.uint8(DOUBTFUL), np.uint8(0))
    limit = np.where(read > estimate, high + room - estimate, low - room - estimate)
    return Found(applied, verdict, (read - estimate) / QUANTA, limit / QUANTA)


def _beside(scene: Scene, channel: Channel) -> list[Floats]:
    """Values of each neighbouring station that is near enough, at the rows of the table."""
    number = scene.limits.number
    near = [n for n in scene.neighbours if n.distance_km <= number("neighbour", "distance")]
    near = [n for n in near if abs(n.height_m) <= number("neighbour", "height")]
    found: dict[str, Floats] = {}
    for neighbour in near:
        for quantity in PRESSURES if channel.quantity in PRESSURES else (channel.quantity,):
            values = _at(scene, neighbour, quantity, channel.statistic)
            if values is not None:
                found.setdefault(neighbour.id, values)
    return list(found.values())


def _at(scene: Scene, neighbour: Neighbour, quantity: str, statistic: str | None) -> Floats | None:
    number, table = scene.limits.number, scene.table.table
    return neighbour.at(
        quantity,
        scene.table.middle,
        scene.table.interval_us or 0,
        mean=table.side != "instant" and statistic != "sample",
        least_share=number("neighbour", "least_share"),
        longest_us=round(number("neighbour", "longest") * _HOUR),
    )


def _word(scene: Scene, own: Floats, values: Floats, least: float, quantity: str) -> Word:
    """What one neighbour says."""
    number, time = scene.limits.number, scene.time
    half, apart, front = (round(number("neighbour", f"{key}_hours") * _HOUR) for key in ("half", "apart", "front"))
    known = np.isfinite(own) & np.isfinite(values)
    fits = known & ~_lone(scene, own - values, number("neighbour", "lone") * least / QUANTA)
    fitted = lines(quanta(values), quanta(own), fits, time, half, apart, through_zero=quantity in PRESSURES)
    x = np.where(np.isfinite(values), quanta(values), np.nan)
    expected = 2.0 * (half - apart) / (scene.table.interval_us or 1)
    tells = fitted.pairs >= np.fmax(number("neighbour", "least_share") * expected, 3.0)
    says = np.where(tells, fitted.at(x), np.nan)
    none = np.isnan(says)
    low, high = (fitted.at(pick(x, time, front, front)) for pick in (sliding_min, sliding_max))
    return Word(
        says, np.where(none, np.nan, fitted.error(x)), np.where(none, np.nan, low), np.where(none, np.nan, high)
    )


def _lone(scene: Scene, apart: Floats, most: float) -> Bools:
    """Differences that stand alone between two others: the pair takes no part in regressions."""
    out = np.zeros(scene.rows, bool)
    if scene.rows < 3:
        return out
    before, here, after = apart[:-2], apart[1:-1], apart[2:]
    middle = np.fmax(np.fmin(before, here), np.fmin(np.fmax(before, here), after))
    follows = scene.follows[1:-1] & scene.follows[2:] & np.isfinite(before) & np.isfinite(after)
    out[1:-1] = follows & (np.abs(here - middle) > most)
    return out


def _storm(scene: Scene) -> Bools:
    """Where the wind is strong at a neighbour; the station's own could be the fault itself, and must not excuse it."""
    if "neighbour" not in scene.shared:
        winds = [_at(scene, n, "wind_speed", None) for n in scene.neighbours]
        strongest = np.fmax.reduce([np.full(scene.rows, np.nan), *(w for w in winds if w is not None)])
        scene.shared["neighbour"] = strongest > scene.limits.number("neighbour", "storm_wind")
    found: Bools = scene.shared["neighbour"]
    return found


def reach(limits: Limits, interval_s: float) -> Reach:
    """The regression, the rows beside its ends, and stamps that mark other sides of longer intervals."""
    longest = limits.number("neighbour", "longest") * 3600.0
    if interval_s > longest:
        return 0.0, 0.0  # not applied
    half, front = (limits.number("neighbour", f"{key}_hours") * 3600.0 for key in ("half", "front"))
    span = max(half, front) + 2.0 * interval_s + longest
    return span, span


def say(told: Told) -> str:
    """How far off it is."""
    side = "above" if told.worst > 0 else "below"
    apart, most = shown(abs(told.worst)), shown(abs(told.limit))
    expected = f"lies up to {apart} {told.unit} {side} what the neighbours lead one to expect"
    return f"{told.title} {expected}; {most} {told.unit} would pass"


CHECK = Check(
    "neighbour", stage=4, witness=NEIGHBOUR, quantities=QUANTITIES, run=run, say=say, reach=reach,
    asks="a value with neighbours that tell of it", number="value less what the neighbours say", unit="difference",
)  # fmt: skip
