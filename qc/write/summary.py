"""`summary.json`: what was read, what was found, what was not applied, and the sums of everything beside it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.chain import Checked, CheckedTable, not_applied
from qc.gaps import on_grid
from qc.record import SECOND
from qc.station import Channel, Station
from qc.verdicts import CHANGED, DOUBTFUL, ESTIMATED, WORDS, WRONG, is_usable
from qc.version import __version__
from qc.write.text import stamp

Period = tuple[np.datetime64 | None, np.datetime64 | None]


def summary(checked: Checked, period: Period, outputs: Mapping[str, str]) -> dict[str, Any]:
    """The document of contract 4."""
    record = checked.record
    site = record.station.station
    return {
        "station": site.id,
        "name": site.name,
        "latitude": site.latitude,
        "longitude": site.longitude,
        "elevation": site.elevation,
        "fairvane": __version__,
        "rules_sha256": checked.limits.sha256,
        "station_sha256": record.station.sha256,
        "reach": {"back_s": checked.reach.back_s, "ahead_s": checked.reach.ahead_s},
        "outputs": dict(outputs),
        "inputs": [_plain(vars(account)) for account in record.files],
        "logs": [_plain(vars(log)) for log in record.logs.files],
        "tables": {name: _table(record.station, t, checked, period) for name, t in checked.tables.items()},
        "not_applied": [
            {"check": check, "channels": list(channels), "why": why} for check, channels, why in not_applied(checked)
        ],
    }


def _plain(account: Mapping[str, Any]) -> dict[str, Any]:
    """An account fit for JSON: a path may hold bytes that are no text."""
    return {k: v.encode("utf-8", "replace").decode("utf-8") if isinstance(v, str) else v for k, v in account.items()}


def _table(station: Station, table: CheckedTable, checked: Checked, period: Period) -> dict[str, Any]:
    record = table.record
    first, last = (record.time[0], record.time[-1]) if record.rows else (None, None)
    expected = expected_rows(station, table, period)
    ahead = np.timedelta64(round(checked.reach.ahead_s * SECOND), "us")
    read_to = checked.record.tables[record.table.id].time[-1]
    settled = None if last is None else stamp(min(last, read_to - ahead))
    return {
        "period": {
            "from": stamp(first) if first is not None else None,
            "to": stamp(last) if last is not None else None,
            "interval_s": _whole(record.table.interval_s),
        },
        "stamps": record.table.side,
        "settled_until": settled,
        "rows": record.rows,
        "conflicts": 0 if record.conflicts is None else record.conflicts.rows,
        "expected_rows": expected,
        "channels": {c.name: _channel(c, table, expected) for c in station.channels_of(record.table)},
    }


def expected_rows(station: Station, table: CheckedTable, period: Period) -> int:
    """Rows of the grid from --from to --to, else from the first to the last stamp; of events, the rows that are
    there."""
    record, interval = table.record, table.record.interval_us
    if not interval or not record.rows:
        return record.rows
    begin, end = (int(t) for t in on_grid(station, record.time[[0, -1]], interval).astype(np.int64))
    first, last = (None if t is None else int(t.astype("datetime64[us]").astype(np.int64)) for t in period)
    steps_before = 0 if first is None else (begin - first) // interval
    steps_after = round((end - begin) / interval) if last is None else (last - begin) // interval
    return max(steps_before + steps_after + 1, 0)


def _channel(channel: Channel, table: CheckedTable, expected: int) -> dict[str, Any]:
    quantity, name = channel.quantity, channel.name
    codes = table.codes[name]
    counts = _counts(codes)
    usable = int(is_usable(table.best(name)[1]).sum())
    corrected = table.corrected.get(name)
    if corrected is not None:  # 5 and 6 come from corrected values alone, and stand beside the verdict of the raw one
        again = _counts(corrected.codes)
        counts[[CHANGED, ESTIMATED]] = again[[CHANGED, ESTIMATED]]
    failures = table.verdicts[name].failures
    values = int(np.isfinite(table.record.channels[name].values).sum())
    failed_again = {} if corrected is None else {"failed_again": {WORDS[c]: int(again[c]) for c in (DOUBTFUL, WRONG)}}
    return {
        "quantity": quantity,
        "unit": channel.output_unit,
        "statistic": channel.statistic,
        "verdicts": {word: int(counts[code]) for code, word in enumerate(WORDS)},
        "checks": {check: len(failure.rows) for check, failure in failures.items()},
        "completeness": round(values / expected, 6) if expected else None,
        "usable": round(usable / expected, 6) if expected else None,
        **failed_again,
    }


def _counts(codes: NDArray[np.uint8]) -> NDArray[np.int64]:
    """How often each verdict stands; a count by histogram would make integers of eight bytes of all of them first."""
    return np.array([np.count_nonzero(codes == code) for code in range(len(WORDS))])


def _whole(seconds: float | None) -> int | float | None:
    return int(seconds) if seconds is not None and seconds == int(seconds) else seconds


def text(document: Mapping[str, Any]) -> str:
    """JSON text, never with NaN."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
