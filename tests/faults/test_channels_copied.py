"""channels-copied: lines to the digit; derived and like channels are none."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Suspect
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "channels-copied"


def copied(a: str, b: str, slope: float, intercept: float, row: int, noise: float = 0.0) -> dict[str, np.ndarray]:
    _, found = meadow.weather(12.0, 1)
    y = found[b].copy()
    step = meadow.CHANNELS[b][3]
    new = slope * found[a][row:] + intercept + np.random.default_rng(1).normal(0.0, 1.0, 1728 - row) * noise * step
    y[row:] = np.round(np.round(new / step) * step, 6)
    return {b: y}


@pytest.mark.parametrize(("slope", "intercept"), [(1.0, 0.0), (1.8, 32.0), (-0.5, 40.0)])
def test_a_line_from_a_row_on(slope: float, intercept: float) -> None:
    case = meadow.case(12.0, 1, changed=copied("t_air", "t_log", slope, intercept, 700))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.evidence["pair"] == ["t_air", "t_log"]
    assert suspect.evidence["slope"] == pytest.approx(slope, rel=2e-3)
    assert suspect.evidence["intercept"] == pytest.approx(intercept, abs=0.05)
    assert case.time[690] <= suspect.onset[0] <= suspect.onset[1] <= case.time[705]


def test_one_day_is_enough() -> None:
    time, _ = meadow.weather(12.0, 1)
    case = meadow.case(12.0, 1, changed=copied("rh", "p", 1.0, 0.0, 1728 - 200))
    (suspect,) = named(FAULT, case)
    assert set(suspect.channels) == {"rh", "p"}
    del time


@pytest.mark.parametrize(("noise", "told"), [(0.5, True), (4.0, False)])
def test_how_much_may_be_left(noise: float, told: bool) -> None:
    case = meadow.case(12.0, 1, changed=copied("t_air", "t_log", 1.0, 0.0, 300, noise))
    assert any(isinstance(o, Suspect) for o in outcomes(FAULT, case)) == told


def test_channels_of_one_device_may_be_made_from_each_other() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=copied("ws", "gust", 1.4, 0.0, 300))) == []


def test_par_may_be_made_from_irradiance() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=copied("ghi", "par", 2.05, 0.0, 300), devices=False)) == []


def test_two_sensors_side_by_side_are_none() -> None:
    assert named(FAULT, meadow.case(12.0, 1, names=(*meadow.CHANNELS, "t_air_2", "ghi_2"))) == []


def test_frozen_channels_are_none() -> None:
    _, found = meadow.weather(12.0, 1)
    rng = np.random.default_rng(1)
    flips = 4.12 + 0.01 * rng.integers(0, 2, 1728)
    case = meadow.case(12.0, 1, changed={"ws": flips, "p": flips + 900.0}, devices=False)
    assert named(FAULT, case) == []
    del found


@pytest.mark.parametrize(("noise", "told"), [(0.0, True), (0.1, False)])
def test_a_copy_printed_with_fewer_digits(noise: float, told: bool) -> None:
    """Rounding to 0.1 drowns the changes from row to row; every value still lies within half a step. Noise: no copy."""
    _, found = meadow.weather(12.0, 1)
    y, x = found["par"].copy(), found["t_log"]
    y[300:] = np.round(x[300:] + noise * np.random.default_rng(1).normal(0.0, 1.0, len(y) - 300), 1)
    case = meadow.case(12.0, 1, changed={"par": y})
    suspects = [s for s in named(FAULT, case) if set(s.channels) == {"t_log", "par"}]
    assert bool(suspects) is told
    for s in suspects:
        assert s.evidence["slope"] == 1.0 and s.evidence["intercept"] == pytest.approx(0.0, abs=0.06)


@pytest.mark.parametrize(("step", "told"), [(1.0, True), (8.0, False)])
def test_a_copy_in_coarse_steps_above_a_hundred(step: float, told: bool) -> None:
    """A column of three figures prints a copy of light in whole watts from 100 on: a 250th of the day's deviation."""
    _, found = meadow.weather(12.0, 1)
    light = np.round(found["ghi"] + 0.05 * np.sin(np.arange(1728)), 2)  # in hundredths, as both columns say
    y = found["t_soil"].copy()
    y[300:] = np.where(np.abs(light[300:]) < 100.0, light[300:], np.round(light[300:] / step) * step)
    case = meadow.case(12.0, 1, changed={"gust": light, "t_soil": y})
    assert any(set(s.channels) == {"gust", "t_soil"} for s in named(FAULT, case)) is told


@pytest.mark.parametrize(("off", "told"), [(0.0, True), (0.01, False)])
def test_a_plain_copy_of_what_hardly_moves(off: float, told: bool) -> None:
    """A pressure of calm days, half a step from row to row: the same number in every row is a copy, a step off in one
    row of each day follows anything."""
    _, found = meadow.weather(12.0, 1)
    p = np.round(977.0 + 0.01 * np.random.default_rng(1).integers(0, 3, 1728), 2)
    t = found["t_air"].copy()
    t[700:] = p[700:]
    t[700::36] += off
    assert bool(named(FAULT, meadow.case(12.0, 1, changed={"p": p, "t_air": np.round(t, 2)}))) is told
