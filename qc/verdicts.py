"""Verdicts: what checks leave on values, and how it merges into one code.

Codes are those of WMO BUFR/CREX code table 0 33 020. The law of merging is contract section 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

GOOD, INCONSISTENT, DOUBTFUL, WRONG, NOT_CHECKED, CHANGED, ESTIMATED, MISSING = range(8)
WORDS = ("good", "inconsistent", "doubtful", "wrong", "not_checked", "changed", "estimated", "missing")
USABLE = (GOOD, CHANGED, ESTIMATED)
_IS_USABLE = np.array([code in USABLE for code in range(8)])

FAMILIES: Mapping[str, tuple[str, ...]] = {
    "record": ("timing", "gap", "marker", "unreadable"),
    "one channel": ("range", "climate", "step", "spike", "persistence"),
    "device": ("frozen", "dropout"),
    "sun": ("night", "clear-sky", "dark-day", "closure"),
    "air": ("saturation", "dew-point", "twin", "shield"),
    "pressure": ("sea-level", "tendency"),
    "wind": ("gust", "calm", "vane", "icing"),
    "rain": ("dry-rain", "tip-size", "rain-rate", "drip", "snow-melt"),
    "station": ("supply", "common-mode"),
    "network": ("neighbour",),
    "people": ("visit", "decision"),
}
"""Ids of all checks by family (contract 5). Their order is that of `NAME_checks`, and their place is their bit: ids
are never used again."""

IDS: tuple[str, ...] = tuple(i for ids in FAMILIES.values() for i in ids)
BIT: Mapping[str, int] = {check: bit for bit, check in enumerate(IDS)}
FAMILY_OF: Mapping[str, str] = {i: family for family, ids in FAMILIES.items() for i in ids}

OWN, DEVICE, SUN, NEIGHBOUR, PEOPLE = "own record", "another device", "the sun", "a neighbour", "people"
WITNESSES = (OWN, DEVICE, SUN, NEIGHBOUR, PEOPLE)

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Notes = NDArray[np.object_]


@dataclass(frozen=True)
class Found:
    """What one check finds on one channel.

    Parameters
    ----------
    applied : bool array, one per row
        where the check could be applied.
    verdict : uint8 array, one per row
        0 passed, else the verdict that the check leaves (1, 2, 3, or 7 for a missing value).
    number : float array, one per row
        the number that was tested.
    limit : float array, one per row
        the limit that it was tested against.
    notes : array of str, one per row, optional
        what a person wrote; then each row that the check applies to is put down, also where the verdict is 0.
    """

    applied: Bools
    verdict: NDArray[np.uint8]
    number: Floats
    limit: Floats
    notes: Notes | None = None


@dataclass(frozen=True)
class NotApplied:
    """Why a check could not be applied to a channel at all."""

    why: str


@dataclass(frozen=True)
class Failure:
    """Rows of one channel that fail one check, with number and limit of each: sparse, in time order."""

    check: str
    witness: str
    rows: NDArray[np.int64]
    verdict: NDArray[np.uint8]
    number: Floats
    limit: Floats
    notes: Notes | None = None

    def take(self, keep: Bools, new_row: NDArray[np.int64]) -> Failure:
        """The failures on rows that are kept, renumbered."""
        here = keep[self.rows]
        notes = None if self.notes is None else self.notes[here]
        return Failure(
            self.check,
            self.witness,
            new_row[self.rows[here]],
            self.verdict[here],
            self.number[here],
            self.limit[here],
            notes,
        )


@dataclass
class ChannelVerdicts:
    """All that the chain left on one channel: two bit masks over the rows, and sparse failures."""

    applied: NDArray[np.uint64]
    failed: NDArray[np.uint64]
    failures: dict[str, Failure] = field(default_factory=dict)

    @classmethod
    def empty(cls, rows: int) -> ChannelVerdicts:
        """No check yet."""
        return cls(np.zeros(rows, np.uint64), np.zeros(rows, np.uint64))

    def add(self, check: str, witness: str, found: Found) -> None:
        """Put down what one check found."""
        bit = np.uint64(1 << BIT[check])
        self.applied |= bit if found.applied.all() else found.applied.astype(np.uint64) << np.uint64(BIT[check])
        rows = np.flatnonzero(found.verdict if found.notes is None else found.applied)
        if len(rows):
            self.failed[rows] |= bit
            notes = None if found.notes is None else found.notes[rows]
            self.failures[check] = Failure(
                check, witness, rows, found.verdict[rows], found.number[rows], found.limit[rows], notes
            )

    def take(self, keep: Bools) -> ChannelVerdicts:
        """The same for some of the rows."""
        new_row = np.cumsum(keep) - 1
        failures = {check: f.take(keep, new_row) for check, f in self.failures.items()}
        return ChannelVerdicts(
            self.applied[keep], self.failed[keep], {k: f for k, f in failures.items() if len(f.rows)}
        )

    def merged(self, has_value: Bools, decided: NDArray[np.int8] | None = None) -> NDArray[np.uint8]:
        """The verdict of each value, by the law of merging; see `merge`. What `decision` left is the decision."""
        decided = self._decided() if decided is None else decided
        return merge(has_value, self.applied, list(self.failures.values()), decided)

    def wrong(self, has_value: Bools) -> Bools:
        """Whether each value is wrong by the same law."""
        level, decided = _levels(len(has_value), list(self.failures.values())), self._decided()
        wrong = level == WRONG
        if decided is not None:
            wrong = np.where(decided >= 0, decided == WRONG, wrong)
        return np.asarray(wrong & has_value)

    def _decided(self) -> NDArray[np.int8] | None:
        decision = self.failures.get("decision")
        if decision is None:
            return None
        decided = np.full(len(self.failed), -1, np.int8)
        decided[decision.rows] = decision.verdict
        return decided


_RECORD_BITS = np.uint64(sum(1 << BIT[i] for i in FAMILIES["record"]))


def merge(
    has_value: Bools, applied: NDArray[np.uint64], failures: Sequence[Failure], decided: NDArray[np.int8] | None = None
) -> NDArray[np.uint8]:
    """One verdict for each value (contract 1, merging).

    Parameters
    ----------
    has_value : bool array
    applied : uint64 array
        bit mask of the checks applied.
    failures : sequence of Failure
    decided : int8 array, optional
        verdict of the latest line of the decision log that covers the value, -1 where none does.

    Returns
    -------
    uint8 array
        7 where there is no value; else the decision; else the highest of 0-3 left by checks, 3 where two different
        witnesses left a 2; 4 where nothing was left and no check outside the record family could be applied.
    """
    code = _levels(len(applied), failures)
    unchecked = (applied & ~_RECORD_BITS) == 0
    if unchecked.any():
        code[unchecked & (code == GOOD)] = NOT_CHECKED
    if decided is not None:
        code = np.where(decided >= 0, decided.astype(np.uint8), code)
    if not has_value.all():
        code[~has_value] = MISSING
    return code


def _levels(rows: int, failures: Sequence[Failure]) -> NDArray[np.uint8]:
    """The highest of 0-3 that checks left on each row, 3 where two different witnesses left a 2."""
    level = np.zeros(rows, np.uint8)
    doubts = np.zeros(rows, np.uint8)
    for failure in failures:
        of_value = failure.verdict <= WRONG
        at, verdict = failure.rows[of_value], failure.verdict[of_value]
        level[at] = np.maximum(level[at], verdict)
        doubts[at[verdict == DOUBTFUL]] |= np.uint8(1 << WITNESSES.index(failure.witness))
    level[(level == DOUBTFUL) & ((doubts & (doubts - np.uint8(1))) != 0)] = WRONG  # more than one bit: two witnesses
    return level


def is_usable(codes: NDArray[np.uint8]) -> Bools:
    """Which verdicts allow a value to be used; looked up, since a year of minutes has millions."""
    found: Bools = _IS_USABLE[codes]
    return found


def names_of(mask: int) -> str:
    """Ids of the checks in a bit mask, joined by `;`."""
    return ";".join(check for check, bit in BIT.items() if mask >> bit & 1)
