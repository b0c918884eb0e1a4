"""Rain in dry air under a bright sun.

Tests: tips where every hygrometer reads dry air at the tip and just before, and the sun shines without a break around
    it.
Matters: a gauge that is tested, cleaned, shaken or watered; a radio pulse on the gauge's wire; a funnel that drains
    long after the rain.
Not a fault: sun showers, whose air is moist (coast: 59 % and more); virga and evening showers in dry air, whose sky
    is dark; one tip of dew at sunrise.
Limits: humidity: below it at the tip and for before it, and brightness (share of the cleanest clear sky's irradiance)
    at least for around to each side. Verdict 2. A humidity on the limit passes, a brightness on it fails.
"""

from __future__ import annotations

import numpy as np

from qc.checks import Check, Reach, Told, shown
from qc.limits import Limits
from qc.physics.windows import max_at, min_at
from qc.scene import Scene
from qc.station import Channel
from qc.verdicts import DOUBTFUL, SUN, Found, NotApplied


def run(scene: Scene, channel: Channel) -> Found | NotApplied:
    """Wet rows, the air and the sun around them."""
    rain, bright = scene.values(channel), scene.brightness
    if bright is None:
        return NotApplied("no global_irradiance or par channel")
    humid = np.full(scene.rows, np.nan)
    for hygrometer in scene.of("relative_humidity"):
        if hygrometer.statistic not in ("sd", "min"):
            humid = np.fmax(humid, scene.values(hygrometer))
    limit = scene.limits.number("dry-rain", "humidity")
    least = scene.limits.number("dry-rain", "brightness")
    before, around = _windows(scene.limits, scene.interval_s or 0.0)
    rows = np.flatnonzero((rain > 0) & (humid < limit) & (bright >= least))
    dry = max_at(humid, scene.time, rows, round(before * 1e6), 0) < limit
    sunny = min_at(bright, scene.time, rows, round(around * 1e6), round(around * 1e6)) >= least
    verdict = np.zeros(scene.rows, np.uint8)
    verdict[rows[dry & sunny]] = DOUBTFUL
    tested = np.isfinite(rain) & np.isfinite(humid) & np.isfinite(bright)
    return Found(tested, verdict, humid, np.full(scene.rows, limit))


def _windows(limits: Limits, interval_s: float) -> tuple[float, float]:
    """How long before the tip the air must be dry, and how long around it the sun must shine, s."""
    return max(limits.number("dry-rain", "before") * 60.0, interval_s), limits.number("dry-rain", "around") * 60.0


def reach(limits: Limits, interval_s: float) -> Reach:
    """The windows around a tip."""
    before, around = _windows(limits, interval_s)
    return max(before, around), around


def say(told: Told) -> str:
    """How dry."""
    return (
        f"rain while the sun shines and the air has {shown(told.worst)} % humidity; "
        f"below {shown(told.limit)} % rain under a clear sky is not believed"
    )


CHECK = Check(
    "dry-rain", stage=2, witness=SUN, quantities=("precipitation",), run=run, say=say, needs=("relative_humidity",),
    reach=reach,
    asks="a value, with humidity beside it and the sun above 10 degrees", number="humidity", unit="%",
)  # fmt: skip
