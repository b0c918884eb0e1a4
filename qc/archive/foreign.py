"""Another station's file in the inbox, by its pressure or its line counter.

By pressure, where all of it fits: this station's last pressure was usable and is hours old at most, the file lies far
off it and far off what this height would have, and close to the last usable pressure of one other station. Stations of
like height are not told apart; years that arrive late are not either.

By the line counter, where all of it fits: the file has rows of stamps that this station's own files have too, with
other numbers and other values in nearly all of them, and its numbers go on where those of one other station stood. A
restart, a counter that rolls over, a changed program, a new logger and a clock that was set back change the count too,
but none of them goes on with another station's; a file that was numbered anew has the same values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.record import SECOND

CLOSE_US = 3 * 3600 * SECOND
"""Time between two pressures that are compared (judgement: `tendency` allows a few hPa in it)."""

FAR_HPA = 15.0
"""Difference beyond which a pressure is not this station's (judgement: above what a storm does in 3 h; some 125 m)."""

LIKE_HPA = 3.0
"""Difference within which it is that of another station (judgement: what weather does in 3 h, mostly)."""

SCALE_M = 8000.0
"""Height in which pressure falls by a factor of e (from memory: 8.4 km at 15 degC, 8.0 km at 0 degC)."""


@dataclass(frozen=True)
class Clue:
    """The last usable pressure of a station."""

    station: str
    elevation: float
    us: int
    hpa: float


SHARED_ROWS = 12
"""Rows of like stamps from which counters are compared (judgement: fewer may all lie at a visit)."""

MOST = 0.9
"""Share of them that must differ, in number and in values (judgement: a few may be alike by chance)."""

UNLIKE = 2
"""Channels of a row that must differ, all of them where there are fewer (judgement: rain and a battery's voltage are
often the same at many stations, and one channel alone may have been calibrated anew)."""

SLIP = 2.0
"""Rows by which a count may miss that of the station that it goes on with (judgement: rows lost at a restart)."""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Count:
    """Where the line counter of a table stood in its last row that is known: time (microseconds UTC), number, and the
    interval (microseconds) of the table."""

    station: str
    table: str
    us: int
    number: float
    step_us: int


@dataclass(frozen=True)
class Counted:
    """Rows of a table with a line counter: times (microseconds UTC), shape (n,), numbers, and values, shape (n, k)."""

    us: Ints
    number: Floats
    values: Floats


def at_odds(own: Counted, here: Counted) -> tuple[int, float] | None:
    """Time and number of the last of the rows that a file and the station's own files both have, where they say other
    things; None where they agree, or share too few."""
    us, a, b = np.intersect1d(own.us, here.us, return_indices=True)
    if len(us) < SHARED_ROWS:
        return None
    apart = own.values[a] - here.values[b]
    known = np.isfinite(apart)
    unlike = (known & (apart != 0.0)).sum(axis=1) >= np.clip(known.sum(axis=1), 1, UNLIKE)
    other = own.number[a] != here.number[b]
    if min(float(unlike.mean()), float(other.mean())) < MOST:
        return None
    return int(us[-1]), float(here.number[b[-1]])


def goes_on(us: int, number: float, step_us: int, station: str, counts: Sequence[Count]) -> str:
    """The other station whose count a row goes on with, empty where there is none, or where it is this one's own."""
    off = [
        (abs((us - c.us) / c.step_us - (number - c.number)), c.station) for c in counts if c.step_us == step_us
    ]  # fmt: skip
    like = [name for miss, name in sorted(off) if miss <= SLIP]
    return like[0] if like and station not in like else ""


def suspected(us: int, hpa: float, own: Clue, others: Sequence[Clue]) -> str:
    """The station whose file this is, empty where nothing speaks against this one's own.

    Parameters
    ----------
    us, hpa : time (microseconds UTC) and pressure (hPa) of the file close to `own`.
    own : Clue
        of the station in whose inbox it lies.
    """
    if abs(us - own.us) > CLOSE_US or abs(hpa - own.hpa) <= FAR_HPA:
        return ""
    like = []
    for other in others:
        if other.station == own.station or abs(us - other.us) > CLOSE_US or abs(hpa - other.hpa) > LIKE_HPA:
            continue
        here = other.hpa * math.exp((other.elevation - own.elevation) / SCALE_M)  # what this height has then
        if abs(hpa - here) > FAR_HPA:
            like.append((abs(hpa - other.hpa), other.station))
    return min(like)[1] if like else ""
