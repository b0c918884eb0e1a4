"""Where in a file which times stand, so that a night reads the lines around what is new and no others."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.archive import raw
from qc.moments import clock_entries
from qc.read import clock
from qc.read.lines import from_bytes
from qc.read.tables import line_times
from qc.record import SECOND
from qc.station import Station

Ints = NDArray[np.int64]

CHUNK = 500
"""Lines that are looked at together (judgement: a third of a day at 1 min)."""

_NONE = np.iinfo(np.int64).min


@dataclass(frozen=True)
class Places:
    """First and last time (microseconds UTC) of each chunk of lines, and the lines without a row (header, say)."""

    first_us: Ints
    last_us: Ints
    bare: Ints

    def packed(self) -> bytes:
        """As the ledger keeps it."""
        head = np.array([len(self.first_us), len(self.bare)], np.int64)
        return zlib.compress(np.concatenate([head, self.first_us, self.last_us, self.bare]).astype("<i8").tobytes(), 6)

    @classmethod
    def unpacked(cls, blob: bytes) -> Places:
        """From `packed`."""
        whole = np.frombuffer(zlib.decompress(blob), "<i8").astype(np.int64)
        n, m = int(whole[0]), int(whole[1])
        return cls(whole[2 : 2 + n], whole[2 + n : 2 + 2 * n], whole[2 + 2 * n : 2 + 2 * n + m])

    def lines(self, count: int, first_us: int, last_us: int) -> Ints:
        """Lines, counted from 0, that may hold a row between two times, and all bare ones; rising."""
        wanted = np.zeros(count, bool)
        wanted[self.bare] = True
        hit = (self.first_us != _NONE) & (self.first_us <= last_us) & (self.last_us >= first_us)
        for chunk in np.flatnonzero(hit).tolist():
            wanted[chunk * CHUNK : (chunk + 1) * CHUNK] = True
        return np.flatnonzero(wanted)


def of(content: bytes, station: Station) -> tuple[Places, Ints, bool]:
    """Places of a file, the time of each of its lines (microseconds UTC, the least integer where none), and whether its
    lines are those of `raw.split`. In UTF-16 they are not: such a file is always read whole.

    Raises
    ------
    RefusedFile
        if it cannot be read by the station's layouts.
    """
    lines = from_bytes(content)
    times = line_times(lines, station)
    us = np.where(np.isnat(times), _NONE, times.astype(np.int64))
    has = us != _NONE
    edges = np.arange(0, len(us), CHUNK)
    last = np.maximum.reduceat(us, edges) if len(us) else np.zeros(0, np.int64)
    first = np.minimum.reduceat(np.where(has, us, np.iinfo(np.int64).max), edges) if len(us) else np.zeros(0, np.int64)
    count = len(raw.split(content))
    if lines.encoding.startswith("utf-16") or count != len(us):
        none = np.zeros(0, np.int64)
        return Places(none, none, np.arange(count)), us, False
    return Places(np.where(last == _NONE, _NONE, first), last, np.flatnonzero(~has)), us, True


def has_time(us: Ints) -> NDArray[np.bool_]:
    """Which lines hold a row."""
    return np.asarray(us != _NONE)


def slop_us(station: Station) -> int:
    """How far a row may lie from where it was placed, once other lines stand around it: the clock's steps back."""
    pieces = clock.timeline(
        clock_entries(station), np.datetime64("1970-01-01", "us"), np.datetime64("2070-01-01", "us")
    )
    ahead = [seconds for _, seconds in pieces]
    steps = [a - b for a, b in pairwise(ahead) if a > b]
    return round(max(steps, default=0.0) * SECOND)
