"""More sun than a clear sky can give.

Tests: global irradiance against the clear-sky model for the cleanest air in the middle of the interval, times what
    bright cloud edges can add over the averaging time. Where the sun is low the model is not to be trusted, and the
    extraterrestrial limit stands alone.
Matters: a scale factor too large, a wrong unit, a clock that is hours off, or another station's file.
Not a fault: bright clouds beside the sun lift one minute by half, ten minutes by a quarter; snow on the ground adds a
    few percent.
Limits: enhancement by interval, least_elevation of the sun for the model, offset; rare_*: the limit that stands alone
    at low sun; above those verdict 2. possible_*: physically possible,
    above it verdict 3. A value on a limit passes.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Told, shown
from qc.physics.clear_sky import upper_limit
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, SUN, WRONG, Floats, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Compare with the model and with the extraterrestrial limits."""
    if channel.statistic in ("sd", "min"):
        return NotApplied(f"a channel of statistic {channel.statistic} is no mean")
    values = scene.values(channel)
    zenith = scene.sky.position.zenith
    enhanced = scene.limits.number("clear-sky", "enhancement", scene.interval_s) * scene.sky.clear.ghi
    enhanced = enhanced + scene.limits.number("clear-sky", "offset")
    high_sun = 90.0 - zenith >= scene.limits.number("clear-sky", "least_elevation")
    rare = _extraterrestrial(scene, zenith, "rare")
    possible = _extraterrestrial(scene, zenith, "possible")
    doubtful = np.where(high_sun, np.minimum(np.maximum(enhanced, 0.0), possible), rare)
    verdict = np.where(values > doubtful, np.uint8(DOUBTFUL), np.uint8(0))
    verdict[values > possible] = WRONG
    return Found(np.isfinite(values), verdict, values, np.where(verdict == WRONG, possible, doubtful))


def _extraterrestrial(scene: Scene, zenith: Floats, which: str) -> Floats:
    factor, exponent, offset = (
        scene.limits.number("clear-sky", f"{which}_{part}") for part in ("factor", "exponent", "offset")
    )
    return upper_limit(scene.sky.extraterrestrial, zenith, factor, exponent, offset)


def say(told: Told) -> str:
    """How much more than possible."""
    kind = (
        "more than the sun can give there"
        if told.verdict == WRONG
        else "more than a clear sky with bright clouds gives"
    )
    return f"{told.title} {shown(told.worst)} W/m2 where {shown(told.limit)} W/m2 is the most at this sun, {kind}"


CHECK = Check("clear-sky", stage=2, witness=SUN, quantities=("global_irradiance",), run=run, say=say)
