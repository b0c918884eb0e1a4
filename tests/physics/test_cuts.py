"""The law of reach for physics: any subset, order, layout in memory or kind of processor gives the same bits."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics import clear_sky, humidity, pressure, sun
from qc.physics.vectors import Floats

RNG = np.random.default_rng(7)
ROWS = 3000
TIME = np.datetime64("2024-02-27T00:00:00", "us") + np.cumsum(RNG.integers(1, 300_000_000, ROWS)).astype("m8[us]")
TIME[::3] = TIME[::3].astype("M8[m]")  # as loggers have them: some on the minute
ZENITH = RNG.uniform(0, 120, ROWS)
DEGC = np.round(RNG.normal(8, 15, ROWS), 1)
PERCENT = np.round(RNG.uniform(1, 104, ROWS), 1)
HPA = np.round(RNG.uniform(600, 1050, ROWS), 1)
EXTRA = RNG.uniform(1310, 1410, ROWS)
for column in (ZENITH, DEGC, PERCENT, HPA):
    column[RNG.random(ROWS) < 0.05] = np.nan

Rows = np.ndarray
FUNCTIONS: dict[str, Callable[[Rows], tuple[Floats, ...]]] = {
    "position": lambda i: sun.position(TIME[i], 54.61, -2.95, 310.0),
    "position in the tropics": lambda i: sun.position(TIME[i], -9.3, 120.0, 0.0),
    "distance": lambda i: (sun.sun_earth_distance(TIME[i]), sun.extraterrestrial_normal(TIME[i])),
    "mu": lambda i: (sun.mu(ZENITH[i]),),
    "ineichen": lambda i: clear_sky.ineichen(ZENITH[i], 3.2, 310.0, EXTRA[i]),
    "limits": lambda i: (
        clear_sky.bsrn_limits(EXTRA[i], ZENITH[i], "global").possible_high,
        clear_sky.bsrn_limits(EXTRA[i], ZENITH[i], "direct").rare_high,
    ),
    "sea level": lambda i: (pressure.sea_level_pressure(HPA[i], DEGC[i], 310.0),),
    "saturation": lambda i: (humidity.saturation_vapour_pressure(DEGC[i]),),
    "dew point": lambda i: (humidity.dew_point(DEGC[i], PERCENT[i]),),
    "frost point": lambda i: (humidity.dew_point_of(PERCENT[i] / 10.0, "ice"),),
    "horizon": lambda i: (sun.horizon_elevation(ZENITH[i] * 3.0, [(95.0, 6.0), (10.0, 1.5), (240.0, 12.3)]),),
    "relative humidity": lambda i: (humidity.relative_humidity(DEGC[i], DEGC[i] - 3.0),),
}
WHOLE = {name: function(np.arange(ROWS)) for name, function in FUNCTIONS.items()}


def assert_same_bits(name: str, rows: Rows) -> None:
    for part, whole in zip(FUNCTIONS[name](rows), WHOLE[name], strict=True):
        assert part.tobytes() == whole[rows].tobytes()


@pytest.mark.parametrize("name", FUNCTIONS)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_any_stretch_gives_the_same_bits(name: str, data: st.DataObject) -> None:
    first = data.draw(st.integers(0, ROWS - 1))
    length = data.draw(st.one_of(st.integers(0, 40), st.integers(0, ROWS)))
    assert_same_bits(name, np.arange(first, min(ROWS, first + length)))


@pytest.mark.parametrize("name", FUNCTIONS)
@settings(max_examples=25, deadline=None)
@given(rows=st.lists(st.integers(0, ROWS - 1), max_size=60))
def test_any_rows_in_any_order_give_the_same_bits(name: str, rows: list[int]) -> None:
    assert_same_bits(name, np.array(rows, dtype=np.int64))


def test_columns_of_a_table_give_the_same_bits_as_arrays() -> None:
    """A column of a two-dimensional block is strided: there numpy's exp, log and power give other bits."""
    block = np.stack((DEGC, PERCENT, HPA, ZENITH, EXTRA), axis=1)
    assert humidity.dew_point(block[:, 0], block[:, 1]).tobytes() == humidity.dew_point(DEGC, PERCENT).tobytes()
    assert (
        humidity.saturation_vapour_pressure(block[:, 0]).tobytes()
        == humidity.saturation_vapour_pressure(DEGC).tobytes()
    )
    assert (
        pressure.sea_level_pressure(block[:, 2], block[:, 0], 310.0).tobytes()
        == pressure.sea_level_pressure(HPA, DEGC, 310.0).tobytes()
    )
    for a, b in zip(
        clear_sky.ineichen(block[:, 3], 3.0, 0.0, block[:, 4]), clear_sky.ineichen(ZENITH, 3.0, 0.0, EXTRA), strict=True
    ):
        assert a.tobytes() == b.tobytes()


@pytest.mark.parametrize("row", range(0, ROWS, 401))
def test_a_single_number_gives_the_same_bits_as_the_array(row: int) -> None:
    assert humidity.dew_point(float(DEGC[row]), float(PERCENT[row])).tobytes() == WHOLE["dew point"][0][row].tobytes()
    one = clear_sky.bsrn_limits(float(EXTRA[row]), float(ZENITH[row]), "global").possible_high
    assert one.shape == ()
    assert one.tobytes() == WHOLE["limits"][0][row].tobytes()


def test_a_stray_stamp_far_away_changes_nothing() -> None:
    """A logger that restarts at its epoch: the grid is not filled in between, and the rest keeps its bits."""
    far = np.concatenate(([np.datetime64("1970-01-01T00:00:00", "us")], TIME, [np.datetime64("2099-12-31", "us")]))
    for part, whole in zip(sun.position(far, 54.61, -2.95, 310.0), WHOLE["position"], strict=True):
        assert part[1:-1].tobytes() == whole.tobytes()
    assert sun.sun_earth_distance(far)[1:-1].tobytes() == WHOLE["distance"][0].tobytes()


def digest() -> str:
    """One sum over all results, for the comparison of processors."""
    return hashlib.sha256(b"".join(part.tobytes() for parts in WHOLE.values() for part in parts)).hexdigest()


def test_a_processor_without_wide_vectors_gives_the_same_bits() -> None:
    """The law of reach names the machine too: numpy's exp and power differ by processor, settled results do not."""
    from numpy._core._multiarray_umath import (  # type: ignore[import-not-found]
        __cpu_dispatch__,
        __cpu_features__,
    )

    wide = [feature for feature in __cpu_dispatch__ if __cpu_features__.get(feature)]
    if not wide:
        pytest.skip("this processor has no wider vectors than numpy's baseline")
    run = subprocess.run(
        [sys.executable, "-c", "from tests.physics import test_cuts; print(test_cuts.digest())"],
        env={**os.environ, "NPY_DISABLE_CPU_FEATURES": " ".join(wide)},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout.strip() == digest()
