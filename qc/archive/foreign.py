"""Another station's file in the inbox: its pressure, just after this station's last row, is not this station's and is
that of another one of the fleet.

Said only where all of it fits: this station's last pressure was usable and is hours old at most, the file lies far off
it and far off what this height would have, and close to the last usable pressure of one other station. Stations of like
height are not told apart; years that arrive late are not either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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
