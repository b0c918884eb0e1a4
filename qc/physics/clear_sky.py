"""What a clear sky gives, and what no sky can give."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from qc.physics.sun import mu
from qc.physics.vectors import Floats, settle, vectors

Kind = Literal["global", "diffuse", "direct"]


class ClearSky(NamedTuple):
    """Irradiance under a clear sky, all in W/m2: on a level surface, of the beam at normal incidence, of the sky."""

    ghi: Floats
    dni: Floats
    dhi: Floats


def ineichen(
    apparent_zenith: ArrayLike, linke_turbidity: ArrayLike, elevation: float, extra_normal: ArrayLike
) -> ClearSky:
    """Clear-sky irradiance by Ineichen and Perez [1]_ with pvlib, and the airmass of Kasten and Young [2]_.

    Parameters
    ----------
    apparent_zenith : zenith angle with refraction. [degree]
    linke_turbidity : haze of the air; 2 very clear and cold, 3 clear and warm, 4 to 6 turbid. [1]
    elevation : above mean sea level; airmass at pvlib's standard pressure there. [m]
    extra_normal : extraterrestrial normal irradiance. [W/m2]

    Returns
    -------
    ClearSky of the inputs' common shape: 0 with the sun at or below the horizon, NaN where an input is NaN. [W/m2]

    References
    ----------
    .. [1] P. Ineichen and R. Perez, "A new airmass independent formulation for the Linke turbidity coefficient",
       Solar Energy 73, 151-157, 2002.
    .. [2] F. Kasten and A. T. Young, "Revised optical air mass tables and approximation formula", Applied Optics 28,
       4735-4738, 1989.
    """
    from pvlib.atmosphere import alt2pres, get_absolute_airmass, get_relative_airmass
    from pvlib.clearsky import ineichen as model

    shape, (zenith, turbidity, extra) = vectors(apparent_zenith, linke_turbidity, extra_normal)
    missing = np.isnan(zenith) | np.isnan(turbidity) | np.isnan(extra)
    up = ~missing & (zenith < 90.0)  # the model divides by the cosine
    relative = get_relative_airmass(zenith[up], "kastenyoung1989")  # type: ignore[no-untyped-call]
    airmass = get_absolute_airmass(relative, alt2pres(elevation))  # type: ignore[no-untyped-call]
    lit = model(  # type: ignore[no-untyped-call]
        zenith[up], airmass, turbidity[up], altitude=elevation, dni_extra=extra[up]
    )

    def whole(part: Floats) -> Floats:
        out = np.where(missing, np.nan, 0.0)
        out[up] = settle(part)
        return out.reshape(shape)

    return ClearSky(whole(lit["ghi"]), whole(lit["dni"]), whole(lit["dhi"]))


class Bound(NamedTuple):
    """One pair of limits: `low`, and factor * S_a * mu^exponent + offset. All in W/m2 but factor and exponent."""

    low: float
    factor: float
    exponent: float
    offset: float
    source: str
    standing: str


_BSRN = "Long and Dutton (2002), BSRN Global Network recommended QC tests, V2.0"

BSRN: Mapping[Kind, tuple[Bound, Bound]] = {
    "global": (
        Bound(-4.0, 1.5, 1.2, 100.0, _BSRN, "from memory"),
        Bound(-2.0, 1.2, 1.2, 50.0, _BSRN, "published"),
    ),
    "diffuse": (
        Bound(-4.0, 0.95, 1.2, 50.0, _BSRN, "from memory"),
        Bound(-2.0, 0.75, 1.2, 30.0, _BSRN, "published"),
    ),
    "direct": (
        Bound(-4.0, 1.0, 0.0, 0.0, _BSRN, "from memory"),
        Bound(-2.0, 0.95, 0.2, 10.0, _BSRN, "published"),
    ),
}
"""Physically possible and extremely rare limits, for values of 1 min. Direct is at normal incidence."""


class BsrnLimits(NamedTuple):
    """Limits, all in W/m2: the physically possible ones, and the ones that healthy data break extremely rarely."""

    possible_low: float
    possible_high: Floats
    rare_low: float
    rare_high: Floats


def upper_limit(extra_normal: ArrayLike, zenith: ArrayLike, factor: float, exponent: float, offset: float) -> Floats:
    """factor * S_a * mu^exponent + offset, the shape of the BSRN's upper limits [1]_, with mu = max(cos zenith, 0).

    Parameters
    ----------
    extra_normal : S_a, extraterrestrial normal irradiance. [W/m2]
    zenith : of the sun, at the middle of the averaging interval. [degree]
    factor, exponent : [1]
    offset : [W/m2]

    Returns
    -------
    limit : common shape of the inputs, NaN where one is NaN. [W/m2]

    References
    ----------
    .. [1] C. N. Long and E. G. Dutton, "BSRN Global Network recommended QC tests, V2.0", 2002.
    """
    shape, (extra, cosine) = vectors(extra_normal, mu(zenith))
    # 0 to the power 0 is 1, and so is NaN: the sum brings a missing sun back
    limit = factor * extra * np.power(cosine, exponent) + offset + 0.0 * cosine
    return settle(limit).reshape(shape)


def bsrn_limits(
    extra_normal: ArrayLike, zenith: ArrayLike, kind: Kind, bounds: Mapping[Kind, tuple[Bound, Bound]] = BSRN
) -> BsrnLimits:
    """BSRN limits of one irradiance; see `upper_limit` for parameters, `BSRN` for the numbers and their standing.

    Parameters
    ----------
    extra_normal : extraterrestrial normal irradiance. [W/m2]
    zenith : of the sun, at the middle of the averaging interval. [degree]
    kind : `global` or `diffuse` on a level surface, or `direct` at normal incidence.
    bounds : other numbers than the BSRN's.

    Returns
    -------
    BsrnLimits. [W/m2]
    """
    possible, rare = bounds[kind]
    return BsrnLimits(
        possible.low,
        upper_limit(extra_normal, zenith, possible.factor, possible.exponent, possible.offset),
        rare.low,
        upper_limit(extra_normal, zenith, rare.factor, rare.exponent, rare.offset),
    )
