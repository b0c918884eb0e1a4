"""`[learnt]`: what the tables show of each channel, for a person to read and change; depends on the rows alone, never
on today.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from qc.draft import values as v
from qc.draft.channels import Guess
from qc.draft.table import Table

_HOUR = 3600.0


def channel(guess: Guess, table: Table) -> dict[str, Any]:
    """Percentiles and changes of one channel, in the unit of the outputs."""
    times = np.concatenate([g.utc_like for g in [guess.layout, *(one for one, _ in guess.also)]])
    out = np.concatenate(
        [guess.output(table.interval_s), *(_converted(guess, c.cells.clean, table) for _, c in guess.also)]
    )
    order = np.argsort(times, kind="stable")
    times, out = times[order], out[order]
    fresh = np.concatenate((np.diff(times) > np.timedelta64(0), [True]))
    times, out = times[fresh], out[fresh]
    found: dict[str, Any] = {"values": int(np.isfinite(out).sum())}
    if not found["values"]:
        return found
    found["percentiles"] = dict(zip(("p1", "p50", "p99"), v.quantiles(out, [0.01, 0.5, 0.99]), strict=True))
    if guess.quantity != "wind_direction" and guess.statistic != "counter":
        for name, over in (("change", table.interval_s), ("change_1h", _HOUR)):
            if over is None or (name == "change_1h" and (table.interval_s or 0) >= _HOUR):
                continue
            steps = v.changes(times, out, over, table.spacing.stray_s)
            if len(steps) >= 100:
                found[name] = dict(zip(("p50", "p99", "p999"), v.quantiles(steps, [0.5, 0.99, 0.999]), strict=True))
    return found


def _converted(guess: Guess, values: v.Floats, table: Table) -> v.Floats:
    from qc import units

    return units.apply(values, units.conversion(guess.quantity, guess.unit, table.interval_s))


def date(tables: Sequence[Table]) -> str:
    """The day of the last stamp."""
    last = max(x.local.max() for t in tables for x in t.layouts if len(x.local))
    return str(last.astype("datetime64[D]"))
