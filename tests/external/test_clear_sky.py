"""BSRN limits against the check values of the handbook, section 4; Ineichen against pvlib's own chain."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics.clear_sky import Kind, bsrn_limits, ineichen

# BSRN (Long and Dutton 2002) formulas at S_a = 1361 W/m2, computed; zenith: possible and rare upper limits in W/m2
BSRN_CHECK = [
    # zenith, global possible, rare, diffuse possible, rare, direct rare
    (0.0, 2141.5, 1683.2, 1343.0, 1050.8, 1303.0),
    (30.0, 1817.9, 1424.3, 1138.0, 888.9, 1266.3),
    (60.0, 988.6, 760.9, 612.8, 474.3, 1135.6),
    (75.0, 503.2, 372.6, 305.4, 231.6, 996.7),
    (85.0, 209.2, 137.4, 119.2, 84.6, 803.7),
    # the list has 10.7 for direct at 90: that is the cosine of pi/2 in floating point, 6e-17, to the power 0.2
    (90.0, 100.0, 50.0, 50.0, 30.0, 10.0),
]


@pytest.mark.parametrize(("zenith", "gp", "gr", "dp", "dr", "br"), BSRN_CHECK)
def test_bsrn_upper_limits(zenith: float, gp: float, gr: float, dp: float, dr: float, br: float) -> None:
    cases: list[tuple[Kind, float, float]] = [("global", gp, gr), ("diffuse", dp, dr), ("direct", 1361.0, br)]
    for kind, possible, rare in cases:
        found = bsrn_limits(1361.0, zenith, kind)
        assert float(found.possible_high) == pytest.approx(possible, abs=0.05)
        assert float(found.rare_high) == pytest.approx(rare, abs=0.05)


def test_the_listed_value_at_the_horizon_is_a_rounding_artefact() -> None:
    assert 0.95 * 1361.0 * np.cos(np.radians(90.0)) ** 0.2 + 10.0 == pytest.approx(10.7, abs=0.05)


@pytest.mark.parametrize("kind", ["global", "diffuse", "direct"])
def test_bsrn_lower_limits(kind: Kind) -> None:
    found = bsrn_limits(1361.0, 120.0, kind)
    assert (found.possible_low, found.rare_low) == (-4.0, -2.0)  # BSRN, W/m2


def test_ineichen_is_pvlibs() -> None:
    import pandas as pd
    from pvlib.location import Location

    index = pd.date_range("2026-06-01T03:00", "2026-06-01T20:00", freq="7min", tz="UTC")
    place = Location(54.61, -2.95, altitude=310.0)  # type: ignore[no-untyped-call]
    theirs = place.get_clearsky(index, model="ineichen", linke_turbidity=3.1, dni_extra=1330.0)  # type: ignore[no-untyped-call]
    sun = place.get_solarposition(index)  # type: ignore[no-untyped-call]
    zenith = sun["apparent_zenith"].to_numpy()
    ours = ineichen(zenith, 3.1, 310.0, 1330.0)
    assert ours.ghi.max() > 700.0
    for name in ("ghi", "dni", "dhi"):
        assert getattr(ours, name) == pytest.approx(theirs[name].to_numpy(), abs=1e-6)
