"""Rain in inches: by its amounts, its steps and the size of a tip."""

from __future__ import annotations

import numpy as np

from qc import units
from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    ID,
    Reading,
    Told,
    capped,
    medians,
)
from qc.station import Channel
from qc.verdicts import Floats


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    if reading.factor < 10.0 or channel.statistic == "counter":
        return None
    wet = values[values > 0]
    if len(wet) < case.limit(ID, "tips"):
        return f"{len(wet)} wet intervals, needs {case.limit(ID, 'tips'):.0f}"
    usual = 1.2 * (case.interval_s / 600.0) ** 0.6
    high = float(np.log(np.quantile(wet, 0.95) / usual))
    turn, wide = np.log(reading.factor), case.limit(ID, "rain")
    rest = np.abs(wet / 0.01 - np.round(wet / 0.01))
    least = float(wet.min())
    declared = channel.resolution if isinstance(channel.resolution, float | int) else None
    clues = [
        Clue("level", capped(0.5 * ((high / wide) ** 2 - ((high + turn) / wide) ** 2)),
             f"strong rain at {np.exp(high):.2f} of what is usual, {np.exp(high + turn):.1f} then"),
        Clue("steps", 1.5 if least >= 0.0095 and float((rest < 0.01).mean()) > 0.98 else -2.0,
             f"least amount {least:.3g}, steps of 0.01"),
        Clue("tips", 1.5 if abs(least - 0.01) < 1e-6 and float(np.mean(wet < 0.015)) > 0.25 else -1.0,
             f"{100 * float(np.mean(wet < 0.015)):.0f} % of wet intervals hold one tip"),
    ]  # fmt: skip
    if declared is not None:
        fits = declared * units.conversion(channel.quantity, channel.unit, case.interval_s or None).factor
        clues.append(Clue("tip size", 3.0 if fits > 3 * least else -4.0, f"the station file says {fits:g} mm a tip"))
    days = case.live_s(channel) / 86400.0
    if declared is None and days < case.limit(ID, "rain_days"):
        return f"{days:.0f} days of rain record without a tip size, needs {case.limit(ID, 'rain_days'):.0f}"
    year = float(np.nansum(values)) / days * 365.25
    clues.append(Clue("a year", capped(1.5 * float(np.log(120.0 / max(year, 1.0)))) if days >= 14 else 0.0,
                      f"{year:.0f} mm in a year at this rate"))  # fmt: skip
    return Told(clues, np.ones(len(medians(case, channel))))
