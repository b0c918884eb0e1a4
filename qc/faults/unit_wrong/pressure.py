"""Pressure in another unit: against what is usual at the height."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    ID,
    STRANGE,
    Reading,
    Told,
    capped,
    lasting,
    medians,
    tail,
)
from qc.physics.pressure import standard_pressure
from qc.station import Channel
from qc.verdicts import Floats


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    usual = float(standard_pressure(case.sky.elevation))
    middles = medians(case, channel)
    wide = case.limit(ID, "pressure")
    here = np.log(np.maximum(middles, 1e-6) / usual)
    there = np.log(np.maximum(reading.of(middles), 1e-6) / usual)
    better = (np.abs(there) < np.abs(here)).astype(float)
    at = tail(better)
    if not len(here[at]):
        return None
    a, b = float(np.median(here[at])), float(np.median(there[at]))
    if abs(b) > STRANGE * wide:
        return None  # no pressure in either unit
    clues = [
        Clue("declared unit", capped(0.5 * (a / wide) ** 2 - 2.0), f"{np.exp(a):.3g} of what is usual at the height"),
        Clue("other unit", capped(4.0 - 0.5 * (b / wide) ** 2), f"{np.exp(b):.3f} of it in {reading.unit}"),
        *lasting(better),
    ]
    return Told(clues, better)
