"""Clear sky and limits: cases at the horizon, missing inputs, order of limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.clear_sky import BSRN, Kind, bsrn_limits, ineichen, upper_limit

KINDS: list[Kind] = ["global", "diffuse", "direct"]


def test_night_is_dark_and_missing_stays_missing() -> None:
    found = ineichen([89.9, 90.0, 95.0, np.nan, 30.0], [3.0, 3.0, 3.0, 3.0, np.nan], 0.0, 1361.0)
    assert found.ghi[0] > 0
    for part in found:
        assert part[1] == part[2] == 0.0
        assert np.isnan(part[3:]).all()


@given(zenith=st.floats(0, 89.99), turbidity=st.floats(1.5, 8), elevation=st.floats(-400, 5000))
def test_global_is_diffuse_and_the_share_of_the_beam(zenith: float, turbidity: float, elevation: float) -> None:
    sky = ineichen(zenith, turbidity, elevation, 1361.0)
    beam = float(sky.dni) * np.cos(np.radians(zenith))
    assert float(sky.ghi) == pytest.approx(float(sky.dhi) + beam, abs=2e-6)
    assert 0 <= float(sky.dni) <= 1361.0


@given(zenith=st.floats(0, 85), turbidity=st.floats(1.5, 6))
def test_haze_takes_light(zenith: float, turbidity: float) -> None:
    clear, hazy = ineichen(zenith, turbidity, 0.0, 1361.0), ineichen(zenith, turbidity + 0.5, 0.0, 1361.0)
    assert float(hazy.ghi) < float(clear.ghi)


@pytest.mark.parametrize("kind", KINDS)
def test_rare_limits_lie_within_possible_ones(kind: Kind) -> None:
    zenith = np.linspace(0, 89, 300)
    found = bsrn_limits(1361.0, zenith, kind)
    assert found.possible_low < found.rare_low
    assert (found.rare_high < found.possible_high).all()


@given(zenith=st.floats(0, 180), more=st.floats(0, 90))
def test_a_lower_sun_never_raises_a_limit(zenith: float, more: float) -> None:
    for kind in KINDS:
        high, low = bsrn_limits(1361.0, zenith, kind), bsrn_limits(1361.0, zenith + more, kind)
        assert low.possible_high <= high.possible_high
        assert low.rare_high <= high.rare_high


@pytest.mark.parametrize("kind", KINDS)
def test_no_sun_no_limit(kind: Kind) -> None:
    """Direct has exponent 0, and NaN to the power 0 is 1: it must be missing all the same."""
    found = bsrn_limits([1361.0, np.nan], [np.nan, 30.0], kind)
    assert np.isnan(found.possible_high).all()
    assert np.isnan(found.rare_high).all()


def test_numbers_can_be_replaced() -> None:
    wider = {**BSRN, "global": (BSRN["global"][0]._replace(low=-10.0, offset=200.0), BSRN["global"][1])}
    found = bsrn_limits(1361.0, 95.0, "global", wider)
    assert (found.possible_low, float(found.possible_high), float(found.rare_high)) == (-10.0, 200.0, 50.0)
    assert float(upper_limit(1000.0, 60.0, 2.0, 1.0, 5.0)) == 1005.0


@pytest.mark.parametrize("kind", KINDS)
def test_every_number_has_source_and_standing(kind: Kind) -> None:
    for bound in BSRN[kind]:
        assert "Long and Dutton" in bound.source
        assert bound.standing in ("published", "from memory")
