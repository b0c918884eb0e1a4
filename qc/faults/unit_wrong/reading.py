"""A channel read in another unit of its quantity: what the numbers say, and the parts that the families share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from qc import units
from qc.case import Case
from qc.errors import StationFileError
from qc.faults import Clue
from qc.physics import blocks, onset
from qc.station import Channel
from qc.verdicts import Floats

ID = "unit-wrong"

TEMPERATURES = ("air_temperature", "dew_point", "soil_temperature", "surface_temperature", "logger_temperature")

WIND = ("wind_speed", "wind_gust")

UNITS = {
    "air_pressure": ("hPa", "inHg", "mmHg", "kPa", "Pa"),
    **dict.fromkeys(TEMPERATURES, ("degC", "degF", "K")),
    **dict.fromkeys(WIND, ("m/s", "mph", "kn", "km/h", "ft/s")),
    "global_irradiance": ("W/m2", "kW/m2", "kJ/m2", "MJ/m2"),
    "relative_humidity": ("%", "1"),
    "precipitation": ("mm", "inches"),
}
"""Units that a channel of a quantity may be in (contract 7 and 3), as `unit_found` names them."""

QUANTITIES = tuple(UNITS)

BLOCK_S = 6 * 3600.0

STRANGE = 4.0
"""Standard deviations from what is usual beyond which values are no better explained by another unit (judgement)."""

LEAP = 15.0
"""K; a change of unit by less is not told from weather (judgement)."""

MENDS, LEAST, MOST = 3, 3, 36
"""Leaps that are looked at, the last ones; values that must have come since, and those to each side that must go with
the leap (judgement: a spike and its end are two leaps)."""


@dataclass(frozen=True)
class Reading:
    """The channel as it would be if the table were in another unit: true values are `factor` x + `plus`."""

    unit: str
    factor: float
    plus: float

    def of(self, values: Floats) -> Floats:
        """Values of the table in the output unit."""
        return np.asarray(values * self.factor + self.plus)


@dataclass(frozen=True)
class Told:
    """What the numbers say of one reading against the declared unit: clues, and how well each block fits either."""

    clues: list[Clue]
    better: Floats  # by block: 1 where the reading fits better, 0 where the declared unit does, NaN for none
    fit: float = 0.0  # log-likelihood that tells like units from each other, without any cap
    begun: tuple[int, int] | None = None  # rows between which it began, where the test knows better than the blocks


Teller = Callable[[Case, Channel, Floats, Reading], "Told | str | None"]


def readings(case: Case, channel: Channel) -> list[Reading]:
    """Units that the table might be in instead of the declared one."""
    try:
        declared = units.conversion(channel.quantity, channel.unit, case.interval_s or None)
    except StationFileError:
        return []
    out = []
    for unit in UNITS[channel.quantity]:
        try:
            other = units.conversion(channel.quantity, unit, case.interval_s or None)
        except StationFileError:
            continue  # amounts need an interval
        factor = other.factor / declared.factor
        plus = (other.shift - declared.shift) * other.factor
        if abs(np.log(factor)) > 0.05 or abs(plus) > 1.0:
            out.append(Reading(unit, factor, plus))
    return out


def capped(odds: float) -> float:
    """Log-odds of one clue: no more than 55 to 1 (judgement: a clue may be wrong in itself)."""
    return float(np.clip(odds, -4.0, 4.0))


def block_starts(case: Case, rows: np.ndarray) -> np.ndarray:
    """Where each six-hour block with values begins in `rows`, which rise."""
    block = blocks.number(case.time[rows], BLOCK_S / 3600.0)
    begins = np.ones(len(rows), bool)
    begins[1:] = block[1:] != block[:-1]
    return np.flatnonzero(begins)


def medians(case: Case, channel: Channel) -> Floats:
    """Median of each six-hour block with values."""

    def make() -> Floats:
        values = case.values(channel)
        rows = np.flatnonzero(np.isfinite(values))
        return blocks.medians_of(values[rows], block_starts(case, rows))

    return case.once(f"{ID};medians;{channel.name}", make)


def levels(x: Floats, at: int) -> tuple[float, float]:
    """Medians of as many values up to a place and after it."""
    size = min(MOST, at + 1, len(x) - at - 1)
    return float(np.median(x[at + 1 - size : at + 1])), float(np.median(x[at + 1 : at + 1 + size]))


def one_leap(values: Floats, rows: np.ndarray, reading: Reading) -> tuple[int, int] | None:
    """The two rows of one leap that a change of unit explains and nothing else comes near to; None without one."""
    x = values[rows]
    if len(x) < 2:
        return None
    there = (x[:-1] - reading.plus) / reading.factor  # what the value before would be in the other unit
    leap, miss = np.abs(x[1:] - x[:-1]), np.abs(x[1:] - there)
    likely = (miss < 0.2 * leap) & (leap > 8.0 * np.median(leap))
    if likely.sum() != 1 or leap[likely][0] < 0.9 * leap.max():
        return None
    at = int(np.flatnonzero(likely)[0])
    before, after = levels(x, at)
    if abs(after - (before - reading.plus) / reading.factor) > abs(after - before):
        return None  # a spike, or its end
    return int(rows[at]), int(rows[at + 1])


def narrowed(values: Floats, rows: np.ndarray, reading: Reading) -> tuple[int, int]:
    """Rows between which it began: those of one leap, else the first and last of those given (two blocks)."""
    return one_leap(values, rows, reading) or (int(rows[0]), int(rows[-1]))


def tail(better: Floats) -> slice:
    """The blocks at the end in which another unit fits better; empty where there are none."""
    run = onset.first_true(better, least=1)
    return slice(run[1], None) if run is not None else slice(0, 0)


def lately(better: Floats) -> float:
    """Hours in a row, up to the last block, in which another unit fits better."""
    run = onset.first_true(better, least=1)
    if run is None:
        return 0.0
    return float((better[run[1] :] > 0.5).sum()) * BLOCK_S / 3600.0


def lasting(better: Floats, usual: float = 1.0) -> list[Clue]:
    """What it is worth that another unit fits better up to the end, `usual` times three at most."""
    hours = lately(better)
    if hours <= 0:
        return [Clue("lasting", -4.0, "not at the end")]
    return [Clue("lasting", usual * min(3.0, 0.5 + 0.25 * hours / 6.0), f"for {hours:.0f} h on end")]
