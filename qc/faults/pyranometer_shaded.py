"""Pyranometer in the shade of something that stands there.

Shows: on every day on which the sun shines before and after it, the irradiance drops at the same azimuth of the sun,
    to what the sky alone gives, and comes back with a sharp edge.
Happened: the mast, its arm, a new antenna, a tree, a crane or a building stands between the sun and the sensor.
How sure: three clear half-days show its edges within two degrees; below 20 days a cloud habit at a fixed hour may look
    the same; what lies low above the horizon is taken for the landscape; which thing it is must be seen at the station.
Check: stand at the sensor, or hold a camera level beside it, and look along the compass bearings given here up to the
    height given; look first at the station's own mast, arm, cables and anemometer; then at trees, masts, roofs and
    cranes nearby; compare with pictures of the day it was put up.
Carry: compass with the declination set, inclinometer, camera, saw for twigs if they are yours to cut, clamp and spanner
    to move the arm.
Caution: lower the mast rather than climb it, two people, never near power lines, not in lightning, ice or high wind;
    on roofs use fall protection; a tree or a building may belong to somebody: ask first.
Data: values in the shade are real irradiance of that spot and not of the place; leave them out by the azimuth and
    elevation given; what stays for good belongs into the station file as a horizon.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from qc.case import Case
from qc.faults import Grade, Injection, onset_row
from qc.physics import shade
from qc.physics.half_days import diffuse_share
from qc.station import Channel
from qc.verdicts import Floats

if TYPE_CHECKING:
    pass

ID = "pyranometer-shaded"
QUANTITIES = ("global_irradiance",)
_BLOCK_S = 300.0  # s: faster tables are reduced to this


def beam(case: Case, channel: Channel) -> Floats:
    """The part of global irradiance that comes from the sun's disc, W/m2: less diffuse where it is measured, else by
    the clearness index."""
    g = case.values(channel)
    mu = np.sin(np.radians(np.maximum(case.elevation, 0.0)))
    diffuse = case.mate("diffuse_irradiance")
    with np.errstate(invalid="ignore", divide="ignore"):
        kt = g / np.maximum(case.sky.extraterrestrial * mu, 1.0)
    sky = g * diffuse_share(kt)
    if diffuse is not None:
        measured = case.values(diffuse)
        sky = np.where(np.isfinite(measured), measured, sky)
    return np.asarray(np.where(case.elevation > 0.0, np.clip(g - sky, 0.0, None), 0.0))


def inject(case: Case, grade: Grade, rng: np.random.Generator) -> Injection | None:
    """Something that hides the sun over some degrees of azimuth up to a height, from a random row on."""
    channel = case.mate(*QUANTITIES)
    if channel is None or case.interval_s > 1800.0:
        return None
    width, least, opacity = {"near": (4.0, 6.0, 0.6), "typical": (9.0, 10.0, 0.9), "gross": (22.0, 16.0, 1.0)}[grade]
    row = onset_row(case, rng)
    after = np.arange(case.rows) >= row
    lit = after & np.isfinite(case.values(channel)) & (case.elevation > max(least, 12.0)) & (case.elevation < 60.0)
    if lit.sum() * case.interval_s < 6 * 3600.0:
        return None
    middle = float(case.azimuth[rng.choice(np.flatnonzero(lit))])
    first, last = middle - width / 2, middle + width / 2
    if first < 1.0 or last > 359.0:
        return None
    step = np.abs(shade.azimuth_rate(case.sky.latitude, case.elevation, case.azimuth)) * case.interval_s / 3600.0
    share = shade.overlap(case.azimuth, step, first, last)
    here = lit & (share > 0.5)
    top = float(np.quantile(case.elevation[here], 0.9)) + 2.0 if here.any() else 0.0
    share = np.where(after & (case.elevation < top), share, 0.0)
    values = case.values(channel) - opacity * share * beam(case, channel)
    shaded = (share > 0.5) & (case.elevation > 10.0)
    sunny = shaded & (beam(case, channel) > 0.5 * np.maximum(case.clear.ghi - case.clear.dhi, 1.0))
    if len(np.unique(case.solar_day[sunny])) < {"near": 3, "typical": 5, "gross": 5}[grade]:
        return None  # without the sun nothing throws a shadow
    evidence = {
        "azimuth_from": first, "azimuth_to": last, "elevation_top": float(case.elevation[shaded].max()),
        "days": len(np.unique(case.solar_day[shaded])),
    }  # fmt: skip
    touched = np.flatnonzero(share > 0)
    return Injection((channel.name,), case.time[touched[0]], case.time[touched[-1]], evidence, {channel.name: values})
