"""Durations as station files and rules write them: `30s`, `10min`, `1h`, `1d`."""

from __future__ import annotations

import re

from qc.errors import printable

_DURATION = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,6})?)\s*(s|sec|min|h|d)")
_SECONDS = {"s": 1, "sec": 1, "min": 60, "h": 3600, "d": 86400}
SHORTEST, LONGEST = 0.001, 366 * 86400.0  # s; no logger's interval lies outside (judgement)


def seconds(text: object) -> float:
    """Seconds of a duration such as `10min`, `1h`, `30s`, `1d`; ValueError for anything else."""
    found = _DURATION.fullmatch(text.strip()) if isinstance(text, str) else None
    number = float(found[1]) * _SECONDS[found[2]] if found else 0.0
    if not SHORTEST <= number <= LONGEST:
        raise ValueError(f'{printable(repr(text), 24)} is no duration; write it like "30s", "10min", "1h" or "1d"')
    return number
