"""Global irradiance that does not equal its parts.

Tests: global against diffuse plus direct times the sine of the sun's elevation, where all three are there, the sum is
    large enough and the sun high enough; broken without a pause for a while, since clouds pass three sensors one after
    the other.
Matters: a tracker that wanders, a ring off the sun, a dirty or shaded dome: each leaves values that alone look like
    weather.
Not a fault: single minutes of broken cloud; dew, frost and the cosine of the sensors under a low sun.
Limits: tolerance below zenith_bound and tolerance_low above it, up to zenith; least_sum; least_minutes without a pause.
    A value on a limit passes. Direct and diffuse get verdict 1: one equation cannot tell which of three is wrong, and
    the tracker is what fails most. One of the three is blamed alone, and the others pass, where the sun itself is a
    second witness against it. Verdict 2: direct or diffuse above rare_*, and a global smaller than the beam alone,
    since a tracker astray only ever takes from the beam. Verdict 1: a global above the limit of `clear-sky`, whose
    own doubt stands there already; that it is more than its parts is just what a tracker astray makes of a sound one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.clear_sky import upper_limit
from qc.physics.spells import count_near
from qc.physics.sun import mu
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DEVICE, DOUBTFUL, INCONSISTENT, Bools, Floats, Found, NotApplied

QUANTITIES = ("global_irradiance", "direct_irradiance", "diffuse_irradiance")


class Sum(NamedTuple):
    """Global in W/m2, where the sum is tested and fails for long, how much global may be, and who gets what for it."""

    whole: Floats
    tested: Bools
    broken: Bools
    limit: Floats
    guilty: dict[str, NDArray[np.uint8]]


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare the whole with the sum, then ask the sun who is to blame."""
    mean = [[c for c in scene.of(q) if c.statistic not in ("max", "min", "sd")] for q in QUANTITIES]
    if not all(mean) or channel.statistic in ("max", "min", "sd"):
        return NotApplied("it takes means of global, direct and diffuse")
    trio = tuple(
        channel if channel.quantity == q else channels[0] for q, channels in zip(QUANTITIES, mean, strict=True)
    )
    key = "closure " + " ".join(c.name for c in trio)
    if key not in scene.shared:
        scene.shared[key] = _sum(scene, *(scene.values(c) for c in trio))
    found: Sum = scene.shared[key]
    verdict = np.zeros(scene.rows, np.uint8)
    if found.broken.any():
        if channel.quantity != "global_irradiance":
            verdict[found.broken & ~np.any(list(found.guilty.values()), axis=0)] = INCONSISTENT
        verdict = np.maximum(verdict, found.guilty[channel.quantity])
    return Found(found.tested, verdict, found.whole, found.limit)


def _sum(scene: Scene, whole: Floats, direct: Floats, diffuse: Floats) -> Sum:
    number, zenith = scene.limits.number, scene.sky.position.zenith
    rows = np.flatnonzero((zenith < number("closure", "zenith")) & np.isfinite(whole + direct + diffuse))
    beam = direct[rows] * mu(zenith[rows])
    total = diffuse[rows] + beam
    tolerance = np.where(
        zenith[rows] < number("closure", "zenith_bound"),
        number("closure", "tolerance"),
        number("closure", "tolerance_low"),
    )
    enough = total > number("closure", "least_sum")
    rows, beam, total, tolerance = rows[enough], beam[enough], total[enough], tolerance[enough]
    tested, off = np.zeros(scene.rows, bool), np.zeros(scene.rows, bool)
    limit = np.full(scene.rows, np.nan)
    tested[rows] = True
    limit[rows] = np.round(np.where(whole[rows] > total, (1.0 + tolerance) * total, (1.0 - tolerance) * total), 6)
    off[rows] = np.round(np.abs(whole[rows] / total - 1.0), 9) > tolerance
    broken = _lasting(scene, off, tested)
    rows = np.flatnonzero(broken)
    return Sum(
        whole,
        tested,
        broken,
        limit,
        _guilty(scene, rows, whole[rows], direct[rows], diffuse[rows]) if len(rows) else {},
    )


def _lasting(scene: Scene, broken: Bools, tested: Bools) -> Bools:
    """Where it is broken all through some stretch of `least_minutes`."""
    half = round(scene.limits.number("closure", "least_minutes") * 30e6)
    rows = np.flatnonzero(broken)
    through, lasting = np.zeros(scene.rows, bool), np.zeros(scene.rows, bool)
    through[rows] = count_near(tested & ~broken, scene.time, rows, half, half) == 0
    lasting[rows] = count_near(through, scene.time, rows, half, half) > 0
    return lasting


def _guilty(
    scene: Scene, rows: NDArray[np.int64], whole: Floats, direct: Floats, diffuse: Floats
) -> dict[str, NDArray[np.uint8]]:
    """For each of the three its verdict where, among some rows, the sun itself speaks against it."""
    number, sky = scene.limits.number, scene.sky

    def rare(check: str, kind: str) -> Floats:
        factor, exponent, offset = (number(check, f"{kind}_{part}") for part in ("factor", "exponent", "offset"))
        return upper_limit(sky.extraterrestrial[rows], sky.position.zenith[rows], factor, exponent, offset)

    bright = number("clear-sky", "enhancement", scene.interval_s) * sky.clear.ghi[rows] + number("clear-sky", "offset")
    most = {
        "global_irradiance": np.where(
            scene.sun_elevation[rows] >= number("clear-sky", "least_elevation"), bright, rare("clear-sky", "rare")
        ),
        "direct_irradiance": rare("closure", "direct"),
        "diffuse_irradiance": rare("closure", "diffuse"),
    }
    beam = direct * mu(sky.position.zenith[rows])
    hidden = (direct <= most["direct_irradiance"]) & (
        beam > (1.0 + number("closure", "tolerance_low")) * np.maximum(whole, 0.0)
    )
    guilty = {q: np.zeros(scene.rows, np.uint8) for q in QUANTITIES}
    for quantity, values in zip(QUANTITIES, (whole, direct, diffuse), strict=True):
        above = INCONSISTENT if quantity == "global_irradiance" else DOUBTFUL
        guilty[quantity][rows[values > most[quantity]]] = above
    guilty["global_irradiance"][rows[hidden]] = DOUBTFUL
    return guilty


def reach(limits: Limits, interval_s: float) -> Reach:
    """The stretch, to either side."""
    seconds = limits.number("closure", "least_minutes") * 60.0
    return seconds, seconds


def say(told: Told) -> str:
    """How far the sum lies off, and who is to blame."""
    way = "more" if told.worst > told.limit else "less"
    if told.verdict == DOUBTFUL:
        blame = "the sun speaks against this one"
    elif told.quantity == "global_irradiance":
        blame = "more than the sun can give, too; or did the tracker lose it as well?"
    else:
        blame = "tracker, shading ring or a dirty window?"
    return (
        f"global irradiance {shown(told.worst)} W/m2 is {way} than the {shown(told.limit)} W/m2 that direct and "
        f"diffuse leave room for, for {told.lasting}: {blame}"
    )


CHECK = Check(
    "closure",
    stage=2,
    witness=DEVICE,
    quantities=QUANTITIES,
    needs=QUANTITIES,
    run=run,
    say=say,
    reach=reach,
    asks="global, direct and diffuse values beside each other, with the sun up and light enough",
    number="global",
    unit="W/m2",
)
