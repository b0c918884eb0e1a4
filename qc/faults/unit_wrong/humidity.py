"""Humidity as a share of one instead of percent."""

from __future__ import annotations

import numpy as np

from qc.case import Case
from qc.faults import Clue
from qc.faults.unit_wrong.reading import (
    Reading,
    Told,
    lasting,
    medians,
    tail,
)
from qc.station import Channel
from qc.verdicts import Floats


def judge(case: Case, channel: Channel, values: Floats, reading: Reading) -> Told | str | None:
    """What the values say of one reading: None where nothing speaks for it, in words what is lacking to judge."""
    here = values[np.isfinite(values)]
    tops = np.quantile(here, 0.98)
    if reading.factor < 10.0 or len(here) < 30:
        return None
    middles = medians(case, channel)
    better = (middles <= 1.05).astype(float)
    at = tail(better)
    if not len(middles[at]):
        return None
    part = middles[at]
    dry = float(np.median(part))
    clues = [
        Clue(
            "level",
            4.0 if part.max() <= 1.05 and dry > 0.2 and part.max() > 0.4 else -4.0,
            f"{dry:.2g} % in the median",
        ),
        Clue("spread", 2.0 if np.ptp(part) > 0.02 or dry < 0.99 else -2.0, f"98 % of values below {tops:.3g}"),
        *lasting(better),
    ]
    others = [case.values(c) for c in case.of("relative_humidity") if c.name != channel.name]
    off = [np.abs(o - reading.of(values)) for o in others if (np.isfinite(o) & np.isfinite(values)).sum() > 20]
    if off:
        apart = min(float(np.nanmedian(o)) for o in off)
        clues.append(Clue("beside", 2.0 if apart < 15.0 else -4.0, f"{apart:.0f} % from the humidity beside it then"))
    return Told(clues, better)
